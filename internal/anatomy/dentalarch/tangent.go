package dentalarch

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

const (
	// depart is how far an arch runs beside the nearest form, mm (standard
	// deviation): the catenary lies 0.3 mm off, and the two sides of a jaw differ by
	// as much again. departAlike is over how far along it that stays alike, mm: some
	// three teeth; from 12 to 25 mm the directions on synthetic jaws were as good.
	depart, departAlike = 0.5, 20.0
	// drift is how far the ridge and the row of teeth run in different directions over
	// more than a tooth, degrees (standard deviation), as measured on synthetic jaws.
	drift = 1.0
	// aside is how far from the ridge's middle a fixture usually stands at most, mm;
	// common practice, no source.
	aside = 1.5
	// anywhere is the standard deviation of a place that nothing is known of, mm.
	anywhere = 100.0
)

// mark is one thing seen of where the arch runs: how far a point of a form would
// have to move for it, mm, and how that depends on the form's parameters.
type mark struct {
	at       int     // point of the form
	off      float64 // mm
	variance float64 // mm², of off by itself
	slope    parameters
	ridge    bool // an offset across the form; else a place along it
}

// marks are the middles of the ridge all along a form, and the tooth that ties it.
func (m *occlusal) marks(line *drawn, moves *[len(drawn{})]movement, tie *anchor) []mark {
	var out []mark
	for i := 1; i < len(line)-1; i++ {
		seen := m.see(line[i], outwards(line[:], i))
		if w := counts(0, seen.contrast, stray); w > 0 {
			out = append(out, mark{i, seen.off, alike * seen.spread * seen.spread / w, moves[i].across, true})
		}
	}
	if tie != nil {
		i := formEnd + int(math.Round(tie.arc))
		out = append(out, mark{i, tie.at.minus(line[i]).dot(along(line[:], i)), slide * slide, moves[i].along, false})
	}
	return out
}

// direction is the arch's unit direction beside a point, from right to left, as the
// ridge runs there, and its standard uncertainty, degrees. f is the form that lies
// on the ridge.
//
// Method: the ridge's middle all along is the form, moved by what its parameters are
// wrong by, plus how this arch departs from all forms, plus how the teeth stand in the
// row. The first has the usual form as prior; the second is a Gaussian process with a
// squared exponential covariance; the third is independent from tooth to tooth, its
// variance being that usual for teeth or, where that is more, their scatter about the
// fit, and larger for what lies far from the fit (Cauchy's weight). The direction is the
// slope's conditional mean, and its uncertainty the conditional standard deviation, for
// which what lies far from the fit adds to the scatter in full: it tells of metal or
// crowding. A point farther from the ridge's middle than fixtures stand tells that the ridge, or the
// plan, is off by so much in any direction; along the arch that counts by how it turns
// there.
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
	offset, slope, variance := conditional(m.marks(line, moves, tie), moves, f, jaw, here)

	n := point{t.y, -t.x}
	long := math.Hypot(1, slope)
	u = math.Hypot(drift, geom.Degrees(math.Sqrt(variance)))
	if off := beside.minus(line[at]).dot(n) - offset; math.Abs(off) > aside {
		before, after := along(line[:], max(0, at-1)), along(line[:], min(len(line)-1, at+1))
		turn := math.Asin(max(-1, min(1, before.x*after.y-before.y*after.x))) / (2 * formStep)
		u = math.Hypot(u, geom.Degrees(turn)*math.Sqrt(off*off-aside*aside))
	}
	return point{(t.x + slope*n.x) / long, (t.y + slope*n.y) / long}, u
}

// conditional is the offset of the arch from a form at a place along it, its slope
// against the form there, and the slope's variance, given marks.
func conditional(marks []mark, moves *[len(drawn{})]movement, f form, jaw tooth.Jaw, here float64) (offset, slope, variance float64) {
	usualForm, spread := usual(jaw)
	middle, base := usualForm.parameters(), f.parameters()
	var mean, prior parameters
	for k := range base {
		mean[k], prior[k] = middle[k]-base[k], spread[k]*spread[k]
		if math.IsInf(spread[k], 1) {
			mean[k], prior[k] = 0, anywhere*anywhere
		}
	}
	dot := func(p, q parameters, weight *parameters) float64 {
		sum := 0.0
		for k := range p {
			w := q[k]
			if weight != nil {
				w *= weight[k]
			}
			sum += p[k] * w
		}
		return sum
	}
	departure := func(s float64) float64 { return depart * depart * math.Exp(-s*s/(2*departAlike*departAlike)) }

	// What the parameters move here: the offset and the slope.
	var moved, turned parameters
	i := int(here)
	for k := range moved {
		p := func(j int) float64 { return moves[i+j].across[k] }
		t := here - float64(i)
		moved[k] = (1-t)*p(0) + t*p(1)
		turned[k] = ((1-t)*(p(1)-p(-1)) + t*(p(2)-p(0))) / (2 * formStep)
	}
	offset, slope = dot(moved, mean, nil), dot(turned, mean, nil)
	variance = dot(turned, turned, &prior) + depart*depart/(departAlike*departAlike)
	if len(marks) == 0 {
		return offset, slope, variance
	}

	n := len(marks)
	shared := mat.NewSymDense(n, nil) // covariance but for each mark's own
	toOffset, toSlope, surprise := mat.NewVecDense(n, nil), mat.NewVecDense(n, nil), mat.NewVecDense(n, nil)
	for i, p := range marks {
		for j := i; j < n; j++ {
			q := marks[j]
			c := dot(p.slope, q.slope, &prior)
			if p.ridge && q.ridge {
				c += departure(float64(p.at - q.at))
			}
			shared.SetSym(i, j, c)
		}
		o, s := dot(p.slope, moved, &prior), dot(p.slope, turned, &prior)
		if p.ridge {
			d := float64(p.at) - here
			o += departure(d)
			s += departure(d) * d / (departAlike * departAlike)
		}
		toOffset.SetVec(i, o)
		toSlope.SetVec(i, s)
		surprise.SetVec(i, p.off-dot(p.slope, mean, nil))
	}
	own := make([]float64, n)
	for i, p := range marks {
		own[i] = p.variance
		if p.ridge {
			own[i] *= 1 + p.off*p.off/(stray*stray)
		}
	}
	// solve gives the weights that make of b the conditional mean, with each mark's own
	// variance.
	solve := func(own []float64, b *mat.VecDense) (*mat.VecDense, bool) {
		all := mat.NewSymDense(n, nil)
		all.CopySym(shared)
		for i, v := range own {
			all.SetSym(i, i, all.At(i, i)+v)
		}
		var chol mat.Cholesky
		var weights mat.VecDense
		return &weights, chol.Factorize(all) && chol.SolveVecTo(&weights, b) == nil
	}
	doubtful := make([]float64, n) // own, as all that was seen has it
	for range 5 {
		weights, ok := solve(own, surprise)
		if !ok {
			return offset, slope, variance
		}
		// The scatter about the fit of what is seen around the place, as a share of the
		// usual: of what counts, and of all.
		counted, all, sum := 0.0, 0.0, 0.0
		for i, p := range marks {
			if !p.ridge {
				continue
			}
			d := (float64(p.at) - here) / departAlike
			e, w := own[i]*weights.AtVec(i), math.Exp(-d*d/2)
			own[i] = p.variance * (1 + e*e/(settled*settled))
			counted, all, sum = counted+w*e*e/own[i], all+w*e*e/p.variance, sum+w/alike
		}
		copy(doubtful, own)
		for i, p := range marks {
			if p.ridge && sum > 0 {
				own[i] *= max(1, counted/sum)
				doubtful[i] *= max(1, all/sum)
			}
		}
	}
	forMean, first := solve(own, surprise)
	forVariance, second := solve(doubtful, toSlope)
	if !first || !second {
		return offset, slope, variance
	}
	return offset + mat.Dot(toOffset, forMean), slope + mat.Dot(toSlope, forMean), variance - mat.Dot(toSlope, forVariance)
}
