package intensity

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"plumbline/internal/measurement"
	"plumbline/internal/motion"
	"plumbline/internal/registration"
	"plumbline/internal/tooth"
)

// A head that drifts by 0.4 mm (standard deviation along each axis) during the follow-up
// scan is told from one that keeps still, and the transform's error is within what the
// motion explains.
func TestAHeadThatMovesIsSeen(t *testing.T) {
	still := plainly(t)
	require.NotNil(t, still.Motion)
	assert.Less(t, still.Motion.RMS, 0.06)
	assert.False(t, flagged(still, measurement.CodeHeadMoved))
	assert.InDelta(t, motion.Travel(still.Motion.RMS), still.Quality["head_travel_mm"], 1e-12)

	s := smallSpec(1)
	s.Post.Drift, s.Post.DriftTurn = 0.4, 0.3
	p := rendered(s)()
	r, err := Align(p.Pre, p.Post, tooth.Lower, targetsOf(p.Truth), Options{Start: &p.Truth.PostToPre})
	require.NoError(t, err)
	assert.Greater(t, r.Motion.Odds, still.Motion.Odds+1)
	// One scan of two: 0.4/√2, in these coarse voxels.
	assert.InDelta(t, 0.28, r.Motion.RMS, 0.2)
	off := r.PostToPre.After(p.Truth.PostToPre.Inverse())
	moved := *r
	moved.Cov = motion.Covariance(r.Motion.Response, r.Motion.RMS)
	moved.Cov.AddSym(moved.Cov, r.Cov)
	// 12.6 is the 95th percentile of chi squared with 6 degrees of freedom.
	assert.Less(t, normalised(off, &moved), 2*12.6)
	assert.Greater(t, normalised(off, r), normalised(off, &moved))
}

// A head is in doubt that plainly moved, and by half a millimetre.
func TestHeadMotionIsADoubt(t *testing.T) {
	for _, c := range []struct {
		seen *registration.Motion
		want bool
	}{
		{nil, false},
		{&registration.Motion{Amplitude: motion.Amplitude{RMS: 0.2, Odds: 30}}, true},
		{&registration.Motion{Amplitude: motion.Amplitude{RMS: 0.1, Odds: 30}}, false},
		{&registration.Motion{Amplitude: motion.Amplitude{RMS: 0.4, Odds: 2}}, false}, // the scans show too little to tell
	} {
		r := &registration.Result{Motion: c.seen, Quality: map[string]float64{}}
		reportMotion(r)
		assert.Equal(t, c.want, flagged(r, measurement.CodeHeadMoved), "%+v", c.seen)
		assert.Equal(t, c.want, inDoubt(r), "%+v", c.seen)
	}
}

// A pattern that displaces all edges alike moves the transform by just as much: from the
// follow-up to the planning scan, with the planning scan's edges and against the follow-up
// scan's.
func TestMotionSumsEliminateTheTransform(t *testing.T) {
	var s motionSums
	// Information of the rigid parameters and of one pattern of each scan, which are alike
	// but for the sign; others are not seen.
	for a := range rigidParameters {
		pre, post := rigidParameters+a, rigidParameters*(1+motion.Patterns)+a
		s.h[a][a], s.h[pre][pre], s.h[post][post] = 2, 2, 2
		s.h[a][pre], s.h[a][post], s.h[pre][post] = -2, 2, -2
		s.g[a], s.g[pre], s.g[post] = 3, -3, 3
	}
	m := s.eliminate(1)
	require.NotNil(t, m)
	for a := range rigidParameters {
		assert.InDelta(t, 1, m.Response.At(a, a), 1e-12, "the planning scan's")
		assert.InDelta(t, -1, m.Response.At(a, motion.Parameters+a), 1e-12, "the follow-up scan's")
	}
	assert.InDelta(t, 2*rigidParameters, square(mat.Norm(m.Response, 2)), 1e-9, "and of nothing else")
}
