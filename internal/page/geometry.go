package page

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/geom"
	"plumbline/internal/page/practice"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// plain is what the scripts have to know of a scan to show it.
type plain struct {
	Address string     // of its cuts
	Of      string     // which scan
	Window  [2]uint16  // levels that are black and white at first
	Low     [3]float64 // corners of the box around the scan, patient coordinates
	High    [3]float64
	Centre  [3]float64
	Upper   bool // the case is about the upper jaw
}

func (p *Page) plain(c *looked, s *openScan) *plain {
	out := &plain{Address: caseAddress(c.Name) + "/cut", Of: practice.Planning, Window: s.window}
	g := s.scan.Grid
	low, high := math.Inf(1), math.Inf(-1)
	out.Low, out.High = [3]float64{low, low, low}, [3]float64{high, high, high}
	for corner := range 8 {
		at := [3]float64{}
		for a := range 3 {
			if corner>>a&1 == 1 {
				at[a] = float64(g.Size[a] - 1)
			}
		}
		for a, x := range triple(g.Patient(at[0], at[1], at[2])) {
			out.Low[a], out.High[a] = min(out.Low[a], x), max(out.High[a], x)
		}
	}
	out.Centre = triple(g.Centre())
	for _, f := range c.Draft.Fixtures {
		out.Upper = f.Site.Jaw() == tooth.Upper
	}
	return out
}

func triple(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// site is a tooth as the scripts need it.
type site struct {
	Number         string
	Name           string
	Upper          bool
	Mesial, Buccal [3]float64 // where these usually are in a head that lies straight
	Outward        string     // the word for buccal here
	Inward         string
}

func siteOf(n tooth.Number) site {
	m := dentalarch.UsualMesial(n)
	out, in := wording.Cheek(n)
	b := r3.Cross(m, geom.Vec{Z: 1})
	outwards := geom.Vec{X: 1}
	switch {
	case n.Anterior():
		outwards = geom.Vec{Y: -1}
	case n.Side() == tooth.Right:
		outwards = geom.Vec{X: -1}
	}
	if r3.Dot(b, outwards) < 0 {
		b = r3.Scale(-1, b)
	}
	return site{Number: n.String(), Name: n.Name(), Upper: n.Jaw() == tooth.Upper, Mesial: triple(m), Buccal: triple(b), Outward: out, Inward: in}
}
