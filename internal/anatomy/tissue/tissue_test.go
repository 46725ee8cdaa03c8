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

// What streaks do is told by gum in slices without metal: of stripes and of a darkening their
// size is right, and slices without metal have none. A post 30 mm away is not in the way, one 6 mm
// away is.
func TestStreaksAreToldByGum(t *testing.T) {
	const dark, stripes = -90.0, 80.0 // stripes: amplitude
	look := func(post float64) *Region {
		g := tissuetest.Cube(geom.Vec{X: post / 2, Z: -2}, max(16, post/2+6), 0.4)
		noise := tissuetest.Noise(g, 0.8, 20, 1)
		v := tissuetest.Render(g, func(p geom.Vec, at int) float64 {
			inside := max(math.Abs(p.X)-6, p.Z)
			grey := 1400*(tissuetest.Below(inside, 0.3)-tissuetest.Below(inside+1.6, 0.3)) + float64(noise.Grey[at])
			if p.Z > 8 {
				return grey - 1000
			}
			if math.Abs(p.Z+10) < 3 {
				grey += dark + stripes*math.Sin(2*math.Pi*p.Y/3)
				if math.Hypot(p.X-post, p.Y) < 2 {
					grey = 9000
				}
			}
			return grey + tissuetest.Below(r3.Norm(r3.Sub(geom.Vec{X: p.X, Y: math.Abs(p.Y), Z: p.Z}, geom.Vec{Y: 11, Z: 5}))-4, 0.3)*2600
		})
		r, ok := Look(v, Around{Poses: []geom.Pose{{Apex: geom.Vec{Z: -10}}}, Radius: 12, Above: 12, Beyond: 4})
		require.True(t, ok)
		return r
	}
	r := look(30)
	within, free := geom.Vec{X: 6, Z: -10}, geom.Vec{X: 6, Z: -3}
	assert.True(t, r.Streaked(within))
	assert.False(t, r.Shaded(within))
	offset, sd, ok := r.Disturbance(within)
	require.True(t, ok)
	assert.InDelta(t, -dark, offset, 10)
	assert.InDelta(t, stripes/math.Sqrt2, sd, 10)
	offset, sd, ok = r.Disturbance(free)
	assert.True(t, ok && offset == 0 && sd == 0)
	assert.False(t, r.Streaked(free))
	_, _, ok = r.Disturbance(geom.Vec{Z: -10})
	assert.False(t, ok, "no gum within the jaw")

	near := look(12)
	assert.True(t, near.Shaded(within))
	assert.False(t, near.Shaded(free))
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
