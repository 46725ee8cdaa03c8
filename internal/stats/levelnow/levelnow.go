// Package levelnow says where the level of figures stands at the end of a record that may
// have changed on the way, how far single figures spread about it, and what most of the
// next ones will stay within.
//
// Conventions: one Case for each day's work, in order, with one figure or several; lengths
// and angles are above 0, other figures have a sign. Coverage is the share of the next
// single figures that a bound is to hold, confidence the probability that a bound so made
// does. Start with Average.
//
// Limits: the next figures go on as the last ones; a change that has only just begun is
// not seen.
package levelnow

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// Case is the figures of one case.
type Case struct {
	Values []float64
	// Variance is that of the mean of its figures, in units of that of a single one: 1
	// for one figure, 1/k for k independent ones, more for k that are alike.
	Variance float64
	// Other has what else the case differs in, of one length for all cases: 0 where it
	// is as the latest cases are.
	Other []float64
}

// Shape is how the level goes with the case number.
type Shape string

// The shapes.
const (
	Steady    Shape = "steady"    // one level
	Line      Shape = "line"      // changes at a steady pace
	Decay     Shape = "decay"     // changes by a fixed share a case towards a plateau
	TwoPhases Shape = "two-phase" // a line up to a case, one level from there on
	Late      Shape = "late"      // one level up to a case, a line from there on
	Step      Shape = "step"      // one level up to a case, another from there on
)

// Level is what the cases show.
type Level struct {
	Cases   int
	Figures int

	// Mean is the mean of single figures at the last case.
	Mean float64
	// First is the mean of single figures at the first case, otherwise as at the last.
	First float64
	// SD is the standard deviation of single figures about it, in their unit.
	SD float64

	// Of all shapes together: the probabilities that the level has not changed, has
	// fallen and has not levelled off, has fallen and stays on one level since, and has
	// risen.
	Unchanged, Falling, Settled, Risen float64

	// Since is the case from which on the level stays, of the likeliest shape that has
	// one; 0 where there is none or the level is steady.
	Since int

	parts   []part
	widened float64 // what the spread at the last case is of that of all
	largest float64
	seen    [2]float64 // least and largest figure
}

// part is one shape on one scale.
type part struct {
	shape   Shape
	from    int     // the last case before the change, or the rate of a decay in cases; 0 for a line
	amount  float64 // how far the level lies lower at the end than at the beginning, on the scale
	power   float64
	weight  float64
	mean    float64 // level at the last case, on the scale
	first   float64 // and at the first
	h       float64 // its standard error, in units of s
	s       float64 // standard deviation of a single figure there
	nu      float64 // degrees of freedom of s
	tail    float64 // of those, what heavy tails leave
	hard    float64 // what a hard case's figure is multiplied by on the scale, or its logarithm added; 0 where none is allowed for
	largest float64 // largest residual, beside the level at the last case
}

// MinCases is the smallest number of cases that is looked at.
const MinCases = 10

var (
	// ErrTooFew means fewer than MinCases cases.
	ErrTooFew = errors.New("too few cases")
	// ErrNoSpread means that all figures are the same, as rounded ones may be.
	ErrNoSpread = errors.New("all figures are the same")
	// ErrConfounded means that what else the cases differ in leaves nothing of the level.
	ErrConfounded = errors.New("what the cases differ in cannot be told apart")
)

// powers are the exponents of the scales for lengths and angles; 0 is the logarithm. The
// length of two normal parts is nearly normal at 0.53, of three at 0.67.
var powers = []float64{0, .25, .5, .75}

// Some figures may be of another kind: one in ten of hard cases, three times as far off,
// the usual model of contamination (Tukey, A survey of sampling from contaminated
// distributions, 1960). Whether it is so is as likely as not beforehand.
const (
	hardShare  = .1
	hardFactor = 3.0
	priorHard  = .5
)

// priorSteady is the prior probability of one level. With a quarter, a record that rises
// at a pace that 50 cases double is bounded as well as a steady one is.
const priorSteady = .25

// Average fits one level and several shapes of change, each on several scales, and
// averages over them by their posterior probabilities.
//
// Errors: ErrTooFew, ErrNoSpread, ErrConfounded; a figure that is not finite or, with
// positive, under 0.
//
// Method: the level at the last case is the intercept of a weighted linear model in each
// shape (exponential and two-phase curves: Papachristofi and others, Trials 17:266, 2016).
// Shapes are weighed by the Bayes factor of a g-prior with unit information, g = n
// (Zellner 1986; Liang and others, JASA 103:410, 2008), scales by their profile likelihood
// with the Jacobian of the power (Box and Cox, J R Stat Soc B 26:211, 1964). Figures of a
// level that changes spread in proportion to it, as lengths do: residuals are brought to
// the last level before their spread is taken. Of figures with a sign the sizes are looked
// at for a change of the spread.
func Average(cases []Case, positive bool) (*Level, error) {
	f, err := newFit(cases, positive)
	if err != nil {
		return nil, err
	}
	scales := powers
	if !positive {
		scales = []float64{1}
	}
	l := &Level{Cases: len(cases), Figures: f.figures, seen: f.seen, widened: 1}
	for _, power := range scales {
		f.setScale(power)
		lead := f.addParts(l, math.Log(1-priorHard))
		if lead != nil && f.allow(lead) {
			f.addParts(l, math.Log(priorHard))
		}
	}
	if len(l.parts) == 0 {
		return nil, ErrConfounded
	}
	l.normalise()
	l.describe()
	if !positive {
		l.widen(cases)
	}
	return l, nil
}

// widen finds by how much figures with a sign spread more at the last case than over all:
// their sizes about the level are averaged over shapes as lengths are.
func (l *Level) widen(cases []Case) {
	sizes, sum := make([]Case, len(cases)), 0.0
	for i, c := range cases {
		sizes[i] = Case{Variance: c.Variance, Other: c.Other, Values: make([]float64, len(c.Values))}
		for j, v := range c.Values {
			sizes[i].Values[j] = math.Abs(v - l.Mean)
			sum += sizes[i].Values[j] / float64(l.Figures)
		}
	}
	if now, err := Average(sizes, true); err == nil && sum > 0 {
		// By how far the level is not known as well, as likely as there is a change.
		_, high := now.Interval()
		unsure := (1 - now.Unchanged) * (high - now.Mean) / 2
		l.widened = math.Max(1, (now.Mean+unsure)/sum)
	}
}

// fit is a data set laid out for all shapes.
type fit struct {
	cases   []Case
	figures int
	n, p    int // cases, columns besides the shape
	w       []float64
	least   float64 // half the smallest figure above 0, which stands for a rounded 0
	seen    [2]float64
	chol    mat.Cholesky
	h0      float64 // variance of the intercept
	shapes  []column

	positive bool
	power    float64
	y        []float64 // case means on the scale
	jacobian float64

	// The cases as they are fitted: hard ones brought in by as much as they are likely
	// to be hard; within is the sum of squares between what they are and may be.
	tidy, r            []float64 // and what the columns leave of them
	hard, within, gain float64   // gain in log-likelihood
	rss0, beta0        float64
}

// column is a shape, 0 at the last case and 1 or so at the first.
type column struct {
	shape  Shape
	from   int
	prior  float64
	first  float64   // its value at the first case
	r      []float64 // what the other columns leave of it
	b0, rr float64   // its intercept on them, and the sum of squares of r
}

func newFit(cases []Case, positive bool) (*fit, error) {
	n := len(cases)
	if n < MinCases {
		return nil, fmt.Errorf("%w: %d of %d", ErrTooFew, n, MinCases)
	}
	f := &fit{cases: cases, n: n, p: 1 + len(cases[0].Other), least: math.Inf(1), seen: [2]float64{math.Inf(1), math.Inf(-1)}, positive: positive}
	same := true
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
		f.w = append(f.w, 1/c.Variance)
	}
	if same {
		return nil, ErrNoSpread
	}
	xx := mat.NewSymDense(f.p, nil)
	for i, w := range f.w {
		for a := range f.p {
			for b := range a + 1 {
				xx.SetSym(a, b, xx.At(a, b)+w*f.at(i, a)*f.at(i, b))
			}
		}
	}
	// worst is the condition beyond which the columns are the same but for rounding.
	const worst = 1e10
	if f.n-f.p-1 < MinCases/2 || !f.chol.Factorize(xx) || f.chol.Cond() > worst {
		return nil, ErrConfounded
	}
	inverse := mat.NewSymDense(f.p, nil)
	if err := f.chol.InverseTo(inverse); err != nil {
		return nil, ErrConfounded
	}
	f.h0 = inverse.At(0, 0)
	f.addShapes()
	return f, nil
}

func (f *fit) at(i, column int) float64 {
	if column == 0 {
		return 1
	}
	return f.cases[i].Other[column-1]
}

// The grid of the shapes. Rates and cases of change are fixed in case numbers.
const (
	firstChange = 5 // fewer cases before a change are no level
	lastChange  = 4 // nor are fewer behind it
	mostChanges = 12
)

func (f *fit) addShapes() {
	f.shapes = []column{{shape: Steady, prior: priorSteady}}
	var changes []int
	for k := firstChange; k <= f.n-lastChange; k += max(3, f.n/mostChanges) {
		changes = append(changes, k)
	}
	// A line, a decay, the two broken lines together and a step are alike probable.
	const share = (1 - priorSteady) / 4
	rates := []float64{3, 6, 12, 24}
	f.addShape(Line, 0, share, func(x float64) float64 { return -x / float64(f.n) })
	for _, r := range rates {
		f.addShape(Decay, int(r), share/float64(len(rates)), func(x float64) float64 { return math.Exp(-x / r) })
	}
	for _, c := range changes {
		k, part := float64(c), share/float64(len(changes))
		f.addShape(TwoPhases, c, part/2, func(x float64) float64 { return math.Max(0, k-x) / k })
		f.addShape(Late, c, part/2, func(x float64) float64 { return -math.Max(0, x-k) / float64(f.n) })
		f.addShape(Step, c, part, func(x float64) float64 {
			if x <= k {
				return 1
			}
			return 0
		})
	}
}

func (f *fit) addShape(s Shape, from int, prior float64, of func(x float64) float64) {
	g := make([]float64, f.n)
	for i := range g {
		g[i] = of(float64(i+1)) - of(float64(f.n))
	}
	c := column{shape: s, from: from, prior: prior, first: g[0]}
	c.r, c.b0 = f.residual(g)
	c.rr = f.dot(c.r, c.r)
	if c.rr > 1e-9*f.dot(g, g) {
		f.shapes = append(f.shapes, c)
	}
}

// residual is what weighted least squares on the columns leave, and their intercept.
func (f *fit) residual(v []float64) (r []float64, intercept float64) {
	xy := mat.NewVecDense(f.p, nil)
	for i, w := range f.w {
		for a := range f.p {
			xy.SetVec(a, xy.AtVec(a)+w*f.at(i, a)*v[i])
		}
	}
	var b mat.VecDense
	if err := f.chol.SolveVecTo(&b, xy); err != nil {
		return make([]float64, f.n), 0
	}
	r = slices.Clone(v)
	for i := range r {
		for a := range f.p {
			r[i] -= f.at(i, a) * b.AtVec(a)
		}
	}
	return r, b.AtVec(0)
}

func (f *fit) dot(a, b []float64) float64 {
	sum := 0.0
	for i, w := range f.w {
		sum += w * a[i] * b[i]
	}
	return sum
}

// toScale takes a figure to a scale, fromScale back.
func toScale(v, power float64) float64 {
	if power == 0 {
		return math.Log(v)
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

// setScale lays the cases out on a scale, none of them hard.
func (f *fit) setScale(power float64) {
	f.power = power
	f.y = f.y[:0]
	logs := 0.0
	for _, c := range f.cases {
		mean, log := 0.0, 0.0
		for _, v := range c.Values {
			if f.positive {
				v = math.Max(v, f.least)
				log += math.Log(v)
				v = toScale(v, power)
			}
			mean += v
		}
		f.y = append(f.y, mean/float64(len(c.Values)))
		logs += log / float64(len(c.Values))
	}
	f.jacobian = 0
	if f.positive {
		// By as many degrees of freedom as the sum of squares has, so that the unit of the
		// figures does not matter.
		share := float64(f.n-f.p) / float64(f.n)
		f.jacobian = share * (power - 1) * logs
		if power > 0 {
			f.jacobian += share * float64(f.n) * math.Log(power)
		}
	}
	f.setTidy(slices.Clone(f.y), 0)
	f.hard, f.gain = 0, 0
}

func (f *fit) setTidy(tidy []float64, within float64) {
	f.tidy, f.within = tidy, within
	f.r, f.beta0 = f.residual(tidy)
	f.rss0 = f.dot(f.r, f.r) + within
}

// addParts fits every shape to the tidied cases and gives the likeliest of them.
func (f *fit) addParts(l *Level, prior float64) *column {
	var lead *column
	most := math.Inf(-1)
	for i := range f.shapes {
		p, ok := f.part(&f.shapes[i])
		if !ok {
			continue
		}
		if p.weight > most {
			lead, most = &f.shapes[i], p.weight
		}
		p.weight += prior
		l.parts = append(l.parts, p)
	}
	return lead
}

// levels are the fitted levels of the cases in a shape, and the sum of squares about them.
func (f *fit) levels(c *column) (level []float64, rss float64) {
	amount := 0.0
	if c.r != nil {
		amount = f.dot(c.r, f.r) / c.rr
	}
	level = make([]float64, f.n)
	rss = f.within
	for i := range level {
		r := f.r[i]
		if c.r != nil {
			r -= amount * c.r[i]
		}
		level[i] = f.tidy[i] - r
		rss += f.w[i] * r * r
	}
	return level, rss
}

// allow brings in the cases that are likely to be hard ones, in the likeliest shape; it is
// false where the likelihood has no use for them.
//
// Method: expectation and maximisation (Dempster, Laird and Rubin, J R Stat Soc B 39:1,
// 1977): a hard case's figure, brought in by the factor, is distributed as the others.
func (f *fit) allow(lead *column) bool {
	f.hard = hardFactor
	switch {
	case f.positive && f.power == 0:
		f.hard = math.Log(hardFactor)
	case f.positive:
		f.hard = math.Pow(hardFactor, f.power)
	}
	const rounds = 12
	tidy := make([]float64, f.n)
	for range rounds {
		level, rss := f.levels(lead)
		s2 := rss / float64(f.n)
		within, logL, plain := 0.0, 0.0, 0.0
		for i, y := range f.y {
			brought, jacobian := f.bring(y, level[i])
			density := func(v float64) float64 { return math.Exp(-f.w[i] * (v - level[i]) * (v - level[i]) / (2 * s2)) }
			easy, hard := (1-hardShare)*density(y), hardShare*density(brought)*jacobian
			if !(easy+hard > 0) {
				return false
			}
			share := hard / (easy + hard)
			tidy[i] = (1-share)*y + share*brought
			within += f.w[i] * share * (1 - share) * (y - brought) * (y - brought)
			logL += math.Log(easy + hard)
			plain -= .5
		}
		f.gain = logL - plain
		f.setTidy(slices.Clone(tidy), within)
	}
	return true
}

// bring takes a hard case's figure to where it would be if it were none, with the
// derivative of that.
func (f *fit) bring(y, level float64) (brought, derivative float64) {
	switch {
	case !f.positive:
		return level + (y-level)/f.hard, 1 / f.hard
	case f.power == 0:
		return y - f.hard, 1
	}
	return y / f.hard, 1 / f.hard
}

// part fits a shape to the tidied cases; its weight is the logarithm.
func (f *fit) part(c *column) (part, bool) {
	p := part{shape: c.shape, from: c.from, power: f.power, hard: f.hard, mean: f.beta0, h: math.Sqrt(f.h0)}
	nu, rss := float64(f.n-f.p), f.rss0
	p.weight = math.Log(c.prior) + f.jacobian + f.gain - nu/2*math.Log(f.rss0)
	if c.r != nil {
		p.amount = f.dot(c.r, f.r) / c.rr
		rss -= p.amount * p.amount * c.rr
		p.mean -= p.amount * c.b0
		p.h = math.Sqrt(f.h0 + c.b0*c.b0/c.rr)
		g := float64(f.n)
		p.weight += (nu-1)/2*math.Log(1+g) - nu/2*math.Log(1+g*rss/f.rss0)
		nu--
	}
	p.first = p.mean + p.amount*c.first
	if !(rss > 1e-12*f.rss0) {
		return part{}, false
	}
	level, _ := f.levels(c)
	ss, m2, m4 := f.within, 0.0, 0.0
	p.largest = math.Inf(-1)
	for i, w := range f.w {
		scale := 1.0
		if f.positive && f.power > 0 && level[i] > leastLevel*p.mean {
			scale = p.mean / level[i]
		}
		p.largest = math.Max(p.largest, scale*(f.y[i]-level[i]))
		r := scale * (f.tidy[i] - level[i]) * math.Sqrt(w)
		ss += r * r
		m2 += r * r / float64(f.n)
		m4 += r * r * r * r / float64(f.n)
	}
	p.largest += p.mean
	p.s, p.nu = math.Sqrt(ss/nu), nu
	// The variance of a sample variance is (2 + excess kurtosis)/n (Box, Biometrika
	// 40:318, 1953).
	p.tail = 2 * nu / (2 + math.Max(0, m4/(m2*m2)-3))
	return p, true
}

// leastLevel is the share of the last level under which a fitted one is no measure of
// the spread.
const leastLevel = .2

// leastWeight is the probability under which a part is left out.
const leastWeight = 1e-3

// normalise makes the weights probabilities.
func (l *Level) normalise() {
	most := math.Inf(-1)
	for _, p := range l.parts {
		most = math.Max(most, p.weight)
	}
	sum := 0.0
	for i := range l.parts {
		l.parts[i].weight = math.Exp(l.parts[i].weight - most)
		sum += l.parts[i].weight
	}
	l.parts = slices.DeleteFunc(l.parts, func(p part) bool { return p.weight < leastWeight*sum })
	sum = 0
	for _, p := range l.parts {
		sum += p.weight
	}
	for i := range l.parts {
		l.parts[i].weight /= sum
	}
}
