package reslice

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// filled is a volume of the given size whose grey values are f's at each voxel.
func filled(size [3]int, f func(p geom.Vec) float64) *volume.Volume {
	turn := geom.Rotation(geom.Vec{X: 0.3, Y: -0.2, Z: 0.5})
	v := &volume.Volume{Grid: volume.Grid{Size: size, Origin: geom.Vec{X: -7, Y: 3, Z: 11},
		Step: [3]geom.Vec{turn.Rotate(geom.Vec{X: 0.3}), turn.Rotate(geom.Vec{Y: 0.25}), turn.Rotate(geom.Vec{Z: 0.4})}}}
	v.Stored = make([]uint16, v.Len())
	for k := range size[2] {
		// Each slice with a rescale of its own, as PS3.3 C.7.6.16.2.9 allows.
		v.Slope, v.Intercept = append(v.Slope, 0.01*float64(1+k%3)), append(v.Intercept, float64(-5*(k%2)))
		for j := range size[1] {
			for i := range size[0] {
				g := f(v.Patient(float64(i), float64(j), float64(k)))
				v.Stored[(k*size[1]+j)*size[0]+i] = uint16(math.Round((g - v.Intercept[k]) / v.Slope[k]))
			}
		}
	}
	return v
}

// Trilinear interpolation gives a linear function exactly, so that every level can be
// said beforehand from the place of its pixel alone.
func TestALinearScanIsCutExactly(t *testing.T) {
	linear := func(p geom.Vec) float64 { return 100 + 2*p.X - 1.5*p.Y + 3*p.Z }
	v := filled([3]int{40, 50, 30}, linear)
	s := New(v, 0, 250)
	random := rand.New(rand.NewPCG(1, 2))
	outside, insideOf := 0, 0
	for range 40 {
		turn := geom.Rotation(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()})
		c := Cut{Centre: v.Patient(20+8*random.NormFloat64(), 25+8*random.NormFloat64(), 15+5*random.NormFloat64()),
			Right: turn.Rotate(geom.Vec{X: 1}), Up: turn.Rotate(geom.Vec{Y: 1}), Columns: 31, Rows: 24, Pixel: 0.4}
		levels := s.Levels(c)
		for row := range c.Rows {
			for col := range c.Columns {
				x, y := (float64(col)-15)*c.Pixel, (11.5-float64(row))*c.Pixel
				p := r3.Add(c.Centre, r3.Add(r3.Scale(x, c.Right), r3.Scale(y, c.Up)))
				got := levels[row*c.Columns+col]
				i, j, k := v.Index(p)
				if i < 0 || j < 0 || k < 0 || i > 39 || j > 49 || k > 29 {
					require.Zero(t, got)
					outside++
					continue
				}
				insideOf++
				// Half a step of what is stored, the coarsest slice's, and half a level.
				require.InDelta(t, linear(p), 250*(float64(got)-1)/(Highest-1), 0.015+250.0/(Highest-1))
			}
		}
	}
	assert.Greater(t, outside, 1000)
	assert.Greater(t, insideOf, 1000)
}

func TestTheOutermostVoxelsAreShown(t *testing.T) {
	v := filled([3]int{4, 4, 4}, func(p geom.Vec) float64 { return 50 })
	s := New(v, 0, 100)
	for _, corner := range [][3]float64{{0, 0, 0}, {3, 3, 3}, {3, 0, 3}, {0, 3, 0}} {
		c := Cut{Centre: v.Patient(corner[0], corner[1], corner[2]), Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}, Columns: 1, Rows: 1, Pixel: 0.1}
		// The way there and back through the patient may round it out of the scan.
		i, j, k := v.Index(c.Centre)
		if i >= 0 && j >= 0 && k >= 0 && i <= 3 && j <= 3 && k <= 3 {
			assert.Equal(t, s.Level(50), s.Levels(c)[0], "%v", corner)
		}
	}
}

func TestPaddingIsOutside(t *testing.T) {
	v := filled([3]int{10, 10, 10}, func(p geom.Vec) float64 { return 50 })
	c := Cut{Centre: v.Centre(), Right: r3.Unit(v.Step[0]), Up: r3.Unit(v.Step[1]), Columns: 5, Rows: 5, Pixel: 0.2}
	for _, l := range New(v, 0, 100).Levels(c) {
		require.NotZero(t, l)
	}
	stored := v.Stored[4*100+4*10+4]
	v.Padding = &volume.Range{Low: stored, High: stored}
	found := 0
	for _, l := range New(v, 0, 100).Levels(c) {
		if l == 0 {
			found++
		}
	}
	assert.Positive(t, found)
}

// A follow-up scan is another patient position: cutting it along a moved plane shows
// what lay on the plane before.
func TestAMovedCutShowsTheMovedPatient(t *testing.T) {
	m := geom.Rotation(geom.Vec{X: 0.1, Y: 0.2, Z: -0.1})
	linear := func(p geom.Vec) float64 { return 100 + 2*p.X - 1.5*p.Y + 3*p.Z }
	before := filled([3]int{40, 50, 30}, linear)
	m.T = r3.Add(r3.Sub(before.Centre(), m.Rotate(before.Centre())), geom.Vec{X: 1, Y: -0.5, Z: 0.5})
	back := m.Inverse()
	after := filled([3]int{40, 50, 30}, func(p geom.Vec) float64 { return linear(back.Apply(p)) })
	c := Cut{Centre: before.Centre(), Right: geom.Vec{X: 1}, Up: geom.Vec{Z: 1}, Columns: 9, Rows: 9, Pixel: 0.3}
	a, b := New(before, 0, 250).Levels(c), New(after, 0, 250).Levels(c.Moved(m))
	for i := range a {
		require.NotZero(t, b[i])
		assert.InDelta(t, float64(a[i]), float64(b[i]), 10)
	}
}

func TestAFlatScanHasOneLevel(t *testing.T) {
	v := filled([3]int{4, 4, 4}, func(p geom.Vec) float64 { return 50 })
	c := Cut{Centre: v.Centre(), Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}, Columns: 2, Rows: 2, Pixel: 0.1}
	assert.Equal(t, []uint16{1, 1, 1, 1}, New(v, 50, 50).Levels(c))
}

// The goal is 16 ms at the median on two cores for a cut of 512 × 512 pixels of a scan
// of 512 × 512 × 400 voxels.
func BenchmarkLevels(b *testing.B) {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{512, 512, 400}, Step: [3]geom.Vec{{X: 0.2}, {Y: 0.2}, {Z: 0.2}}}}
	v.Stored = make([]uint16, v.Len())
	for i := range v.Stored {
		v.Stored[i] = uint16(i * 7919)
	}
	v.Slope, v.Intercept = make([]float64, 400), make([]float64, 400)
	for k := range v.Slope {
		v.Slope[k] = 1
	}
	s := New(v, 0, 65535)
	for name, turn := range map[string]geom.Vec{"across": {}, "along": {X: math.Pi / 2}, "oblique": {X: 0.7, Y: 0.5, Z: 0.3}} {
		m := geom.Rotation(turn)
		c := Cut{Centre: v.Centre(), Right: m.Rotate(geom.Vec{X: 1}), Up: m.Rotate(geom.Vec{Y: 1}), Columns: 512, Rows: 512, Pixel: 0.2}
		b.Run(fmt.Sprintf("%s/512x512", name), func(b *testing.B) {
			for b.Loop() {
				s.Levels(c)
			}
		})
	}
}
