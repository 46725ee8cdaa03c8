package learningcurve

import (
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// region knows, for given cases and weights, which curves of either shape fit
// about as well as the best.
//
// Plateau p and fall f enter the level p + f·g linearly, so for each rate of the
// grids the sums below say what any curve leaves.
type region struct {
	families []*family
	sums     [][]sums // by family and rate
	best     float64  // the least sum of squares of any curve
	unit     float64  // best by degree of freedom
}

type sums struct{ w, g, y, gg, gy, yy float64 }

func newRegion(families []*family) *region {
	r := &region{families: families, sums: make([][]sums, len(families))}
	for i, f := range families {
		r.sums[i] = make([]sums, len(f.rates))
	}
	return r
}

// fill takes the cases in.
func (r *region) fill(y, w []float64) {
	r.best = math.Inf(1)
	var sw, sy, syy float64
	for i, v := range w {
		b := v * y[i]
		sw += v
		sy += b
		syy += b * y[i]
	}
	for i, f := range r.families {
		for j, g := range f.descent {
			s := sums{w: sw, y: sy, yy: syy}
			for k, v := range g {
				a := w[k] * v
				s.g += a
				s.gg += a * v
				s.gy += a * y[k]
			}
			r.sums[i][j] = s
			r.best = math.Min(r.best, s.least())
		}
	}
	r.unit = r.best / float64(len(y)-3)
}

// least is what the best plateau and fall, neither negative, leave.
func (s *sums) least() float64 {
	fall := 0.0
	if det := s.w*s.gg - s.g*s.g; det > 1e-12*s.w*s.gg {
		fall = math.Max(0, (s.w*s.gy-s.g*s.y)/det)
	}
	plateau := (s.y - fall*s.g) / s.w
	if plateau < 0 {
		plateau, fall = 0, s.gy/s.gg
	}
	return math.Max(0, s.yy-2*plateau*s.y-2*fall*s.gy+plateau*plateau*s.w+2*plateau*fall*s.g+fall*fall*s.gg)
}

// through is the least that a curve leaves whose level is v where its descent is
// at: at 0 on the plateau, at 1 at the start.
func (s *sums) through(at, v float64) float64 {
	// The plateau is v − fall·at, so the level is v + fall·(g − at).
	cross := s.gy - v*s.g - at*(s.y-v*s.w)
	square := s.gg - 2*at*s.g + at*at*s.w
	fall := math.Max(0, cross/square)
	if at > 0 {
		fall = math.Min(fall, v/at)
	}
	return s.yy - 2*v*s.y + v*v*s.w - 2*fall*cross + fall*fall*square
}

// falling is the least that a curve leaves whose fall is q plateaus.
func (s *sums) falling(q float64) float64 {
	if q > 1e9 {
		return s.yy - s.gy*s.gy/s.gg
	}
	top := s.y + q*s.gy
	return s.yy - top*top/(s.w+2*q*s.g+q*q*s.gg)
}

// excess is by how many units the best curve with a property leaves more than
// the best of all.
func (r *region) excess(leaves func(f *family, rate int, s *sums) float64) float64 {
	least := math.Inf(1)
	for i, f := range r.families {
		for j := range f.rates {
			least = math.Min(least, leaves(f, j, &r.sums[i][j]))
		}
	}
	return math.Max(0, least-r.best) / r.unit
}

// property is a figure of a curve; excess is how much worse the best curve with
// a value of it fits.
type property struct {
	excess     func(r *region, v float64) float64
	least, top float64 // the values that are looked at
}

// levelAt is the level at a case, counted from 0, or, with the number of cases,
// on the plateau.
func levelAt(at int, top float64) property {
	return property{func(r *region, v float64) float64 {
		return r.excess(func(f *family, rate int, s *sums) float64 {
			if at == len(f.x) {
				return s.through(0, v)
			}
			return s.through(f.descent[rate][at], v)
		})
	}, 0, top}
}

// reachAt is the case from which the curve is within 10 % of its plateau.
func reachAt(n int) property {
	return property{func(r *region, v float64) float64 {
		return r.excess(func(f *family, rate int, s *sums) float64 {
			q := nearPlateau / f.shape.descent(v, f.rates[rate])
			if v <= 1 {
				// Any curve that starts within 10 % is at its plateau from case 1.
				return math.Min(s.falling(0), s.falling(q))
			}
			return s.falling(q)
		})
	}, 1, float64(n)}
}

// steps in which a property's values are looked through for the ends of those
// within the bound.
const steps = 200

// ends are the least and the largest value with at most the given excess.
// Beyond tells that the largest value looked at is one of them.
func (p property) ends(r *region, excess, estimate float64) (low, high float64, beyond bool) {
	value := func(i int) float64 { return p.least + (p.top-p.least)*float64(i)/steps }
	within := func(v float64) bool { return p.excess(r, v) <= excess }
	low, high = math.Min(estimate, p.top), math.Min(estimate, p.top)
	edge := func(in, out float64) float64 {
		for range 30 {
			if m := (in + out) / 2; within(m) {
				in = m
			} else {
				out = m
			}
		}
		return in
	}
	for i := 0; value(i) < low; i++ {
		if within(value(i)) {
			low = value(i)
			if i > 0 {
				low = edge(low, value(i-1))
			}
			break
		}
	}
	for i := steps; value(i) > high; i-- {
		if within(value(i)) {
			high = value(i)
			if i < steps {
				high = edge(high, value(i+1))
			}
			return low, high, i == steps
		}
	}
	return low, high, estimate >= p.top
}

// intervals gives each figure the values of those curves, of either shape, that
// fit nearly as well as the best: a region of likelihood, whose bound is the one
// that holds the fitted curve's own figure in 95 % of resampled series, for the
// plateau and the number of cases in 95 % of those of which they would be told.
// The estimate is always in it.
func (s *sample) intervals(a *Analysis, seed uint64) {
	n := len(s.y)
	shape := s.families[0]
	if a.Curve.Shape == Power {
		shape = s.families[1]
	}
	s.flat(s.y)
	s.fit(shape, s.y, rounds, true)
	level, spread := slices.Clone(s.level), s.spread(s.y)
	residual := make([]float64, n)
	for i := range residual {
		residual[i] = (s.y[i] - level[i]) / spread[i]
	}
	mean := stat.Mean(residual, nil)
	fits := newRegion(s.families[:])
	fits.fill(s.y, between(spread))

	top := farthestLevel * slices.Max(s.y)
	c := a.Curve.Curve
	figures, estimates := []property{levelAt(n, top), reachAt(n)}, []float64{c.Plateau, c.CasesToPlateau()}
	for i := range n {
		figures, estimates = append(figures, levelAt(i, top)), append(estimates, c.Level(float64(i+1)))
	}
	// Plateau and number of cases are told of a curve that arrives within the
	// record, so only resamples that agree in this are like the series.
	told := func(c Curve) bool { return c.CasesToPlateau() <= float64(n) }
	drawn := make([][]float64, len(figures))
	var alike [2][]float64
	rng := rand.New(rand.NewPCG(seed, 0x63757276))
	again, y := newRegion(s.families[:]), make([]float64, n)
	for range resamples {
		for i := range y {
			y[i] = math.Max(0, level[i]+spread[i]*(residual[rng.IntN(n)]-mean))
		}
		s.flat(y)
		// One round: the weights move little, and the resamples' less.
		refit, _ := s.fit(shape, y, 1, false)
		again.fill(y, between(s.spread(y)))
		same := told(c) == told(refit)
		for i, p := range figures {
			e := p.excess(again, estimates[i])
			drawn[i] = append(drawn[i], e)
			if i < len(alike) && same {
				alike[i] = append(alike[i], e)
			}
		}
	}
	// A series nearly without scatter may have none like it.
	for i, e := range alike {
		if len(e) >= resamples/10 {
			drawn[i] = e
		}
	}
	interval := func(i int) *Estimate {
		slices.Sort(drawn[i])
		bound := stat.Quantile(coverage, stat.Empirical, drawn[i], nil)
		e := Estimate{Value: &estimates[i]}
		low, high, beyond := figures[i].ends(fits, bound, estimates[i])
		e.Low = &low
		if !beyond {
			e.High = &high
		}
		if estimates[i] > figures[i].top {
			e.Value = nil
		}
		return &e
	}
	a.Plateau, a.CasesToPlateau, a.Start = interval(0), interval(1), interval(2)
	a.Band = make([]Band, n)
	for i := range a.Band {
		e := interval(2 + i)
		a.Band[i] = Band{Low: *e.Low, High: top}
		if e.High != nil {
			a.Band[i].High = *e.High
		}
	}
	now := interval(1 + n)
	a.Now = now
	if a.CasesToPlateau.Value == nil {
		a.Plateau = nil
	}
}

// farthestLevel is how far levels are looked for, in the largest figure: a mean
// beyond twice the largest figure is told as having no upper end.
const farthestLevel = 2

// between gives the weights of a region: those of a variance that falls in
// proportion to the level. With one variance for all cases the early ones, which
// scatter most, got too much say and the start's interval held it in up to
// 100 % of simulated series; with a spread in proportion to the level the late
// ones did, and the plateau's held it in down to 88 %.
func between(spread []float64) []float64 {
	w := make([]float64, len(spread))
	for i, sd := range spread {
		w[i] = 1 / sd
	}
	return w
}
