package bone

import (
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
)

func look(t *testing.T, r ridge, b Body, own geom.Pose) *tissue.Region {
	t.Helper()
	v := r.render(r3.Scale(0.5, r3.Add(own.Entry, own.Apex)), 18)
	region, ok := tissue.Look(v, tissue.Around{Poses: []geom.Pose{b.Pose}, Radius: Reach + 3, Above: 12.5, Beyond: Reach + 1})
	require.True(t, ok)
	return region
}

// plain is a ridge and an upright fixture in its middle.
func plain(shell float64) (ridge, Body, geom.Pose) {
	r := ridge{crest: 3.5, base: 5, deep: 18, shell: shell, place: geom.Identity(), voxel: 0.3, blur: 0.28, noise: 30, struts: 60, cortex: 1450, soft: 0, seed: 7}
	own := geom.Pose{Entry: geom.Vec{Z: -0.5}, Apex: geom.Vec{Z: -10.5}}
	return r, Body{Pose: own, Diameter: 4, Mesial: geom.Vec{Y: 1}, Buccal: geom.Vec{X: 1}}, own
}

// The truth is the ridge's own, as in the accuracy test with many more.
func TestAround(t *testing.T) {
	r, b, own := plain(1.5)
	region := look(t, r, b, own)
	assert.InDelta(t, r.blur, region.Blur, 0.03)
	assert.Zero(t, region.Leaks())
	read := Around(region, b)
	n := 0
	for _, w := range read.Wall {
		truth := r.truth(w.From, w.Along, -2, Reach)
		if math.IsNaN(truth) {
			if w.Depth > 1 || w.Why != Behind { // a neighbour's crown stands over the uppermost rays
				assert.Equal(t, FarAway, w.Why, "%s %.1f", Directions[w.Direction], w.Depth)
			}
			continue
		}
		n++
		require.Equal(t, Known, w.Why, Directions[w.Direction])
		assert.InDelta(t, truth, w.Value, 0.2, "%v %.1f", Directions[w.Direction], w.Depth)
	}
	assert.Equal(t, 24, n)
	for _, c := range read.Crest {
		truth := r.truth(r3.Add(own.Entry, r3.Scale(2.2, newReader(region, b).out[c.Direction])), geom.Vec{Z: 1}, -8, 8)
		assert.InDelta(t, truth, c.Value, 0.15, Directions[c.Direction])
	}
	assert.Equal(t, FarAway, read.Apical.Why)

	// A pose that is uncertain by 0.1 mm across makes the interval wider by as much.
	b.Cov = mat.NewSymDense(6, nil)
	for i := range 6 {
		b.Cov.SetSym(i, i, 0.01)
	}
	wide := Around(region, b).Wall[0]
	assert.InDelta(t, math.Hypot(read.Wall[0].OfPlan, wide.OfPlace), (wide.High-wide.Value)/1.96, 1e-9)
	assert.Greater(t, wide.OfPlace, 0.05)

	// Outside to buccal, with the axis inside and outside.
	for shift, why := range map[float64]Why{3: Known, 9: NotInBone} {
		moved := b
		moved.Entry.X, moved.Apex.X = shift, shift
		w := Around(region, moved).Wall[8]
		require.Equal(t, why, w.Why)
		if why == Known {
			assert.Less(t, w.High, 0.0)
			assert.InDelta(t, r.truth(w.From, w.Along, -2, Reach), w.Value, 0.2)
		}
	}
}

// A cortex thinner than the blur shows no number but a bound.
func TestThinPlateIsNotResolved(t *testing.T) {
	r, b, own := plain(0.35)
	for _, w := range Around(look(t, r, b, own), b).Wall {
		truth := r.truth(w.From, w.Along, -2, Reach)
		if math.IsNaN(truth) {
			continue
		}
		require.Equal(t, TooThin, w.Why, Directions[w.Direction])
		assert.Greater(t, w.High, truth-0.05)
		assert.True(t, math.IsNaN(w.Low))
	}
}

// Beside metal nothing is read; beyond it, where little of it is seen and the gum shows no
// streaks, as well as without it.
func TestMetalLeavesDistancesOut(t *testing.T) {
	r, b, own := plain(1.5)
	r.metal = &geom.Vec{X: 4.5, Z: -3.5}
	region := look(t, r, b, own)
	for _, w := range Around(region, b).Wall {
		what := fmt.Sprintf("%s %.1f", Directions[w.Direction], w.Depth)
		switch buccal, lingual := w.Direction == 0, w.Direction == 4; {
		case buccal && w.Depth < 6:
			assert.Equal(t, NearMetal, w.Why, what)
		case lingual, buccal:
			assert.Equal(t, w.Depth < 6, region.Streaked(w.From), what)
			assert.Equal(t, Known, w.Why, what)
			assert.InDelta(t, r.truth(w.From, w.Along, -2, Reach), w.Value, 0.2, what)
		}
	}
}

// Depths that fall together are one.
func TestDepths(t *testing.T) {
	assert.Equal(t, []float64{1, 3, 5, 5.75, 10.5}, Depths(11.4999))
	assert.Equal(t, []float64{1, 3, 5, 9}, Depths(10))
	assert.Equal(t, []float64{1, 3, 4.5, 5, 8}, Depths(9))
}
