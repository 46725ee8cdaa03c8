package levelnow

import (
	"math"
	"slices"
)

// priorSteady is the probability of one level, beforehand: as likely as not. The families
// of change, a line, a decay, the broken lines and a step, are alike probable.
const priorSteady = .5

// What a record changes by, beforehand, is as open as one case leaves it: the prior holds
// what one case of the record tells of a step half way (unit information: Kass and
// Wasserman, JASA 90:928, 1995), which does not ask what the figures show. Of n cases a step
// half way is known with the variance 4/(n·i), i being what a case tells. With half of the
// scales, bounds of a figure with a sign whose spread has doubled hold in 92 to 93 instead of
// 94 to 96 % of records of 10 and 30 cases; with twice as much, the widest twentieth of those
// of steady records goes a sixth farther.

// usualChange is the scale of a Cauchy prior: the median of the size of the logarithm of the
// factor by which a level or a spread changes. The logarithm of the spread of k normal parts
// is told by a case with the information 2k (Fisher): of one part where figures have a sign,
// of three in the distance of two points.
func (f *fit) usualChange() float64 {
	if f.positive {
		return math.Sqrt(2.0 / 3)
	}
	return math.Sqrt2
}

// usualShift is the standard deviation of what a level with a sign changes by, in spreads of
// single figures, of which a case tells with the information 1.
const usualShift = 2.0

// The grid of the shapes. Rates and cases of change are fixed in case numbers.
const (
	firstChange = 5 // fewer cases before a change are no level
	lastChange  = 4 // nor are fewer behind it
	mostChanges = 12
)

// candidate is a shape with an amount.
type candidate struct {
	shape   Shape
	from    int
	prior   float64   // logarithm
	g       []float64 // the shape by case: 0 at the next case and 1 or so at the first
	sum     float64   // of g
	amount  float64   // logarithm of the factor of a figure at 1
	quarter []float64 // exp(−amount·g/4), of lengths
	columns *basis
	shift   *shift // where a level with a sign is shifted
}

// shift is a shape as a column of its own.
type shift struct {
	r         []float64 // what the other columns leave of it, weighted
	rr        float64   // the sum of squares of r
	intercept float64   // of the shape on the other columns
}

// newShift lays a shape out beside the columns; false where they hold it.
func newShift(columns *basis, g []float64) (*shift, bool) {
	r := slices.Clone(columns.root)
	for i := range r {
		r[i] *= g[i]
	}
	whole := dot(r, r)
	intercept := columns.residual(r)
	s := &shift{r: r, rr: dot(r, r), intercept: intercept}
	return s, s.rr > 1e-9*whole
}

// candidates are the shapes with their amounts.
func (f *fit) candidates() []candidate {
	out := []candidate{{shape: Steady, prior: math.Log(priorSteady), g: make([]float64, f.n), columns: &f.columns}}
	var lengths []float64 // their logarithms
	if f.positive {
		lengths = f.unexplained(f.onScale(0).y)
	}
	add := func(s Shape, from int, prior float64, of func(x float64) float64) {
		c := candidate{shape: s, from: from, g: make([]float64, f.n), columns: &f.columns}
		for i := range c.g {
			c.g[i] = of(float64(i+1)) - of(float64(f.n+1))
			c.sum += c.g[i]
		}
		h, ok := newShift(&f.columns, c.g)
		switch {
		case !ok:
		case f.positive:
			f.addAmounts(&out, c, prior, h, lengths)
		default:
			f.addAmounts(&out, c, prior, h, f.unexplained(f.sizes(h)))
		}
	}
	var changes []int
	for k := firstChange; k <= f.n-lastChange; k += max(3, f.n/mostChanges) {
		changes = append(changes, k)
	}
	const family = (1 - priorSteady) / 4
	rates := []float64{3, 6, 12, 24}
	add(Line, 0, family, func(x float64) float64 { return -x / float64(f.n) })
	for _, r := range rates {
		add(Decay, int(r), family/float64(len(rates)), func(x float64) float64 { return math.Exp(-x / r) })
	}
	for _, k := range changes {
		at, one := float64(k), family/float64(len(changes))
		add(TwoPhases, k, one/2, func(x float64) float64 { return math.Max(0, at-x) / at })
		add(Late, k, one/2, func(x float64) float64 { return -math.Max(0, x-at) / float64(f.n) })
		add(Step, k, one, func(x float64) float64 {
			if x <= at {
				return 1
			}
			return 0
		})
	}
	return out
}

// unexplained are values by case, weighted, less what the columns explain.
func (f *fit) unexplained(values []float64) []float64 {
	out := slices.Clone(values)
	for i := range out {
		out[i] *= f.columns.root[i]
	}
	f.columns.residual(out)
	return out
}

// sizes are the logarithms of the cases' distances from a level with a sign that is shifted.
func (f *fit) sizes(h *shift) []float64 {
	v := f.unexplained(f.onScale(1).y)
	subtract(v, h.r, dot(h.r, v)/h.rr)
	usual := math.Sqrt(dot(v, v) / float64(f.n))
	for i, r := range v {
		// A figure on the level by chance would outweigh all others.
		const least = .1
		v[i] = math.Log(math.Max(math.Abs(r), least*usual))
	}
	return v
}

// addAmounts adds a shape with the amounts that count, each with its share of the prior: a
// Cauchy density, whose tails leave a large change as large as the cases show it (Jeffreys,
// Theory of Probability, 1961, section 5.2; Liang and others, JASA 103:410, 2008).
//
// Method: the trapezoid rule over 3.6 standard errors to either side of the mode of a
// regression of the logarithms with that prior, which is found as that of a normal one whose
// variance is renewed. Steps of 1.2 standard deviations of a normal density are good for
// 1e-5, of 2 for a hundredth (Goodwin, Proc Camb Phil Soc 45:241, 1949); the likelihood is
// narrower than the regression, by at most a factor of 1.6 (logarithms of normal figures,
// of which it takes π²/8 for ½).
func (f *fit) addAmounts(out *[]candidate, c candidate, prior float64, h *shift, logs []float64) {
	usual := f.usualChange()
	slope := dot(h.r, logs) / h.rr
	variance := math.Max(1e-9, (dot(logs, logs)-slope*slope*h.rr)/float64(f.n-f.p-1))
	centre, precision := slope, 0.0
	const rounds = 20
	for range rounds {
		precision = h.rr/variance + 2/(usual*usual+centre*centre)
		centre = slope * h.rr / variance / precision
	}
	step := 1.2 / math.Sqrt(precision)
	for k := -3.0; k <= 3; k++ {
		c.amount = centre + k*step
		z := c.amount / usual
		c.prior = math.Log(prior*step/(usual*math.Pi)) - math.Log1p(z*z)
		if f.positive {
			c.quarter = make([]float64, f.n)
			for i, g := range c.g {
				c.quarter[i] = math.Exp(-c.amount * g / 4)
			}
		} else {
			root := slices.Clone(f.columns.root)
			for i, g := range c.g {
				root[i] *= math.Exp(-c.amount * g)
			}
			columns, ok := newBasis(f.cases, root)
			if !ok {
				continue
			}
			c.columns = &columns
			if c.shift, ok = newShift(c.columns, c.g); !ok {
				continue
			}
			c.prior -= math.Log1p(usualShift*usualShift*c.shift.rr) / 2
		}
		*out = append(*out, c)
	}
}
