// Package tissuetest makes scans of bodies whose distances are known exactly, for tests of
// what is read from a planning scan.
//
// Conventions: patient LPS, mm; grey values as 1000·(µ/µ(water) − 1). Start with Cube and
// Render.
package tissuetest

import (
	"math"
	"math/rand/v2"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// Cube is the grid of a cube of half edge reach about its middle.
func Cube(middle geom.Vec, reach, voxel float64) volume.Grid {
	n := int(2 * reach / voxel)
	return volume.Grid{
		Size:   [3]int{n, n, n},
		Origin: r3.Sub(middle, r3.Scale(float64(n-1)/2*voxel, geom.Vec{X: 1, Y: 1, Z: 1})),
		Step:   [3]geom.Vec{{X: voxel}, {Y: voxel}, {Z: voxel}},
	}
}

// Below is what a Gaussian point spread of standard deviation blur leaves within a plane
// surface at a signed distance d from it.
func Below(d, blur float64) float64 { return 0.5 * math.Erfc(d/(math.Sqrt2*blur)) }

// Noise is Gaussian noise of a standard deviation, correlated over sigma voxels.
func Noise(g volume.Grid, sigma, sd float64, seed uint64) *volume.Field {
	f := &volume.Field{Grid: g, Grey: make([]float32, g.Len())}
	layer := g.Size[0] * g.Size[1]
	parallel.For(g.Size[2], func(k int) {
		rng := rand.New(rand.NewPCG(seed, uint64(k)))
		for i := range layer {
			f.Grey[k*layer+i] = float32(rng.NormFloat64())
		}
	})
	for a := range 3 {
		f.Convolve(a, volume.Gaussian(sigma))
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

// lowest is the grey value of a stored 0.
const lowest = -2000

// Render stores the grey values of a grid's voxels; grey is asked with a voxel's place and
// number.
func Render(g volume.Grid, grey func(p geom.Vec, voxel int) float64) *volume.Volume {
	v := &volume.Volume{Grid: g, Stored: make([]uint16, g.Len())}
	parallel.For(g.Size[2], func(k int) {
		for j := range g.Size[1] {
			for i := range g.Size[0] {
				at := (k*g.Size[1]+j)*g.Size[0] + i
				v.Stored[at] = uint16(math.Round(max(0, grey(g.Patient(float64(i), float64(j), float64(k)), at)-lowest)))
			}
		}
	})
	for range g.Size[2] {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, lowest)
	}
	return v
}
