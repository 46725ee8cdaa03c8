package dentalarch

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

const (
	// departureSD is the standard deviation of an arch's offset from the nearest form,
	// mm: the catenary lies 0.3 mm off, and the two sides of a jaw differ by as much
	// again. departureLength is the correlation length of that offset along the arch,
	// mm: some three teeth; from 12 to 25 mm the directions on synthetic jaws were as
	// good.
	departureSD, departureLength = 0.5, 20.0
	// rowAngleSD is the standard deviation of the angle between the ridge and the row
	// of teeth over more than a tooth, degrees, as measured on synthetic jaws.
	rowAngleSD = 1.0
	// fixtureOffset is how far from the ridge's middle a fixture usually stands at
	// most, mm; common practice, no source.
	fixtureOffset = 1.5
	// vagueSD is the prior standard deviation of a place that nothing is known of, mm.
	vagueSD = 100.0
)

// observation is one observation of where the arch runs.
type observation struct {
	at       int        // point of the form
	off      float64    // observed less the form's place, mm
	variance float64    // mm², of off by itself
	jacobian parameters // derivatives of the form's place after its parameters
	ridge    bool       // an offset across the form; else a place along it
}

// observe takes the middles of the ridge all along a form, and the tooth that ties
// it.
func (m *occlusal) observe(line *drawn, moves *[len(drawn{})]movement, tie *anchor) []observation {
	var out []observation
	for i := 1; i < len(line)-1; i++ {
		seen := m.locateRidge(line[i], outwards(line[:], i))
		if w := ridgeWeight(0, seen.contrast, searchScale); w > 0 {
			out = append(out, observation{i, seen.off, ridgeLength * seen.sd * seen.sd / w, moves[i].across, true})
		}
	}
	if tie != nil {
		i := formEnd + int(math.Round(tie.arc))
		out = append(out, observation{i, tie.at.minus(line[i]).dot(along(line[:], i)), slideSD * slideSD, moves[i].along, false})
	}
	return out
}

// direction is the arch's unit direction beside a point, from right to left, as the
// ridge runs there, and its standard uncertainty, degrees. f is a form refined onto
// the ridge.
//
// Method: the conditional mean and standard deviation of the slope (arcProcess). The
// ridge's middle is the form, with its parameters' prior; plus how this arch departs
// from all forms, a Gaussian process; plus how the teeth stand in the row, independent
// from tooth to tooth (robustVariances). A point farther from the ridge's middle than
// fixtures stand shows that the ridge, or the plan, is off by the excess in any
// direction; along the arch that counts by the arch's curvature there.
func (m *occlusal) direction(f form, jaw tooth.Jaw, tie *anchor, beside point) (direction point, u float64) {
	line := f.draw()
	arc, _ := place(line[:], geom.Vec{X: beside.x, Y: beside.y})
	at := formEnd + arc
	// In front the arch turns by 5° a millimetre, so the foot between two points
	// counts.
	t := along(line[:], at)
	foot := max(-0.5, min(0.5, beside.minus(line[at]).dot(t)/formStep))
	if next := at + int(math.Copysign(1, foot)); next >= 0 && next < len(line) {
		u, f := along(line[:], next), math.Abs(foot)
		t = point{(1-f)*t.x + f*u.x, (1-f)*t.y + f*u.y}
		t = point{t.x / t.norm(), t.y / t.norm()}
	}
	moves := f.moves(line)
	here := max(1, min(float64(len(line)-3), float64(at)+foot))
	process := newArcProcess(f, jaw, moves, here)
	offset, slope, variance := process.conditional(m.observe(line, moves, tie))

	n := point{t.y, -t.x}
	long := math.Hypot(1, slope)
	u = math.Hypot(rowAngleSD, geom.Degrees(math.Sqrt(variance)))
	if off := beside.minus(line[at]).dot(n) - offset; math.Abs(off) > fixtureOffset {
		before, after := along(line[:], max(0, at-1)), along(line[:], min(len(line)-1, at+1))
		turn := math.Asin(max(-1, min(1, before.x*after.y-before.y*after.x))) / (2 * formStep)
		u = math.Hypot(u, geom.Degrees(turn)*math.Sqrt(off*off-fixtureOffset*fixtureOffset))
	}
	return point{(t.x + slope*n.x) / long, (t.y + slope*n.y) / long}, u
}

// arcProcess is the model of the offset y(s) of the arch from a form, across it to
// buccal, mm, at arc s, mm:
//
//	y(s) = m(s)·β + z(s),   β ~ N(mean, diag(prior)),   z ~ GP(0, k)
//	k(d) = σ² exp(−d²/2ℓ²),   σ = departureSD, ℓ = departureLength
//
// m(s) are the movements of the form with its parameters β. Observation i is
// yᵢ = y(sᵢ) + eᵢ, eᵢ ~ N(0, vᵢ); of a place along the form it has no z.
// Method: Rasmussen CE, Williams CKI. Gaussian Processes for Machine Learning. 2006,
// sections 2.2, 2.7 and 9.4 (derivatives).
type arcProcess struct {
	mean, prior parameters // of β: mean, and variances
	arc         float64    // place of the answer, a point of the drawn form
	moved       parameters // m at arc
	turned      parameters // its derivative after arc
}

func newArcProcess(f form, jaw tooth.Jaw, moves *[len(drawn{})]movement, arc float64) arcProcess {
	usualForm, spread := usual(jaw)
	middle, base := usualForm.parameters(), f.parameters()
	p := arcProcess{arc: arc}
	for k := range base {
		p.mean[k], p.prior[k] = middle[k]-base[k], spread[k]*spread[k]
		if math.IsInf(spread[k], 1) {
			p.mean[k], p.prior[k] = 0, vagueSD*vagueSD
		}
	}
	i := int(arc)
	t := arc - float64(i)
	for k := range p.moved {
		at := func(j int) float64 { return moves[i+j].across[k] }
		p.moved[k] = (1-t)*at(0) + t*at(1)
		p.turned[k] = ((1-t)*(at(1)-at(-1)) + t*(at(2)-at(0))) / (2 * formStep)
	}
	return p
}

// kernel is k at a distance along the arch, mm.
func kernel(d float64) float64 {
	return departureSD * departureSD * math.Exp(-d*d/(2*departureLength*departureLength))
}

// dot is p·q.
func (p parameters) dot(q parameters) float64 {
	sum := 0.0
	for k := range p {
		sum += p[k] * q[k]
	}
	return sum
}

// priorCovariance is the covariance of p·β and q·β.
func (a *arcProcess) priorCovariance(p, q parameters) float64 {
	sum := 0.0
	for k := range p {
		sum += p[k] * (q[k] * a.prior[k])
	}
	return sum
}

// covariances are those of the observations with each other, without their own
// variances, and with the offset and the slope at the process's arc.
func (a *arcProcess) covariances(seen []observation) (mutual *mat.SymDense, withOffset, withSlope *mat.VecDense) {
	n := len(seen)
	mutual = mat.NewSymDense(n, nil)
	withOffset, withSlope = mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, p := range seen {
		for j := i; j < n; j++ {
			q := seen[j]
			c := a.priorCovariance(p.jacobian, q.jacobian)
			if p.ridge && q.ridge {
				c += kernel(float64(p.at - q.at))
			}
			mutual.SetSym(i, j, c)
		}
		offset, slope := a.priorCovariance(p.jacobian, a.moved), a.priorCovariance(p.jacobian, a.turned)
		if p.ridge {
			d := float64(p.at) - a.arc
			offset += kernel(d)
			slope += kernel(d) * d / (departureLength * departureLength)
		}
		withOffset.SetVec(i, offset)
		withSlope.SetVec(i, slope)
	}
	return mutual, withOffset, withSlope
}

// solve is (K + diag(v))⁻¹ b; ok is false where that is not positive definite.
func solve(k *mat.SymDense, v []float64, b *mat.VecDense) (x *mat.VecDense, ok bool) {
	total := mat.NewSymDense(len(v), nil)
	total.CopySym(k)
	for i, own := range v {
		total.SetSym(i, i, total.At(i, i)+own)
	}
	var chol mat.Cholesky
	x = new(mat.VecDense)
	return x, chol.Factorize(total) && chol.SolveVecTo(x, b) == nil
}

// robustVariances are the observations' own variances after reweighting by
// Cauchy's function of their residuals, and scaling by the scatter around the arc
// where that is more than the usual: for the mean by that of the weighted
// residuals, for the variance by that of all. residual is observation less prior
// mean.
func (a *arcProcess) robustVariances(seen []observation, mutual *mat.SymDense, residual *mat.VecDense) (forMean, forVariance []float64, ok bool) {
	const rounds = 5
	forMean, forVariance = make([]float64, len(seen)), make([]float64, len(seen))
	for i, p := range seen {
		forMean[i] = p.variance
		if p.ridge {
			forMean[i] *= 1 + p.off*p.off/(searchScale*searchScale)
		}
	}
	for range rounds {
		weights, ok := solve(mutual, forMean, residual)
		if !ok {
			return nil, nil, false
		}
		weighted, all, expected := 0.0, 0.0, 0.0 // sums of squares, in variances
		for i, p := range seen {
			if !p.ridge {
				continue
			}
			d := (float64(p.at) - a.arc) / departureLength
			e, w := forMean[i]*weights.AtVec(i), math.Exp(-d*d/2) // residual from the conditional mean
			forMean[i] = p.variance * (1 + e*e/(settledScale*settledScale))
			weighted, all, expected = weighted+w*e*e/forMean[i], all+w*e*e/p.variance, expected+w/ridgeLength
		}
		copy(forVariance, forMean)
		for i, p := range seen {
			if p.ridge && expected > 0 {
				forMean[i] *= max(1, weighted/expected)
				forVariance[i] *= max(1, all/expected)
			}
		}
	}
	return forMean, forVariance, true
}

// conditional is the offset of the arch from the form at the process's arc, mm, its
// slope against the form there, and the slope's variance, given observations: with
// K their covariance, r their residuals from the prior mean, and c the covariances
// with the slope (or the offset),
//
//	slope = prior mean + cᵀ(K + V)⁻¹r,   variance = prior variance − cᵀ(K + V)⁻¹c
//
// It is the prior where there are none, or where K + V is not positive definite.
func (a *arcProcess) conditional(seen []observation) (offset, slope, variance float64) {
	offset, slope = a.moved.dot(a.mean), a.turned.dot(a.mean)
	variance = a.priorCovariance(a.turned, a.turned) + departureSD*departureSD/(departureLength*departureLength)
	if len(seen) == 0 {
		return offset, slope, variance
	}
	mutual, withOffset, withSlope := a.covariances(seen)
	residual := mat.NewVecDense(len(seen), nil)
	for i, p := range seen {
		residual.SetVec(i, p.off-p.jacobian.dot(a.mean))
	}
	forMean, forVariance, ok := a.robustVariances(seen, mutual, residual)
	if !ok {
		return offset, slope, variance
	}
	mean, first := solve(mutual, forMean, residual)
	reduction, second := solve(mutual, forVariance, withSlope)
	if !first || !second {
		return offset, slope, variance
	}
	return offset + mat.Dot(withOffset, mean), slope + mat.Dot(withSlope, mean), variance - mat.Dot(withSlope, reduction)
}
