package controlchart

import (
	"math"
	"math/rand/v2"
	"testing"

	"gonum.org/v1/gonum/stat/distuv"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// Weights of Biau and others 2008 as in a worked application (bio-protocol.org,
// oocyte-retrieval residents), evaluated apart to five decimals, with the number
// of successes in a row that reaches two limits.
func TestCompetenceWeights(t *testing.T) {
	for _, c := range []struct {
		p0, p1, success, failure float64
		to125, to2               int
	}{
		{.05, .10, .05407, -.69315, 24, 37},
		{.05, .15, .11123, -1.09861, 12, 18},
		{.10, .20, .11778, -.69315, 11, 17},
		{.10, .25, .18232, -.91629, 7, 11},
		{.20, .40, .28768, -.69315, 5, 7},
		{.40, .55, .28768, -.31845, 5, 7},
	} {
		o, err := DesignCompetence(c.p0, c.p1, .5, 50)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "success", o.Success, c.success, 5e-6)
		near(t, "failure", o.Failure, c.failure, 5e-6)
		for _, want := range []struct {
			limit float64
			cases int
		}{{1.25, c.to125}, {2, c.to2}} {
			o.Limit = want.limit
			if got := o.Run(make([]float64, 50)).Signal; got != want.cases {
				t.Errorf("%v/%v: limit %v reached at %d, expected %d", c.p0, c.p1, want.limit, got, want.cases)
			}
		}
	}
}

// A sequence scored by hand with the formulas of Biau and others 2008: the
// barrier is max(0, ·); with min(0, ·), as one page prints it, no score rises.
func TestCompetenceScores(t *testing.T) {
	want := []float64{0, 0, .1178, 0, .1178, .2356, .3533, .4711, 0, .1178, .2356, .3533, .4711, .5889, .7067, .8245, .9423,
		1.0600, 1.1778, 1.2956, 1.4134, 1.5312, 1.6490, 1.7667, 1.8845}
	o, err := DesignCompetence(.1, .2, .5, 50)
	if err != nil {
		t.Fatal(err)
	}
	o.Limit = 1.25
	var failed []float64
	for _, c := range "FFSFSSSSFSSSSSSSSSSSSSSSS" {
		failed = append(failed, map[rune]float64{'F': 1, 'S': 0}[c])
	}
	p := o.Run(failed)
	for i := range want {
		near(t, "score", p.Score[i], want[i], 5.1e-5)
	}
	if p.Signal != 20 {
		t.Errorf("signal at %d, expected 20", p.Signal)
	}
}

// Operating figures within 50 cases, computed apart by a recursion over the
// score as a number (another program, to six decimals).
func TestSignalProbability(t *testing.T) {
	for _, c := range []struct {
		p0, p1, limit, wrong, right float64
		half                        int
	}{
		{.10, .20, 1.25, .653130, .971903, 17},
		{.10, .20, 2, .234272, .801391, 31},
		{.10, .20, 2.5, .093554, .633326, 42},
		{.10, .20, math.Log(16), .056059, .513280, 49},
		{.05, .15, 2, .324134, .921305, 24},
		{.05, .15, 3, .070744, .695682, 38},
		{.20, .40, 3, .148120, .927876, 22},
		{.10, .30, 3, .206832, .977393, 18},
	} {
		o, err := DesignCompetence(c.p0, c.p1, .5, 50)
		if err != nil {
			t.Fatal(err)
		}
		o.Limit = c.limit
		near(t, "wrong signal", o.SignalProbability(c.p1, 50)[49], c.wrong, 1e-6)
		right := o.SignalProbability(c.p0, 50)
		near(t, "right signal", right[49], c.right, 1e-6)
		half := 0
		for right[half] < .5 {
			half++
		}
		if half+1 != c.half {
			t.Errorf("%v: half have signalled by %d, expected %d", c, half+1, c.half)
		}
		if got := o.CasesToSignal(0, c.p0, 50); math.Abs(float64(got-c.half)) > 1 {
			t.Errorf("%v: half have signalled by %d on the grid, expected %d", c, got, c.half)
		}
		if got := o.CasesToSignal(c.limit-1e-6, 0, 50); got != 1 {
			t.Errorf("%v: %d cases at the limit", c, got)
		}
		if got := o.CasesToSignal(0, c.p0, c.half-3); got != 0 {
			t.Errorf("%v: %d of fewer cases", c, got)
		}
	}
}

// The stated error rate is kept and nearly used: the next lower limit breaks it.
func TestDesignedLimit(t *testing.T) {
	for _, c := range []struct {
		p0, p1, rate float64
		cases        int
	}{{.1, .2, .05, 50}, {.05, .15, .05, 50}, {.2, .4, .1, 50}, {.1, .3, .01, 100}, {.1, .3, .05, 30}, {.1, .25, .05, 300}} {
		o, err := DesignCompetence(c.p0, c.p1, c.rate, c.cases)
		if err != nil {
			t.Fatal(err)
		}
		wrong, right := c.p1, c.p0
		if o.ErrorRate > c.rate || o.ErrorRate != o.SignalProbability(wrong, c.cases)[c.cases-1] {
			t.Errorf("%+v: error rate above %v", o, c.rate)
		}
		if o.Power != o.SignalProbability(right, c.cases)[c.cases-1] || o.Power <= o.ErrorRate {
			t.Errorf("%+v: power", o)
		}
		lower := o
		lower.Limit -= 1e-6
		if p := lower.SignalProbability(wrong, c.cases)[c.cases-1]; p < o.ErrorRate {
			t.Errorf("%+v: a lower limit errs less often, %v", o, p)
		}
		lower.Limit = o.Limit * .97
		if p := lower.SignalProbability(wrong, c.cases)[c.cases-1]; p <= c.rate {
			t.Errorf("%+v: a limit 3 %% lower would still keep the rate: %v", o, p)
		}
	}
}

// The charts, run on random outcomes, signal as often as the recursion says:
// 20,000 runs, tolerance four standard errors.
func TestOutcomesBySimulation(t *testing.T) {
	const runs = 20000
	rng := rand.New(rand.NewPCG(3, 4))
	o, err := DesignCompetence(.1, .25, .05, 50)
	if err != nil {
		t.Fatal(err)
	}
	for _, rate := range []float64{.05, .1, .25} {
		hits := 0
		for range runs {
			failed := make([]float64, 50)
			for i := range failed {
				if rng.Float64() < rate {
					failed[i] = 1
				}
			}
			if o.Run(failed).Signal > 0 {
				hits++
			}
		}
		want := o.SignalProbability(rate, 50)[49]
		near(t, "signal rate", float64(hits)/runs, want, 4*math.Sqrt(want*(1-want)/runs)+1e-9)
	}
}

// Cases of three fixtures that are alike (intra-class correlation .5, by a normal effect of
// the case) do not raise the error: 20,000 runs of 50 cases at the unacceptable rate.
func TestOutcomesOfAlikeFixtures(t *testing.T) {
	const runs = 20000
	rng := rand.New(rand.NewPCG(5, 6))
	o, err := DesignCompetence(.1, .2, .05, 50)
	if err != nil {
		t.Fatal(err)
	}
	limit := distuv.UnitNormal.Quantile(.8)
	hits := 0
	for range runs {
		failed := make([]float64, 50)
		for i := range failed {
			common := rng.NormFloat64()
			for range 3 {
				if math.Sqrt(.5)*(common+rng.NormFloat64()) > limit {
					failed[i] += 1. / 3
				}
			}
		}
		if o.Run(failed).Signal > 0 {
			hits++
		}
	}
	if share := float64(hits) / runs; share > o.ErrorRate || share < .001 {
		t.Errorf("wrongly shown in %v, stated %v", share, o.ErrorRate)
	}
}

// Classical two-boundary design (Bolsin and Colson 2000, as on a public slide):
// the share of a success is s = Q/(P+Q) with P and Q the weights of failure and
// success, and the limits are ln((1−α)/β)/(P+Q).
func TestClassicalShares(t *testing.T) {
	for _, c := range []struct {
		p0, p1, s, h float64
		cases        int
	}{{.05, .10, .0724, 2.9406, 41}, {.05, .15, .0919, 1.8161, 20}, {.10, .20, .1452, 2.7095, 19}, {.20, .40, .2933, 2.2402, 8}} {
		o, err := DesignCompetence(c.p0, c.p1, .5, 50)
		if err != nil {
			t.Fatal(err)
		}
		p, q := -o.Failure, o.Success
		near(t, "s", q/(p+q), c.s, 5e-5)
		near(t, "h", math.Log(.9/.1)/(p+q), c.h, 5e-5)
		if got := int(math.Ceil(math.Log(.9/.1) / q)); got != c.cases {
			t.Errorf("%v successes in a row, expected %d", got, c.cases)
		}
	}
}

func TestSignalProbabilityProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		// Rates too near to each other for sixty cases are refused.
		rates := rapid.Custom(func(t *rapid.T) [2]float64 {
			p0 := rapid.Float64Range(.01, .4).Draw(t, "p0")
			return [2]float64{p0, p0 + rapid.Float64Range(.02, .4).Draw(t, "more")}
		}).Filter(func(p [2]float64) bool {
			_, err := DesignCompetence(p[0], p[1], .9, 60)
			return err == nil
		}).Draw(t, "rates")
		p0, p1 := rates[0], rates[1]
		o, err := DesignCompetence(p0, p1, .9, 60)
		if err != nil {
			t.Fatal(err)
		}
		o.Limit = rapid.Float64Range(.05, 4).Draw(t, "limit")
		low, high := o.SignalProbability(p0, 60), o.SignalProbability(p1, 60)
		for i := range low {
			if low[i] < high[i]-1e-12 || low[i] > 1+1e-12 || (i > 0 && low[i] < low[i-1]) {
				t.Fatalf("case %d: %v and %v", i+1, low[i], high[i])
			}
		}
	})
}

func TestDesignRefusals(t *testing.T) {
	for _, c := range []struct {
		p0, p1, rate float64
		cases        int
	}{{.2, .1, .05, 50}, {0, .1, .05, 50}, {.1, 1, .05, 50}, {.1, .2, 0, 50}, {.1, .2, 1, 50}, {.1, .2, .05, 0}, {.1, .2, .05, maxCases + 1}, {.1, .2, math.NaN(), 50}, {.1, .15, .01, 5}} {
		if o, err := DesignCompetence(c.p0, c.p1, c.rate, c.cases); err == nil {
			t.Errorf("%v accepted: %+v", c, o)
		}
	}
}
