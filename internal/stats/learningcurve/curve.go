package learningcurve

import (
	"math"

	"plumbline/internal/stats/leastsquares"
)

// Shape is the form of a learning curve.
type Shape string

// The shapes. Level is the mean deviation at case x, counted from 1.
const (
	Flat        Shape = "no learning" // level = plateau
	Exponential Shape = "exponential" // plateau + (start − plateau)·exp(−(x−1)/rate), rate in cases
	Power       Shape = "power law"   // plateau + (start − plateau)·x^(−rate)
)

// Curve is a fitted curve. A flat one has Start = Plateau.
type Curve struct {
	Shape   Shape   `json:"shape"`
	Start   float64 `json:"start"`
	Plateau float64 `json:"plateau"`
	Rate    float64 `json:"rate,omitempty"`
}

// Level is the curve at a case.
func (c Curve) Level(x float64) float64 {
	return c.Plateau + (c.Start-c.Plateau)*c.Shape.decay(x, c.Rate)
}

// decay is g(x), the share of the way from plateau to start that is left at case x:
// 1 at case 1, falling towards 0.
func (s Shape) decay(x, rate float64) float64 {
	switch s {
	case Exponential:
		return math.Exp(-(x - 1) / rate)
	case Power:
		return math.Pow(x, -rate)
	}
	return 0
}

// decayAt writes the decay of all cases, 1 to len(out), to out.
func (s Shape) decayAt(out, logX []float64, rate float64) {
	if s == Power {
		for i, l := range logX {
			out[i] = math.Exp(-rate * l)
		}
		return
	}
	// From case to case the factor is the same.
	g, step := 1.0, math.Exp(-1/rate)
	for i := range out {
		out[i] = g
		g *= step
	}
}

// nearPlateau is the share of the plateau within which a curve counts as having
// reached it. Our own choice.
const nearPlateau = 0.1

// CasesToPlateau is the case from which the level is within 10 % of the plateau,
// 1 if it is so from the start, +Inf for a plateau of 0.
func (c Curve) CasesToPlateau() float64 {
	above := (c.Start - c.Plateau) / (nearPlateau * c.Plateau)
	switch {
	case c.Plateau <= 0:
		return math.Inf(1)
	case above <= 1:
		return 1
	case c.Shape == Exponential:
		return 1 + c.Rate*math.Log(above)
	}
	return math.Pow(above, 1/c.Rate)
}

// Range of the rate. The plateau of a curve slower than the record is long cannot be
// estimated (an exponential with rate n has 37 % of its decay left at the end; a
// power law of 0.3 has 31 % left after 50 cases), nor the start of one that has
// decayed by the second case.
const (
	fastestExponential = 0.7
	slowestPower       = 0.5
	fastestPower       = 3.0
	rateSteps          = 20
)

// rateGrid holds the decay of a shape at every case for a grid of rates, evenly
// spaced in the logarithm.
type rateGrid struct {
	shape   Shape
	x, logX []float64
	rates   []float64
	decay   [][]float64
	scratch []float64
}

func newRateGrid(s Shape, x []float64) *rateGrid {
	f := &rateGrid{shape: s, x: x, scratch: make([]float64, len(x))}
	for _, v := range x {
		f.logX = append(f.logX, math.Log(v))
	}
	low, high := slowestPower, fastestPower
	if s == Exponential {
		low, high = fastestExponential, x[len(x)-1]/2
	}
	for i := range rateSteps {
		rate := low * math.Pow(high/low, float64(i)/(rateSteps-1))
		f.rates = append(f.rates, rate)
		g := make([]float64, len(x))
		s.decayAt(g, f.logX, rate)
		f.decay = append(f.decay, g)
	}
	return f
}

// fitLinear is the weighted linear regression y = plateau + amplitude·g for a given
// decay g, with both coefficients ≥ 0, and its weighted residual sum of squares.
func fitLinear(g, y, w []float64) (plateau, amplitude, rss float64) {
	var sw, sg, sy, sgg, sgy, syy float64
	for i, v := range w {
		a := v * g[i]
		b := v * y[i]
		sw += v
		sg += a
		sy += b
		sgg += a * g[i]
		sgy += a * y[i]
		syy += b * y[i]
	}
	det := sw*sgg - sg*sg
	if det > 1e-12*sw*sgg {
		amplitude = (sw*sgy - sg*sy) / det
	}
	plateau = (sy - amplitude*sg) / sw
	switch {
	case amplitude <= 0:
		plateau, amplitude = math.Max(0, sy/sw), 0
	case plateau < 0:
		plateau, amplitude = 0, math.Max(0, sgy/sgg)
	}
	rss = syy - 2*plateau*sy - 2*amplitude*sgy + plateau*plateau*sw + 2*plateau*amplitude*sg + amplitude*amplitude*sgg
	return plateau, amplitude, math.Max(0, rss)
}

// search is the curve with the least weighted residual sum of squares: the best rate
// of the grid, then the minimum of the parabola through it and its neighbours.
// Plateau and amplitude are linear, so only the rate is searched for (variable
// projection; Golub and Pereyra, SIAM J Numer Anal 10:413, 1973).
func (f *rateGrid) search(y, w []float64) Curve {
	var rss [rateSteps]float64
	best := 0
	for i, g := range f.decay {
		_, _, rss[i] = fitLinear(g, y, w)
		if rss[i] < rss[best] {
			best = i
		}
	}
	g, rate := f.decay[best], f.rates[best]
	if best > 0 && best < rateSteps-1 {
		a, b, c := rss[best-1], rss[best], rss[best+1]
		step := math.Log(f.rates[1] / f.rates[0])
		try := rate * math.Exp(step*(a-c)/(2*(a-2*b+c)))
		f.shape.decayAt(f.scratch, f.logX, try)
		if _, _, l := fitLinear(f.scratch, y, w); l < b {
			g, rate = f.scratch, try
		}
	}
	plateau, amplitude, _ := fitLinear(g, y, w)
	return Curve{f.shape, plateau + amplitude, plateau, rate}
}

// refine takes the curve to the minimum by nonlinear least squares; a curve at a
// bound of its parameters stays as it is.
func (f *rateGrid) refine(c Curve, y, w []float64) Curve {
	low, high := f.rates[0], f.rates[rateSteps-1]
	if c.Plateau <= 0 || c.Start <= c.Plateau {
		return c
	}
	fit, err := leastsquares.Solve(f.shape.model(), leastsquares.Data{X: f.x, Y: y, W: w}, []float64{c.Plateau, c.Start - c.Plateau, c.Rate})
	if err != nil || fit.B[0] < 0 || fit.B[1] < 0 || fit.B[2] < low || fit.B[2] > high {
		return c
	}
	return Curve{f.shape, fit.B[0] + fit.B[1], fit.B[0], fit.B[2]}
}

// model is the curve with the parameters plateau, amplitude and rate, and its
// derivatives by them.
func (s Shape) model() leastsquares.Model {
	return func(x float64, b, grad []float64) float64 {
		g := s.decay(x, b[2])
		grad[0], grad[1] = 1, g
		if s == Exponential {
			grad[2] = b[1] * g * (x - 1) / (b[2] * b[2])
		} else {
			grad[2] = -b[1] * g * math.Log(x)
		}
		return b[0] + b[1]*g
	}
}
