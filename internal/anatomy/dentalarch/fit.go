package dentalarch

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/tooth"
)

// parameters is a form as numbers of like size, mm: the turn counts at turnArm
// from the front, the bend as what it moves the sides by, the splay as what it moves
// the ends by.
type parameters [7]float64

const turnArm, bendArm, splayArm = 30.0, 15.0, 20.0 // mm

func (f form) parameters() parameters {
	return parameters{f.front.x, f.front.y, turnArm * f.turn, f.half, f.depth, bendArm * f.bend, splayArm * f.splay}
}

func (v parameters) form() form {
	return form{front: point{v[0], v[1]}, turn: v[2] / turnArm, half: v[3], depth: v[4], bend: max(0.3, min(1.2, v[5]/bendArm)), splay: v[6] / splayArm}
}

// usual is what an arch is like before a scan is looked at, and how much that
// varies from person to person (standard deviations, mm; common practice, no
// source). The head's turn varies by 10°, the splay of either side by 6°.
func usual(jaw tooth.Jaw) (f form, spread parameters) {
	f = form{half: 25, depth: 37, bend: 0.65}
	if jaw == tooth.Upper {
		f = form{half: 26.5, depth: 38.5, bend: 0.65}
	}
	anywhere := math.Inf(1)
	return f, parameters{anywhere, anywhere, turnArm * math.Pi / 18, 2, 3.5, 0.15 * bendArm, 0.1 * splayArm}
}

// strangeness is how far a form is from the usual: the sum of squares of its
// standard deviations.
func strangeness(f form, jaw tooth.Jaw) float64 {
	middle, spread := usual(jaw)
	v, m, sum := f.parameters(), middle.parameters(), 0.0
	for k := range v {
		d := (v[k] - m[k]) / spread[k]
		sum += d * d
	}
	return sum
}

// worth of a form: how well it runs along a ridge, less what its strangeness
// takes off. A form two standard deviations off must show a hundredth more of
// contrast all along.
func (m *occlusal) worth(f form, jaw tooth.Jaw) float64 {
	return m.ridge(f.draw()[:], point{}) - 0.0025*strangeness(f, jaw)
}

// find looks for the arch all over the map, without any knowledge of the plan.
//
// Method: forms of the usual size on a grid of places and turns, the best dozen
// of them polished, and the one with the most worth taken.
func (m *occlusal) find(jaw tooth.Jaw) form {
	type start struct {
		f     form
		worth float64
	}
	var starts []start
	size, _ := usual(jaw)
	right, back := m.corner.x+pixel*float64(m.nx), m.corner.y+pixel*float64(m.ny)
	for turn := -20.0; turn <= 20; turn += 10 {
		for _, scale := range []float64{0.92, 1.04} {
			f := form{turn: turn * math.Pi / 180, half: scale * size.half, depth: scale * size.depth, bend: size.bend}
			line, strange := f.draw(), 0.0025*strangeness(f, jaw)
			for x := m.corner.x; x <= right; x += 5 {
				for y := m.corner.y - size.depth/2; y <= back-size.depth/2; y += 5 {
					f.front = point{x, y}
					starts = append(starts, start{f, m.ridge(line[:], f.front) - strange})
				}
			}
		}
	}
	slices.SortStableFunc(starts, func(a, b start) int {
		switch {
		case a.worth > b.worth:
			return -1
		case a.worth < b.worth:
			return 1
		}
		return 0
	})
	const tries = 12
	var best form
	most := math.Inf(-1)
	for _, s := range starts[:min(tries, len(starts))] {
		f := m.polish(s.f, jaw, nil, loosely)
		if w := m.worth(f, jaw); w > most {
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
	for turn := -15.0; turn <= 15; turn += 7.5 {
		f, _ := usual(jaw)
		f.turn = turn * math.Pi / 180
		line := f.draw()
		at := line[formEnd+int(math.Round(a.arc))]
		f.front = a.at.minus(at)
		f = m.polish(f, jaw, &a, loosely)
		if w := m.worth(f, jaw); w > most {
			best, most = f, w
		}
	}
	return best
}

const (
	// reach is how far beside a form the ridge is looked for, mm: less than half
	// way across the arch, and more than the grid of starts may be off.
	reach = 6.0
	// clear is the contrast from which a ridge counts in full: teeth have more,
	// bare bone beside teeth a little less.
	clear = 0.3
	// stray is the offset of a ridge's middle at which it counts half, mm, and settled
	// the same where the form lies on the ridge: three times rough.
	stray, settled = 3.0, 1.0
	// rough is how far the middle of the ridge usually lies beside the arch at least, mm
	// (standard deviation); on synthetic jaws it was 0.3 to 0.5 with teeth.
	rough = 0.3
	// alike is over how many millimetres the ridge's offset stays alike: a tooth.
	alike = 8.0
	// slide is how far along the arch a tooth may stand from its usual place,
	// mm (standard deviation): half a tooth.
	slide = 4.0
)

// manner is how a form is moved onto the ridge.
type manner struct {
	stray   float64 // offset of a ridge's middle at which it counts half, mm
	departs float64 // by how much the arch departs from forms: variance times length, mm³
}

// loosely is for a form that may be off and has to find both sides, of which one may be
// seen worse; closely for one that lies on the ridge and has to do so at the site.
var (
	loosely = manner{stray, departAlike * depart * depart}
	closely = manner{settled, 0}
)

// counts is how much of a point a ridge's middle is.
func counts(off, contrast, stray float64) float64 {
	return max(0, min(1, (contrast-faint)/(clear-faint))) / (1 + off*off/(stray*stray))
}

// movement is by how much a point of a form moves with each of its parameters,
// across the form to buccal and along it to the left.
type movement struct{ across, along parameters }

// moves are the movements of a form's points.
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

// polish moves a form onto the middle of the ridge.
//
// Method: Gauss and Newton's, on the offsets of the ridge's middle from the
// form, with the usual form as prior; an offset counts less where the contrast
// is weak and the larger it is (Cauchy's weight), so that what is no part of the
// arch does not pull.
func (m *occlusal) polish(f form, jaw tooth.Jaw, a *anchor, how manner) form {
	usualForm, spread := usual(jaw)
	middle := usualForm.parameters()
	for range 15 {
		line := f.draw()
		base := f.parameters()
		moves := f.moves(line)
		normal := mat.NewSymDense(len(base), nil)
		right := mat.NewVecDense(len(base), nil)
		add := func(slope parameters, residual, weight float64) {
			for k := range slope {
				right.SetVec(k, right.AtVec(k)+weight*slope[k]*residual)
				for l := k; l < len(slope); l++ {
					normal.SetSym(k, l, normal.At(k, l)+weight*slope[k]*slope[l])
				}
			}
		}
		for i := 1; i < len(line)-1; i++ {
			n := outwards(line[:], i)
			seen := m.see(line[i], n)
			if seen.contrast <= 0 {
				continue
			}
			add(moves[i].across, seen.off, counts(seen.off, seen.contrast, how.stray)/(alike*seen.spread*seen.spread+how.departs))
		}
		if a != nil {
			i := formEnd + int(math.Round(a.arc))
			add(moves[i].along, a.at.minus(line[i]).dot(along(line[:], i)), 1/(slide*slide))
		}
		for k := range base {
			var slope parameters
			slope[k] = 1
			add(slope, middle[k]-base[k], 1/(spread[k]*spread[k])) // 0 for the place
			normal.SetSym(k, k, normal.At(k, k)+1e-9)              // a place that nothing tells of stays
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
			d := max(-2, min(2, step.AtVec(k)))
			base[k] += d
			longest = max(longest, math.Abs(d))
		}
		f = base.form()
		if longest < 0.05 { // a sixth of rough
			break
		}
	}
	return f
}
