// Package plate finds the outer border of a bony plate, and how thick the plate is,
// in a blurred profile of grey values across it.
//
// Conventions: a profile runs from within the bone outwards, square to the surface;
// positions are mm from an origin of the caller's, + outwards. Grey values are the
// scan's own, not calibrated. Start with Model.Fit.
//
// Method: the profile is what lies within (spongy bone or a fixture-free socket), a
// plate, and what lies outside, each of one grey value, blurred by the scan's point
// spread. Place and thickness stand on a grid; at each of its nodes the three grey
// values have normal priors and drop out in closed form, which leaves the posterior
// distribution of place and thickness (Bayesian linear model: G. E. P. Box and G. C.
// Tiao, Bayesian Inference in Statistical Analysis, 1973, 2.7). No grey value is held
// fixed. A plate thinner than the blur shows its thickness by its integrated contrast
// alone, so that thickness and grey value go together; the prior of the grey value, taken
// from thick plates of the same scan, is what parts them, and its width enters the
// intervals.
//
// Limits: borders are plane within the blur, and a plate has one grey value across its
// thickness.
package plate

import "math"

// Level is a grey value that is roughly known: mean and standard deviation.
type Level struct{ Mean, SD float64 }

// Model says what a profile may be of. All of it is of the scan at hand.
type Model struct {
	Inside, Plate, Outside Level
	Blur                   float64 // standard deviation of the point spread, mm
	Noise                  float64 // standard deviation of a sample
	// Correlation is the length over which noise is one, mm: samples nearer to each
	// other count less.
	Correlation float64
}

// Fit is what a profile shows of a plate. Lengths mm.
type Fit struct {
	Outer, U             float64 // place of the outer border, and its standard uncertainty
	Thickness, ThickU    float64 // of the plate; Thickest and above are one
	Inner, Dense, Beyond float64 // grey values within, of the plate and outside, at the best node
	Residual             float64 // root mean square of the best fit, grey values
}

// The grid, mm: of places to both sides of the origin and of thicknesses from nothing.
// Steps are about the least uncertainty of a border. The inner border of a plate of
// Thickest lies outside the usual profile.
const (
	placeReach, placeStep   = 0.9, 0.05
	Thickest, thicknessStep = 3.0, 0.1
)

// Borders stand on one lattice: thicknesses are whole numbers of placeStep.
const (
	places      = 2*int(placeReach/placeStep) + 1
	thicknesses = int(Thickest/thicknessStep) + 1
	perStep     = int(thicknessStep / placeStep)
	deepest     = (thicknesses - 1) * perStep // of an inner border below the first place
	borders     = places + deepest
)

// Fit fits a profile: grey values g at places x, mm, ascending and evenly spaced; NaN
// is no sample.
//
// Out: ok is false where fewer than ten samples are left.
func (m Model) Fit(x, g []float64) (Fit, bool) {
	var xs, gs []float64
	for i, v := range g {
		if !math.IsNaN(v) {
			xs, gs = append(xs, x[i]), append(gs, v)
		}
	}
	if len(xs) < 10 {
		return Fit{}, false
	}
	return m.marginal(xs, gs), true
}

// marginal goes over the grid.
func (m Model) marginal(x, g []float64) Fit {
	n := len(x)
	s := newSums(m, x, g)
	logs := make([]float64, places*thicknesses)
	best := math.Inf(-1)
	var out Fit
	for i := range places {
		for j := range thicknesses {
			value, level, squares := s.evidence(deepest+i-j*perStep, deepest+i)
			logs[i*thicknesses+j] = value
			if value > best {
				best = value
				out.Inner, out.Dense, out.Beyond = level[0], level[1], level[2]
				out.Residual = math.Sqrt(max(0, squares) / float64(n))
			}
		}
	}
	var sum, p, pp, t, tt float64
	for i := range places {
		for j := range thicknesses {
			w := math.Exp(logs[i*thicknesses+j] - best)
			if j == 0 || j == thicknesses-1 {
				w /= 2 // an end stands for half a step
			}
			at, thick := placeAt(i), thicknessStep*float64(j)
			sum, p, pp, t, tt = sum+w, p+w*at, pp+w*at*at, t+w*thick, tt+w*thick*thick
		}
	}
	spread := func(first, second, grid float64) float64 {
		return math.Sqrt(max(0, second/sum-first*first/(sum*sum)) + grid*grid/12)
	}
	out.Outer, out.U = p/sum, spread(p, pp, placeStep)
	out.Thickness, out.ThickU = t/sum, spread(t, tt, thicknessStep)
	return out
}

func placeAt(i int) float64 { return placeStep*float64(i) - placeReach }

// sums are what the evidence of every node is made of: with F the share of each sample's
// point spread below a border, ΣF, ΣF², ΣFg for each border, and Σg, Σg² and their number.
type sums struct {
	below           [borders][]float64 // F
	f, ff, fg       [borders]float64
	n, g, gg        float64
	mean, precision [3]float64 // of the priors
	weight          float64    // of a sample
}

func newSums(m Model, x, g []float64) *sums {
	n := len(x)
	step := (x[n-1] - x[0]) / float64(n-1)
	s := &sums{n: float64(n), weight: min(1, step/m.Correlation) / (m.Noise * m.Noise)}
	for i, p := range [3]Level{m.Inside, m.Plate, m.Outside} {
		s.mean[i], s.precision[i] = p.Mean, 1/(p.SD*p.SD)
	}
	for _, v := range g {
		s.g, s.gg = s.g+v, s.gg+v*v
	}
	for b := range borders {
		s.below[b] = make([]float64, n)
		for i, at := range x {
			v := 0.5 * math.Erfc((at-placeAt(b-deepest))/(math.Sqrt2*m.Blur))
			s.below[b][i] = v
			s.f[b], s.ff[b], s.fg[b] = s.f[b]+v, s.ff[b]+v*v, s.fg[b]+v*g[i]
		}
	}
	return s
}

// evidence is the log of the marginal likelihood of the samples where the borders lie
// at two of the lattice, less what is the same for all nodes; besides, the grey values at
// their best and the sum of squared residuals there. With B the shares of the three parts in
// each sample, w its weight, P the priors' precision and A = w·BᵀB + P, it is
// −(w·|r|² + (l−l₀)ᵀP(l−l₀))/2 − log|A|/2 at l = A⁻¹(w·Bᵀg + P·l₀).
func (s *sums) evidence(inner, outer int) (value float64, l [3]float64, squares float64) {
	cross := 0.0
	for i, v := range s.below[inner] {
		cross += v * s.below[outer][i]
	}
	ii, oo, i1, o1 := s.ff[inner], s.ff[outer], s.f[inner], s.f[outer]
	var (
		bb = [6]float64{ii, cross - ii, oo - 2*cross + ii, i1 - cross, o1 - oo - i1 + cross, s.n - 2*o1 + oo} // 00 10 11 20 21 22
		bg = [3]float64{s.fg[inner], s.fg[outer] - s.fg[inner], s.g - s.fg[outer]}
		a  [6]float64
		b  [3]float64
	)
	for k, v := range bb {
		a[k] = s.weight * v
	}
	for k := range 3 {
		a[[3]int{0, 2, 5}[k]] += s.precision[k]
		b[k] = s.weight*bg[k] + s.precision[k]*s.mean[k]
	}
	// Cholesky's factor, which the priors keep positive definite.
	l00 := math.Sqrt(a[0])
	l10, l20 := a[1]/l00, a[3]/l00
	l11 := math.Sqrt(a[2] - l10*l10)
	l21 := (a[4] - l20*l10) / l11
	l22 := math.Sqrt(a[5] - l20*l20 - l21*l21)
	y0 := b[0] / l00
	y1 := (b[1] - l10*y0) / l11
	y2 := (b[2] - l20*y0 - l21*y1) / l22
	l[2] = y2 / l22
	l[1] = (y1 - l21*l[2]) / l11
	l[0] = (y0 - l10*l[1] - l20*l[2]) / l00
	squares = s.gg - 2*(l[0]*bg[0]+l[1]*bg[1]+l[2]*bg[2]) +
		l[0]*l[0]*bb[0] + l[1]*l[1]*bb[2] + l[2]*l[2]*bb[5] + 2*(l[0]*l[1]*bb[1]+l[0]*l[2]*bb[3]+l[1]*l[2]*bb[4])
	sum := s.weight * squares
	for k := range 3 {
		d := l[k] - s.mean[k]
		sum += d * d * s.precision[k]
	}
	return -sum/2 - math.Log(l00*l11*l22), l, squares
}
