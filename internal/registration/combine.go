package registration

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Combine is the mean of two independent registrations of the same scans, weighted by their
// covariances, and chi squared of their difference, with 6 degrees of freedom. Everything but
// transform, centre and covariance is the first one's. Both need a covariance.
//
// Method: with d the motion from the first to the second, and A and B their covariances
// about one centre, the first is moved by A(A+B)⁻¹d and has A − A(A+B)⁻¹A left (generalised
// least squares).
func Combine(first, second Result) (out Result, chiSquared float64) {
	out = first
	motion := second.PostToPre.After(first.PostToPre.Inverse())
	omega, tau := motion.RotationVector(), r3.Sub(motion.Apply(first.Centre), first.Centre)
	d := mat.NewVecDense(6, []float64{omega.X, omega.Y, omega.Z, tau.X, tau.Y, tau.Z})
	sum := mat.NewSymDense(6, nil)
	sum.AddSym(first.Cov, second.About(first.Centre))
	var chol mat.Cholesky
	if !chol.Factorize(sum) {
		return first, math.Inf(1)
	}
	var x, step mat.VecDense
	var gain, less mat.Dense
	if chol.SolveVecTo(&x, d) != nil || chol.SolveTo(&gain, first.Cov) != nil {
		return first, math.Inf(1)
	}
	step.MulVec(first.Cov, &x)
	less.Mul(first.Cov, &gain)
	out.Cov = mat.NewSymDense(6, nil)
	for i := range 6 {
		for j := i; j < 6; j++ {
			out.Cov.SetSym(i, j, first.Cov.At(i, j)-(less.At(i, j)+less.At(j, i))/2)
		}
	}
	move := geom.Rotation(geom.Vec{X: step.AtVec(0), Y: step.AtVec(1), Z: step.AtVec(2)})
	shift := geom.Vec{X: step.AtVec(3), Y: step.AtVec(4), Z: step.AtVec(5)}
	move.T = r3.Add(r3.Sub(first.Centre, move.Rotate(first.Centre)), shift)
	out.PostToPre = move.After(first.PostToPre)
	return out, mat.Dot(d, &x)
}
