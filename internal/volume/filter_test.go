package volume

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// noise is a field of normal noise, standard deviation 100.
func noise(size [3]int) *Field {
	r := rand.New(rand.NewPCG(1, 2))
	f := &Field{Grid: Grid{Size: size, Step: [3]geom.Vec{{X: 0.4}, {Y: 0.3}, {Z: 0.5}}}}
	for range f.Len() {
		f.Grey = append(f.Grey, float32(100*r.NormFloat64()))
	}
	return f
}

func TestConvolveAgainstTextbook(t *testing.T) {
	kernel := Gaussian(1.1)
	total := kernel[0]
	for _, w := range kernel[1:] {
		total += 2 * w
	}
	require.InDelta(t, 1, total, 1e-6)
	for axis := range 3 {
		f := noise([3]int{7, 6, 5})
		in := append([]float32(nil), f.Grey...)
		f.Convolve(axis, kernel)
		at := func(i [3]int) float64 { return float64(in[(i[2]*6+i[1])*7+i[0]]) }
		for k := range 5 {
			for j := range 6 {
				for i := range 7 {
					want := 0.0
					for s := -len(kernel) + 1; s < len(kernel); s++ {
						x := [3]int{i, j, k}
						x[axis] = min(max(x[axis]+s, 0), f.Size[axis]-1)
						want += float64(kernel[max(s, -s)]) * at(x)
					}
					require.InDelta(t, want, f.At(i, j, k), 1e-3, "axis %d", axis)
				}
			}
		}
	}
}

// A cell is the mean of its eight voxels, in their middle; where more than half
// of them have no value, neither has the cell.
func TestHalve(t *testing.T) {
	f := noise([3]int{5, 4, 2})
	nan := float32(math.NaN())
	for _, at := range []int{2, 3, 7, 8, 23} { // five of the eight voxels of the cell (1, 0, 0), and one of the first cell of the next row
		f.Grey[at] = nan
	}
	f.Grey[22] = nan
	h := f.Halve()
	require.Equal(t, [3]int{2, 2, 1}, h.Size)
	sum := float32(0)
	for _, at := range []int{0, 1, 5, 6, 20, 21, 25, 26} {
		sum += f.Grey[at]
	}
	assert.Equal(t, sum/8, h.At(0, 0, 0))
	assert.True(t, math.IsNaN(float64(h.At(1, 0, 0))))
	assert.InDelta(t, 0, r3.Norm(r3.Sub(f.Patient(2.5, 0.5, 0.5), h.Patient(1, 0, 0))), 1e-12)
}

// A voxel beside valid ones gets their mean; one farther off stays without.
func TestDilate(t *testing.T) {
	f := noise([3]int{4, 1, 1})
	nan := float32(math.NaN())
	f.Grey = []float32{nan, nan, 3, 5}
	d := f.Dilate()
	assert.True(t, math.IsNaN(float64(d.Grey[0])))
	assert.Equal(t, []float32{3, 3, 5}, d.Grey[1:])
}
