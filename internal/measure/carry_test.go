package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"
	"pgregory.net/rapid"

	"plumbline/internal/fixture"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
)

var somePose = geom.Pose{Entry: geom.Vec{X: -24.1, Y: 11.3, Z: 8}, Apex: geom.Vec{X: -22, Y: 14.5, Z: -1.2}}

func ends(p geom.Pose) []float64 {
	return []float64{p.Entry.X, p.Entry.Y, p.Entry.Z, p.Apex.X, p.Apex.Y, p.Apex.Z}
}

// sampled is the covariance of both ends over draws of a pose.
func sampled(n int, draw func() geom.Pose) *mat.SymDense {
	x := mat.NewDense(n, 6, nil)
	for i := range n {
		x.SetRow(i, ends(draw()))
	}
	cov := mat.NewSymDense(6, nil)
	stat.CovarianceMatrix(cov, x, nil)
	return cov
}

// requireLikeSample checks a covariance against that of n draws. An entry's
// standard error is √((c_ii·c_jj + c_ij²)/n) for normal draws; five of them are
// allowed.
func requireLikeSample(t *testing.T, want, got mat.Symmetric, n int) {
	t.Helper()
	for i := range 6 {
		for j := range 6 {
			se := math.Sqrt((want.At(i, i)*want.At(j, j) + want.At(i, j)*want.At(i, j)) / float64(n))
			require.InDelta(t, want.At(i, j), got.At(i, j), 5*se, "entry %d, %d", i, j)
		}
	}
}

// drawCovariance draws a 6×6 covariance as A·Aᵀ.
func drawCovariance(t *rapid.T, scale float64) *mat.SymDense {
	a := mat.NewDense(6, 6, nil)
	x := rapid.Float64Range(-scale, scale)
	for i := range 6 {
		for j := range 6 {
			a.Set(i, j, x.Draw(t, "a"))
		}
	}
	cov := mat.NewSymDense(6, nil)
	cov.SymOuterK(1, a)
	return cov
}

// normal draws from a normal distribution of the given covariance.
func normal(random *rand.Rand, cov mat.Symmetric) func() []float64 {
	var chol mat.Cholesky
	if !chol.Factorize(cov) {
		panic("not a covariance")
	}
	var l mat.TriDense
	chol.LTo(&l)
	return func() []float64 {
		z := mat.NewVecDense(6, nil)
		for i := range 6 {
			z.SetVec(i, random.NormFloat64())
		}
		var x mat.VecDense
		x.MulVec(&l, z)
		return x.RawVector().Data
	}
}

func someCovariance() *mat.SymDense {
	// (ω, τ): half a degree and 0.1 mm or so, correlated.
	a := mat.NewDense(6, 6, []float64{
		0.008, 0, 0, 0, 0, 0,
		0.002, 0.006, 0, 0, 0, 0,
		-0.001, 0.003, 0.009, 0, 0, 0,
		0.02, -0.03, 0, 0.1, 0, 0,
		0, 0.05, 0.01, 0.02, 0.08, 0,
		0.01, 0, -0.04, 0, -0.03, 0.12,
	})
	cov := mat.NewSymDense(6, nil)
	cov.SymOuterK(1, a)
	return cov
}

// Method: Monte Carlo, the motion applied in full (rotation about the centre,
// then translation) against the linear propagation.
func TestAlignmentErrorAtBothEndsAgainstMonteCarlo(t *testing.T) {
	s := Study{Alignment: registration.Result{Cov: someCovariance(), Centre: geom.Vec{X: -10, Y: 30, Z: 5}}}
	draw := normal(rand.New(rand.NewPCG(4, 2)), s.Alignment.Cov)
	const n = 20000
	sample := sampled(n, func() geom.Pose {
		x := draw()
		m := geom.Rotation(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		shift := r3.Add(s.Alignment.Centre, geom.Vec{X: x[3], Y: x[4], Z: x[5]})
		move := func(p geom.Vec) geom.Vec { return r3.Add(m.Rotate(r3.Sub(p, s.Alignment.Centre)), shift) }
		return geom.Pose{Entry: move(somePose.Entry), Apex: move(somePose.Apex)}
	})
	requireLikeSample(t, s.Alignment.PoseCovariance(somePose), sample, n)

	// Each end alone is what package alignment says of a point.
	cov := s.Alignment.PoseCovariance(somePose)
	for end, p := range []geom.Vec{somePose.Entry, somePose.Apex} {
		at := s.Alignment.PointCovariance(p)
		for i := range 3 {
			for j := range 3 {
				assert.InDelta(t, at.At(i, j), cov.At(3*end+i, 3*end+j), 1e-12)
			}
		}
	}
}

// By definition: an error e of the follow-up frame is R·e in the planning frame,
// so each 3×3 block C becomes R·C·Rᵀ.
func TestRotatedCovariance(t *testing.T) {
	quarter := geom.Rotation(geom.Vec{Z: math.Pi / 2})
	quarter.T = geom.Vec{X: 100}
	cov := mat.NewSymDense(6, nil)
	for i, v := range []float64{1, 2, 3, 4, 5, 6} {
		cov.SetSym(i, i, v)
	}
	cov.SetSym(0, 4, 0.5) // entry x with apex y
	got := rotated(cov, quarter)
	// By hand: x goes to y and y to −x.
	for i, v := range []float64{2, 1, 3, 5, 4, 6} {
		assert.InDelta(t, v, got.At(i, i), 1e-12)
	}
	assert.InDelta(t, -0.5, got.At(1, 3), 1e-12)
	assert.InDelta(t, 0, got.At(0, 4), 1e-12)

	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-2, 2)
		m := geom.Rotation(geom.Vec{X: x.Draw(t, "x"), Y: x.Draw(t, "y"), Z: x.Draw(t, "z")})
		cov := drawCovariance(t, 1)
		got := rotated(cov, m)
		for a := range 2 {
			for b := range 2 {
				for i := range 3 {
					for j := range 3 {
						want := 0.0
						for k := range 3 {
							for l := range 3 {
								want += m.R[i][k] * cov.At(3*a+k, 3*b+l) * m.R[j][l]
							}
						}
						require.InDelta(t, want, got.At(3*a+i, 3*b+j), 1e-12)
					}
				}
			}
		}
	})
}

// By hand: a ruler that is off by the share s moves a point by s times its
// distance from the point that stays, both ends together.
func TestStretchedCovariance(t *testing.T) {
	still := geom.Vec{X: -24.1, Y: 11.3, Z: 3}
	got := stretched(somePose, still)
	u := 0.001
	assert.InDelta(t, 0, got.At(0, 0), 1e-18)
	assert.InDelta(t, math.Pow(u*5, 2), got.At(2, 2), 1e-12)
	assert.InDelta(t, math.Pow(u*2.1, 2), got.At(3, 3), 1e-12)
	assert.InDelta(t, -u*u*5*4.2, got.At(2, 5), 1e-12, "the ends on two sides move apart")

	random := rand.New(rand.NewPCG(9, 1))
	const n = 20000
	still = geom.Vec{X: 3, Y: -20, Z: 15}
	sample := sampled(n, func() geom.Pose {
		scale := 1 + 0.001*random.NormFloat64()
		move := func(p geom.Vec) geom.Vec { return r3.Add(still, r3.Scale(scale, r3.Sub(p, still))) }
		return geom.Pose{Entry: move(somePose.Entry), Apex: move(somePose.Apex)}
	})
	requireLikeSample(t, stretched(somePose, still), sample, n)
}

func TestThePointThatAWrongRulerLeavesInPlace(t *testing.T) {
	plan := &casefile.Case{Fixtures: []casefile.Fixture{
		{Planned: geom.Pose{Entry: geom.Vec{X: 0}, Apex: geom.Vec{X: 10}}},
		{Planned: geom.Pose{Entry: geom.Vec{X: 10, Y: 8}, Apex: geom.Vec{X: 20, Y: 8}}},
	}}
	s := Study{Plan: plan}
	assert.Equal(t, geom.Vec{X: 10, Y: 4}, s.still(), "the middle of the plans where the transform was given")
	s.Alignment = registration.Result{Cov: someCovariance(), Centre: geom.Vec{Z: 7}}
	assert.Equal(t, geom.Vec{Z: 7}, s.still(), "the middle of what the scans were aligned on")
}

// Source: JCGM 100:2008, F.2.2.1: rounding to steps of h leaves a standard
// uncertainty of h/√12. Checked by rounding many values as well.
func TestDigitsOfThePlan(t *testing.T) {
	pose := func(x ...float64) geom.Pose {
		return geom.Pose{Entry: geom.Vec{X: x[0], Y: x[1], Z: x[2]}, Apex: geom.Vec{X: x[3], Y: x[4], Z: x[5]}}
	}
	for name, c := range map[string]struct {
		p geom.Pose
		h float64
	}{
		"two decimals":       {pose(-24.10, 11.32, 8.05, -24.62, 12.01, -1.91), 0.01},
		"one, zeros dropped": {pose(-24, 11, 8, -24.6, 12, -2), 0.1},
		"whole":              {pose(1, 2, 3, 4, 5, 6), 1},
		"fifteen":            {pose(1, 2, 3, 4, 5, 1.0/3), 1e-16},
	} {
		cov := digits(c.p)
		for i := range 6 {
			for j := range 6 {
				want := 0.0
				if i == j {
					want = c.h * c.h / 12
				}
				assert.InDelta(t, want, cov.At(i, j), want*1e-9, name)
			}
		}
	}
	random := rand.New(rand.NewPCG(1, 1))
	const n = 20000
	sample := sampled(n, func() geom.Pose {
		var off [6]float64
		for i := range off {
			x := 40 * random.Float64()
			off[i] = math.Round(x*10)/10 - x
		}
		return pose(off[:]...)
	})
	requireLikeSample(t, digits(pose(0.1, 0, 0, 0, 0, 0)), sample, n)
}

// Every source is carried into the planning frame and named; an alignment that
// was given as exact is none.
func TestContributions(t *testing.T) {
	fit := mat.NewSymDense(6, nil)
	for i := range 6 {
		fit.SetSym(i, i, float64(i+1))
	}
	found := fixture.Found{Sources: []fixture.Source{{Name: "noise", Cov: fit}, {Name: "blur", Cov: fit}}}
	written := casefile.Fixture{Planned: somePose}
	s := Study{
		Plan:      &casefile.Case{Fixtures: []casefile.Fixture{{Planned: somePose}}},
		Alignment: registration.Result{PostToPre: geom.Rotation(geom.Vec{Z: math.Pi / 2})},
	}
	names := func() (out []string) {
		for _, c := range s.contributions(written, found, somePose) {
			out = append(out, c.Name)
		}
		return out
	}
	assert.Equal(t, []string{"noise", "blur", "voxel size", "digits of the plan"}, names())
	got := s.contributions(written, found, somePose)
	assert.InDelta(t, 2, got[0].Cov.At(0, 0), 1e-12, "turned into the planning frame")
	assert.InDelta(t, 0.01/12, got[3].Cov.At(0, 0), 1e-12)

	s.Alignment.Cov = someCovariance()
	assert.Equal(t, []string{"noise", "blur", "alignment", "voxel size", "digits of the plan"}, names())
	assert.True(t, mat.Equal(s.Alignment.PoseCovariance(somePose), s.contributions(written, found, somePose)[2].Cov))
}

// A fixture of another length than planned is looked for with its platform at
// the planned place, in the follow-up scan.
func TestPlansAreCarriedToTheFollowUpScan(t *testing.T) {
	postToPre := geom.Rotation(geom.Vec{X: 0.2, Y: 0.5, Z: -0.3})
	postToPre.T = geom.Vec{X: 10, Y: -4, Z: 2}
	plans := plansInPost([]casefile.Fixture{
		{Site: 36, Planned: somePose, Diameter: 4.1, Length: somePose.Length(), PlacedDiameter: 4.8, PlacedLength: 8},
	}, postToPre)
	require.Len(t, plans, 1)
	assert.Equal(t, "36", plans[0].Site)
	assert.Equal(t, 4.8, plans[0].Diameter)
	assert.Equal(t, 8.0, plans[0].Length)
	back := postToPre.ApplyPose(plans[0].Pose)
	assert.Less(t, r3.Norm(r3.Sub(back.Entry, somePose.Entry)), 1e-12)
	assert.InDelta(t, 8, back.Length(), 1e-12)
	assert.InDelta(t, 0, geom.Angle(back.Axis(), somePose.Axis()), 1e-12)
}
