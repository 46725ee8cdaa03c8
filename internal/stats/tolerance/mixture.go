package tolerance

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"
)

// The powers that the bound of lengths is a mixture over: wider than those that
// lengths of normal errors need, 0.5 to 1, so that no end of the range decides
// for a sample that would go beyond it, as one of log-normal figures (0) does
// with a range that begins there.
const (
	leastPower    = -1.0
	mixtureStep   = 0.2
	mixturePowers = 16
)

// mixture is what figures say about the scale on which they are normal: mean and
// spread on each, and how likely it is.
//
// Method: Box and Cox, J R Stat Soc B 26:211, 1964, section 2 (from memory): with
// z the figures over their geometric mean, brought to the scale (zᵖ − 1)/p, and S
// their sum of squares about the mean there, a power p has the weight S^(−ν/2), ν
// = n − 1, all powers being as likely beforehand.
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

// mixtureNodes leave an error under 1e-5 in a confidence from 8 figures on.
const mixtureNodes = 48

// newMixture is for samples of n figures.
func newMixture(n int) *mixture {
	m := &mixture{n: n, logs: make([]float64, n), y: make([]float64, n)}
	for j := range m.powers {
		// Steps counted from 0 keep the logarithm's power exact.
		m.powers[j] = mixtureStep * float64(j+int(math.Round(leastPower/mixtureStep)))
	}
	m.chi, m.chiWeight = chiNodes(n-1, mixtureNodes)
	return m
}

// setSample takes in the logarithms of figures that are not all the same; a zero, as
// rounding makes it, counts as half of the smallest other figure.
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

// boxCox brings a figure, given as its logarithm, to the scale of a power.
func boxCox(log, power float64) float64 {
	if power == 0 {
		return log
	}
	return math.Expm1(power*log) / power
}

// posteriorMean is the mean over the powers of a probability that depends on where a
// figure, given as its logarithm, lies on the scale, in spreads from the mean.
func (m *mixture) posteriorMean(log float64, of func(k float64) float64) float64 {
	p := 0.0
	for j, w := range m.weight {
		if w > 1e-9 {
			p += w * of((boxCox(log-m.logMean, m.powers[j])-m.mean[j])/m.sd[j])
		}
	}
	return p
}

// coverageConfidence is the mixture's probability that a figure, given as its logarithm,
// is above the coverage of the next ones whose normal quantile is z: on each
// scale the distribution of k·√n is Student's t noncentral by z·√n, as in
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

// predictiveCDF is the mixture's probability that the very next figure stays under one
// that is given as its logarithm.
func (m *mixture) predictiveCDF(log float64) float64 {
	t := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(m.n - 1)}
	wider := math.Sqrt(1 + 1/float64(m.n))
	return m.posteriorMean(log, func(k float64) float64 { return t.CDF(k / wider) })
}

// maxRatio is how far a bound is looked for, in geometric means.
const maxRatio = 100

// inverse is the least figure whose probability is p; ok is false where it is
// beyond all reason.
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

// calibratedBounds gives the figure that is above the coverage of the next ones with the
// confidence, and the one that the very next stays under with the probability
// coverage; ok is false where one of them is beyond all reason.
//
// All powers being as likely beforehand does not make the mixture's 0.95 hold in
// 95 % of samples: for lengths of normal errors it holds in up to 99 %. So
// samples of the mixture are drawn, each on a power taken by its weight, and the
// mixture is asked for the probability that what it says of the truth stays
// under in the stated share of them (prepivoting; Beran, Biometrika 74:457, 1987,
// from memory). Samples on the best power alone would leave out that it is not
// known: with them bounds of 8 to 15 log-normal figures held in 90 to 93 %.
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

// powerAt is the power at which the weights add up to u.
func (m *mixture) powerAt(u float64) int {
	for j, w := range m.weight {
		if u -= w; u < 0 {
			return j
		}
	}
	return mixturePowers - 1
}

// logQuantile is the logarithm of the figure that lies z spreads from the mean on a
// power's scale: −∞ where a scale ends below, and no more than farthest where one
// ends above.
func (m *mixture) logQuantile(j int, z float64) float64 {
	p, y := m.powers[j], m.mean[j]+z*m.sd[j]
	if p == 0 {
		return m.logMean + y
	}
	log := math.Log(math.Max(0, 1+p*y)) / p
	return m.logMean + math.Min(log, math.Log(maxRatio))
}

// calibratedProbability is the probability under which the stated share of samples said that
// the truth lies, but no more than the share: the mixture as it is holds in 94 %
// or more of samples of every kind that was tried, and asking it for more, as a
// few figures with a far one among them seem to need, only loses the bound in a
// tail without end.
func calibratedProbability(said []float64, share float64) float64 {
	slices.Sort(said)
	rank := int(math.Ceil(share * float64(len(said)+1)))
	if rank > len(said) {
		return share
	}
	return math.Min(share, said[rank-1])
}
