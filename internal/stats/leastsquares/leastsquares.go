// Package leastsquares fits a curve with a few parameters to weighted points by
// nonlinear least squares.
//
// Conventions: a model gives its value and its derivatives by the parameters;
// weights are reciprocal variances up to a common factor, nil means all equal.
// Start with Solve. Limits: a local method, so a start from which the sum of
// squares leads elsewhere ends elsewhere; the caller chooses the start.
package leastsquares

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

var (
	// ErrNoConvergence means that the steps did not converge; no fit is returned.
	ErrNoConvergence = errors.New("nonlinear least squares did not converge")
	// ErrTooFewPoints means that there are not more points than parameters.
	ErrTooFewPoints = errors.New("not more points than parameters")
)

// Model is the value at x for parameters b; it writes the derivatives of the
// value by each parameter into grad, which has the length of b.
type Model func(x float64, b, grad []float64) float64

// Data are the points. W may be nil.
type Data struct{ X, Y, W []float64 }

// Fit is the minimum found.
type Fit struct {
	B          []float64
	Inverse    *mat.SymDense // (JᵀWJ)⁻¹ at B; times s² it is the covariance of B
	RSS        float64       // Σ w (y − f)²
	DF         int           // points less parameters
	Iterations int
}

// Variance is s² = RSS/DF, the variance of a point of weight 1.
func (f Fit) Variance() float64 { return f.RSS / float64(f.DF) }

// StdErr is the standard error of parameter i with the variance taken from the
// residuals.
func (f Fit) StdErr(i int) float64 { return math.Sqrt(f.Variance() * f.Inverse.At(i, i)) }

const (
	// maxIterations bounds the work; the hardest reference sets (MGH17 from its
	// far start) need a few hundred.
	maxIterations = 5000
	// firstDamping makes the first step a short one downhill, so that a far start
	// is not left for a place where the model is flat. The reference sets are
	// reached with anything from 100 to 10,000, BoxBOD's far start not with 10.
	firstDamping = 1000.0
	// gradientTolerance is the cosine between the residuals and each column of the
	// Jacobian at which the damped iteration ends; rounding leaves about 1e-13.
	gradientTolerance = 1e-10
	// looseGradientTolerance is still accepted as a minimum where rounding of the sum of
	// squares stops the iteration; half the digits, as the sum is quadratic there.
	looseGradientTolerance = 1e-6
)

// Solve fits the model to the points from the start b0.
//
// In: as many X as Y (and W, if any), all finite, weights > 0; more points than
// parameters. Nothing is modified.
// Errors: ErrTooFewPoints, ErrNoConvergence, or what is wrong with the input.
//
// Method: Levenberg–Marquardt for min Σ w(y − f(x; b))². With r = y − f, J = ∂f/∂b and W
// = diag(w) each step solves [√W J; √λ D] δ = [√W r; 0] by QR, which keeps the digits
// that the normal equations lose. D is the largest column norm of √W J so far (Moré,
// Lecture Notes in Mathematics 630:105, 1978), so that a step stays bounded where a
// parameter loses its effect.
// An accepted step divides λ by 3 and a refused one multiplies it by 1.5
// ("delayed gratification", Transtrum and Sethna, arXiv:1201.5885, 2012; that passage
// from memory). Undamped steps end the iteration, where the sum of squares itself is
// too coarse to choose between neighbours.
// Accuracy: the certified values of the reference sets in the tests to 1e-8
// from both of their starts.
func Solve(model Model, d Data, b0 []float64) (Fit, error) {
	n, p := len(d.X), len(b0)
	if err := check(d, p); err != nil {
		return Fit{}, err
	}
	s := linearised{model: model, d: d, n: n, p: p, b: slices.Clone(b0),
		residual: make([]float64, n), jac: mat.NewDense(n, p, nil),
		scale: make([]float64, p), dampingScale: make([]float64, p)}
	s.linearise()
	if math.IsNaN(s.rss) || math.IsInf(s.rss, 0) {
		return Fit{}, fmt.Errorf("the model has no finite value at the start %v", b0)
	}
	lambda, it := firstDamping, 0
	for ; !s.stationary(gradientTolerance); it++ {
		if it == maxIterations {
			return Fit{}, fmt.Errorf("%w in %d steps", ErrNoConvergence, it)
		}
		if lambda > 1e16 {
			if s.stationary(looseGradientTolerance) {
				break
			}
			return Fit{}, fmt.Errorf("%w: no step lowers the sum of squares at %v", ErrNoConvergence, s.b)
		}
		try, err := s.step(lambda)
		if err != nil {
			return Fit{}, err
		}
		if s.rssAt(try) < s.rss { // false for NaN as well
			s.b = try
			s.linearise()
			lambda = math.Max(lambda/3, 1e-14)
		} else {
			lambda *= 1.5
		}
	}
	for range 3 {
		try, err := s.step(0)
		if err != nil || !(s.rssAt(try) <= s.rss*(1+1e-11)) {
			break
		}
		s.b = try
		s.linearise()
	}
	return s.result(it)
}

func check(d Data, p int) error {
	n := len(d.X)
	if len(d.Y) != n || (d.W != nil && len(d.W) != n) {
		return fmt.Errorf("%d x, %d y and %d weights: expected as many of each", n, len(d.Y), len(d.W))
	}
	if n <= p {
		return fmt.Errorf("%w: %d points, %d parameters", ErrTooFewPoints, n, p)
	}
	for i := range n {
		w := 1.0
		if d.W != nil {
			w = d.W[i]
		}
		if s := d.X[i] + d.Y[i] + w; math.IsNaN(s) || math.IsInf(s, 0) || w <= 0 {
			return fmt.Errorf("point %d: x %v, y %v, weight %v: expected finite numbers and a weight above 0", i+1, d.X[i], d.Y[i], w)
		}
	}
	return nil
}

// linearised is the problem linearised at the parameters b.
type linearised struct {
	model        Model
	d            Data
	n, p         int
	b            []float64
	rss          float64
	residual     []float64  // √w (y − f)
	jac          *mat.Dense // √w ∂f/∂b
	scale        []float64  // length of each column of jac
	dampingScale []float64  // the largest scale so far
}

func (s *linearised) rootWeight(i int) float64 {
	if s.d.W == nil {
		return 1
	}
	return math.Sqrt(s.d.W[i])
}

func (s *linearised) linearise() {
	grad := make([]float64, s.p)
	s.rss = 0
	clear(s.scale)
	for i := range s.n {
		w := s.rootWeight(i)
		s.residual[i] = w * (s.d.Y[i] - s.model(s.d.X[i], s.b, grad))
		s.rss += sq(s.residual[i])
		for j, g := range grad {
			s.jac.Set(i, j, w*g)
			s.scale[j] += sq(w * g)
		}
	}
	for j := range s.scale {
		s.scale[j] = math.Sqrt(s.scale[j])
		s.dampingScale[j] = math.Max(s.dampingScale[j], s.scale[j])
	}
}

// rssAt is the weighted residual sum of squares at other parameters.
func (s *linearised) rssAt(b []float64) float64 {
	grad, sum := make([]float64, s.p), 0.0
	for i := range s.n {
		sum += sq(s.rootWeight(i) * (s.d.Y[i] - s.model(s.d.X[i], b, grad)))
	}
	return sum
}

// step gives the parameters after one step of damping lambda.
func (s *linearised) step(lambda float64) ([]float64, error) {
	a, y := mat.NewDense(s.n+s.p, s.p, nil), mat.NewVecDense(s.n+s.p, nil)
	for j, c := range s.scale {
		if c == 0 {
			return nil, s.insensitiveTo(j)
		}
		for i := range s.n {
			a.Set(i, j, s.jac.At(i, j)/c)
		}
		a.Set(s.n+j, j, math.Sqrt(lambda)*s.dampingScale[j]/c)
	}
	for i, r := range s.residual {
		y.SetVec(i, r)
	}
	var qr mat.QR
	qr.Factorize(a)
	var x mat.VecDense
	if err := qr.SolveVecTo(&x, false, y); err != nil {
		var c mat.Condition
		if !errors.As(err, &c) || math.IsInf(float64(c), 0) {
			return nil, fmt.Errorf("%w: %w", ErrNoConvergence, err)
		}
	}
	b := slices.Clone(s.b)
	for j := range b {
		b[j] += x.AtVec(j) / s.scale[j]
	}
	return b, nil
}

// insensitiveTo is the error of a parameter whose derivatives are all zero.
func (s *linearised) insensitiveTo(j int) error {
	return fmt.Errorf("%w: parameter %d has no effect at %v", ErrNoConvergence, j+1, s.b)
}

// stationary reports whether the residuals are orthogonal to every column of the
// Jacobian, as at a minimum, to within tol, the cosine of the angle.
func (s *linearised) stationary(tol float64) bool {
	for j := range s.p {
		dot := 0.0
		for i, v := range s.residual {
			dot += v * s.jac.At(i, j)
		}
		if math.Abs(dot) > tol*s.scale[j]*math.Sqrt(s.rss) {
			return false
		}
	}
	return true
}

func (s *linearised) result(it int) (Fit, error) {
	a := mat.NewDense(s.n, s.p, nil)
	for j := range s.p {
		if s.scale[j] == 0 {
			return Fit{}, s.insensitiveTo(j)
		}
		for i := range s.n {
			a.Set(i, j, s.jac.At(i, j)/s.scale[j])
		}
	}
	var svd mat.SVD
	if !svd.Factorize(a, mat.SVDThin) {
		return Fit{}, fmt.Errorf("%w: no singular values at %v", ErrNoConvergence, s.b)
	}
	val := svd.Values(nil)
	if val[s.p-1] <= 1e-13*val[0] {
		return Fit{}, fmt.Errorf("%w: the points do not determine every parameter at %v", ErrNoConvergence, s.b)
	}
	var v mat.Dense
	svd.VTo(&v)
	inv := mat.NewSymDense(s.p, nil)
	for j := range s.p {
		for k := j; k < s.p; k++ {
			sum := 0.0
			for m, sv := range val {
				sum += v.At(j, m) * v.At(k, m) / (sv * sv)
			}
			inv.SetSym(j, k, sum/(s.scale[j]*s.scale[k]))
		}
	}
	return Fit{B: s.b, Inverse: inv, RSS: s.rss, DF: s.n - s.p, Iterations: it}, nil
}

func sq(x float64) float64 { return x * x }
