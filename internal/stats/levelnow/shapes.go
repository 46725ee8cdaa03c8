package levelnow

import (
	"math"
	"slices"
)

// priorSteady is the probability of one level, beforehand: as likely as not. The families
// of change, a line, a decay, the broken lines and a step, are alike probable.
const priorSteady = .5

const (
	// usualChange is the median of the size of the logarithm of the factor by which a level
	// or a spread changes over a record: in half of records that change it is halved or
	// doubled at least. Common practice, no source.
	usualChange = math.Ln2
	// usualShift is the standard deviation of what a level with a sign changes by, in
	// spreads of single figures: a length of normal errors that doubles changes by as much.
	usualShift = 1.5
)

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
	add := func(s Shape, from int, prior float64, of func(x float64) float64) {
		c := candidate{shape: s, from: from, g: make([]float64, f.n), columns: &f.columns}
		for i := range c.g {
			c.g[i] = of(float64(i+1)) - of(float64(f.n+1))
			c.sum += c.g[i]
		}
		if h, ok := newShift(&f.columns, c.g); ok {
			f.addAmounts(&out, c, prior, h)
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

// logs are the logarithms of the cases' figures, or of their distances from a level with a
// sign that is shifted, weighted, less what the columns explain.
func (f *fit) logs(h *shift) []float64 {
	out := make([]float64, f.n)
	if f.positive {
		copy(out, f.onScale(0).y)
	} else {
		v := f.onScale(1).y
		for i := range v {
			v[i] *= f.columns.root[i]
		}
		f.columns.residual(v)
		subtract(v, h.r, dot(h.r, v)/h.rr)
		usual := math.Sqrt(dot(v, v) / float64(f.n))
		for i, r := range v {
			// A figure on the level by chance would outweigh all others.
			const least = .1
			out[i] = math.Log(math.Max(math.Abs(r), least*usual))
		}
	}
	for i := range out {
		out[i] *= f.columns.root[i]
	}
	f.columns.residual(out)
	return out
}

// addAmounts adds a shape with the amounts that count, each with its share of the prior: a
// Cauchy density, whose tails leave a large change as large as the cases show it (Jeffreys,
// Theory of Probability, 1961, section 5.2; Liang and others, JASA 103:410, 2008).
//
// Method: the trapezoid rule with steps of little more than a standard deviation, which is
// good for 1e-4 for a normal density (Goodwin, Proc Camb Phil Soc 45:241, 1949), about the
// mode of a regression of the logarithms with that prior, which is found as that of a normal
// one whose variance is renewed.
func (f *fit) addAmounts(out *[]candidate, c candidate, prior float64, h *shift) {
	logs := f.logs(h)
	slope := dot(h.r, logs) / h.rr
	variance := math.Max(1e-9, (dot(logs, logs)-slope*slope*h.rr)/float64(f.n-f.p-1))
	centre, precision := slope, 0.0
	const rounds = 20
	for range rounds {
		precision = h.rr/variance + 2/(usualChange*usualChange+centre*centre)
		centre = slope * h.rr / variance / precision
	}
	step := 1.2 / math.Sqrt(precision)
	for k := -2.0; k <= 2; k++ {
		c.amount = centre + k*step
		z := c.amount / usualChange
		c.prior = math.Log(prior*step/(usualChange*math.Pi)) - math.Log1p(z*z)
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
