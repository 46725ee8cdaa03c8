package phantom

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// newScene builds the fixtures' jaw, the plan and what was placed: all that the
// truth needs. Before rendering it is furnished.
func newScene(s Spec) (*scene, []frame, error) {
	if err := s.Check(); err != nil {
		return nil, nil, err
	}
	sc := &scene{spec: s, absent: map[string]bool{}}
	for _, site := range s.Absent {
		sc.absent[site] = true
	}
	for _, f := range s.Fixtures {
		sc.absent[f.Site] = true
	}
	sc.own = newJaw(s.Seed, s.Upper(), s.Edentulous, sc.absent)
	plans := sc.plannedFrames()
	r := newRandomSource(s.Seed, 100)
	for i, f := range s.Fixtures {
		turn := r.Float64()
		if f.Missing {
			sc.fixtures = append(sc.fixtures, nil)
			continue
		}
		sc.fixtures = append(sc.fixtures, newPlacedFixture(f, achievedFrame(plans[i], f), turn))
	}
	if err := sc.addMetal(); err != nil {
		return nil, nil, err
	}
	if s.Before != Healed {
		sc.own.former = sc.own.shapes[s.Fixtures[0].Site]
	}
	if s.Graft && sc.fixtures[0] != nil {
		sc.addGranules(newRandomSource(s.Seed, 101))
	}
	return sc, plans, nil
}

// addAnatomy adds what only a picture needs: the other jaw and the textures.
func (sc *scene) addAnatomy() {
	seed := sc.spec.Seed
	sc.other = newJaw(seed, !sc.own.upper, false, sc.absent)
	for _, j := range []*jaw{sc.own, sc.other} {
		for i := range j.texture {
			j.texture[i] = newLattice(hash64(seed, j.stream(), uint64(i), 5))
		}
	}
	for i := range sc.soft {
		sc.soft[i] = newLattice(hash64(seed, 77, uint64(i), 1))
	}
}

// plannedFrames is each fixture's planned frame, z apical from the platform.
func (sc *scene) plannedFrames() []frame {
	var plans []frame
	for i, f := range sc.spec.Fixtures {
		var at frame
		if i > 0 && f.Gap > 0 {
			prev := sc.spec.Fixtures[i-1]
			at = plans[i-1]
			along := (prev.Diameter+f.Diameter)/2 + f.Gap
			if sc.own.isDistal(f.Site, prev.Site) {
				along = -along
			}
			at.origin = at.toJaw(geom.Vec{X: along, Z: f.Sink})
			at = at.tilted(f.Lean[0], f.Lean[1])
		} else {
			at = sc.own.crest(sc.own.arcLength[f.Site]).tilted(f.Lean[0], f.Lean[1])
			at.origin = at.toJaw(geom.Vec{Z: f.Sink})
		}
		plans = append(plans, at)
	}
	return plans
}

// isDistal reports whether site a lies further from the midline than b, or on
// the other side of it.
func (j *jaw) isDistal(a, b string) bool {
	return a[0] != b[0] || a[1] > b[1]
}

// achievedFrame moves a planned frame by the fixture's stated deviation.
func achievedFrame(plan frame, f Fixture) frame {
	at := plan
	at.origin = plan.toJaw(geom.Vec{X: f.Entry[0], Y: f.Entry[1], Z: f.Entry[2]})
	return at.tilted(f.Tilt[0], f.Tilt[1])
}

// addMetal lists the metal of both scans.
func (sc *scene) addMetal() error {
	crown := func(site string) (metal, error) {
		t := sc.own.shapes[site]
		if t == nil {
			return nil, fmt.Errorf("crown at site %s: it is in the other jaw than the fixtures", site)
		}
		if slices.ContainsFunc(sc.spec.Fixtures, func(f Fixture) bool { return f.Site == site }) {
			return nil, fmt.Errorf("crown at site %s: a fixture is planned there", site)
		}
		if !slices.Contains(sc.own.teeth, t) {
			sc.own.teeth = append(sc.own.teeth, t)
		}
		return &shellCrown{tooth: t, wall: 1.2}, nil
	}
	if site := sc.spec.FarCrown; site != "" {
		m, err := crown(site)
		if err != nil {
			return err
		}
		m.(*shellCrown).bare = true
		sc.metalPre = append(sc.metalPre, m)
		sc.metalPost = append(sc.metalPost, m)
	}
	if site := sc.spec.NewCrown; site != "" {
		m, err := crown(site)
		if err != nil {
			return err
		}
		sc.metalPost = append(sc.metalPost, m)
	}
	for _, p := range sc.fixtures {
		if p == nil {
			continue
		}
		sc.metalPost = append(sc.metalPost, p)
		if p.Cap != NoCap {
			sc.metalPost = append(sc.metalPost, newAbutment(p))
		}
		if p.Cap == AbutmentCrown {
			sc.metalPost = append(sc.metalPost, sc.crownOn(p))
		}
	}
	if len(sc.fixtures) > 0 && sc.fixtures[0] != nil {
		if m := sc.contactMetal(sc.fixtures[0]); m != nil {
			sc.metalPost = append(sc.metalPost, m)
		}
	}
	return nil
}

// crownOn is the crown on a fixture's abutment: the lost tooth's crown, seated
// a millimetre above the platform.
func (sc *scene) crownOn(p *placedFixture) metal {
	t := *sc.own.shapes[p.Site]
	t.frame = p.frame
	t.height = max(2, p.CapHeight)
	t.origin = p.toJaw(geom.Vec{Z: -1.4})
	return &shellCrown{tooth: &t, wall: 1.0}
}

// contactMetal is the foreign metal that lies against the fixture; 0.03 mm of
// overlap make the contact sure.
func (sc *scene) contactMetal(p *placedFixture) metal {
	const overlap = 0.03
	side := 1.0 // mesial
	if p.Site[1] == '1' {
		side = -1
	}
	r := p.Diameter / 2
	switch sc.spec.Touch {
	case TouchCrown:
		half := geom.Vec{X: 3.6, Y: 3.8, Z: 4}
		at := p.frame
		at.origin = p.toJaw(geom.Vec{X: side * (r + half.X - overlap), Z: 1.2 - half.Z})
		return &castCrown{frame: at, half: half, rounding: 1.2, wall: 1.4}
	case TouchPost:
		const radius = 0.8
		x := side * (r + radius - overlap)
		return &post{of: cobaltChromium, cone: newCone(
			p.toJaw(geom.Vec{X: x, Z: 0.55 * p.Length}),
			p.toJaw(geom.Vec{X: x + side*2.2, Z: -3.5}), radius, radius+0.2)}
	}
	return nil
}

func (sc *scene) addGranules(r *randomSource) {
	p := sc.fixtures[0]
	for range 36 {
		at := geom.Vec{X: r.uniform(-3.5, 3.5), Y: p.Diameter/2 + r.uniform(0.3, 2.8), Z: r.uniform(-0.3, 6)}
		sc.own.granule = append(sc.own.granule, granule{p.toJaw(at), r.uniform(0.3, 0.7)})
	}
}

// scanGrid is a scan's voxels. The first voxel's centre is rounded to a
// micrometre, as it is written.
func (sc *scene) scanGrid(c Scan, plans []frame) volume.Grid {
	middle := geom.Vec{}
	for i, f := range sc.spec.Fixtures {
		middle = r3.Add(middle, plans[i].toJaw(geom.Vec{Z: f.Length / 2}))
	}
	middle = r3.Scale(1/float64(len(plans)), middle)
	// The usual field is centred on the arch; a small one moves over until the
	// fixtures lie at least fieldInside within its edge.
	const fieldInside = 12.0
	centre := geom.Vec{Y: 2, Z: sc.own.sign * 14}
	away := geom.Vec{X: middle.X - centre.X, Y: middle.Y - centre.Y}
	if over := norm(away) - (c.Width/2 - fieldInside); over > 0 {
		centre = r3.Add(centre, r3.Scale(min(1, over/norm(away)), away))
	}
	centre = jawToScan(c).Apply(r3.Add(centre, c.Shift))
	nx := max(8, int(math.Round(c.Width/c.Voxel)))
	nz := max(8, int(math.Round(c.Height/c.sliceStep())))
	micron := func(x float64) float64 { return math.Round(x*1000) / 1000 }
	return volume.Grid{
		Size: [3]int{nx, nx, nz},
		Origin: geom.Vec{
			X: micron(centre.X - float64(nx-1)/2*c.Voxel),
			Y: micron(centre.Y - float64(nx-1)/2*c.Voxel),
			Z: micron(centre.Z - float64(nz-1)/2*c.sliceStep()),
		},
		Step: [3]geom.Vec{{X: c.Voxel}, {Y: c.Voxel}, {Z: c.sliceStep()}},
	}
}
