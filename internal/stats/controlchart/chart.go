// Package controlchart watches a sequence of figures or of successes and
// failures for a change: the tabular CUSUM, the EWMA chart and the learning-curve
// CUSUM that shows a small share of failures, each with the run lengths that say how often
// it errs.
//
// Conventions: charts take the figures in their own unit, in the order of
// surgery; run lengths are in standard deviations and counted in cases. A chart
// signals at every case where it stands outside its limits; it does not restart
// itself. Start with CUSUM, EWMA and DesignCompetence.
//
// Limits: run lengths of the two charts of figures are those of independent
// normal figures with known mean and spread; deviations are lengths, so chart
// them on a scale where they are near normal. The case at which a CUSUM of
// figures about their own mean peaks is no sign of a plateau (it moves with the
// number of cases), and this package does not report it.
package controlchart

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// CUSUM is a two-sided tabular CUSUM: C⁺ᵢ = max(0, C⁺ᵢ₋₁ + xᵢ − target − k) and C⁻ᵢ =
// max(0, C⁻ᵢ₋₁ + target − k − xᵢ), each with a signal above h (Page, Biometrika 41:100,
// 1954). Target, Slack and Limit have the unit of the figures.
type CUSUM struct {
	Target float64 `json:"target"`
	Slack  float64 `json:"slack"` // k: half of the shift worth noticing
	Limit  float64 `json:"limit"` // h: the chart signals above it
}

// The usual design, in standard deviations: tuned to a shift of one, a false
// signal every 465 cases (Montgomery, Introduction to Statistical Quality
// Control, chapter 9).
const (
	UsualSlack = 0.5
	UsualLimit = 5.0
)

// UsualCUSUM is the design of UsualSlack and UsualLimit.
func UsualCUSUM(target, sigma float64) CUSUM {
	return CUSUM{Target: target, Slack: UsualSlack * sigma, Limit: UsualLimit * sigma}
}

// CUSUMPoint is the chart after one figure.
type CUSUMPoint struct {
	High float64 `json:"high"` // sum of what lies above the target by more than the slack
	Low  float64 `json:"low"`  // and below it
	// RunHigh and RunLow count the cases since each sum last was zero: on a
	// signal, the change is put before the first of them.
	RunHigh    int  `json:"run_high"`
	RunLow     int  `json:"run_low"`
	SignalHigh bool `json:"signal_high,omitempty"`
	SignalLow  bool `json:"signal_low,omitempty"`
}

// Run charts the figures.
func (c CUSUM) Run(x []float64) []CUSUMPoint {
	out := make([]CUSUMPoint, len(x))
	var p CUSUMPoint
	for i, v := range x {
		p.High, p.RunHigh = accumulate(p.High, p.RunHigh, v-c.Target-c.Slack)
		p.Low, p.RunLow = accumulate(p.Low, p.RunLow, c.Target-c.Slack-v)
		p.SignalHigh, p.SignalLow = p.High > c.Limit, p.Low > c.Limit
		out[i] = p
	}
	return out
}

// accumulate adds to a sum that is kept at 0 or above, and counts the cases since it
// was 0.
func accumulate(sum float64, run int, by float64) (float64, int) {
	if sum += by; sum <= 0 {
		return 0, 0
	}
	return sum, run + 1
}

// EWMA is a chart of the exponentially weighted moving average zᵢ = λxᵢ + (1−λ)zᵢ₋₁,
// z₀ the target, with the limits target ± Lσ√(λ/(2−λ)·(1 − (1−λ)²ⁱ)) (Montgomery,
// Introduction to Statistical Quality Control, chapter 9).
type EWMA struct {
	Target float64 `json:"target"`
	Sigma  float64 `json:"sigma"`  // standard deviation of a single figure
	Lambda float64 `json:"lambda"` // weight of the newest figure, 0 to 1
	Width  float64 `json:"width"`  // L: distance of the limits in standard deviations of the average
}

// EWMAPoint is the chart after one figure. The limits are those of that case:
// they open with the number of figures.
type EWMAPoint struct {
	Value  float64 `json:"value"`
	Low    float64 `json:"low"`
	High   float64 `json:"high"`
	Signal bool    `json:"signal,omitempty"`
}

// Run charts the figures.
func (e EWMA) Run(x []float64) []EWMAPoint {
	out := make([]EWMAPoint, len(x))
	z := e.Target
	for i, v := range x {
		z += e.Lambda * (v - z)
		half := e.finalHalfWidth() * math.Sqrt(1-math.Pow(1-e.Lambda, 2*float64(i+1)))
		p := EWMAPoint{Value: z, Low: e.Target - half, High: e.Target + half}
		p.Signal = z < p.Low || z > p.High
		out[i] = p
	}
	return out
}

// finalHalfWidth is Lσ√(λ/(2−λ)), which the limits' half-width tends to.
func (e EWMA) finalHalfWidth() float64 {
	return e.Width * e.Sigma * math.Sqrt(e.Lambda/(2-e.Lambda))
}

// FinalLimits are the limits after many figures.
func (e EWMA) FinalLimits() (low, high float64) {
	return e.Target - e.finalHalfWidth(), e.Target + e.finalHalfWidth()
}

// runLengthNodes is the order of the quadrature; 60 nodes agree with 120 to
// 1e-9 for limits up to 10 standard deviations.
const runLengthNodes = 60

// CUSUMRunLength is the average number of cases up to a signal of the two-sided
// CUSUM started at zero, for normal figures whose mean has moved by shift.
// All arguments are in standard deviations; slack and limit are above 0.
//
// Method: the integral equation of the one-sided chart (Page, Biometrika 41:100,
// 1954) by Gauss–Legendre quadrature; both sides combine as 1/L = 1/L⁺ + 1/L⁻,
// exact for slack ≥ 0 (Kemp, J R Stat Soc B 23:149, 1961).
func CUSUMRunLength(slack, limit, shift float64) (float64, error) {
	if !(slack >= 0 && limit > 0) || math.IsNaN(shift) {
		return 0, fmt.Errorf("slack %v, limit %v, shift %v: expected slack ≥ 0 and limit > 0", slack, limit, shift)
	}
	up, err := oneSidedRunLength(slack, limit, shift)
	if err != nil {
		return 0, err
	}
	down, err := oneSidedRunLength(slack, limit, -shift)
	if err != nil {
		return 0, err
	}
	return 1 / (1/up + 1/down), nil
}

// oneSidedRunLength solves L(s) = 1 + L(0)·Φ(k − δ − s) + ∫₀ʰ L(x)·φ(x − s + k − δ) dx
// at the quadrature nodes and gives L(0); δ is the shift.
func oneSidedRunLength(k, h, shift float64) (float64, error) {
	x, w := legendreNodes(0, h)
	from := append([]float64{0}, x...) // the barrier is a state of its own
	n := len(from)
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i, s := range from {
		a.Set(i, 0, -distuv.UnitNormal.CDF(k-shift-s))
		for j := range x {
			a.Set(i, j+1, -w[j]*distuv.UnitNormal.Prob(x[j]-s+k-shift))
		}
		a.Set(i, i, a.At(i, i)+1)
		ones.SetVec(i, 1)
	}
	var l mat.VecDense
	err := l.SolveVec(a, ones)
	var near mat.Condition
	if errors.As(err, &near) {
		// A chart that practically never signals: 1/L is 0 in double precision.
		return math.Inf(1), nil
	}
	if err != nil {
		return 0, fmt.Errorf("run length of a CUSUM with slack %v and limit %v: %w", k, h, err)
	}
	return l.AtVec(0), nil
}

// EWMARunLength is the average number of cases up to a signal of the EWMA chart
// with its final limits, started at the target, for normal figures whose mean
// has moved by shift standard deviations.
//
// Method: L(s) = 1 + ∫ L(x)·φ((x − (1−λ)s)/λ − δ)/λ dx between the limits (Crowder,
// Technometrics 29, 1987; page 401 from memory), by Gauss–Legendre quadrature.
func EWMARunLength(lambda, width, shift float64) (float64, error) {
	if !(lambda > 0 && lambda <= 1 && width > 0) || math.IsNaN(shift) {
		return 0, fmt.Errorf("weight %v, width %v, shift %v: expected a weight in (0, 1] and a width above 0", lambda, width, shift)
	}
	e := EWMA{Sigma: 1, Lambda: lambda, Width: width}
	x, w := legendreNodes(-e.finalHalfWidth(), e.finalHalfWidth())
	from := append([]float64{0}, x...)
	n := len(from)
	a, ones := mat.NewDense(n, n, nil), mat.NewVecDense(n, nil)
	for i, s := range from {
		for j := range x {
			a.Set(i, j+1, -w[j]/lambda*distuv.UnitNormal.Prob((x[j]-(1-lambda)*s)/lambda-shift))
		}
		a.Set(i, i, a.At(i, i)+1)
		ones.SetVec(i, 1)
	}
	var l mat.VecDense
	if err := l.SolveVec(a, ones); err != nil {
		return 0, fmt.Errorf("run length of an EWMA chart with weight %v and width %v: %w", lambda, width, err)
	}
	return l.AtVec(0), nil
}

// legendreNodes gives nodes and weights of the quadrature between two limits.
func legendreNodes(low, high float64) (x, w []float64) {
	x, w = make([]float64, runLengthNodes), make([]float64, runLengthNodes)
	quad.Legendre{}.FixedLocations(x, w, low, high)
	return x, w
}
