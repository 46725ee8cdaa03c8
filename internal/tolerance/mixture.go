package tolerance

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The powers that the bound of lengths is a mixture over: wider than those that
// lengths of normal errors need, 0.5 to 1, so that no end of the range decides
// for a sample that would go beyond it, as one of log-normal figures (0) does
// with a range that begins there.
const (
	leastPower  = -1.0
	mixtureStep = 0.2
	mixtures    = 16
)

// mixture is what figures say about the scale on which they are normal: mean and
// spread on each, and how likely it is.
//
// Method: Box and Cox, J R Stat Soc B 26:211, 1964, section 2 (from memory): with
// z the figures over their geometric mean, brought to the scale (zᵖ − 1)/p, and S
// their sum of squares about the mean there, a power p has the weight S^(−ν/2), ν
// = n − 1, all powers being as likely beforehand.
type mixture struct {
	n      int
	unit   float64 // the geometric mean
	power  [mixtures]float64
	mean   [mixtures]float64
	sd     [mixtures]float64
	weight [mixtures]float64
}

// newMixture takes positive and zero figures that are not all the same; a zero,
// as rounding makes it, counts as half of the smallest other figure.
func newMixture(x []float64) *mixture {
	least := math.Inf(1)
	for _, v := range x {
		if v > 0 {
			least = math.Min(least, v)
		}
	}
	z := make([]float64, len(x))
	for i, v := range x {
		if v == 0 {
			v = least / 2
		}
		z[i] = math.Log(v)
	}
	m := &mixture{n: len(x), unit: math.Exp(stat.Mean(z, nil))}
	y := make([]float64, len(x))
	top := math.Inf(-1)
	for j := range m.power {
		// Steps counted from 0 keep the logarithm's power exact.
		m.power[j] = mixtureStep * float64(j+int(math.Round(leastPower/mixtureStep)))
		for i, l := range z {
			y[i] = boxCox(l-math.Log(m.unit), m.power[j])
		}
		m.mean[j], m.sd[j] = stat.MeanStdDev(y, nil)
		m.weight[j] = -float64(m.n-1) * math.Log(m.sd[j])
		top = math.Max(top, m.weight[j])
	}
	sum := 0.0
	for j := range m.weight {
		m.weight[j] = math.Exp(m.weight[j] - top)
		sum += m.weight[j]
	}
	for j := range m.weight {
		m.weight[j] /= sum
	}
	return m
}

// boxCox brings a figure, given as its logarithm, to the scale of a power.
func boxCox(log, power float64) float64 {
	if power == 0 {
		return log
	}
	return math.Expm1(power*log) / power
}

// average is the mean over the powers of a probability that depends on where v
// lies on the scale, in spreads from the mean.
func (m *mixture) average(v float64, of func(k float64) float64) float64 {
	p := 0.0
	for j, w := range m.weight {
		if w > 1e-9 {
			p += w * of((boxCox(math.Log(v/m.unit), m.power[j])-m.mean[j])/m.sd[j])
		}
	}
	return p
}

// farthest is how far a bound is looked for, in geometric means.
const farthest = 100

// find is the least figure whose probability is p; ok is false where it is
// beyond all reason.
func (m *mixture) find(p float64, of func(k float64) float64) (v float64, ok bool) {
	if m.average(m.unit*farthest, of) < p {
		return 0, false
	}
	low, high := math.Log(m.unit/farthest), math.Log(m.unit*farthest)
	for high-low > 1e-10 {
		if mid := (low + high) / 2; m.average(math.Exp(mid), of) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Exp(high), true
}

// upper is the figure that is above the given coverage of the next ones with the
// given confidence: on each scale the distribution of k·√n is Student's t
// noncentral by z(coverage)·√n, as in OneSidedFactor.
func (m *mixture) upper(coverage, confidence float64) (float64, bool) {
	root := math.Sqrt(float64(m.n))
	delta := distuv.UnitNormal.Quantile(coverage) * root
	s, w := spread(m.n - 1)
	return m.find(confidence, func(k float64) float64 {
		p := 0.0
		for i := range s {
			p += w[i] * distuv.UnitNormal.CDF(k*root*s[i]-delta)
		}
		return p
	})
}

// next is the figure that the very next one stays under with the given
// probability.
func (m *mixture) next(probability float64) (float64, bool) {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(m.n - 1)}
	wider := math.Sqrt(1 + 1/float64(m.n))
	return m.find(probability, func(k float64) float64 { return t.CDF(k / wider) })
}
