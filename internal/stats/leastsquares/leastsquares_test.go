package leastsquares

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// The reference sets are the NIST Statistical Reference Datasets, nonlinear
// regression: data, certified values and both starts
// (itl.nist.gov/div898/strd/nls/nls_main.shtml, from public copies).
type reference struct {
	name   string
	model  Model
	x, y   []float64
	starts [2][]float64
	b, sd  []float64
	rss    float64
}

func references() []reference {
	misraX := []float64{77.6, 114.9, 141.1, 190.8, 239.9, 289.0, 332.8, 378.4, 434.8, 477.3, 536.8, 593.1, 689.1, 760.0}
	misraY := []float64{10.07, 14.73, 17.94, 23.93, 29.61, 35.18, 40.02, 44.82, 50.76, 55.05, 61.01, 66.40, 75.47, 81.78}
	saturation := func(x float64, b, g []float64) float64 {
		e := math.Exp(-b[1] * x)
		g[0], g[1] = 1-e, b[0]*x*e
		return b[0] * (1 - e)
	}
	var mghX []float64
	for i := range 33 {
		mghX = append(mghX, float64(10*i))
	}
	return []reference{{
		name: "Misra1a", model: saturation, x: misraX, y: misraY,
		starts: [2][]float64{{500, 1e-4}, {250, 5e-4}},
		b:      []float64{2.3894212918e+02, 5.5015643181e-04},
		sd:     []float64{2.7070075241e+00, 7.2668688436e-06}, rss: 1.2455138894e-01,
	}, {
		name: "Misra1b", x: misraX, y: misraY,
		model: func(x float64, b, g []float64) float64 {
			q := 1 + b[1]*x/2
			g[0], g[1] = 1-1/(q*q), b[0]*x/(q*q*q)
			return b[0] * g[0]
		},
		starts: [2][]float64{{500, 1e-4}, {300, 2e-4}},
		b:      []float64{3.3799746163e+02, 3.9039091287e-04},
		sd:     []float64{3.1643950207e+00, 4.2547321834e-06}, rss: 7.5464681533e-02,
	}, {
		name: "DanWood",
		model: func(x float64, b, g []float64) float64 {
			p := math.Pow(x, b[1])
			g[0], g[1] = p, b[0]*p*math.Log(x)
			return b[0] * p
		},
		x: []float64{1.309, 1.471, 1.490, 1.565, 1.611, 1.680}, y: []float64{2.138, 3.421, 3.597, 4.340, 4.882, 5.660},
		starts: [2][]float64{{1, 5}, {.7, 4}},
		b:      []float64{7.6886226176e-01, 3.8604055871e+00},
		sd:     []float64{1.8281973860e-02, 5.1726610913e-02}, rss: 4.3173084083e-03,
	}, {
		name: "BoxBOD", model: saturation,
		x: []float64{1, 2, 3, 5, 7, 10}, y: []float64{109, 149, 149, 191, 213, 224},
		starts: [2][]float64{{1, 1}, {100, .75}},
		b:      []float64{2.1380940889e+02, 5.4723748542e-01},
		sd:     []float64{1.2354515176e+01, 1.0455993237e-01}, rss: 1.1680088766e+03,
	}, {
		name: "MGH17", x: mghX,
		model: func(x float64, b, g []float64) float64 {
			e4, e5 := math.Exp(-b[3]*x), math.Exp(-b[4]*x)
			g[0], g[1], g[2], g[3], g[4] = 1, e4, e5, -x*b[1]*e4, -x*b[2]*e5
			return b[0] + b[1]*e4 + b[2]*e5
		},
		y: []float64{.844, .908, .932, .936, .925, .908, .881, .850, .818, .784, .751, .718, .685, .658, .628, .603, .580, .558,
			.538, .522, .506, .490, .478, .467, .457, .448, .438, .431, .424, .420, .414, .411, .406},
		starts: [2][]float64{{50, 150, -100, 1, 2}, {.5, 1.5, -1, .01, .02}},
		b:      []float64{3.7541005211e-01, 1.9358469127e+00, -1.4646871366e+00, 1.2867534640e-02, 2.2122699662e-02},
		sd:     []float64{2.0723153551e-03, 2.2031669222e-01, 2.2175707739e-01, 4.4861358114e-04, 8.9471996575e-04}, rss: 5.4648946975e-05,
	}, {
		name: "Rat42",
		model: func(x float64, b, g []float64) float64 {
			e := math.Exp(b[1] - b[2]*x)
			f := 1 / (1 + e)
			g[0], g[1], g[2] = f, -b[0]*e*f*f, b[0]*x*e*f*f
			return b[0] * f
		},
		x: []float64{9, 14, 21, 28, 42, 57, 63, 70, 79}, y: []float64{8.93, 10.80, 18.59, 22.33, 39.35, 56.11, 61.73, 64.62, 67.08},
		starts: [2][]float64{{100, 1, .1}, {75, 2.5, .07}},
		b:      []float64{7.2462237576e+01, 2.6180768402e+00, 6.7359200066e-02},
		sd:     []float64{1.7340283401e+00, 8.8295217536e-02, 3.4465663377e-03}, rss: 8.0565229338e+00,
	}, {
		name: "Chwirut2",
		model: func(x float64, b, g []float64) float64 {
			d := b[1] + b[2]*x
			f := math.Exp(-b[0]*x) / d
			g[0], g[1], g[2] = -x*f, -f/d, -x*f/d
			return f
		},
		x: []float64{.5, 1, 1.75, 3.75, 5.75, .875, 2.25, 3.25, 5.25, .75, 1.75, 2.75, 4.75, .625, 1.25, 2.25, 4.25, .5, 3, .75, 3, 1.5, 6, 3, 6, 1.5, 3,
			.5, 2, 4, .75, 2, 5, .75, 2.25, 3.75, 5.75, 3, .75, 2.5, 4, .75, 2.5, 4, .75, 2.5, 4, .5, 6, 3, .5, 2.75, .5, 1.75},
		y: []float64{92.9, 57.1, 31.05, 11.5875, 8.025, 63.6, 21.4, 14.25, 8.475, 63.8, 26.8, 16.4625, 7.125, 67.3, 41.0, 21.15, 8.175, 81.5, 13.12, 59.9, 14.62,
			32.9, 5.44, 12.56, 5.44, 32.0, 13.95, 75.8, 20.0, 10.42, 59.5, 21.67, 8.55, 62.0, 20.2, 7.76, 3.75, 11.81, 54.7, 23.7, 11.55, 61.3, 17.7, 8.74, 59.2,
			16.3, 8.62, 81.0, 4.87, 14.62, 81.7, 17.17, 81.3, 28.9},
		starts: [2][]float64{{.1, .01, .02}, {.15, .008, .01}},
		b:      []float64{1.6657666537e-01, 5.1653291286e-03, 1.2150007096e-02},
		sd:     []float64{3.8303286810e-02, 6.6621605126e-04, 1.5304234767e-03}, rss: 5.1304802941e+02,
	}}
}

func relative(got, want float64) float64 { return math.Abs(got/want - 1) }

func TestCertifiedFits(t *testing.T) {
	checks := 0
	for _, ref := range references() {
		for s, start := range ref.starts {
			t.Run(fmt.Sprintf("%s from start %d", ref.name, s+1), func(t *testing.T) {
				f, err := Solve(ref.model, Data{X: ref.x, Y: ref.y}, start)
				if err != nil {
					t.Fatal(err)
				}
				for j := range ref.b {
					if d := relative(f.B[j], ref.b[j]); d > 1e-8 {
						t.Errorf("parameter %d is %.11g, certified %.11g", j+1, f.B[j], ref.b[j])
					}
					if d := relative(f.StdErr(j), ref.sd[j]); d > 1e-7 {
						t.Errorf("standard error %d is %.11g, certified %.11g", j+1, f.StdErr(j), ref.sd[j])
					}
				}
				if d := relative(f.RSS, ref.rss); d > 1e-9 {
					t.Errorf("residual sum of squares is %.11g, certified %.11g", f.RSS, ref.rss)
				}
				t.Logf("%d iterations", f.Iterations)
				checks++
			})
		}
	}
	if checks != 14 {
		t.Errorf("%d fits compared, expected 14", checks)
	}
}

// A weight of k is the same as the point standing there k times, but for the
// degrees of freedom.
func TestWeightIsRepetition(t *testing.T) {
	ref := references()[3]
	w := []float64{1, 2, 1, 3, 1, 1}
	var x, y []float64
	for i, k := range w {
		for range int(k) {
			x, y = append(x, ref.x[i]), append(y, ref.y[i])
		}
	}
	a, err := Solve(ref.model, Data{X: ref.x, Y: ref.y, W: w}, ref.starts[1])
	if err != nil {
		t.Fatal(err)
	}
	b, err := Solve(ref.model, Data{X: x, Y: y}, ref.starts[1])
	if err != nil {
		t.Fatal(err)
	}
	for j := range a.B {
		if relative(a.B[j], b.B[j]) > 1e-9 || relative(a.Inverse.At(j, j), b.Inverse.At(j, j)) > 1e-9 {
			t.Errorf("parameter %d: %v and %v", j+1, a.B[j], b.B[j])
		}
	}
	if relative(a.RSS, b.RSS) > 1e-10 {
		t.Errorf("sums of squares %v and %v", a.RSS, b.RSS)
	}
}

// For a straight line the fit is linear regression, whose textbook formula is
// slope = Sxy/Sxx with variance s²/Sxx.
func TestStraightLine(t *testing.T) {
	line := func(x float64, b, g []float64) float64 {
		g[0], g[1] = 1, x
		return b[0] + b[1]*x
	}
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(3, 30).Draw(t, "n")
		x, y := make([]float64, n), make([]float64, n)
		mx, my := 0.0, 0.0
		for i := range n {
			x[i] = float64(i) + rapid.Float64Range(0, .5).Draw(t, "x")
			// In millionths: the squares of figures of 1e-150 and less are nothing.
			y[i] = float64(rapid.IntRange(-1e7, 1e7).Draw(t, "y")) / 1e6
			mx, my = mx+x[i]/float64(n), my+y[i]/float64(n)
		}
		sxx, sxy := 0.0, 0.0
		for i := range n {
			sxx, sxy = sxx+sq(x[i]-mx), sxy+(x[i]-mx)*(y[i]-my)
		}
		f, err := Solve(line, Data{X: x, Y: y}, []float64{0, 0})
		if err != nil {
			t.Fatal(err)
		}
		if d := math.Abs(f.B[1] - sxy/sxx); d > 1e-9 {
			t.Errorf("slope is %v, by the formula %v", f.B[1], sxy/sxx)
		}
		if relative(f.Inverse.At(1, 1), 1/sxx) > 1e-9 {
			t.Errorf("inverse is %v, by the formula %v", f.Inverse.At(1, 1), 1/sxx)
		}
	})
}

func TestRefusals(t *testing.T) {
	m := references()[3].model
	twin := func(x float64, b, g []float64) float64 { g[0], g[1] = 1, 1; return b[0] + b[1] }
	three := []float64{1, 2, 3}
	for _, c := range []struct {
		name  string
		model Model
		d     Data
		start []float64
		is    error
		says  string
	}{
		{"few points", m, Data{X: three[:2], Y: three[:2]}, []float64{1, 1}, ErrTooFewPoints, "2 points, 2 parameters"},
		{"not a number", m, Data{X: three, Y: []float64{1, math.NaN(), 2}}, []float64{1, 1}, nil, "point 2"},
		{"lengths", m, Data{X: three, Y: three[:2]}, []float64{1, 1}, nil, "as many of each"},
		{"weight", m, Data{X: three, Y: three, W: []float64{1, 0, 1}}, []float64{1, 1}, nil, "weight 0"},
		{"start", m, Data{X: three, Y: three}, []float64{1, math.Inf(-1)}, nil, "start"},
		// Only the sum of both parameters matters: nothing determines each.
		{"undetermined", twin, Data{X: three, Y: []float64{1, 2, 4}}, []float64{0, 0}, ErrNoConvergence, "determine"},
	} {
		f, err := Solve(c.model, c.d, c.start)
		if err == nil || (c.is != nil && !errors.Is(err, c.is)) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("%s: error is %v, expected one that says %q", c.name, err, c.says)
		}
		if f.B != nil {
			t.Errorf("%s: parameters %v given with an error", c.name, f.B)
		}
	}
}
