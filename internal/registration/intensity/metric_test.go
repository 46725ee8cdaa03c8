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

// The right side of the normal equations is the negative gradient of the robust
// sum of squares: from the true place, a small step along any parameter must
// give back its own negative.
func TestGaussNewtonStepLeadsBack(t *testing.T) {
	p := smallPair()
	targets := targetsOf(p.Truth)
	reg := newRegion(targets, tooth.Lower)
	r := newRefinement(newPyramid(p.Pre), newPyramid(p.Post), reg)
	s := r.samples(fineLevel)
	truth := p.Truth.PostToPre.Inverse()
	moving := r.field(r.moving, fineLevel, truth)
	best, _ := s.refine(moving, truth, fineLevel, symmetric, parallel.For)
	for _, scheme := range []gradientScheme{oneSided, symmetric} {
		for a := range rigidParameters {
			var x [rigidParameters]float64
			x[a] = 0.05 // mm
			if a < 3 {
				x[a] = 0.05 / leverArm
			}
			omega, tau := splitParameters(x[:])
			off := best.After(smallMotion(s.centre, omega, tau))
			ev := newMetric(s, moving, rigidParameters, parallel.For).evaluate(scaledRigid{Rigid: off}, scheme)
			got, ok := gaussNewtonStep(ev.blocks, rigidParameters, 0)
			require.True(t, ok)
			o, d := splitParameters(got)
			left := displacement(r3.Add(o, omega), r3.Add(d, tau))
			assert.Less(t, left, 0.035, "parameter %d, scheme %d: a step of 0.05 mm leaves %.4f mm", a, scheme, left)
		}
	}
}

// The Hessian from both scans' gradients is that of the structure alone; from one
// scan's gradients it contains the noise, so it is larger.
func TestCrossHessianIsFreeOfNoise(t *testing.T) {
	p := smallPair()
	r := newRefinement(newPyramid(p.Pre), newPyramid(p.Post), newRegion(targetsOf(p.Truth), tooth.Lower))
	s := r.samples(fineLevel)
	truth := p.Truth.PostToPre.Inverse()
	ev := newMetric(s, r.field(r.moving, fineLevel, truth), rigidParameters, parallel.For).evaluate(scaledRigid{Rigid: truth}, crossHessian)
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

func TestInflateCovariance(t *testing.T) {
	out := inflateCovariance(mat.NewSymDense(6, nil), sharedErrorVariance(0.1, 0.3))
	// 0.1 mm of disagreement is 0.0650 mm a direction; the mean of 6 has
	// √(5/3/6) of it.
	const want = 0.0650 * 0.5270
	for a := range 3 {
		assert.InDelta(t, want, math.Sqrt(out.At(3+a, 3+a)), 1e-4)
		assert.InDelta(t, want/leverArm, math.Sqrt(out.At(a, a)), 1e-5)
	}
	assert.Zero(t, out.At(0, 4))
	assert.Greater(t, sharedErrorVariance(0.1, 0.9), sharedErrorVariance(0.1, 0.3))
}

func TestEnergeticBlocks(t *testing.T) {
	count := map[[3]int]int{{0, 0, 0}: 100, {0, 0, 1}: 100, {0, 1, 0}: 100, {1, 0, 0}: 5}
	energy := map[[3]int]float64{{0, 0, 0}: 10, {0, 0, 1}: 0.05, {0, 1, 0}: 90, {1, 0, 0}: 1e6}
	assert.Equal(t, [][3]int{{0, 0, 0}, {0, 1, 0}}, energeticBlocks(count, energy))
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
		for _, p := range r.points() {
			assert.True(t, r.surrounds(0, p))
		}
	}
}
