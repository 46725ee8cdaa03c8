package registration

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/geom/geomtest"
)

// A turn about the centre leaves it in place; a point beside it moves across
// the line to it.
func TestPointCovariance(t *testing.T) {
	pairs := withWeights(exact(fiducials))
	s := solve(pairs)
	r := Result{Centre: s.centre, Cov: s.unitCovariance(pairs)}
	at := r.PointCovariance(s.centre)
	for i := range 3 {
		for j := range 3 {
			want := 0.0
			if i == j {
				want = 1.0 / 5
			}
			assert.InDelta(t, want, at.At(i, j), 1e-12)
		}
	}
	beside := vec(s.centre.X+50, s.centre.Y, s.centre.Z)
	assert.InDelta(t, 0.2, r.PointCovariance(beside).At(0, 0), 1e-12)
	assert.Greater(t, r.PointCovariance(beside).At(1, 1), 0.21)
}

var somePose = geom.Pose{Entry: geom.Vec{X: -24.1, Y: 11.3, Z: 8}, Apex: geom.Vec{X: -22, Y: 14.5, Z: -1.2}}

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
func TestPoseCovarianceAgainstMonteCarlo(t *testing.T) {
	r := Result{Cov: someCovariance(), Centre: vec(-10, 30, 5)}
	draw := normal(rand.New(rand.NewPCG(4, 2)), r.Cov)
	const n = 20000
	sample := geomtest.Covariance(n, func() geom.Pose {
		x := draw()
		m := geom.Rotation(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
		shift := r3.Add(r.Centre, geom.Vec{X: x[3], Y: x[4], Z: x[5]})
		move := func(p geom.Vec) geom.Vec { return r3.Add(m.Rotate(r3.Sub(p, r.Centre)), shift) }
		return geom.Pose{Entry: move(somePose.Entry), Apex: move(somePose.Apex)}
	})
	geomtest.RequireLikeSample(t, r.PoseCovariance(somePose), sample, n)

	// Each end alone is that of its point.
	cov := r.PoseCovariance(somePose)
	for end, p := range []geom.Vec{somePose.Entry, somePose.Apex} {
		at := r.PointCovariance(p)
		for i := range 3 {
			for j := range 3 {
				assert.InDelta(t, at.At(i, j), cov.At(3*end+i, 3*end+j), 1e-12)
			}
		}
	}
}
