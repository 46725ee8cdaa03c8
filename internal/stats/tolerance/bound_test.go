package tolerance

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"gonum.org/v1/gonum/stat"
)

// Critical values of the adjusted statistic, D'Agostino and Stephens 1986,
// table 4.7 (mean and variance estimated): 0.631, 0.752, 0.873, 1.035 at 10, 5,
// 2.5 and 1 %; statistic of one sample by scipy 1.10.1, stats.anderson.
func TestAndersonDarling(t *testing.T) {
	x := []float64{.31, .52, .55, .78, .81, .93, 1.02, 1.05, 1.11, 1.2, 1.34, 1.35, 1.52, 1.77, 1.9, 2.4}
	a, p := AndersonDarling(x)
	near(t, "statistic", a, .20261537601852098*(1+.75/16+2.25/256), 1e-12)
	near(t, "p", p, .85, .05)
	// The tail formulas meet the critical values.
	for a, p := range map[float64]float64{.631: .10, .752: .05, .873: .025, 1.035: .01} {
		near(t, "p at a critical value", math.Exp(1.2937-5.709*a+.0186*a*a), p, .03*p)
	}
}

// Under normality every level is met: 4,000 samples, four standard errors.
func TestAndersonDarlingLevel(t *testing.T) {
	rng := rand.New(rand.NewPCG(5, 6))
	for _, n := range []int{8, 20, 50} {
		const runs = 4000
		hits := map[float64]int{.05: 0, .2: 0, .5: 0}
		x := make([]float64, n)
		for range runs {
			for i := range x {
				x[i] = rng.NormFloat64()
			}
			_, p := AndersonDarling(x)
			for level := range hits {
				if p < level {
					hits[level]++
				}
			}
		}
		for level, h := range hits {
			near(t, "level", float64(h)/runs, level, 4*math.Sqrt(level*(1-level)/runs)+.005)
		}
	}
}

// The parts of a bound for signed figures from the formulas; k for n = 20 is
// 2.396 in every table of one-sided 95/95 factors, t(.95; 19) is 1.7291.
func TestUpperSignedByHand(t *testing.T) {
	var x []float64
	for i := range 20 {
		x = append(x, -.3+.05*float64(i))
	}
	b, err := UpperSigned(x, .95, .95)
	if err != nil {
		t.Fatal(err)
	}
	m, s := stat.MeanStdDev(x, nil)
	if b.Method != NormalTheory || b.Power != 1 {
		t.Fatalf("%+v", b)
	}
	near(t, "upper", *b.Upper, m+2.396*s, 1e-3*s)
	near(t, "next", *b.Next, m+1.7291*math.Sqrt(1+1./20)*s, 1e-4*s)
	near(t, "largest", b.Largest, x[19], 0)
	near(t, "confidence of the largest", b.LargestConfidence, 1-math.Pow(.95, 20), 1e-12)
	if b.Free != nil || b.NeedFree != 59 {
		t.Errorf("distribution-free %v, needs %d", b.Free, b.NeedFree)
	}
}

// Normal scores on a known scale give back the scale, and a factor that allows
// for its choice: above the exact one for a known scale, 2.065 for 50.
func TestUpperLengthFindsTheScale(t *testing.T) {
	for _, power := range []float64{0, .3, .5, .7, 1} {
		var x []float64
		f := powerFit{power: power, mean: 1, sd: .25}
		for _, m := range newPowerSearch(50).normalScore {
			x = append(x, f.quantile(m))
		}
		b, err := UpperLength(x, .95, .95, 1)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "power", b.Power, power, 1e-9)
		if b.Factor < 2.065 || b.Factor > 3.5 {
			t.Errorf("power %v: factor %v", power, b.Factor)
		}
		again, err := UpperLength(x, .95, .95, 1)
		if err != nil || *again.Upper != *b.Upper {
			t.Errorf("the same seed gives %v and %v", *b.Upper, *again.Upper)
		}
		// The spread of 50 medians is under 1, so the limits are taken from the fit.
		fit, _ := newPowerSearch(50).fit(x)
		if *b.Next >= *b.Upper || *b.Next <= fit.quantile(1.645) {
			t.Errorf("power %v: next %v, upper %v, fitted 95 %% point %v", power, *b.Next, *b.Upper, fit.quantile(1.645))
		}
	}
}

func TestUpperWithoutAScale(t *testing.T) {
	// Two clumps fit no scale.
	clumps := func(n int) []float64 {
		var x []float64
		for i := range n {
			x = append(x, .1+.001*float64(i%7)+3*float64(i%2))
		}
		return x
	}
	for name, upper := range map[string]func([]float64) (Bound, error){
		"length": func(x []float64) (Bound, error) { return UpperLength(x, .95, .95, 1) },
		"signed": func(x []float64) (Bound, error) { return UpperSigned(x, .95, .95) },
	} {
		b, err := upper(clumps(40))
		if err != nil {
			t.Fatal(err)
		}
		if b.Method != NoBound || b.Upper != nil || b.Next != nil || !strings.Contains(b.Reason, "needs 59") {
			t.Errorf("%s: %+v", name, b)
		}
		x := clumps(130)
		if b, err = upper(x); err != nil {
			t.Fatal(err)
		}
		slices.Sort(x)
		if b.Method != DistributionFree || b.Rank != 3 || *b.Upper != x[127] {
			t.Errorf("%s: %+v", name, b)
		}
	}
	// A zero, as rounding makes it, shuts out the logarithm only.
	b, err := UpperLength([]float64{0, .1, .2, .3, .4, .5, .6, .7, .8, .9}, .95, .95, 1)
	if err != nil || b.Upper == nil || b.Power == 0 {
		t.Errorf("%+v, %v", b, err)
	}
}

func TestUpperRefusals(t *testing.T) {
	ones := []float64{1, 1, 1, 1, 1, 1, 1, 1}
	if _, err := UpperLength(ones, .95, .95, 1); !errors.Is(err, ErrNoSpread) {
		t.Errorf("no spread: %v", err)
	}
	x := []float64{1, 2, 3, 4, 5, 6, 7, 8}
	for name, bad := range map[string]float64{"NaN": math.NaN(), "+Inf": math.Inf(1), "negative": -1} {
		y := slices.Clone(x)
		y[2] = bad
		if _, err := UpperLength(y, .95, .95, 1); err == nil || !strings.Contains(err.Error(), "figure 3") {
			t.Errorf("%s: %v", name, err)
		}
	}
	if _, err := UpperSigned(x, 1.95, .95); err == nil {
		t.Error("coverage of 1.95 accepted")
	}
	for n := range MinFigures {
		b, err := UpperLength(x[:n], .95, .95, 1)
		if err != nil || b.Upper != nil || b.Reason == "" {
			t.Errorf("%d figures: %+v, %v", n, b, err)
		}
	}
}

// The mixture's quadrature against four times its nodes.
func TestMixtureNodes(t *testing.T) {
	for _, n := range []int{MinFigures, 20, 100} {
		m := newMixture(n)
		logs := make([]float64, n)
		for i := range logs {
			logs[i] = math.Sin(float64(i * i))
		}
		m.setSample(logs)
		few := make([]float64, 60)
		for i := range few {
			few[i] = m.coverageConfidence(.1*float64(i), 1.645)
		}
		m.chi, m.chiWeight = chiNodes(n-1, 4*mixtureNodes)
		for i, v := range few {
			near(t, "confidence", v, m.coverageConfidence(.1*float64(i), 1.645), 1e-5)
		}
	}
}

// process is a way in which a simulated clinician errs.
type process struct {
	name   string
	signed bool
	draw   func(*rand.Rand) float64
}

func processes() []process {
	lateral := func(r *rand.Rand, off float64) float64 {
		return math.Hypot(off+.5*r.NormFloat64(), .5*r.NormFloat64())
	}
	return []process{
		{"signed depth", true, func(r *rand.Rand) float64 { return .2 + .5*r.NormFloat64() }},
		{"lateral, no habit", false, func(r *rand.Rand) float64 { return lateral(r, 0) }},
		{"lateral, habit of one spread", false, func(r *rand.Rand) float64 { return lateral(r, .5) }},
		{"lateral, habit of two spreads", false, func(r *rand.Rand) float64 { return lateral(r, 1) }},
		{"lateral, wider one way", false, func(r *rand.Rand) float64 { return math.Hypot(.2+.6*r.NormFloat64(), .3*r.NormFloat64()) }},
		{"distance in space", false, func(r *rand.Rand) float64 { return math.Hypot(lateral(r, .3), .5*r.NormFloat64()) }},
		{"log-normal", false, func(r *rand.Rand) float64 { return math.Exp(.4 * r.NormFloat64()) }},
	}
}

// held is what came of the bounds of many samples.
type held struct {
	made  float64 // share with a bound
	above float64 // share of those whose bound is above the true 95 % point
	next  float64 // how much of the distribution is under their next, on average
}

func holds(p process, n, runs int, seed uint64) held {
	rng := rand.New(rand.NewPCG(seed, uint64(n)))
	big := make([]float64, 200_000)
	for i := range big {
		big[i] = p.draw(rng)
	}
	slices.Sort(big)
	truth := big[len(big)*95/100]
	x := make([]float64, n)
	above, have, under := 0, 0, 0
	for range runs {
		for i := range x {
			x[i] = p.draw(rng)
		}
		b, err := UpperSigned(x, .95, .95)
		if !p.signed {
			b, err = UpperLength(x, .95, .95, rng.Uint64())
		}
		if err != nil || b.Method != NormalTheory {
			continue
		}
		have++
		if *b.Upper >= truth {
			above++
		}
		below, _ := slices.BinarySearch(big, *b.Next)
		under += below
	}
	got := float64(have)
	return held{got / float64(runs), float64(above) / got, float64(under) / got / float64(len(big))}
}

func TestBoundHolds(t *testing.T) {
	for i, p := range processes()[:3] {
		runs := []int{2000, 100, 100}[i]
		h := holds(p, 50, runs, 7)
		t.Logf("%s: %+v", p.name, h)
		// 95 % ± 2 % and three standard errors.
		near(t, p.name, h.above, .95, .02+3*math.Sqrt(.95*.05/float64(runs)))
		near(t, p.name+", next", h.next, .95, .02)
	}
}
