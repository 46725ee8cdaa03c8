package tolerance

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// The powers of the normality plot. Lengths of normal errors need 0.53 (two
// components, Rayleigh) or 0.67 (three, Maxwell), less where one component has a larger
// variance, and nearly 1 where the mean offset is large against the standard deviation.
// A hundred figures cannot show a finer step.
const (
	powerStep = 0.1
	powers    = 13
)

// powerSearch finds the power of the largest probability plot correlation.
//
// Method: r(p) = Σ(yᵢ − ȳ)mᵢ/(|y − ȳ|·|m|) with y the sorted figures to the power p and
// m the medians of normal order statistics (Filliben, Technometrics 17:111, 1975, from
// memory); NIST handbook 1.3.3.6.
type powerSearch struct {
	normalScore []float64 // normal order statistic medians (Filliben), centred
	scoreNorm   float64   // their length
	logs        []float64
	root        []float64 // each figure on the scale of one powerStep
	y           []float64
	bestY       []float64
}

func newPowerSearch(n int) *powerSearch {
	s := &powerSearch{logs: make([]float64, n), root: make([]float64, n), y: make([]float64, n), bestY: make([]float64, n)}
	for i := range n {
		u := (float64(i) + 1 - .3175) / (float64(n) + .365)
		switch i {
		case 0:
			u = 1 - math.Pow(.5, 1/float64(n))
		case n - 1:
			u = math.Pow(.5, 1/float64(n))
		}
		m := distuv.UnitNormal.Quantile(u)
		s.normalScore = append(s.normalScore, m)
		s.scoreNorm += m * m
	}
	s.scoreNorm = math.Sqrt(s.scoreNorm)
	return s
}

// powerFit is a normal distribution of the figures to a power, and its
// Anderson–Darling statistic.
type powerFit struct {
	power, mean, sd float64
	anderson        float64
}

// fit finds the power with the largest correlation. ok is false if every power sends a
// figure to infinity or all figures are equal.
func (s *powerSearch) fit(x []float64) (powerFit, bool) {
	for i, v := range x {
		s.logs[i] = math.Log(v)
	}
	return s.fitLogs()
}

// fitResample is fit for a random sample of a fitted distribution.
func (s *powerSearch) fitResample(from powerFit, rng *rand.Rand) (powerFit, bool) {
	for i := range s.logs {
		s.logs[i] = from.logQuantile(rng.NormFloat64())
	}
	return s.fitLogs()
}

func (s *powerSearch) fitLogs() (powerFit, bool) {
	n := float64(len(s.logs))
	slices.Sort(s.logs)
	for i, l := range s.logs {
		s.root[i] = math.Exp(powerStep * l)
	}
	best, out := 0.0, powerFit{}
	for j := range powers {
		power := powerStep * float64(j)
		switch j {
		case 0:
			copy(s.y, s.logs)
		case 1:
			copy(s.y, s.root)
		default:
			for i, r := range s.root {
				s.y[i] *= r
			}
		}
		mean := 0.0
		for _, v := range s.y {
			mean += v
		}
		mean /= n
		sum, cross := 0.0, 0.0
		for i, v := range s.y {
			sum += (v - mean) * (v - mean)
			cross += (v - mean) * s.normalScore[i]
		}
		if r := cross / (math.Sqrt(sum) * s.scoreNorm); r > best { // false for NaN
			best = r
			out = powerFit{power: power, mean: mean, sd: math.Sqrt(sum / (n - 1))}
			copy(s.bestY, s.y)
		}
	}
	if best == 0 {
		return out, false
	}
	out.anderson = andersonDarling(s.bestY, out.mean, out.sd)
	return out, true
}

// powerTransform is xᵖ of x, given as its logarithm, or the logarithm itself for p = 0.
func powerTransform(l, power float64) float64 {
	if power == 0 {
		return l
	}
	return math.Exp(power * l)
}

// standardise is a figure's distance from the mean after the transform, in standard
// deviations.
func (f powerFit) standardise(x float64) float64 {
	return (powerTransform(math.Log(x), f.power) - f.mean) / f.sd
}

// quantile is the figure that lies z standard deviations from the mean.
func (f powerFit) quantile(z float64) float64 { return math.Exp(f.logQuantile(z)) }

// logQuantile is the logarithm of quantile, −∞ below the range of the transform.
func (f powerFit) logQuantile(z float64) float64 {
	y := f.mean + z*f.sd
	if f.power == 0 {
		return y
	}
	return math.Log(math.Max(0, y)) / f.power
}
