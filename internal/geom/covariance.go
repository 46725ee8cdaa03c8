package geom

import "gonum.org/v1/gonum/mat"

// Propagate is the covariance J·Cov·Jᵀ of a quantity with the Jacobian J in
// quantities of covariance cov (JCGM 102:2011, 6.2.1.3).
func Propagate(j mat.Matrix, cov mat.Symmetric) *mat.SymDense {
	var half, full mat.Dense
	half.Mul(j, cov)
	full.Mul(&half, j.T())
	n, _ := full.Dims()
	out := mat.NewSymDense(n, nil)
	for i := range n {
		for k := i; k < n; k++ {
			out.SetSym(i, k, (full.At(i, k)+full.At(k, i))/2)
		}
	}
	return out
}
