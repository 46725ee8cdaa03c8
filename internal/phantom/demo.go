package phantom

import "plumbline/internal/geom"

// Demo is the demonstration's cases, all invented: a lower molar close to the
// nerve canal, an upper premolar under the sinus with a cover screw on it, two
// lower fixtures side by side, and a lower premolar whose follow-up is a scan and a
// surface scan as well. They are placed about a millimetre and three
// to four degrees off, which is what reviews report of guided placement.
func Demo() []Spec {
	molar := demoCase("C-101", "2026-02-09", "46", 1)
	premolar := demoCase("C-102", "2026-03-02", "25", 5)
	pair := demoCase("C-103", "2026-03-23", "36", 1)

	f := &molar.Fixtures[0]
	f.Guidance, f.Diameter, f.Length = "full-guide", 4.8, 12
	f.Entry, f.Tilt = [3]float64{-0.5, 0.4, 0.6}, [2]float64{1.2, -1.6}

	f = &premolar.Fixtures[0]
	f.Guidance, f.Length = "pilot-guide", 10
	f.Cap, f.CapHeight = CoverScrew, 0.9
	f.Entry, f.Tilt = [3]float64{0.5, 0.7, 0.4}, [2]float64{-2.5, 3.0}

	f = &pair.Fixtures[0]
	f.Guidance, f.Cap, f.CapHeight = "freehand", Healing, 3.5
	f.Entry, f.Tilt = [3]float64{0.6, -0.6, 0.2}, [2]float64{3.1, 1.9}
	g := *f
	g.Site, g.Gap, g.Diameter, g.Length = "37", 3.2, 4.8, 8
	g.Entry, g.Tilt = [3]float64{-0.3, -0.8, 0.4}, [2]float64{-1.8, -3.4}
	pair.Fixtures = append(pair.Fixtures, g)

	both := demoCase("C-104", "2026-04-13", "45", 3)
	f = &both.Fixtures[0]
	f.Guidance, f.Length = "navigated", 11.5
	f.Entry, f.Tilt = [3]float64{-0.4, 0.5, 0.5}, [2]float64{1.8, -2.2}
	both.Surface = &SurfaceScan{
		From: -58, To: 12, Noise: 0.008, Ripple: 0.005, Bend: 0.04, Holes: 6, SeatShift: geom.Vec{X: 0.01, Y: -0.015, Z: 0.02},
		Before: true, BeforeShift: geom.Vec{X: 0.04, Y: -0.03, Z: 0.02}, BeforeTurn: geom.Vec{X: 0.05, Z: -0.08},
	}
	return []Spec{molar, premolar, pair, both}
}

// demoCase is Usual with a field of 60 × 45 mm and a pose of its own.
func demoCase(name, placed, site string, seed uint64) Spec {
	s := Usual(site)
	s.Seed, s.Case, s.Placed, s.Clinician = seed, name, placed, "clinician-a"
	r := newRandomSource(seed, 600)
	for _, c := range []*Scan{&s.Pre, &s.Post} {
		c.Width, c.Height = 60, 45
	}
	s.Post.Turn = geom.Vec{X: r.uniform(-9, 9), Y: r.uniform(-6, 6), Z: r.uniform(-12, 12)}
	s.Post.Move = geom.Vec{X: r.uniform(-15, 15), Y: r.uniform(0, 20), Z: r.uniform(-15, 15)}
	return s
}
