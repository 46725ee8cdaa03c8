// Package geomtest has what tests compare covariances of poses with: those of
// random draws.
package geomtest

import (
	"math"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/geom"
)

// Covariance is the 6×6 covariance of (entry, apex) over n draws of a pose, mm².
func Covariance(n int, draw func() geom.Pose) *mat.SymDense {
	x := mat.NewDense(n, 6, nil)
	for i := range n {
		p := draw()
		x.SetRow(i, []float64{p.Entry.X, p.Entry.Y, p.Entry.Z, p.Apex.X, p.Apex.Y, p.Apex.Z})
	}
	cov := mat.NewSymDense(6, nil)
	stat.CovarianceMatrix(cov, x, nil)
	return cov
}

// RequireLikeSample checks a covariance against that of n draws. An entry's
// standard error is √((c_ii·c_jj + c_ij²)/n) for normal draws; five of them are
// allowed.
func RequireLikeSample(t require.TestingT, want, got mat.Symmetric, n int) {
	for i := range 6 {
		for j := range 6 {
			se := math.Sqrt((want.At(i, i)*want.At(j, j) + want.At(i, j)*want.At(i, j)) / float64(n))
			require.InDelta(t, want.At(i, j), got.At(i, j), 5*se, "entry %d, %d", i, j)
		}
	}
}
