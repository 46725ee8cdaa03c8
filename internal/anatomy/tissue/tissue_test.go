package tissue

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/tissue/tissuetest"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// The textbook's way: every cell against every cell.
func TestNearAgainstEveryPair(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	g := cells{volume.Grid{Size: [3]int{9, 7, 8}, Step: [3]geom.Vec{{X: 0.4}, {Y: 0.3}, {Z: 0.5}}}}
	in := make([]bool, g.Len())
	for i := range in {
		in[i] = rng.IntN(40) == 0
	}
	got := near(g, 1, func(i int) bool { return in[i] })
	marked := 0
	for i := range got {
		want := false
		for j := range in {
			want = want || in[j] && r3.Norm(r3.Sub(g.place(i), g.place(j))) <= 1+1e-6
		}
		require.Equal(t, want, got[i], i)
		if want {
			marked++
		}
	}
	assert.Greater(t, marked, 50)
	assert.Less(t, marked, len(got))
}

// A field whose corners are all of one grey value is round, and one with a corner of another
// is not.
func TestFieldOfView(t *testing.T) {
	v := tissuetest.Render(tissuetest.Cube(geom.Vec{}, 5, 0.5), func(p geom.Vec, _ int) float64 {
		if math.Hypot(p.X, p.Y) > 5 {
			return -1000
		}
		return 50
	})
	inField := fieldOfView(v, [3]int{})
	assert.False(t, inField(0, 0))
	assert.True(t, inField(10, 10))
	assert.True(t, inField(1, 10))
	assert.True(t, fieldOfView(v, [3]int{5, 5, 0})(5, 5), "counted from the region's own corner")
	v.Stored[len(v.Stored)-1]++
	assert.True(t, fieldOfView(v, [3]int{})(0, 0))
}

// A plate between the mouth and a marrow of the same grey value keeps the outside out; a
// gap wider than the ball lets it in, which the leak tells.
func TestOutsideEndsAtThePlate(t *testing.T) {
	pose := geom.Pose{Entry: geom.Vec{}, Apex: geom.Vec{Z: -10}}
	jaw := func(gap float64) *Region {
		g := tissuetest.Cube(geom.Vec{Z: -2}, 16, 0.4)
		noise := tissuetest.Noise(g, 0.8, 20, 1)
		v := tissuetest.Render(g, func(p geom.Vec, at int) float64 {
			inside := max(math.Abs(p.X)-6, p.Z)
			plate := tissuetest.Below(inside, 0.3) - tissuetest.Below(inside+1.6, 0.3)
			if math.Hypot(p.Y, p.Z+5) < gap {
				plate = 0
			}
			grey := 1400 * plate
			if p.Z > 8 {
				grey = -1000
			}
			return grey + float64(noise.Grey[at]) + tissuetest.Below(r3.Norm(r3.Sub(geom.Vec{X: p.X, Y: math.Abs(p.Y), Z: p.Z}, geom.Vec{Y: 11, Z: 5}))-4, 0.3)*2600
		})
		r, ok := Look(v, Around{Poses: []geom.Pose{pose}, Radius: 12, Above: 12, Beyond: 4})
		require.True(t, ok)
		return r
	}
	whole := jaw(0)
	assert.Zero(t, whole.Leaks())
	assert.True(t, whole.Outside(geom.Vec{X: 9, Z: -5}))
	assert.True(t, whole.Hard(geom.Vec{X: 5.5, Z: -5}))
	assert.False(t, whole.Outside(geom.Vec{Z: -5}))
	assert.InDelta(t, 0.3, whole.Blur, 0.05)
	assert.InDelta(t, 1400, whole.Cortex.Mean, 150)
	assert.Equal(t, 1.0, jaw(3).Leaks())
}
