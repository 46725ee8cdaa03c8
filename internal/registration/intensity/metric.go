package intensity

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// The metric is a robust local correlation. With pᵢ the planning grey value of
// sample i at xᵢ, and qᵢ(θ) the follow-up grey value where transform θ takes xᵢ, it
// sums over the blocks b
//
//	S(θ) = Σ_b min over a, g of Σ_{i in b} wᵢ rᵢ²,   rᵢ = pᵢ − a − g·qᵢ(θ)
//
// a is the block's offset and g its gain, nuisance parameters; w is Cauchy's
// weight. With a and g eliminated, a block's sum falls as its squared correlation
// rises, so the minimum of S is the maximum of a local normalised correlation.
//
// With J the rows g·∂qᵢ/∂θ, W the diagonal of the weights and P the projection
// onto what is orthogonal to 1 and q (variable projection in Kaufman's form:
// Kaufman L. BIT 1975;15:49-57), one step δ of Gauss and Newton solves
//
//	H δ = JᵀWr,   H = Σ_b JᵀWPJ
//
// Near the optimum g·∇q and ∇p are the same but for noise, so either or the mean
// of both serves in J (efficient second-order minimisation: Benhimane S, Malis E.
// IROS 2004:943-948).
//
// Order of parameters: see rigidParameters. Units: grey values of the planning
// scan; rad, mm.
type metric struct {
	*samples
	moving     *volume.Field                  // follow-up scan
	parameters int                            // rigidParameters or allParameters
	forEach    func(n int, f func(block int)) // parallel or serial

	movingGrey     []float64  // q of each sample; NaN where the follow-up scan has none
	movingGradient []geom.Vec // ∇q of each sample with respect to x, unless oneSided
}

func newMetric(s *samples, moving *volume.Field, parameters int, forEach func(int, func(int))) *metric {
	n := len(s.point)
	return &metric{samples: s, moving: moving, parameters: parameters, forEach: forEach,
		movingGrey: make([]float64, n), movingGradient: make([]geom.Vec, n)}
}

// serial runs f(0) … f(n−1), for work that is one of many side by side.
func serial(n int, f func(i int)) {
	for i := range n {
		f(i)
	}
}

// gradientScheme is which gradients make the Jacobian.
type gradientScheme int

const (
	// oneSided takes the planning scan's gradient for both scans': half the
	// work, and near enough before the last steps.
	oneSided gradientScheme = iota
	// symmetric takes the mean of both scans' gradients, so that neither scan's
	// noise weighs more and both directions of registration agree.
	symmetric
	// crossHessian adds the Hessian from the product of one scan's gradients and
	// the other's, whose noises are independent, so that noise does not pass for
	// structure.
	crossHessian
)

const (
	// cauchyTuning is the residual, in units of the noise, at which a sample's
	// weight is a half. 2.385 keeps 95 % efficiency under normal noise (Holland
	// PW, Welsch RE. Commun Stat Theory Methods 1977;6(9):813-827).
	cauchyTuning = 2.385
	// maxGainRatio bounds a block's gain against the typical one. Beam hardening
	// and cupping change a cone-beam scan's grey values by some ten percent; a
	// block that asks for more than twice or half the gain has no match there.
	maxGainRatio = 2.0
	// minOverlap is the share of a block's samples that must have a value in the
	// follow-up scan: one in minOverlap.
	minOverlap = 3
	// minNoise, in contrasts, is the least noise scale: a scan aligned to its own
	// copy leaves some hundred roundings of single precision.
	minNoise = 1e-5
	// minGain keeps a typical gain positive.
	minGain = 1e-9
)

type hessian [allParameters][allParameters]float64

// blockFit is a block's regression of planning on follow-up grey values, and its
// part of the normal equations.
type blockFit struct {
	overlap  int // samples with a value in both scans
	samples  int // samples of the planning scan
	used     bool
	centroid geom.Vec // of the overlap, planning frame

	gain        float64
	residual    float64 // weighted rms of r
	contrast    float64 // standard deviation of p
	correlation float64 // of p and q

	meanWeight    float64 // of w
	meanInfluence float64 // mean derivative of the influence function w·r, at most the mean weight

	h     hessian                // JᵀWPJ
	g     [allParameters]float64 // JᵀWr
	cross hessian                // h from one scan's gradients times the other's; only under crossHessian
}

// evaluation is the metric at one transform.
type evaluation struct {
	blocks []blockFit
	noise  float64 // robust scale of the residual
	gain   float64 // typical gain
}

// regression is p ≈ offset + gain·q in one block.
type regression struct {
	offset, gain float64
	meanP, meanQ float64 // weighted
	sumW         float64 // Σ w
	sumQQ        float64 // Σ w (q − meanQ)²
}

// evaluate compares the scans at preToPost.
func (m *metric) evaluate(preToPost scaledRigid, scheme gradientScheme) *evaluation {
	in := newInterpolator(m.moving, preToPost)
	blocks := len(m.blockStart) - 1
	ev := &evaluation{blocks: make([]blockFit, blocks)}
	plain := make([]regression, blocks)
	rms := make([]float64, blocks)
	m.forEach(blocks, func(b int) {
		m.resample(b, &in, scheme)
		plain[b], rms[b] = m.localRegression(b, &ev.blocks[b])
	})
	ev.noise, ev.gain = ev.typical(rms)
	if ev.noise == 0 {
		return ev
	}
	m.forEach(blocks, func(b int) {
		if fit := &ev.blocks[b]; fit.used {
			robust := m.robustRefit(b, plain[b], ev, scheme)
			m.normalEquations(b, fit, robust, residualScale(ev), scheme)
		}
	})
	return ev
}

// residualScale is the residual at which a sample's weight is a half.
func residualScale(ev *evaluation) float64 { return cauchyTuning * ev.noise }

// resample reads q, and ∇q unless oneSided, at a block's samples.
func (m *metric) resample(b int, in *interpolator, scheme gradientScheme) {
	for i := m.blockStart[b]; i < m.blockStart[b+1]; i++ {
		if scheme == oneSided {
			m.movingGrey[i] = in.value(m.point[i])
		} else {
			m.movingGrey[i], m.movingGradient[i] = in.valueAndGradient(m.point[i])
		}
	}
}

// localRegression fits p ≈ a + g·q to a block by least squares, all weights one,
// and gives the rms residual.
func (m *metric) localRegression(b int, fit *blockFit) (line regression, rms float64) {
	from, to := m.blockStart[b], m.blockStart[b+1]
	fit.samples = to - from
	var sp, sq, spp, sqq, spq float64
	for i := from; i < to; i++ {
		q := m.movingGrey[i]
		if q != q {
			continue
		}
		p := float64(m.grey[i])
		fit.overlap++
		fit.centroid = r3.Add(fit.centroid, m.point[i])
		sp += p
		sq += q
		spp += p * p
		sqq += q * q
		spq += p * q
	}
	if fit.overlap < minBlockSamples || minOverlap*fit.overlap < fit.samples {
		return regression{}, 0
	}
	n := float64(fit.overlap)
	fit.centroid = r3.Scale(1/n, fit.centroid)
	cpp, cqq, cpq := spp/n-sp*sp/n/n, sqq/n-sq*sq/n/n, spq/n-sp*sq/n/n
	if cpp <= 0 || cqq <= 0 {
		return regression{}, 0
	}
	fit.used = true
	fit.contrast = math.Sqrt(cpp)
	fit.correlation = cpq / math.Sqrt(cpp*cqq)
	fit.gain = cpq / cqq
	line = regression{offset: (sp - fit.gain*sq) / n, gain: fit.gain, meanP: sp / n, meanQ: sq / n}
	return line, math.Sqrt(max(0, cpp*(1-fit.correlation*fit.correlation)))
}

// robustRefit reweights a block's plain regression: once under oneSided, else
// twice. The gain is kept within maxGainRatio of the typical one.
func (m *metric) robustRefit(b int, plain regression, ev *evaluation, scheme gradientScheme) regression {
	from, to := m.blockStart[b], m.blockStart[b+1]
	scale := residualScale(ev)
	bounded := func(gain float64) float64 { return min(max(gain, ev.gain/maxGainRatio), ev.gain*maxGainRatio) }
	rounds := 2
	if scheme == oneSided {
		rounds = 1
	}
	out := plain
	out.gain = bounded(plain.gain)
	if out.gain != plain.gain {
		out.offset = meanOffset(m.grey[from:to], m.movingGrey[from:to], out.gain)
	}
	for range rounds {
		var sw, sq, sp, sqq, sqp float64 // of deviations from the plain means
		for i := from; i < to; i++ {
			q := m.movingGrey[i]
			if q != q {
				continue
			}
			p := float64(m.grey[i])
			w := cauchyWeight(p-out.offset-out.gain*q, scale)
			p, q = p-plain.meanP, q-plain.meanQ
			sw += w
			sq += w * q
			sp += w * p
			sqq += w * q * q
			sqp += w * q * p
		}
		out.sumW = sw
		out.meanQ = plain.meanQ + sq/sw
		out.meanP = plain.meanP + sp/sw
		out.sumQQ = sqq - sq*sq/sw
		cqp := sqp - sq*sp/sw
		if out.sumQQ > 0 {
			out.gain = bounded(cqp / out.sumQQ)
		}
		out.offset = out.meanP - out.gain*out.meanQ
	}
	return out
}

// normalEquations adds up a block's Jacobian products and projects them.
func (m *metric) normalEquations(b int, fit *blockFit, line regression, scale float64, scheme gradientScheme) {
	parameters := m.parameters
	offset, gain, meanQ := line.offset, line.gain, line.meanQ
	// Sums over w: J of the symmetric gradient, jp of the planning scan's, jm of
	// the follow-up scan's; each alone (…1) and times q − meanQ (…q).
	var h, cross hessian
	var g, j, j1, jq, m1, mq, p1, pq, jm, jp [allParameters]float64
	srr, influence := 0.0, 0.0
	for i := m.blockStart[b]; i < m.blockStart[b+1]; i++ {
		q := m.movingGrey[i]
		if q != q {
			continue
		}
		r := float64(m.grey[i]) - offset - gain*q
		w := cauchyWeight(r, scale)
		influence += w * (2*w - 1)
		srr += w * r * r
		gradient := m.gradient[i]
		if scheme != oneSided {
			gradient = r3.Scale(0.5, r3.Add(gradient, r3.Scale(gain, m.movingGradient[i])))
		}
		m.jacobian(&j, i, gradient, parameters)
		for a, ja := range j[:parameters] {
			wj := w * ja
			g[a] += wj * r
			j1[a] += wj
			jq[a] += wj * (q - meanQ)
			row := h[a][a:parameters]
			for c, jc := range j[a:parameters] {
				row[c] += wj * jc
			}
		}
		if scheme != crossHessian {
			continue
		}
		m.jacobian(&jp, i, m.gradient[i], parameters)
		for a := range parameters {
			jm[a] = 2*j[a] - jp[a]
			wp, wm := w*jp[a], w*jm[a]
			p1[a] += wp
			pq[a] += wp * (q - meanQ)
			m1[a] += wm
			mq[a] += wm * (q - meanQ)
			row := cross[a][:parameters]
			for c := range row {
				row[c] += wp * jm[c]
			}
		}
	}
	project := func(v, a1, c1, aq, cq float64) float64 {
		v -= a1 * c1 / line.sumW
		if line.sumQQ > 0 {
			v -= aq * cq / line.sumQQ
		}
		return v
	}
	for a := range parameters {
		for c := a; c < parameters; c++ {
			v := project(h[a][c], j1[a], j1[c], jq[a], jq[c])
			fit.h[a][c], fit.h[c][a] = v, v
			if scheme == crossHessian {
				v = (project(cross[a][c], p1[a], m1[c], pq[a], mq[c]) + project(cross[c][a], p1[c], m1[a], pq[c], mq[a])) / 2
				fit.cross[a][c], fit.cross[c][a] = v, v
			}
		}
		fit.g[a] = g[a]
	}
	fit.gain = gain
	fit.meanWeight, fit.meanInfluence = line.sumW/float64(fit.overlap), influence/float64(fit.overlap)
	fit.residual = math.Sqrt(srr / line.sumW)
}

// jacobian is the row of J at sample i, given the gradient of g·q there, per mm:
// (d × ∇, ∇, (d·eₖ)(∇·eₖ)) with d = x − c.
func (s *samples) jacobian(j *[allParameters]float64, i int, gradient geom.Vec, parameters int) {
	d := r3.Sub(s.point[i], s.centre)
	turn := r3.Cross(d, gradient)
	j[0], j[1], j[2] = turn.X, turn.Y, turn.Z
	j[3], j[4], j[5] = gradient.X, gradient.Y, gradient.Z
	if parameters == allParameters {
		for a, axis := range s.axes {
			j[6+a] = r3.Dot(d, axis) * r3.Dot(gradient, axis)
		}
	}
}

// meanOffset is the mean of p − gain·q.
func meanOffset(p []float32, q []float64, gain float64) float64 {
	sum, n := 0.0, 0
	for i := range p {
		if q[i] == q[i] {
			sum += float64(p[i]) - gain*q[i]
			n++
		}
	}
	return sum / float64(n)
}

// cauchyWeight is 1/(1 + (r/scale)²).
func cauchyWeight(r, scale float64) float64 {
	x := r / scale
	return 1 / (1 + x*x)
}

// typical is the noise and the gain: medians over the blocks of at least the
// median contrast, which have structure.
func (ev *evaluation) typical(rms []float64) (noise, gain float64) {
	var contrast []float64
	for _, b := range ev.blocks {
		if b.used {
			contrast = append(contrast, b.contrast)
		}
	}
	if len(contrast) == 0 {
		return 0, 0
	}
	limit := median(contrast)
	var noises, gains []float64
	for i, b := range ev.blocks {
		if b.used && b.contrast >= limit {
			noises = append(noises, rms[i])
			gains = append(gains, b.gain)
		}
	}
	return max(median(noises), minNoise*limit), max(median(gains), minGain)
}

// median sorts v; NaN when v is empty.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// similarity is the mean correlation of the blocks, weighted by the variance of
// their planning grey values, 1 at most. No block's variance counts for more than
// four times the median one, so that a few crowns do not outweigh the bone.
func (ev *evaluation) similarity() float64 {
	var variances []float64
	for _, b := range ev.blocks {
		if b.used {
			variances = append(variances, b.contrast*b.contrast)
		}
	}
	if len(variances) == 0 {
		return 0
	}
	most := 4 * median(variances)
	sum, total := 0.0, 0.0
	for _, b := range ev.blocks {
		if !b.used {
			continue
		}
		w := min(b.contrast*b.contrast, most) * float64(b.overlap)
		sum += w * b.correlation
		total += w
	}
	return sum / total
}

// score is the similarity, less where the overlap is small; see coverageFactor.
func (ev *evaluation) score() float64 { return ev.similarity() * coverageFactor(ev.coverage()) }

// coverage is the share of the samples that have a value in both scans.
func (ev *evaluation) coverage() float64 {
	n, of := 0, 0
	for _, b := range ev.blocks {
		of += b.samples
		if b.used {
			n += b.overlap
		}
	}
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

// coverageFactor is the root of twice the coverage, 1 from a half up: a smaller
// overlap needs more similarity.
func coverageFactor(coverage float64) float64 { return math.Sqrt(min(1, 2*coverage)) }
