package levelnow

import (
	"cmp"
	"fmt"
	"math"
	"slices"
)

// fit is a data set laid out for all shapes.
type fit struct {
	cases    []Case
	figures  int
	positive bool
	n, p     int // cases, columns besides the shape
	columns  basis
	least    float64 // half the smallest figure above 0, which stands for a rounded 0
	seen     [2]float64
}

// basis is an orthonormal basis of the weighted columns, the intercept's last.
type basis struct {
	root   []float64   // of the cases' weights
	q      [][]float64 // by column
	last   float64     // norm of what the others leave of the intercept: 1/last² is its variance
	logDet float64     // of the columns, half of that of their products
}

// newBasis is false where columns are the same but for rounding.
//
// Method: Gram-Schmidt, each column twice (Giraud and others, Comput Math Appl 50:1069,
// 2005).
func newBasis(cases []Case, root []float64) (basis, bool) {
	b := basis{root: root}
	columns := len(cases[0].Other) + 1
	for k := range columns {
		v := slices.Clone(root)
		if k < columns-1 {
			for i, c := range cases {
				v[i] *= c.Other[k]
			}
		}
		whole := math.Sqrt(dot(v, v))
		for range 2 {
			for _, q := range b.q {
				subtract(v, q, dot(q, v))
			}
		}
		b.last = math.Sqrt(dot(v, v))
		// worst is what is left of a column that the others hold but for rounding.
		const worst = 1e-5
		if !(b.last > worst*whole) {
			return basis{}, false
		}
		for i := range v {
			v[i] /= b.last
		}
		b.logDet += math.Log(b.last)
		b.q = append(b.q, v)
	}
	return b, true
}

// residual takes from v, weighted, what the columns explain, and gives the intercept.
func (b *basis) residual(v []float64) (intercept float64) {
	for k, q := range b.q {
		c := dot(q, v)
		subtract(v, q, c)
		if k == len(b.q)-1 {
			intercept = c / b.last
		}
	}
	return intercept
}

func dot(a, b []float64) float64 {
	sum := 0.0
	for i, x := range a {
		sum += x * b[i]
	}
	return sum
}

func subtract(v, q []float64, c float64) {
	for i := range v {
		v[i] -= c * q[i]
	}
}

func newFit(cases []Case, positive bool) (*fit, error) {
	n := len(cases)
	if n < MinCases {
		return nil, fmt.Errorf("%w: %d of %d", ErrTooFew, n, MinCases)
	}
	f := &fit{cases: cases, n: n, p: 1 + len(cases[0].Other), least: math.Inf(1), seen: [2]float64{math.Inf(1), math.Inf(-1)}, positive: positive}
	same := true
	root := make([]float64, n)
	for i, c := range cases {
		if len(c.Values) == 0 || !(c.Variance > 0) || len(c.Other) != f.p-1 {
			return nil, fmt.Errorf("case %d: %d figures, variance %v, %d differences", i+1, len(c.Values), c.Variance, len(c.Other))
		}
		for _, v := range c.Values {
			if math.IsNaN(v) || math.IsInf(v, 0) || positive && v < 0 {
				return nil, fmt.Errorf("case %d: a figure of %v", i+1, v)
			}
			if v > 0 {
				f.least = math.Min(f.least, v/2)
			}
			same = same && v == cases[0].Values[0]
			f.seen = [2]float64{math.Min(f.seen[0], v), math.Max(f.seen[1], v)}
			f.figures++
		}
		root[i] = 1 / math.Sqrt(c.Variance)
	}
	if same {
		return nil, ErrNoSpread
	}
	var ok bool
	if f.columns, ok = newBasis(cases, root); !ok || f.n-f.p-1 < MinCases/2 {
		return nil, ErrConfounded
	}
	return f, nil
}

// sample is the cases on a scale.
type sample struct {
	power    float64
	y        []float64 // case means
	jacobian float64   // logarithm of the scale's

	// Hard cases brought in by as much as they are likely to be hard; within is the
	// variance between what they are and may be, gain that in log-likelihood.
	tidy, within []float64
	hard, gain   float64
}

// toScale takes a figure to a scale, fromScale back.
func toScale(v, power float64) float64 {
	switch power {
	case 0:
		return math.Log(v)
	case 1:
		return v
	}
	return math.Pow(v, power)
}

func fromScale(v, power float64) float64 {
	switch power {
	case 0:
		return math.Exp(v)
	case 1:
		return v
	}
	return math.Pow(math.Max(0, v), 1/power)
}

// onScale lays the cases out on a scale, none of them hard.
func (f *fit) onScale(power float64) *sample {
	s := &sample{power: power, y: make([]float64, f.n), within: make([]float64, f.n)}
	logs := 0.0
	for i, c := range f.cases {
		for _, v := range c.Values {
			if f.positive {
				v = math.Max(v, f.least)
				logs += math.Log(v) / float64(len(c.Values))
				v = toScale(v, power)
			}
			s.y[i] += v / float64(len(c.Values))
		}
	}
	if f.positive {
		s.jacobian = f.share() * (power - 1) * logs
		if power > 0 {
			s.jacobian += f.share() * float64(f.n) * math.Log(power)
		}
	}
	s.tidy = s.y
	return s
}

// share is by how much a Jacobian counts: by as many degrees of freedom as the sum of
// squares has, so that the unit of the figures does not matter.
func (f *fit) share() float64 { return float64(f.n-f.p) / float64(f.n) }

// brought are figures on the scale of a sample, brought to the next case by a candidate,
// weighted.
func (c *candidate) brought(s *sample, y []float64) []float64 {
	out := slices.Clone(c.columns.root)
	for i := range out {
		out[i] *= c.factor(s.power, i) * y[i]
		if s.power == 0 {
			out[i] -= c.columns.root[i] * c.amount * c.g[i]
		}
	}
	return out
}

// factor is what brings a figure on a scale to the next case.
func (c *candidate) factor(power float64, i int) float64 {
	if c.quarter == nil {
		return 1
	}
	x := c.quarter[i]
	switch power {
	case .25:
		return x
	case .5:
		return x * x
	case .75:
		return x * x * x
	}
	return 1
}

// leave fits a candidate to figures brought to the next case, and leaves their residuals;
// rss is the sum of squares with what lies within the cases and with the prior's share, mean
// the level at the next case.
func (f *fit) leave(c *candidate, s *sample, v []float64) (rss, mean, amount float64) {
	mean, amount = c.columns.residual(v), c.amount
	if c.shift != nil {
		precision := c.shift.rr + 1/(usualShift*usualShift)
		amount = dot(c.shift.r, v) / precision
		mean -= amount * c.shift.intercept
		subtract(v, c.shift.r, amount)
		rss = amount * amount / (usualShift * usualShift)
	}
	rss += dot(v, v)
	for i, w := range s.within {
		if w > 0 {
			m := c.columns.root[i] * c.factor(s.power, i)
			rss += m * m * w
		}
	}
	return rss, mean, amount
}

// weighed is a candidate on a scale and the logarithm of its probability.
type weighed struct {
	*candidate
	*sample
	weight float64
}

// weigh adds all candidates on a scale and gives the likeliest of them.
func (f *fit) weigh(found *[]weighed, candidates []candidate, s *sample, prior float64) *candidate {
	var lead *candidate
	most := math.Inf(-1)
	nu := float64(f.n - f.p)
	for i := range candidates {
		c := &candidates[i]
		rss, _, _ := f.leave(c, s, c.brought(s, s.tidy))
		if !(rss > 0) {
			continue
		}
		weight := prior + c.prior + s.jacobian + s.gain - nu/2*math.Log(rss) - c.columns.logDet
		switch {
		case !f.positive:
			weight -= c.amount * c.sum
		case s.power > 0:
			weight -= f.share() * s.power * c.amount * c.sum
		}
		*found = append(*found, weighed{c, s, weight})
		if weight > most {
			lead, most = c, weight
		}
	}
	return lead
}

// heaviest are those that make up all but a thousandth, of one level and of a change
// each, with their probabilities.
func heaviest(found []weighed) []weighed {
	most := map[bool]float64{true: math.Inf(-1), false: math.Inf(-1)}
	for _, w := range found {
		most[w.shape == Steady] = math.Max(most[w.shape == Steady], w.weight)
	}
	// Thousands of that share would make up less than a thousandth.
	const nothing = 1e-7
	found = slices.DeleteFunc(found, func(w weighed) bool { return w.weight < most[w.shape == Steady]+math.Log(nothing) })
	slices.SortStableFunc(found, func(a, b weighed) int { return cmp.Compare(b.weight, a.weight) })
	largest, whole := found[0].weight, map[bool]float64{}
	for i := range found {
		found[i].weight = math.Exp(found[i].weight - largest)
		whole[found[i].shape == Steady] += found[i].weight
	}
	const all = .999
	var kept []weighed
	sum := map[bool]float64{}
	for _, w := range found {
		if steady := w.shape == Steady; sum[steady] < all*whole[steady] {
			sum[steady] += w.weight
			kept = append(kept, w)
		}
	}
	for i := range kept {
		kept[i].weight /= sum[true] + sum[false]
	}
	return kept
}

// part is a candidate on a scale as it counts.
func (f *fit) part(w weighed) part {
	c, s := w.candidate, w.sample
	v := c.brought(s, s.tidy)
	plain := c.brought(s, s.y)
	tidied := slices.Clone(v)
	rss, mean, amount := f.leave(c, s, v)
	p := part{shape: c.shape, from: c.from, power: s.power, weight: w.weight, hard: s.hard, mean: mean, amount: amount}
	m2, m4 := 0.0, 0.0
	p.largest = math.Inf(-1)
	for i, r := range v {
		p.largest = math.Max(p.largest, (plain[i]-(tidied[i]-r))/f.columns.root[i])
		m2 += r * r / float64(f.n)
		m4 += r * r * r * r / float64(f.n)
	}
	p.largest += mean
	p.nu = float64(f.n - f.p)
	p.s = math.Sqrt(rss / p.nu)
	// The variance of a sample variance is (2 + excess kurtosis)/n (Box, Biometrika
	// 40:318, 1953).
	p.tail = p.nu
	if m2 > 0 {
		p.tail *= 2 / (2 + math.Max(0, m4/(m2*m2)-3))
	}
	p.h = 1 / c.columns.last
	p.first = mean
	switch {
	case c.shift != nil:
		b := c.shift.intercept
		p.h = math.Sqrt(p.h*p.h + b*b/(c.shift.rr+1/(usualShift*usualShift)))
		p.first += amount * c.g[0]
	case s.power == 0:
		p.first += amount * c.g[0]
	default:
		p.first *= math.Exp(s.power * amount * c.g[0])
	}
	return p
}
