package conebeam

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/fixture"
	"plumbline/internal/geom"
	"plumbline/internal/geom/geomtest"
	"plumbline/internal/motion"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/volume"
)

var somePose = geom.Pose{Entry: geom.Vec{X: -24.1, Y: 11.3, Z: 8}, Apex: geom.Vec{X: -22, Y: 14.5, Z: -1.2}}

// By hand: a voxel size that is off by the share s moves a point by s times its
// distance from the fixed point, both ends together.
func TestScaledCovariance(t *testing.T) {
	fixed := geom.Vec{X: -24.1, Y: 11.3, Z: 3}
	got := scaled(somePose, fixed)
	u := 0.001
	assert.InDelta(t, 0, got.At(0, 0), 1e-18)
	assert.InDelta(t, math.Pow(u*5, 2), got.At(2, 2), 1e-12)
	assert.InDelta(t, math.Pow(u*2.1, 2), got.At(3, 3), 1e-12)
	assert.InDelta(t, -u*u*5*4.2, got.At(2, 5), 1e-12, "the ends on two sides move apart")

	random := rand.New(rand.NewPCG(9, 1))
	const n = 20000
	fixed = geom.Vec{X: 3, Y: -20, Z: 15}
	sample := geomtest.Covariance(n, func() geom.Pose {
		scale := 1 + 0.001*random.NormFloat64()
		move := func(p geom.Vec) geom.Vec { return r3.Add(fixed, r3.Scale(scale, r3.Sub(p, fixed))) }
		return geom.Pose{Entry: move(somePose.Entry), Apex: move(somePose.Apex)}
	})
	geomtest.RequireLikeSample(t, scaled(somePose, fixed), sample, n)
}

func TestFixedPoint(t *testing.T) {
	plans := []casefile.Fixture{
		{Planned: geom.Pose{Entry: geom.Vec{X: 0}, Apex: geom.Vec{X: 10}}},
		{Planned: geom.Pose{Entry: geom.Vec{X: 10, Y: 8}, Apex: geom.Vec{X: 20, Y: 8}}},
	}
	assert.Equal(t, geom.Vec{X: 10, Y: 4}, fixedPoint(registration.Result{}, plans), "the middle of the plans where the transform was given")
	registered := registration.Result{Cov: mat.NewSymDense(6, nil), Centre: geom.Vec{Z: 7}}
	assert.Equal(t, geom.Vec{Z: 7}, fixedPoint(registered, plans), "the middle of what the scans were registered on")
}

// Every source is propagated to the planning frame and named; a registration
// that was given as exact is none.
func TestBudget(t *testing.T) {
	fit := mat.NewSymDense(6, nil)
	cov := mat.NewSymDense(6, nil)
	for i := range 6 {
		fit.SetSym(i, i, float64(i+1))
		cov.SetSym(i, i, 0.01*float64(i+1))
	}
	found := evidence.Budget{{Name: "noise", Cov: fit}, {Name: "blur", Cov: fit}}
	plans := []casefile.Fixture{{Planned: somePose}}
	r := registration.Result{PostToPre: geom.Rotation(geom.Vec{Z: math.Pi / 2})}
	names := func(b evidence.Budget) (out []string) {
		for _, s := range b {
			out = append(out, s.Name)
		}
		return out
	}
	given := budget(found, somePose, r, plans)
	assert.Equal(t, []string{"noise", "blur", "voxel size"}, names(given))
	assert.InDelta(t, 2, given[0].Cov.At(0, 0), 1e-12, "turned into the planning frame")

	r.Cov = cov
	registered := budget(found, somePose, r, plans)
	assert.Equal(t, []string{"noise", "blur", "alignment", "voxel size"}, names(registered))
	assert.True(t, mat.Equal(r.PoseCovariance(somePose), registered[2].Cov))
	for i, s := range registered {
		assert.Equal(t, i == 2, s.Shared, s.Name)
	}
}

// A fixture of another length than planned is looked for with its platform at
// the planned place, in the follow-up scan.
func TestPlansInTheFollowUpScan(t *testing.T) {
	postToPre := geom.Rotation(geom.Vec{X: 0.2, Y: 0.5, Z: -0.3})
	postToPre.T = geom.Vec{X: 10, Y: -4, Z: 2}
	plans := plansInPost([]casefile.Fixture{
		{Site: 36, Planned: somePose, Diameter: 4.1, Length: somePose.Length(), PlacedDiameter: 4.8, PlacedLength: 8},
	}, registration.Result{PostToPre: postToPre, Motion: &registration.Motion{Amplitude: motion.Amplitude{RMS: 0.2}}})
	require.Len(t, plans, 1)
	assert.Equal(t, "36", plans[0].Site)
	assert.Equal(t, 4.8, plans[0].Diameter)
	assert.Equal(t, 8.0, plans[0].Length)
	assert.Equal(t, 0.2, plans[0].Motion)
	back := postToPre.ApplyPose(plans[0].Pose)
	assert.Less(t, r3.Norm(r3.Sub(back.Entry, somePose.Entry)), 1e-12)
	assert.InDelta(t, 8, back.Length(), 1e-12)
	assert.InDelta(t, 0, geom.Angle(back.Axis(), somePose.Axis()), 1e-12)
}

// A motion that displaces the jaw and the fixture alike moves neither against the other; in
// a transform that was given, the fixture's own displacement stays. Half of a first
// pattern's translation across an upright fixture moves it: the mean of cos²φ·cos 2φ over
// its wall is a quarter, that of cos²φ a half.
func TestHeadMotion(t *testing.T) {
	upright := geom.Pose{Entry: geom.Vec{X: 3, Y: 4, Z: 5}, Apex: geom.Vec{X: 3, Y: 4, Z: -6}}
	grid := volume.Grid{Step: [3]geom.Vec{{X: 0.3}, {Y: 0.3}, {Z: 0.3}}}
	given := registration.Result{PostToPre: geom.Identity(), Motion: &registration.Motion{Amplitude: motion.Amplitude{RMS: 0.5}}}
	own := fixture.MotionResponse(motion.NewGantry(grid.Axes()), upright, 4, given.Centre)
	assert.InDelta(t, 0.5, own.At(0, 3), 0.06, "along the columns")
	assert.InDelta(t, -0.5, own.At(1, 4), 0.06, "along the rows")
	assert.InDelta(t, 0, own.At(2, 3), 1e-9)
	s := headMotion(upright, 4, given, grid)
	assert.Equal(t, "head motion", s.Name)
	assert.True(t, mat.EqualApprox(motion.Covariance(own, 0.5), s.Cov, 1e-12))

	// The same response in the transform, as six columns for six of the motions.
	moved := given
	response := mat.NewDense(6, 2*motion.Parameters, nil)
	var solved mat.Dense
	var svd mat.SVD
	require.True(t, svd.Factorize(registration.PoseJacobian(given.Centre, upright), mat.SVDFull))
	svd.SolveTo(&solved, own, 5) // a turn about the line through both ends moves neither
	solved.Scale(-1, &solved)
	response.Slice(0, 6, motion.Parameters, 2*motion.Parameters).(*mat.Dense).Copy(&solved)
	moved.Motion = &registration.Motion{Amplitude: motion.Amplitude{RMS: 0.5}, Response: response}
	assert.Less(t, mat.Trace(headMotion(upright, 4, moved, grid).Cov), 1e-3*mat.Trace(s.Cov))
}
