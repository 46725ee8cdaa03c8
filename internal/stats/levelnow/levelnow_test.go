package levelnow

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// record draws single figures, lengths of two normal parts whose spread goes with the
// case.
func record(seed uint64, n int, spread func(x int) float64) []Case {
	rng := rand.New(rand.NewPCG(seed, 5))
	var out []Case
	for x := range n {
		out = append(out, Case{Values: []float64{spread(x+1) * math.Hypot(rng.NormFloat64(), rng.NormFloat64())}, Variance: 1})
	}
	return out
}

func average(t *testing.T, c []Case, positive bool) *Level {
	t.Helper()
	l, err := Average(c, positive)
	require.NoError(t, err)
	return l
}

// One level on one scale is the textbook: mean, standard deviation, and mean + k·s with
// the one-sided factor of 30 figures, 2.220 (ISO 16269-6; NIST handbook 7.2.6.3), to five
// digits 2.21984 (R 4.2.2, qt(.95, 29, ncp = qnorm(.95)*sqrt(30))/sqrt(30)).
func TestOneLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 1))
	var c []Case
	var x []float64
	for range 30 {
		v := rng.NormFloat64()
		x = append(x, v)
		c = append(c, Case{Values: []float64{v}, Variance: 1})
	}
	l := average(t, c, false)
	l.parts = l.parts[slices.IndexFunc(l.parts, func(p part) bool { return p.shape == Steady && p.hard == 0 }):][:1]
	// A change by nothing is one level.
	l.parts[0].shape, l.parts[0].weight, l.parts[0].tail, l.largest = Line, 1, l.parts[0].nu, math.Inf(-1)
	mean, sd := stat.MeanStdDev(x, nil)
	assert.InDelta(t, mean, l.parts[0].mean, 1e-12)
	assert.InDelta(t, sd, l.parts[0].s, 1e-12)
	b, largest := l.Bound(.95, .95)
	assert.False(t, largest)
	assert.InDelta(t, (b-mean)/sd, 2.21984, .001)
}

func TestShapes(t *testing.T) {
	steady := average(t, record(2, 60, func(int) float64 { return .5 }), true)
	assert.Greater(t, steady.Unchanged, .5)
	assert.InDelta(t, .5*1.2533, steady.Mean, .12, "the mean of such a length is 1.2533 spreads")
	low, high := steady.Interval()
	assert.True(t, low < steady.Mean && steady.Mean < high)

	fell := average(t, record(3, 60, func(x int) float64 { return .4 + 1.6*math.Exp(-float64(x-1)/4) }), true)
	assert.Greater(t, fell.Settled, .8)
	assert.InDelta(t, .4*1.2533, fell.Mean, .12)
	assert.Greater(t, fell.First, 1.8*fell.Mean)

	falls := average(t, record(4, 60, func(x int) float64 { return 1.5 - 1.2*float64(x)/60 }), true)
	assert.Greater(t, falls.Falling, falls.Settled)
	assert.Less(t, falls.Mean, .7)

	step := average(t, record(5, 60, func(x int) float64 { return map[bool]float64{false: .3, true: .9}[x > 40] }), true)
	assert.Greater(t, step.Risen, .99)
	assert.InDelta(t, 41, step.Since, 6)
	assert.InDelta(t, .9*1.2533, step.Mean, .3)
	b, _ := step.Bound(.95, .95)
	early, _ := steady.Bound(.95, .95)
	assert.Greater(t, b, 1.5*early)
}

// The bound grows with coverage and confidence; other units give the same bound.
func TestBoundProperties(t *testing.T) {
	c := record(6, 40, func(int) float64 { return .5 })
	l := average(t, c, true)
	usual, _ := l.Bound(.95, .95)
	more, _ := l.Bound(.99, .95)
	surer, _ := l.Bound(.95, .99)
	assert.Greater(t, more, usual)
	assert.Greater(t, surer, usual)
	for i := range c {
		c[i].Values[0] *= 1000
	}
	micron, _ := average(t, c, true).Bound(.95, .95)
	assert.InDelta(t, 1000*usual, micron, 1e-3*micron)
}

// A few figures after a leap leave the level open, but not beyond all that was seen.
func TestLevelAmongTheFigures(t *testing.T) {
	var c []Case
	for i := range 14 {
		v := .3 + .01*float64(i)
		if i > 9 {
			v += 4.7
		}
		c = append(c, Case{Values: []float64{v}, Variance: 1})
	}
	l := average(t, c, true)
	assert.Greater(t, l.Mean, 1.0)
	assert.LessOrEqual(t, l.Mean, c[13].Values[0])
	assert.GreaterOrEqual(t, l.First, .3)
}

// What cases differ in besides is taken out, and fixtures of one case that are alike
// count as one.
func TestOtherAndAlike(t *testing.T) {
	c := record(7, 40, func(x int) float64 { return map[bool]float64{false: .4, true: 1.2}[x <= 20] })
	for i := range c {
		c[i].Other = []float64{0}
		if i < 20 {
			c[i].Other[0] = 1
		}
	}
	assert.InDelta(t, .5, average(t, c, true).Mean, .15)

	single := record(8, 30, func(int) float64 { return .5 })
	double := record(8, 30, func(int) float64 { return .5 })
	for i := range double {
		double[i].Values = append(double[i].Values, double[i].Values[0])
	}
	a, b := average(t, single, true), average(t, double, true)
	assert.InDelta(t, a.Mean, b.Mean, 1e-9)
	assert.InDelta(t, a.SD, b.SD, 1e-9)
	assert.Equal(t, 60, b.Figures)
}

// Figures with a sign whose spread doubles: the bound goes by the spread now. That of one
// level is 1.96 spreads from 80 figures (ISO 16269-6).
func TestSpreadThatChanges(t *testing.T) {
	median := func(later float64) float64 {
		var bounds []float64
		for seed := range uint64(9) {
			rng := rand.New(rand.NewPCG(seed, 5))
			var c []Case
			for i := range 80 {
				s := 1.0
				if i >= 40 {
					s = later
				}
				c = append(c, Case{Values: []float64{s * rng.NormFloat64()}, Variance: 1})
			}
			b, _ := average(t, c, false).Bound(.95, .95)
			bounds = append(bounds, b)
		}
		slices.Sort(bounds)
		return bounds[len(bounds)/2]
	}
	steady, doubled := median(1), median(2)
	assert.InDelta(t, 1.96, steady, .5)
	assert.Greater(t, doubled, 2*1.645, "the 95 % point of the later ones")
	assert.Less(t, doubled, 3*steady)
}

func TestRefusals(t *testing.T) {
	c := record(9, 20, func(int) float64 { return .5 })
	_, err := Average(c[:9], true)
	assert.ErrorIs(t, err, ErrTooFew)
	same := record(9, 20, func(int) float64 { return .5 })
	for i := range same {
		same[i].Values[0] = 1
	}
	_, err = Average(same, true)
	assert.ErrorIs(t, err, ErrNoSpread)
	for name, bad := range map[string]Case{
		"negative":   {Values: []float64{-1}, Variance: 1},
		"not finite": {Values: []float64{math.NaN()}, Variance: 1},
		"nothing":    {Variance: 1},
		"variance":   {Values: []float64{1}},
		"uneven":     {Values: []float64{1}, Variance: 1, Other: []float64{1}},
	} {
		_, err := Average(append(append([]Case{}, c...), bad), true)
		assert.ErrorContains(t, err, "case 21", name)
	}
	for i := range c {
		c[i].Other = []float64{1}
	}
	_, err = Average(c, true)
	assert.ErrorIs(t, err, ErrConfounded)
	// A zero, as rounding makes it, is no end of a logarithm.
	zero := record(10, 20, func(int) float64 { return .5 })
	zero[3].Values[0] = 0
	b, _ := average(t, zero, true).Bound(.95, .95)
	assert.False(t, math.IsNaN(b) || math.IsInf(b, 0))
}
