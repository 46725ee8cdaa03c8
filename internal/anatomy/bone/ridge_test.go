package bone

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
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
	n := int(2 * reach / r.voxel)
	centre := r.place.Apply(middle)
	v := &volume.Volume{Grid: volume.Grid{
		Size:   [3]int{n, n, n},
		Origin: r3.Sub(centre, r3.Scale(float64(n-1)/2*r.voxel, geom.Vec{X: 1, Y: 1, Z: 1})),
		Step:   [3]geom.Vec{{X: r.voxel}, {Y: r.voxel}, {Z: r.voxel}},
	}}
	noise := smoothNoise(v.Grid, 0.8, r.noise, r.seed)
	struts := smoothNoise(v.Grid, r.blur/r.voxel, r.struts, r.seed+1)
	pores := smoothNoise(v.Grid, r.blur/r.voxel, 0.05*r.cortex, r.seed+2)
	v.Stored = make([]uint16, v.Len())
	back := r.place.Inverse()
	below := func(d float64) float64 { return 0.5 * math.Erfc(d/(math.Sqrt2*r.blur)) }
	parallel.For(n, func(k int) {
		for j := range n {
			for i := range n {
				at := (k*n+j)*n + i
				p := back.Apply(v.Patient(float64(i), float64(j), float64(k)))
				d := r.distance(p)
				in, within := below(d), below(d+r.shell)
				soft := r.soft
				if p.Z > 7 { // air in the mouth
					soft = -1000
				}
				tooth := below(r3.Norm(r3.Sub(geom.Vec{X: p.X, Y: math.Abs(p.Y), Z: p.Z}, crown)) - crownRadius)
				g := within*(ridgeMarrow+float64(struts.Grey[at])) + (in-within)*(r.cortex+float64(pores.Grey[at])) + (1-in)*soft
				g += tooth*(enamel-g) + float64(noise.Grey[at])
				v.Stored[at] = uint16(math.Round(max(0, g+2000)))
			}
		}
	})
	for range n {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -2000)
	}
	return v
}

// smoothNoise is Gaussian noise of a standard deviation, correlated over some voxels.
func smoothNoise(g volume.Grid, sigma, sd float64, seed uint64) *volume.Field {
	f := &volume.Field{Grid: g, Grey: make([]float32, g.Len())}
	parallel.For(g.Size[2], func(k int) {
		rng := rand.New(rand.NewPCG(seed, uint64(k)))
		for i := range g.Size[0] * g.Size[1] {
			f.Grey[k*g.Size[0]*g.Size[1]+i] = float32(rng.NormFloat64())
		}
	})
	kernel := volume.Gaussian(sigma)
	for a := range 3 {
		f.Convolve(a, kernel)
	}
	squares := 0.0
	for _, x := range f.Grey {
		squares += float64(x) * float64(x)
	}
	scale := float32(sd / math.Sqrt(squares/float64(len(f.Grey))))
	for i := range f.Grey {
		f.Grey[i] *= scale
	}
	return f
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
