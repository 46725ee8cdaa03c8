package phantom

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

func TestAPathHasTheStatedSpread(t *testing.T) {
	c := Scan{Drift: 0.3, DriftTurn: 0.2}
	p := c.headPath(7)
	require.Nil(t, Scan{}.headPath(7))
	var sum, square geom.Vec
	turn := 0.0
	const n = 2000
	for i := range n {
		m := p.pose(float64(i) / n)
		at := m.Apply(geom.Vec{})
		sum = r3.Add(sum, r3.Scale(1./n, at))
		square = r3.Add(square, geom.Vec{X: at.X * at.X / n, Y: at.Y * at.Y / n, Z: at.Z * at.Z / n})
		turn += m.Angle() * m.Angle() / n
	}
	assert.Less(t, r3.Norm(sum), 0.002, "the mean pose is the true one")
	for _, v := range []float64{square.X, square.Y, square.Z} {
		assert.InEpsilon(t, 0.3, math.Sqrt(v), 0.01)
	}
	assert.InEpsilon(t, geom.Radians(0.2)*math.Sqrt(3), math.Sqrt(turn), 0.02)
}

// A disc that drifts while parallel views turn about it, against a filtered
// back-projection of its exact shadows (chord lengths, each view at its own place; Ram-Lak's
// kernel: Kak and Slaney 1988, eq. 61): edges lie where that has them.
func TestDriftAgainstFilteredBackProjection(t *testing.T) {
	const size, step, radius = 96, 0.25, 6.0
	grid := volume.Grid{Size: [3]int{size, size, 1}, Step: [3]geom.Vec{{X: step}, {Y: step}, {Z: step}},
		Origin: geom.Vec{X: -(size - 1) / 2. * step, Y: -(size - 1) / 2. * step}}
	b := newBlock(grid, [3]int{}, grid.Size)
	path := Scan{Drift: 0.4}.headPath(3)
	flat := func(share float64) geom.Vec {
		d := path.pose(share).T
		return geom.Vec{X: d.X, Y: d.Y}
	}
	// In one slice there is no motion across slices.
	path.scale[5] = 0
	for j := range size {
		for i := range size {
			p := grid.Patient(float64(i), float64(j), 0)
			b.grey[j*size+i] = float32(planeFraction(math.Hypot(p.X, p.Y)-radius, 2*step))
		}
	}
	b.driftWithin(path, 0)

	// Filtered back-projection.
	const turns, bin = 720, 0.1
	half := 120
	out := make([]float64, size*size)
	for v := range turns {
		theta := 2 * math.Pi * float64(v) / turns // of the detector
		sin, cos := math.Sincos(theta)
		d := flat(float64(v)/turns + 0.25)
		at := d.X*cos + d.Y*sin
		shadow := make([]float64, 2*half+1)
		for k := range shadow {
			s := float64(k-half)*bin - at
			shadow[k] = 2 * math.Sqrt(max(0, radius*radius-s*s))
		}
		filtered := make([]float64, len(shadow))
		for k := range filtered {
			for l, x := range shadow {
				switch n := k - l; {
				case n == 0:
					filtered[k] += x / (4 * bin)
				case n%2 != 0:
					filtered[k] -= x / (math.Pi * math.Pi * float64(n*n) * bin)
				}
			}
		}
		for j := range size {
			for i := range size {
				p := grid.Patient(float64(i), float64(j), 0)
				s := (p.X*cos+p.Y*sin)/bin + float64(half)
				if k := int(s); s >= 0 && k+1 < len(filtered) {
					f := s - float64(k)
					out[j*size+i] += ((1-f)*filtered[k] + f*filtered[k+1]) * math.Pi / turns
				}
			}
		}
	}
	edge := func(image func(i int) float64, phi float64) float64 {
		sin, cos := math.Sincos(phi)
		// The mass along the ray is where the edge lies, whatever its blur.
		sum := 0.0
		const fine = 0.05
		for r := 3.0; r < 9; r += fine {
			x, y, _ := grid.Index(geom.Vec{X: r * cos, Y: r * sin})
			i, j := int(x), int(y)
			fx, fy := x-float64(i), y-float64(j)
			sum += fine * ((1-fy)*((1-fx)*image(j*size+i)+fx*image(j*size+i+1)) + fy*((1-fx)*image((j+1)*size+i)+fx*image((j+1)*size+i+1)))
		}
		return 3 + sum
	}
	square, most := 0.0, 0.0
	for k := range 12 {
		phi := 2 * math.Pi * float64(k) / 12
		got := edge(func(i int) float64 { return float64(b.grey[i]) }, phi)
		want := edge(func(i int) float64 { return out[i] }, phi)
		square += (want - radius) * (want - radius) / 12
		most = max(most, math.Abs(got-want))
	}
	assert.Greater(t, math.Sqrt(square), 0.1, "edges are displaced at all")
	assert.Less(t, most, 0.08)
}
