package bone

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/tissue/tissuetest"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// ridge is a straight lower jaw with a cortex of exact thickness: across, the hull of two
// discs in the plane of x (+ buccal) and z (+ coronal), the crest's top at the origin.
// Its distances are exact, so that its image under a Gaussian point spread is, but for the
// bend of its surface (σ²/2R, 0.01 mm), that of a plane.
type ridge struct {
	crest, base, deep float64 // radii, and the lower disc's depth
	shell             float64 // of cortical bone; of no thickness: spongy bone alone
	place             geom.Rigid
	voxel, blur       float64
	noise, struts     float64 // standard deviations, grey values
	cortex, soft      float64
	seed              uint64
	metal             *geom.Vec // where a ball of metal lies; nil for none
}

func (r ridge) distance(p geom.Vec) float64 {
	return r.smooth(p) + bumps*math.Sin(2.1*p.X+1)*math.Sin(1.9*p.Y)*math.Sin(2.3*p.Z+2)
}

// bumps is the height of the surface's bumps, some 3 mm apart, mm.
const bumps = 0.1

// smooth is the distance without bumps.
func (r ridge) smooth(p geom.Vec) float64 {
	// Hull of two discs (exact): the same as a round cone in two dimensions.
	h := r.deep
	b := (r.crest - r.base) / h
	a := math.Sqrt(1 - b*b)
	x, y := math.Abs(p.X), -p.Z-r.crest
	k := -b*x + a*y
	switch {
	case k < 0:
		return math.Hypot(x, y) - r.crest
	case k > a*h:
		return math.Hypot(x, y-h) - r.base
	}
	return x*a + y*b - r.crest
}

const (
	ridgeMarrow         = 200.0
	enamel, crownRadius = 2800.0, 4.0
)

// crown is where one of the neighbouring crowns stands, the other one opposite.
var crown = geom.Vec{Y: 13, Z: 4.5}

// render makes the scan, of a cube of half edge reach about the middle of a fixture.
func (r ridge) render(middle geom.Vec, reach float64) *volume.Volume {
	g := tissuetest.Cube(r.place.Apply(middle), reach, r.voxel)
	noise := tissuetest.Noise(g, 0.8, r.noise, r.seed)
	struts := tissuetest.Noise(g, r.blur/r.voxel, r.struts, r.seed+1)
	pores := tissuetest.Noise(g, r.blur/r.voxel, 0.05*r.cortex, r.seed+2)
	back := r.place.Inverse()
	return tissuetest.Render(g, func(p geom.Vec, at int) float64 {
		p = back.Apply(p)
		d := r.distance(p)
		in, within := tissuetest.Below(d, r.blur), tissuetest.Below(d+r.shell, r.blur)
		soft := r.soft
		if p.Z > 7 { // air in the mouth
			soft = -1000
		}
		grey := within*(ridgeMarrow+float64(struts.Grey[at])) + (in-within)*(r.cortex+float64(pores.Grey[at])) + (1-in)*soft
		tooth := tissuetest.Below(r3.Norm(r3.Sub(geom.Vec{X: p.X, Y: math.Abs(p.Y), Z: p.Z}, crown))-crownRadius, r.blur)
		grey += tooth * (enamel - grey)
		if r.metal != nil {
			grey += tissuetest.Below(r3.Norm(r3.Sub(p, *r.metal))-1, r.blur) * (10000 - grey)
		}
		return grey + float64(noise.Grey[at])
	})
}

// truth is the exact distance from 0 along a ray, ridge's frame, to the outer surface: outwards,
// or inwards to low where 0 is outside; NaN where there is none within reach.
func (r ridge) truth(from, along geom.Vec, low, high float64) float64 {
	at := func(x float64) float64 { return r.distance(r3.Add(from, r3.Scale(x, along))) }
	x, dx := 0.0, 0.01
	if at(0) > 0 {
		dx = -0.01
	}
	inside := at(0) <= 0
	for ; x >= low && x <= high; x += dx {
		if (at(x) <= 0) != inside {
			a, b := x-dx, x
			for range 40 {
				m := (a + b) / 2
				if (at(m) <= 0) == inside {
					a = m
				} else {
					b = m
				}
			}
			return (a + b) / 2
		}
	}
	return math.NaN()
}
