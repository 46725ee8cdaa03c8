package intensity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/tooth"
)

// The right side of the normal equations is the downhill slope of the robust
// sum of squares: from the true place, a small step along any parameter must
// give back its own negative.
func TestStepLeadsBack(t *testing.T) {
	p := smallPair()
	targets := targetsOf(p.Truth)
	reg := newRegion(targets, tooth.Lower)
	f := newFit(newScan(p.Pre), newScan(p.Post), reg)
	s := f.samples(fineLevel)
	truth := p.Truth.PostToPre.Inverse()
	moving := f.field(f.moving, fineLevel, truth)
	best, _ := s.refine(moving, truth, fineLevel, even, parallel.For)
	for _, how := range []detail{brisk, even} {
		for a := range rigidParameters {
			var x [rigidParameters]float64
			x[a] = 0.05 // mm
			if a < 3 {
				x[a] = 0.05 / lever
			}
			omega, tau := split(x[:])
			off := best.After(move(s.centre, omega, tau))
			ev := s.evaluate(moving, motion{Rigid: off}, newWorkspace(s, parallel.For), rigidParameters, how)
			got, ok := step(ev.blocks, rigidParameters, 0)
			require.True(t, ok)
			o, d := split(got)
			left := size(r3.Add(o, omega), r3.Add(d, tau), lever)
			assert.Less(t, left, 0.035, "parameter %d, way %d: a step of 0.05 mm leaves %.4f mm", a, how, left)
		}
	}
}

// Curvature from both scans' slopes is that of the structure alone; from one
// scan's slopes it contains the noise, so it is larger.
func TestCurvatureWithoutNoise(t *testing.T) {
	p := smallPair()
	f := newFit(newScan(p.Pre), newScan(p.Post), newRegion(targetsOf(p.Truth), tooth.Lower))
	s := f.samples(fineLevel)
	truth := p.Truth.PostToPre.Inverse()
	ev := s.evaluate(f.field(f.moving, fineLevel, truth), motion{Rigid: truth}, newWorkspace(s, parallel.For), rigidParameters, full)
	both, one := 0.0, 0.0
	for _, b := range ev.blocks {
		for a := 3; a < 6; a++ {
			both += b.cross[a][a]
			one += b.h[a][a]
		}
	}
	assert.Greater(t, one, both)
	assert.Greater(t, both, 0.5*one)
}

func TestWiden(t *testing.T) {
	out := widen(mat.NewSymDense(6, nil), common(0.1, 0.3))
	// 0.1 mm of disagreement is 0.0650 mm a direction; the mean of 6 has
	// √(5/3/6) of it.
	const want = 0.0650 * 0.5270
	for a := range 3 {
		assert.InDelta(t, want, math.Sqrt(out.At(3+a, 3+a)), 1e-4)
		assert.InDelta(t, want/lever, math.Sqrt(out.At(a, a)), 1e-5)
	}
	assert.Zero(t, out.At(0, 4))
	assert.Greater(t, common(0.1, 0.9), common(0.1, 0.3))
}

func TestTellingBlocks(t *testing.T) {
	count := map[[3]int]int{{0, 0, 0}: 100, {0, 0, 1}: 100, {0, 1, 0}: 100, {1, 0, 0}: 5}
	strength := map[[3]int]float64{{0, 0, 0}: 10, {0, 0, 1}: 0.05, {0, 1, 0}: 90, {1, 0, 0}: 1e6}
	assert.Equal(t, [][3]int{{0, 0, 0}, {0, 1, 0}}, telling(count, strength))
}

func TestRegionKeepsToItsJaw(t *testing.T) {
	target := Target{Planned: geom.Pose{Entry: geom.Vec{}, Apex: geom.Vec{Z: -10}}, Diameter: 4}
	for _, c := range []struct {
		jaw  tooth.Jaw
		flip float64
	}{{tooth.Lower, 1}, {tooth.Upper, -1}} {
		tg := target
		tg.Planned.Apex.Z *= c.flip
		r := newRegion([]Target{tg}, c.jaw)
		at := func(x, z float64) bool { return r.contains(geom.Vec{X: x, Z: c.flip * z}) }
		assert.True(t, at(8, -5), "bone beside the fixture")
		assert.False(t, at(0, -5), "the planned fixture itself")
		assert.False(t, at(8, 5), "across the bite")
		assert.False(t, at(20, 0), "the bite plane, away from the fixture")
		assert.False(t, at(0, -35), "too far")
		for _, p := range r.spread() {
			assert.True(t, r.near(0, p))
		}
	}
}
