// Package hotelling asks whether a clinician errs in the same direction again and
// again: a mean offset in space that chance does not explain.
//
// Conventions: one vector a case, its parts in one unit and signed; which
// direction each part is, is the caller's. Start with Analyse.
//
// Limits: the parts are taken as jointly normal and the cases as independent.
package hotelling

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/stats/sequential"
)

// confidence of all intervals and ellipses.
const confidence = 0.95

// Habit is the mean offset and what is known of it.
type Habit struct {
	Cases int         `json:"cases"`
	Mean  []Direction `json:"mean"`
	// Hotelling's test that there is no offset.
	T2  float64 `json:"t2"`
	F   float64 `json:"f"`
	DF1 int     `json:"df1"`
	DF2 int     `json:"df2"`
	P   float64 `json:"p"`
	// PWithout is P without the case farthest from the mean, and Farthest that
	// case, counted from 1; nil where too few are left.
	PWithout *float64 `json:"p_without_farthest,omitempty"`
	Farthest int      `json:"farthest,omitempty"`

	Covariance *mat.SymDense `json:"-"`
}

// Direction is the mean of one part with its 95 % interval by Student's t, and
// the p-value of its own test, allowing for there being several (Holm).
type Direction struct {
	Mean float64 `json:"mean"`
	Low  float64 `json:"low95"`
	High float64 `json:"high95"`
	SD   float64 `json:"sd"`
	P    float64 `json:"p"`
}

var (
	// ErrTooFewCases means that there are not more cases than parts.
	ErrTooFewCases = errors.New("too few cases for a test of a direction")
	// ErrNoSpread means that the cases lie in a plane or on a line, as rounded or
	// typed-in figures may.
	ErrNoSpread = errors.New("the cases do not spread in every direction")
)

// Analyse tests whether the mean of the vectors, one a row with p parts each, is
// zero.
//
// Errors: ErrTooFewCases for n ≤ p + 1; ErrNoSpread; a part that is not finite.
//
// Method: T² = n·m′S⁻¹m, F = T²(n−p)/(p(n−1)) with p and n−p degrees of freedom
// (Hotelling, Ann Math Stat 2:360, 1931; Johnson and Wichern, Applied
// Multivariate Statistical Analysis, section 5.2). The directions are adjusted
// by Holm, Scand J Stat 6:65, 1979.
func Analyse(x [][]float64) (Habit, error) {
	h, s, err := tSquared(x)
	if err != nil {
		return Habit{}, err
	}
	n, p := len(x), len(x[0])
	h.Covariance = s.covariance
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}
	single := make([]float64, p)
	for i := range p {
		sd := math.Sqrt(s.covariance.At(i, i))
		se := sd / math.Sqrt(float64(n))
		half := t.Quantile((1+confidence)/2) * se
		h.Mean = append(h.Mean, Direction{Mean: s.mean[i], Low: s.mean[i] - half, High: s.mean[i] + half, SD: sd})
		single[i] = 2 * t.CDF(-math.Abs(s.mean[i])/se)
	}
	for i, v := range sequential.Holm(single) {
		h.Mean[i].P = v
	}
	far, most := 0, -1.0
	for i, row := range x {
		if d := s.mahalanobis2(row); d > most {
			far, most = i, d
		}
	}
	h.Farthest = far + 1
	rest := append(append([][]float64(nil), x[:far]...), x[far+1:]...)
	if r, _, err := tSquared(rest); err == nil {
		h.PWithout = &r.P
	}
	return h, nil
}

type sample struct {
	mean       []float64
	covariance *mat.SymDense
	chol       mat.Cholesky
}

// mahalanobis2 is the squared Mahalanobis distance of a row from the mean,
// (x − m)′S⁻¹(x − m).
func (s *sample) mahalanobis2(row []float64) float64 {
	d := mat.NewVecDense(len(row), nil)
	for i, v := range row {
		d.SetVec(i, v-s.mean[i])
	}
	return s.quadraticForm(d)
}

// quadraticForm is v′S⁻¹v; tSquared has checked the condition of S.
func (s *sample) quadraticForm(v *mat.VecDense) float64 {
	var y mat.VecDense
	if err := s.chol.SolveVecTo(&y, v); err != nil {
		return math.NaN()
	}
	return mat.Dot(v, &y)
}

// tSquared is Analyse up to the test, with the sample's mean and covariance.
func tSquared(x [][]float64) (Habit, *sample, error) {
	n := len(x)
	if n == 0 {
		return Habit{}, nil, ErrTooFewCases
	}
	p := len(x[0])
	if n <= p+1 || p < 1 {
		return Habit{}, nil, fmt.Errorf("%w: %d cases of %d parts", ErrTooFewCases, n, p)
	}
	data := mat.NewDense(n, p, nil)
	for i, row := range x {
		if len(row) != p {
			return Habit{}, nil, fmt.Errorf("case %d has %d parts, the first has %d", i+1, len(row), p)
		}
		for j, v := range row {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return Habit{}, nil, fmt.Errorf("case %d, part %d is %v", i+1, j+1, v)
			}
			data.Set(i, j, v)
		}
	}
	s := &sample{mean: make([]float64, p), covariance: mat.NewSymDense(p, nil)}
	for j := range p {
		s.mean[j] = stat.Mean(mat.Col(nil, j, data), nil)
	}
	stat.CovarianceMatrix(s.covariance, data, nil)
	// worst is the condition number beyond which the solution has no significant digit
	// for figures given to 0.001 mm or so.
	const worst = 1e10
	if !s.chol.Factorize(s.covariance) || s.chol.Cond() > worst {
		return Habit{}, nil, ErrNoSpread
	}
	h := Habit{Cases: n, DF1: p, DF2: n - p}
	h.T2 = float64(n) * s.quadraticForm(mat.NewVecDense(p, s.mean))
	h.F = h.T2 * float64(n-p) / (float64(p) * float64(n-1))
	h.P = distuv.F{D1: float64(p), D2: float64(n - p)}.Survival(h.F)
	return h, s, nil
}

// Ellipse is a region in the plane of two parts.
type Ellipse struct {
	Centre [2]float64 `json:"centre"`
	Major  float64    `json:"major"` // semi-axes
	Minor  float64    `json:"minor"`
	Turn   float64    `json:"turn_deg"` // of the major axis from the first part towards the second
}

// Ellipses of two parts: the one that holds the true mean with 95 % confidence,
// and the one that holds the next case with 95 % probability. They take the two
// parts by themselves.
//
// Method: (x − m)′S⁻¹(x − m) ≤ 2(n−1)/(n−2)·F(0.95; 2, n−2)·c with c = 1/n for the mean
// and 1 + 1/n for the next case; the semi-axes are the roots of the eigenvalues of the
// 2 × 2 covariance S times that (Johnson and Wichern, section 5.4, from memory).
func (h *Habit) Ellipses(i, j int) (mean, next Ellipse) {
	n := float64(h.Cases)
	f := distuv.F{D1: 2, D2: n - 2}.Quantile(confidence)
	c := 2 * (n - 1) / (n - 2) * f
	a, b, d := h.Covariance.At(i, i), h.Covariance.At(i, j), h.Covariance.At(j, j)
	half, root := (a+d)/2, math.Hypot((a-d)/2, b)
	e := Ellipse{Centre: [2]float64{h.Mean[i].Mean, h.Mean[j].Mean}, Turn: math.Atan2(2*b, a-d) / 2 * 180 / math.Pi}
	scale := func(factor float64) Ellipse {
		out := e
		out.Major, out.Minor = math.Sqrt(factor*(half+root)), math.Sqrt(math.Max(0, factor*(half-root)))
		return out
	}
	return scale(c / n), scale(c * (1 + 1/n))
}
