package dentalarch

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/tooth"
)

// parameters is a form as a vector in one unit, mm: front x and y, turn, half,
// depth, bend, splay. A turn counts as what it moves a point at turnArm from the
// front by, a bend as what it moves the sides by, a splay as what it moves the ends
// by.
type parameters [7]float64

const (
	turnArm, bendArm, splayArm = 30.0, 15.0, 20.0 // mm
	// leastBend and mostBend keep the exponent within curves that an arch can have;
	// common practice, no source.
	leastBend, mostBend = 0.3, 1.2
)

func (f form) parameters() parameters {
	return parameters{f.front.x, f.front.y, turnArm * f.turn, f.half, f.depth, bendArm * f.bend, splayArm * f.splay}
}

func (v parameters) form() form {
	return form{front: point{v[0], v[1]}, turn: v[2] / turnArm, half: v[3], depth: v[4], bend: max(leastBend, min(mostBend, v[5]/bendArm)), splay: v[6] / splayArm}
}

// usual is the prior of an arch: the mean form, and the standard deviations of the
// parameters from person to person, mm, infinite for the place (common practice, no
// source). The head's turn varies by 10°, the splay of either side by 6°.
func usual(jaw tooth.Jaw) (f form, spread parameters) {
	f = form{half: 25, depth: 37, bend: 0.65}
	if jaw == tooth.Upper {
		f = form{half: 26.5, depth: 38.5, bend: 0.65}
	}
	anywhere := math.Inf(1)
	return f, parameters{anywhere, anywhere, turnArm * math.Pi / 18, 2, 3.5, 0.15 * bendArm, 0.1 * splayArm}
}

// squaredDeviation is a form's squared Mahalanobis distance from the prior mean:
// the sum over the parameters of ((v − mean)/SD)².
func squaredDeviation(f form, jaw tooth.Jaw) float64 {
	middle, spread := usual(jaw)
	v, m, sum := f.parameters(), middle.parameters(), 0.0
	for k := range v {
		d := (v[k] - m[k]) / spread[k]
		sum += d * d
	}
	return sum
}

// priorWeight is the contrast that one squared standard deviation from the prior
// costs: a form two standard deviations off must show a hundredth more of contrast
// all along.
const priorWeight = 0.0025

// priorPenalty is what a form's distance from the prior takes off its score.
func priorPenalty(f form, jaw tooth.Jaw) float64 { return priorWeight * squaredDeviation(f, jaw) }

// logPosterior of a form, in units of contrast and but for a constant: the mean
// contrast of the ridge along it stands for the log-likelihood, less the penalty of
// the prior.
func (m *occlusal) logPosterior(f form, jaw tooth.Jaw) float64 {
	return m.meanContrast(f.draw()[:], point{}) - priorPenalty(f, jaw)
}

// Grid of the search for a form; the range of turns is that of heads in a scanner.
const (
	mostTurn, turnStep = 20.0, 10.0 // degrees
	frontStep          = 5.0        // mm, less than searchReach
	refined            = 12         // starts that are refined
	// nearTurn and nearTurnStep are the same around a tooth's planned place.
	nearTurn, nearTurnStep = 15.0, 7.5 // degrees
)

// sizes are the multiples of the mean form's size that are tried: a standard
// deviation or so to either side.
var sizes = []float64{0.92, 1.04}

// find searches the whole map for the arch, without any knowledge of the plan.
//
// Method: forms of about the mean size on a grid of places and turns; the dozen of
// the highest log-posterior are refined, and the best of these is taken.
func (m *occlusal) find(jaw tooth.Jaw) form {
	type start struct {
		f            form
		logPosterior float64
	}
	var starts []start
	size, _ := usual(jaw)
	right, back := m.corner.x+pixel*float64(m.nx), m.corner.y+pixel*float64(m.ny)
	for turn := -mostTurn; turn <= mostTurn; turn += turnStep {
		for _, scale := range sizes {
			f := form{turn: turn * math.Pi / 180, half: scale * size.half, depth: scale * size.depth, bend: size.bend}
			line, penalty := f.draw(), priorPenalty(f, jaw)
			for x := m.corner.x; x <= right; x += frontStep {
				for y := m.corner.y - size.depth/2; y <= back-size.depth/2; y += frontStep {
					f.front = point{x, y}
					starts = append(starts, start{f, m.meanContrast(line[:], f.front) - penalty})
				}
			}
		}
	}
	slices.SortStableFunc(starts, func(a, b start) int {
		switch { // not cmp.Compare: what is not a number stays in its place
		case a.logPosterior > b.logPosterior:
			return -1
		case a.logPosterior < b.logPosterior:
			return 1
		}
		return 0
	})
	var best form
	most := math.Inf(-1)
	for _, s := range starts[:min(refined, len(starts))] {
		f := m.refine(s.f, jaw, nil, searching)
		if w := m.logPosterior(f, jaw); w > most {
			best, most = f, w
		}
	}
	return best
}

// anchor ties a form to a tooth's place: the point lies at its arc.
type anchor struct {
	at  point
	arc float64
}

// near looks for the arch around one tooth's planned place, for a scan that
// shows too little of it to be found by itself.
func (m *occlusal) near(a anchor, jaw tooth.Jaw) form {
	var best form
	most := math.Inf(-1)
	for turn := -nearTurn; turn <= nearTurn; turn += nearTurnStep {
		f, _ := usual(jaw)
		f.turn = turn * math.Pi / 180
		line := f.draw()
		at := line[formEnd+int(math.Round(a.arc))]
		f.front = a.at.minus(at)
		f = m.refine(f, jaw, &a, searching)
		if w := m.logPosterior(f, jaw); w > most {
			best, most = f, w
		}
	}
	return best
}

const (
	// searchReach is how far beside a form the ridge is looked for, mm: less than
	// half way across the arch, and more than the grid of starts may be off.
	searchReach = 6.0
	// fullContrast is the contrast from which a ridge has its full weight: teeth have
	// more, bare bone beside teeth a little less.
	fullContrast = 0.3
	// searchScale is the offset of a ridge's middle at which Cauchy's weight is a half,
	// mm, and settledScale the same where the form lies on the ridge: three times
	// ridgeSD.
	searchScale, settledScale = 3.0, 1.0
	// ridgeSD is the least standard deviation of the offset of the ridge's middle from
	// the arch, mm; on synthetic jaws it was 0.3 to 0.5 with teeth.
	ridgeSD = 0.3
	// ridgeLength is the correlation length of that offset along the arch, mm: a tooth.
	// Observations are taken every formStep, so this many of them count as one.
	ridgeLength = 8.0
	// slideSD is the standard deviation of a tooth's place along the arch from its
	// usual one, mm: half a tooth.
	slideSD = 4.0
)

// weighting is how the offsets of the ridge are weighted in a refinement.
type weighting struct {
	scale     float64 // offset at which Cauchy's weight is a half, mm
	departure float64 // variance of the arch's departure from forms times its length, mm³
}

// searching is for a form that may be off and has to find both sides, of which one may be
// seen worse; settled for one that lies on the ridge and has to do so at the site.
var (
	searching = weighting{searchScale, departureLength * departureSD * departureSD}
	settled   = weighting{settledScale, 0}
)

// ridgeWeight is the weight of a ridge's middle: it rises with the contrast, and falls
// with the offset by Cauchy's function.
func ridgeWeight(off, contrast, scale float64) float64 {
	return max(0, min(1, (contrast-minContrast)/(fullContrast-minContrast))) / (1 + off*off/(scale*scale))
}

// movement is the derivatives of a point's place after the form's parameters,
// across the form to buccal and along it to the left, mm per mm.
type movement struct{ across, along parameters }

// moves are the movements of a form's points, by forward differences.
func (f form) moves(line *drawn) *[len(drawn{})]movement {
	const nudge = 0.25 // mm
	base := f.parameters()
	var moved [len(base)]*drawn
	for k := range base {
		v := base
		v[k] += nudge
		moved[k] = v.form().draw()
	}
	var out [len(drawn{})]movement
	for i := range line {
		t, n := along(line[:], i), outwards(line[:], i)
		for k := range moved {
			d := moved[k][i].minus(line[i])
			out[i].across[k], out[i].along[k] = d.dot(n)/nudge, d.dot(t)/nudge
		}
	}
	return &out
}

// Limits of refine.
const (
	mostIterations = 15
	mostStep       = 2.0  // mm, of a parameter
	tolerance      = 0.05 // mm, a sixth of ridgeSD: converged
	// placeDamping, 1/mm², keeps a place that nothing determines.
	placeDamping = 1e-9
)

// refine moves a form onto the middle of the ridge.
//
// Method: Gauss and Newton's, maximum a posteriori. The residuals are the offsets of
// the ridge's middle from the form, with ridgeWeight; the prior is the usual form. A
// ridge far from the form, which may be no part of the arch, does not pull
// (iteratively reweighted least squares).
func (m *occlusal) refine(f form, jaw tooth.Jaw, a *anchor, how weighting) form {
	usualForm, spread := usual(jaw)
	middle := usualForm.parameters()
	for range mostIterations {
		line := f.draw()
		base := f.parameters()
		moves := f.moves(line)
		normal := mat.NewSymDense(len(base), nil)
		right := mat.NewVecDense(len(base), nil)
		add := func(jacobian parameters, residual, weight float64) {
			for k := range jacobian {
				right.SetVec(k, right.AtVec(k)+weight*jacobian[k]*residual)
				for l := k; l < len(jacobian); l++ {
					normal.SetSym(k, l, normal.At(k, l)+weight*jacobian[k]*jacobian[l])
				}
			}
		}
		for i := 1; i < len(line)-1; i++ {
			n := outwards(line[:], i)
			seen := m.locateRidge(line[i], n)
			if seen.contrast <= 0 {
				continue
			}
			add(moves[i].across, seen.off, ridgeWeight(seen.off, seen.contrast, how.scale)/(ridgeLength*seen.sd*seen.sd+how.departure))
		}
		if a != nil {
			i := formEnd + int(math.Round(a.arc))
			add(moves[i].along, a.at.minus(line[i]).dot(along(line[:], i)), 1/(slideSD*slideSD))
		}
		for k := range base {
			var unit parameters
			unit[k] = 1
			add(unit, middle[k]-base[k], 1/(spread[k]*spread[k])) // weight 0 for the place
			normal.SetSym(k, k, normal.At(k, k)+placeDamping)
		}
		var chol mat.Cholesky
		if !chol.Factorize(normal) {
			return f
		}
		var step mat.VecDense
		if err := chol.SolveVecTo(&step, right); err != nil {
			return f
		}
		longest := 0.0
		for k := range base {
			d := max(-mostStep, min(mostStep, step.AtVec(k)))
			base[k] += d
			longest = max(longest, math.Abs(d))
		}
		f = base.form()
		if longest < tolerance {
			break
		}
	}
	return f
}
