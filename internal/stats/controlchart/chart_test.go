package controlchart

import (
	"math"
	"math/rand/v2"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s is %.9g, expected %.9g within %g", what, got, want, tol)
	}
}

// NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3: the handbook prints
// two decimals; the four decimals are the same table before rounding.
func TestHandbookCUSUM(t *testing.T) {
	x := []float64{324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
		324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350}
	high := []float64{0, 0, 0, 0, .0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035}
	low := []float64{0, .0075, 0, .3325, 0, 0, .5575, .715, .1725, .255, .3125, 0, 0, 0, 0, 0, 0, 0, 0, 0}
	p := CUSUM{Target: 325, Slack: .3175, Limit: 4.1959}.Run(x)
	for i := range x {
		near(t, "high sum", p[i].High, high[i], 1e-9)
		near(t, "low sum", p[i].Low, low[i], 1e-9)
		if p[i].SignalHigh != (i+1 >= 14) || p[i].SignalLow {
			t.Errorf("group %d: signals %v %v, expected the first at 14", i+1, p[i].SignalHigh, p[i].SignalLow)
		}
	}
}

// NIST/SEMATECH e-Handbook, 6.3.2.4. The handbook rounds sqrt(.3/1.7) to .4201
// in its limits, hence 1e-4 there.
func TestHandbookEWMA(t *testing.T) {
	x := []float64{52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5, 49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1}
	want := []float64{50.6, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112, 49.3578, 49.5205,
		50.0543, 49.378, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882}
	e := EWMA{Target: 50, Sigma: 2.0539, Lambda: .3, Width: 3}
	low, high := e.FinalLimits()
	near(t, "upper limit", high, 52.5884, 1e-4)
	near(t, "lower limit", low, 47.4115, 1e-4)
	p := e.Run(x)
	for i := range x {
		near(t, "average", p[i].Value, want[i], 5.01e-5)
		if p[i].Signal {
			t.Errorf("signal at %d, expected none", i+1)
		}
	}
	// Limits of the first two by the formula of the handbook's section, computed apart.
	near(t, "first upper limit", p[0].High, 51.84851, 1e-5)
	near(t, "second upper limit", p[1].High, 52.25639, 1e-5)
}

// Montgomery, Introduction to Statistical Quality Control, examples 9.1 and 9.2:
// the book's C+ to two decimals, counts, signals, and EWMA values.
func TestTextbookCharts(t *testing.T) {
	x := []float64{9.45, 7.99, 9.29, 11.66, 12.16, 10.18, 8.04, 11.46, 9.20, 10.34, 9.03, 11.47, 10.51, 9.40, 10.08, 9.37,
		10.62, 10.31, 8.52, 10.84, 10.90, 9.33, 12.29, 11.50, 10.60, 11.08, 10.38, 11.62, 11.31, 10.52}
	high := []float64{0, 0, 0, 1.16, 2.82, 2.50, .04, 1.00, 0, 0, 0, .97, .98, 0, 0, 0, .12, 0, 0, .34, .74, 0, 1.79, 2.79, 2.89, 3.47, 3.35, 4.47, 5.28, 5.30}
	low := []float64{.05, 1.56, 1.77, 0, 0, 0, 1.46, 0, .30, 0, .47, 0, 0, .10, 0, .13, 0, 0, .98, 0, 0, .17, 0, 0, 0, 0, 0, 0, 0, 0}
	p := UsualCUSUM(10, 1).Run(x)
	e := EWMA{Target: 10, Sigma: 1, Lambda: .1, Width: 2.7}.Run(x)
	for i := range x {
		near(t, "C+", p[i].High, high[i], 1e-9)
		near(t, "C-", p[i].Low, low[i], 1e-9)
		if p[i].SignalHigh != (i+1 >= 29) || e[i].Signal != (i+1 >= 29) {
			t.Errorf("case %d: signals %v and %v, expected the first at 29 in both", i+1, p[i].SignalHigh, e[i].Signal)
		}
	}
	if p[28].RunHigh != 7 {
		t.Errorf("N+ at the signal is %d, expected 7: the change after 22", p[28].RunHigh)
	}
	near(t, "first average", e[0].Value, 9.945, 1e-9)
	near(t, "average 28", e[27].Value, 10.57314, 5e-6)
	near(t, "limit 28", e[27].High, 10.619, 5e-4)
	near(t, "average 29", e[28].Value, 10.64682, 5e-6)
}

// Average run lengths in Montgomery's table (chapter 9; the digits from memory,
// recomputed apart by another program to two decimals).
func TestCUSUMRunLength(t *testing.T) {
	shifts := []float64{0, .25, .5, .75, 1, 1.5, 2, 2.5, 3, 4}
	for h, want := range map[float64][]float64{
		4: {167.68, 74.22, 26.63, 13.29, 8.38, 4.75, 3.34, 2.62, 2.19, 1.71},
		5: {465.44, 139.49, 38.00, 17.05, 10.38, 5.75, 4.01, 3.11, 2.57, 2.01},
	} {
		for i, s := range shifts {
			got, err := CUSUMRunLength(.5, h, s)
			if err != nil {
				t.Fatal(err)
			}
			near(t, "run length", got, want[i], .005*1.01)
		}
	}
	// Ewan and Kemp, Biometrika 47:363, 1960: one-sided designs read off a
	// nomogram, hence 8 %.
	for _, d := range []struct{ in, out, k, h float64 }{
		{1000, 3, 1.12, 2.40}, {1000, 7, .65, 4.06}, {500, 3, 1.04, 2.26}, {500, 7, .60, 3.80}, {250, 3, .94, 2.11}, {250, 7, .54, 3.51},
	} {
		in, err := oneSidedRunLength(d.k, d.h, 0)
		if err != nil {
			t.Fatal(err)
		}
		out, err := oneSidedRunLength(d.k, d.h, 2*d.k)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "in control", in, d.in, .08*d.in)
		near(t, "out of control", out, d.out, .08*d.out)
	}
	if _, err := CUSUMRunLength(.5, 0, 0); err == nil {
		t.Error("a limit of 0 is accepted")
	}
}

// Lucas and Saccucci, Technometrics 32:1, 1990, as in Montgomery's table 9.11
// (lambda .1, L 2.814), digits from memory, good to one unit of the last (they
// come from a Markov chain approximation); the simulation below is independent.
func TestEWMARunLength(t *testing.T) {
	for _, c := range []struct{ shift, want, tol float64 }{
		{0, 500, 1}, {.25, 106, 1}, {.5, 31.3, .1}, {.75, 15.9, .1}, {1, 10.3, .1}, {1.5, 6.09, .01}, {2, 4.36, .01}, {2.5, 3.44, .01}, {3, 2.87, .01}, {4, 2.19, .01},
	} {
		got, err := EWMARunLength(.1, 2.814, c.shift)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "run length", got, c.want, c.tol)
	}
	if _, err := EWMARunLength(0, 3, 0); err == nil {
		t.Error("a weight of 0 is accepted")
	}
}

// The charts themselves, run on normal figures, signal after as many cases as
// the integral equations say: 2,000 runs, tolerance four standard errors (the
// run length is near geometric, so its standard deviation is near its mean).
func TestRunLengthsBySimulation(t *testing.T) {
	const runs = 2000
	rng := rand.New(rand.NewPCG(1, 2))
	for _, shift := range []float64{0, .5, 1} {
		wantC, err := CUSUMRunLength(.5, 4, shift)
		if err != nil {
			t.Fatal(err)
		}
		wantE, err := EWMARunLength(.2, 2.5, shift)
		if err != nil {
			t.Fatal(err)
		}
		c := CUSUM{Slack: .5, Limit: 4}
		e := EWMA{Sigma: 1, Lambda: .2, Width: 2.5}
		low, high := e.FinalLimits()
		sumC, sumE := 0, 0
		x := make([]float64, 2500) // 15 run lengths at least: a run that outlasts it has odds of 3e-7
		for range runs {
			for i := range x {
				x[i] = rng.NormFloat64() + shift
			}
			for i, p := range c.Run(x) {
				if p.SignalHigh || p.SignalLow {
					sumC += i + 1
					break
				}
			}
			z, n := 0.0, 0
			for z >= low && z <= high {
				z += e.Lambda * (rng.NormFloat64() + shift - z)
				n++
			}
			sumE += n
		}
		near(t, "CUSUM run length", float64(sumC)/runs, wantC, 4*wantC/math.Sqrt(runs))
		near(t, "EWMA run length", float64(sumE)/runs, wantE, 4*wantE/math.Sqrt(runs))
	}
}
