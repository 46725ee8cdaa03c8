package tolerance

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat/distuv"
)

// The powers that are tried. Lengths of normal errors need 0.53 (two directions,
// Rayleigh) or 0.67 (three, Maxwell), less where one direction is wider, and
// nearly 1 where a habit is large against the spread. A finer step is not to be
// seen in a hundred figures.
const (
	powerStep = 0.1
	powers    = 13
)

// scaler finds the power on which figures look most normal.
type scaler struct {
	median []float64 // normal order statistic medians (Filliben), centred
	length float64   // their length
	logs   []float64
	root   []float64 // each figure on the scale of one powerStep
	y      []float64
	best   []float64
}

func newScaler(n int) *scaler {
	s := &scaler{logs: make([]float64, n), root: make([]float64, n), y: make([]float64, n), best: make([]float64, n)}
	for i := range n {
		u := (float64(i) + 1 - .3175) / (float64(n) + .365)
		switch i {
		case 0:
			u = 1 - math.Pow(.5, 1/float64(n))
		case n - 1:
			u = math.Pow(.5, 1/float64(n))
		}
		m := distuv.UnitNormal.Quantile(u)
		s.median = append(s.median, m)
		s.length += m * m
	}
	s.length = math.Sqrt(s.length)
	return s
}

// scaled is a fit on one scale.
type scaled struct {
	power, mean, sd float64
	anderson        float64
}

// fit finds the power with the largest correlation between figures and normal
// medians. It fails if every power sends a figure to infinity or the figures
// have no spread.
func (s *scaler) fit(x []float64) (scaled, bool) {
	for i, v := range x {
		s.logs[i] = math.Log(v)
	}
	return s.fitLogs()
}

// fitDraw is fit for a sample of a fitted distribution.
func (s *scaler) fitDraw(from scaled, rng *rand.Rand) (scaled, bool) {
	for i := range s.logs {
		s.logs[i] = from.logValue(rng.NormFloat64())
	}
	return s.fitLogs()
}

func (s *scaler) fitLogs() (scaled, bool) {
	n := float64(len(s.logs))
	slices.Sort(s.logs)
	for i, l := range s.logs {
		s.root[i] = math.Exp(powerStep * l)
	}
	best, out := 0.0, scaled{}
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
			cross += (v - mean) * s.median[i]
		}
		if r := cross / (math.Sqrt(sum) * s.length); r > best { // false for NaN
			best = r
			out = scaled{power: power, mean: mean, sd: math.Sqrt(sum / (n - 1))}
			copy(s.best, s.y)
		}
	}
	if best == 0 {
		return out, false
	}
	out.anderson = andersonDarling(s.best, out.mean, out.sd)
	return out, true
}

// fromLog brings a figure, given as its logarithm, to the scale of a power.
func fromLog(l, power float64) float64 {
	if power == 0 {
		return l
	}
	return math.Exp(power * l)
}

// standard is where a figure lies on the fitted scale, in spreads from the mean.
func (f scaled) standard(x float64) float64 { return (fromLog(math.Log(x), f.power) - f.mean) / f.sd }

// value is the figure that lies z spreads from the mean on the fitted scale.
func (f scaled) value(z float64) float64 { return math.Exp(f.logValue(z)) }

// logValue is the logarithm of value, −∞ where the scale ends.
func (f scaled) logValue(z float64) float64 {
	y := f.mean + z*f.sd
	if f.power == 0 {
		return y
	}
	return math.Log(math.Max(0, y)) / f.power
}
