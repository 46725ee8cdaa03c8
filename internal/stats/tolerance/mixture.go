package tolerance

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The powers that the bound of lengths averages over: a wider range than lengths of
// normal errors need, 0.5 to 1, so that its ends do not truncate the posterior, as
// that of log-normal figures (power 0) would be by a range that begins there.
const (
	leastPower    = -1.0
	mixtureStep   = 0.2
	mixturePowers = 16
)

// mixture is the posterior distribution of the power p at which the transformed
// figures are normal, with their mean and standard deviation at each power.
//
// Method: y = (zᵖ − 1)/p, ln z for p = 0, with z the figures over their geometric
// mean, and S(p) = Σ(y − ȳ)². With a uniform prior the posterior weight of p is
// proportional to S(p)^(−ν/2), ν = n − 1 (Box and Cox, An analysis of transformations,
// J R Stat Soc B 26:211, 1964; the exponent from memory).
type mixture struct {
	n       int
	logMean float64 // logarithm of the geometric mean
	powers  [mixturePowers]float64
	mean    [mixturePowers]float64
	sd      [mixturePowers]float64
	weight  [mixturePowers]float64

	chi, chiWeight []float64 // nodes and weights for the distribution of √(χ²/ν)
	logs           []float64
	y              []float64
}

// mixtureNodes of the quadrature leave an error under 1e-5 in a confidence from 8
// figures on.
const mixtureNodes = 48

// newMixture allocates the mixture of samples of n figures.
func newMixture(n int) *mixture {
	m := &mixture{n: n, logs: make([]float64, n), y: make([]float64, n)}
	for j := range m.powers {
		// Counting in whole steps makes the logarithm's power exactly 0.
		m.powers[j] = mixtureStep * float64(j+int(math.Round(leastPower/mixtureStep)))
	}
	m.chi, m.chiWeight = chiNodes(n-1, mixtureNodes)
	return m
}

// setSample computes the posterior from the logarithms of figures that are not all the
// same; a zero, which rounding gives, counts as half of the smallest other figure.
func (m *mixture) setSample(logs []float64) {
	least := math.Inf(1)
	for _, l := range logs {
		if !math.IsInf(l, -1) {
			least = math.Min(least, l)
		}
	}
	for i, l := range logs {
		m.logs[i] = l
		if math.IsInf(l, -1) {
			m.logs[i] = least - math.Ln2
		}
	}
	m.logMean = stat.Mean(m.logs, nil)
	top := math.Inf(-1)
	for j, p := range m.powers {
		for i, l := range m.logs {
			m.y[i] = boxCox(l-m.logMean, p)
		}
		m.mean[j], m.sd[j] = stat.MeanStdDev(m.y, nil)
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
}

// boxCox is the transform (xᵖ − 1)/p of x, given as its logarithm.
func boxCox(log, power float64) float64 {
	if power == 0 {
		return log
	}
	return math.Expm1(power*log) / power
}

// posteriorMean averages over the powers a probability that depends on a figure's
// standardised value k = (y − ȳ)/s after the transform; the figure is given as its
// logarithm.
func (m *mixture) posteriorMean(log float64, of func(k float64) float64) float64 {
	p := 0.0
	for j, w := range m.weight {
		if w > 1e-9 {
			p += w * of((boxCox(log-m.logMean, m.powers[j])-m.mean[j])/m.sd[j])
		}
	}
	return p
}

// coverageConfidence is the posterior probability that a figure, given as its
// logarithm, is above the quantile of the population whose normal quantile is z: at
// each power k·√n has Student's t distribution noncentral by z·√n, as in
// OneSidedFactor.
func (m *mixture) coverageConfidence(log, z float64) float64 {
	root := math.Sqrt(float64(m.n))
	return m.posteriorMean(log, func(k float64) float64 {
		p := 0.0
		for i, s := range m.chi {
			p += m.chiWeight[i] * math.Erfc((z-k*s)*root/math.Sqrt2) / 2
		}
		return p
	})
}

// predictiveCDF is the posterior predictive probability that the next figure is under
// one that is given as its logarithm: Student's t of k/√(1 + 1/n).
func (m *mixture) predictiveCDF(log float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(m.n - 1)}
	wider := math.Sqrt(1 + 1/float64(m.n))
	return m.posteriorMean(log, func(k float64) float64 { return t.CDF(k / wider) })
}

// maxRatio is the largest bound that is searched for, in geometric means.
const maxRatio = 100

// inverse is the least figure at which an increasing probability reaches p; ok reports
// whether it is under maxRatio geometric means.
func (m *mixture) inverse(p float64, of func(log float64) float64) (v float64, ok bool) {
	low, high := m.logMean-math.Log(maxRatio), m.logMean+math.Log(maxRatio)
	if of(high) < p {
		return 0, false
	}
	for high-low > 1e-10 {
		if mid := (low + high) / 2; of(mid) < p {
			low = mid
		} else {
			high = mid
		}
	}
	return math.Exp(high), true
}

// calibratedBounds gives the tolerance bound of the coverage and confidence, and the
// prediction bound that the next figure is under with the probability coverage; ok
// reports whether both are under maxRatio geometric means.
//
// Method: a posterior probability of 0.95 is not a confidence of 0.95: for lengths of
// normal errors such a bound holds in up to 99 % of samples. So it is calibrated by
// prepivoting (Beran, Biometrika 74:457, 1987): samples are drawn from the mixture,
// each at a power drawn by its weight, the posterior probability at the true quantile
// is computed for each, and the bound is taken at the quantile of these probabilities.
// Samples at the most likely power alone would leave out the power's uncertainty: with
// them bounds of 8 to 15 log-normal figures held in 90 to 93 %.
func (m *mixture) calibratedBounds(coverage, confidence float64, rng *rand.Rand) (upper, next float64, ok bool) {
	z := distuv.UnitNormal.Quantile(coverage)
	again, logs := newMixture(m.n), make([]float64, m.n)
	uppers, nexts := make([]float64, resamples), make([]float64, resamples)
	for i := range resamples {
		j := m.powerAt(rng.Float64())
		for k := range logs {
			logs[k] = m.logQuantile(j, rng.NormFloat64())
		}
		again.setSample(logs)
		uppers[i] = again.coverageConfidence(m.logQuantile(j, z), z)
		nexts[i] = again.predictiveCDF(m.logQuantile(j, rng.NormFloat64()))
	}
	upper, ok = m.inverse(calibratedProbability(uppers, confidence), func(log float64) float64 { return m.coverageConfidence(log, z) })
	next, also := m.inverse(calibratedProbability(nexts, coverage), m.predictiveCDF)
	return upper, next, ok && also
}

// powerAt is the index of the power at which the cumulative weight exceeds u.
func (m *mixture) powerAt(u float64) int {
	for j, w := range m.weight {
		if u -= w; u < 0 {
			return j
		}
	}
	return mixturePowers - 1
}

// logQuantile is the logarithm of the figure that lies z standard deviations from the
// mean at power j: −∞ below the transform's range, and at most that of maxRatio
// geometric means above it.
func (m *mixture) logQuantile(j int, z float64) float64 {
	p, y := m.powers[j], m.mean[j]+z*m.sd[j]
	if p == 0 {
		return m.logMean + y
	}
	log := math.Log(math.Max(0, 1+p*y)) / p
	return m.logMean + math.Min(log, math.Log(maxRatio))
}

// calibratedProbability is the quantile of the probabilities at the stated share, but
// no more than the share: without calibration the bound holds in 94 % or more of
// samples of every distribution that was tried, and a larger probability, which a
// small sample with one large figure seems to need, only moves the bound far into an
// unbounded tail.
func calibratedProbability(said []float64, share float64) float64 {
	slices.Sort(said)
	rank := int(math.Ceil(share * float64(len(said)+1)))
	if rank > len(said) {
		return share
	}
	return math.Min(share, said[rank-1])
}
