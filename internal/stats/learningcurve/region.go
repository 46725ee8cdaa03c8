package learningcurve

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// likelihoodRegion is the set of curves, of either shape, that fit given cases and
// weights about as well as the best one.
//
// Method: RSS(θ) is the least weighted residual sum of squares of all curves whose
// parameter of interest has the value θ (a profile), RSS₀ that of the best curve,
// and s² = RSS₀/(n − 3). The region holds the θ with (RSS(θ) − RSS₀)/s² ≤ c: a
// profile likelihood interval for normal residuals (Bates and Watts, Nonlinear
// Regression Analysis and Its Applications, 1988, chapter 6, from memory). The
// bound c is calibrated by a bootstrap instead of taken from the F distribution.
//
// Plateau p and amplitude a enter the level p + a·g linearly, so for each rate of
// the grids the weighted moments of y and g give the RSS of any curve.
type likelihoodRegion struct {
	grids    []*rateGrid
	moments  [][]moments // by grid and rate
	minRSS   float64     // RSS₀
	variance float64     // s²
}

// moments are the sums Σw, Σwg, Σwy, Σwg², Σwgy and Σwy² over the cases.
type moments struct{ w, g, y, gg, gy, yy float64 }

func newLikelihoodRegion(grids []*rateGrid) *likelihoodRegion {
	r := &likelihoodRegion{grids: grids, moments: make([][]moments, len(grids))}
	for i, f := range grids {
		r.moments[i] = make([]moments, len(f.rates))
	}
	return r
}

// setData computes the moments of the cases.
func (r *likelihoodRegion) setData(y, w []float64) {
	r.minRSS = math.Inf(1)
	var sw, sy, syy float64
	for i, v := range w {
		b := v * y[i]
		sw += v
		sy += b
		syy += b * y[i]
	}
	for i, f := range r.grids {
		for j, g := range f.decay {
			s := moments{w: sw, y: sy, yy: syy}
			for k, v := range g {
				a := w[k] * v
				s.g += a
				s.gg += a * v
				s.gy += a * y[k]
			}
			r.moments[i][j] = s
			r.minRSS = math.Min(r.minRSS, s.minRSS())
		}
	}
	r.variance = r.minRSS / float64(len(y)-3)
}

// minRSS is the RSS of the best plateau and amplitude, both ≥ 0.
func (s *moments) minRSS() float64 {
	amplitude := 0.0
	if det := s.w*s.gg - s.g*s.g; det > 1e-12*s.w*s.gg {
		amplitude = math.Max(0, (s.w*s.gy-s.g*s.y)/det)
	}
	plateau := (s.y - amplitude*s.g) / s.w
	if plateau < 0 {
		plateau, amplitude = 0, s.gy/s.gg
	}
	return math.Max(0, s.yy-2*plateau*s.y-2*amplitude*s.gy+plateau*plateau*s.w+2*plateau*amplitude*s.g+amplitude*amplitude*s.gg)
}

// minRSSAt is the least RSS of the curves whose level is v where the decay is g: 0
// on the plateau, 1 at the start.
func (s *moments) minRSSAt(g, v float64) float64 {
	// The plateau is v − amplitude·g, so the level is v + amplitude·(decay − g).
	cross := s.gy - v*s.g - g*(s.y-v*s.w)
	square := s.gg - 2*g*s.g + g*g*s.w
	amplitude := math.Max(0, cross/square)
	if g > 0 {
		amplitude = math.Min(amplitude, v/g)
	}
	return s.yy - 2*v*s.y + v*v*s.w - 2*amplitude*cross + amplitude*amplitude*square
}

// minRSSWithRatio is the least RSS of the curves whose amplitude is q plateaus.
func (s *moments) minRSSWithRatio(q float64) float64 {
	if q > 1e9 {
		return s.yy - s.gy*s.gy/s.gg
	}
	top := s.y + q*s.gy
	return s.yy - top*top/(s.w+2*q*s.g+q*q*s.gg)
}

// profile is (RSS(θ) − RSS₀)/s², where rss gives the least RSS at θ for one rate.
func (r *likelihoodRegion) profile(rss func(f *rateGrid, rate int, s *moments) float64) float64 {
	least := math.Inf(1)
	for i, f := range r.grids {
		for j := range f.rates {
			least = math.Min(least, rss(f, j, &r.moments[i][j]))
		}
	}
	return math.Max(0, least-r.minRSS) / r.variance
}

// parameter is a parameter of interest θ of a curve.
type parameter struct {
	profile   func(r *likelihoodRegion, theta float64) float64
	low, high float64 // range that is searched
}

// levelParameter is the level at a case, counted from 0, or, with the number of
// cases, on the plateau.
func levelParameter(at int, high float64) parameter {
	return parameter{func(r *likelihoodRegion, v float64) float64 {
		return r.profile(func(f *rateGrid, rate int, s *moments) float64 {
			if at == len(f.x) {
				return s.minRSSAt(0, v)
			}
			return s.minRSSAt(f.decay[rate][at], v)
		})
	}, 0, high}
}

// casesParameter is the case from which the curve is within 10 % of its plateau.
func casesParameter(n int) parameter {
	return parameter{func(r *likelihoodRegion, v float64) float64 {
		return r.profile(func(f *rateGrid, rate int, s *moments) float64 {
			q := nearPlateau / f.shape.decay(v, f.rates[rate])
			if v <= 1 {
				// Any curve that starts within 10 % is at its plateau from case 1.
				return math.Min(s.minRSSWithRatio(0), s.minRSSWithRatio(q))
			}
			return s.minRSSWithRatio(q)
		})
	}, 1, float64(n)}
}

// gridSteps divide a parameter's range in the search for the ends of its interval;
// bisections then refine an end to 2⁻³⁰ of a step.
const (
	gridSteps  = 200
	bisections = 30
)

// interval is the least and the largest θ with a profile of at most bound; it always
// holds the estimate. unbounded reports whether it reaches the end of the range.
func (p parameter) interval(r *likelihoodRegion, bound, estimate float64) (low, high float64, unbounded bool) {
	grid := func(i int) float64 { return p.low + (p.high-p.low)*float64(i)/gridSteps }
	inside := func(theta float64) bool { return p.profile(r, theta) <= bound }
	low, high = math.Min(estimate, p.high), math.Min(estimate, p.high)
	bisect := func(in, out float64) float64 {
		for range bisections {
			if m := (in + out) / 2; inside(m) {
				in = m
			} else {
				out = m
			}
		}
		return in
	}
	for i := 0; grid(i) < low; i++ {
		if inside(grid(i)) {
			low = grid(i)
			if i > 0 {
				low = bisect(low, grid(i-1))
			}
			break
		}
	}
	for i := gridSteps; grid(i) > high; i-- {
		if inside(grid(i)) {
			high = grid(i)
			if i < gridSteps {
				high = bisect(high, grid(i+1))
			}
			return low, high, i == gridSteps
		}
	}
	return low, high, estimate >= p.high
}

// The places of the parameters that intervals are computed for; the level at each
// case follows from firstLevel on.
const (
	plateauParameter = iota
	casesToPlateauParameter
	firstLevel
)

// setIntervals computes a bootstrap-calibrated likelihood interval for each
// parameter of the better curve: the region's bound is such that it holds the fitted
// curve's own value in 95 % of the resampled series. The estimate is always in it.
func (s *sample) setIntervals(a *Analysis, seed uint64) {
	n := len(s.y)
	c := a.Curve.Curve
	high := maxLevel * slices.Max(s.y)
	parameters := []parameter{levelParameter(n, high), casesParameter(n)}
	estimates := []float64{c.Plateau, c.CasesToPlateau()}
	for i := range n {
		parameters = append(parameters, levelParameter(i, high))
		estimates = append(estimates, c.Level(float64(i+1)))
	}
	m := s.fitResampling(c.Shape)
	bounds := s.calibrate(m, c, parameters, estimates, seed)
	region := newLikelihoodRegion(s.grids[:])
	region.setData(s.y, regionWeights(m.sd))
	interval := func(i int) *Estimate {
		low, high, unbounded := parameters[i].interval(region, bounds[i], estimates[i])
		e := Estimate{Value: &estimates[i], Low: &low}
		if !unbounded {
			e.High = &high
		}
		if estimates[i] > parameters[i].high {
			e.Value = nil
		}
		return &e
	}
	a.Plateau, a.CasesToPlateau = interval(plateauParameter), interval(casesToPlateauParameter)
	a.Start, a.Now = interval(firstLevel), interval(firstLevel+n-1)
	a.Band = make([]Band, n)
	for i := range a.Band {
		e := interval(firstLevel + i)
		a.Band[i] = Band{Low: *e.Low, High: high}
		if e.High != nil {
			a.Band[i].High = *e.High
		}
	}
	if a.CasesToPlateau.Value == nil {
		a.Plateau = nil
	}
}

// resampling is the model that the bootstrap draws series from: level + sd·residual,
// with residuals of the fit, standardised and centred, drawn with replacement.
type resampling struct {
	grid          *rateGrid // of the fitted curve's shape
	level, sd     []float64 // by case
	residual      []float64
	residualsMean float64
}

// fitResampling fits the curve of a shape and takes the residuals from it.
func (s *sample) fitResampling(shape Shape) resampling {
	m := resampling{grid: s.grids[0]}
	if shape == Power {
		m.grid = s.grids[1]
	}
	s.fitMean(s.y)
	s.fitCurve(m.grid, s.y, rounds, true)
	m.level, m.sd = slices.Clone(s.level), s.standardDeviations(s.y)
	m.residual = make([]float64, len(s.y))
	for i := range m.residual {
		m.residual[i] = (s.y[i] - m.level[i]) / m.sd[i]
	}
	m.residualsMean = stat.Mean(m.residual, nil)
	return m
}

// draw writes a resampled series to y; a deviation is not negative.
func (m *resampling) draw(y []float64, rng *rand.Rand) {
	for i := range y {
		y[i] = math.Max(0, m.level[i]+m.sd[i]*(m.residual[rng.IntN(len(y))]-m.residualsMean))
	}
}

// calibrate gives each parameter the bound that its profile at the estimate stays
// within in 95 % of the resampled series.
//
// Plateau and number of cases are only given for a curve that reaches its plateau
// within the record. So only resampled series whose curve agrees with c in this
// count for them, unless those are under a tenth, as in a series nearly without
// scatter.
func (s *sample) calibrate(m resampling, c Curve, parameters []parameter, estimates []float64, seed uint64) (bounds []float64) {
	n := len(s.y)
	reaches := func(c Curve) bool { return c.CasesToPlateau() <= float64(n) }
	profiles := make([][]float64, len(parameters))
	var agreeing [firstLevel][]float64
	rng := rand.New(rand.NewPCG(seed, 0x63757276))
	region, y := newLikelihoodRegion(s.grids[:]), make([]float64, n)
	for range resamples {
		m.draw(y, rng)
		s.fitMean(y)
		// One round: the weights change little, and the resampled series' less.
		refit, _ := s.fitCurve(m.grid, y, 1, false)
		region.setData(y, regionWeights(s.standardDeviations(y)))
		agrees := reaches(c) == reaches(refit)
		for i, p := range parameters {
			v := p.profile(region, estimates[i])
			profiles[i] = append(profiles[i], v)
			if i < firstLevel && agrees {
				agreeing[i] = append(agreeing[i], v)
			}
		}
	}
	for i, v := range agreeing {
		if len(v) >= resamples/10 {
			profiles[i] = v
		}
	}
	for _, v := range profiles {
		slices.Sort(v)
		bounds = append(bounds, stat.Quantile(coverage, stat.Empirical, v, nil))
	}
	return bounds
}

// maxLevel is the highest level that is searched, in the largest deviation: an
// interval that reaches twice the largest deviation is stated without an upper end.
const maxLevel = 2

// regionWeights are the weights 1/sd: those of a variance in proportion to the level.
// With one variance for all cases the early ones, which scatter most, had too much
// weight and the start's interval held it in up to 100 % of simulated series; with a
// standard deviation in proportion to the level the late ones had, and the plateau's
// held it in down to 88 %.
func regionWeights(sd []float64) []float64 {
	w := make([]float64, len(sd))
	for i, v := range sd {
		w[i] = 1 / v
	}
	return w
}
