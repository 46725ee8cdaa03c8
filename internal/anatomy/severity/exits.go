package severity

import (
	"fmt"
	"math"
	"slices"

	"plumbline/internal/measurement"
)

// Exits are the places where a fixture surely leaves the bone that the planning scan shows:
// a dehiscence, which reaches the crest, a fenestration, which does not, or an apex beyond
// the bone; as placed, or as planned where no fixture was found. A part of the fixture that
// is outside all around stands above the crest and is no exit.
func Exits(f measurement.Fixture) []Point {
	if f.Surroundings == nil {
		return nil
	}
	around, planned, who := f.Surroundings.Achieved, f.Surroundings.Planned, "the fixture"
	if around == nil {
		around, who = planned, "the planned fixture"
	}
	if around == nil {
		return nil
	}
	var out []Point
	for _, group := range exits(around) {
		by := measurement.ByTransfer
		if slices.ContainsFunc(exits(planned), group.meets) {
			by = measurement.ByPlan
		}
		out = append(out, Point{measurement.StructureEntered, by, fmt.Sprintf("%s %s (by the %s)", who, group.words(), by)})
	}
	if apexOutside(around.Apical) {
		by := measurement.ByTransfer
		if planned != nil && apexOutside(planned.Apical) {
			by = measurement.ByPlan
		}
		text := who + " has its apex outside the bone"
		if around.ApicalMM != nil {
			text += " by " + mm(-*around.ApicalMM)
		}
		out = append(out, Point{measurement.StructureEntered, by, fmt.Sprintf("%s (by the %s)", text, by)})
	}
	return out
}

// Farthest is the place where a placed fixture is farthest outside the bone; nil where it
// leaves it nowhere. A place of the wall has its direction; beyond the apex there is none.
// Where only a bound is known, Bone is absent.
func Farthest(f measurement.Fixture) *measurement.Wall {
	if f.Surroundings == nil || f.Surroundings.Achieved == nil {
		return nil
	}
	around := f.Surroundings.Achieved
	var out *measurement.Wall
	least := math.Inf(1)
	for _, e := range exits(around) {
		if far := e.at.outermost(); far < least {
			w := e.at.Wall
			out, least = &w, far
		}
	}
	if a := around.Apical; apexOutside(a) {
		w := measurement.Wall{Depth: f.Planned.Length, Bone: around.ApicalMM, Low: a.Low, High: a.High}
		if f.Achieved != nil {
			w.Depth = f.Achieved.Length
		}
		if (place{w}).outermost() < least {
			out = &w
		}
	}
	return out
}

func apexOutside(a *measurement.Apical) bool {
	return a != nil && a.First == nil && a.High != nil && *a.High < 0
}

// exit is a stretch of a fixture's wall outside the bone, in neighbouring directions.
type exit struct {
	directions map[string]bool
	at         place   // where it is farthest outside
	from, to   float64 // depths, mm
	crest      bool    // it reaches the crest
}

// place is a place of a wall outside the bone.
type place struct{ measurement.Wall }

// by is its bone, negative, or the bound on it; nil where it is more than the radius.
func (p place) by() *float64 {
	if p.Bone == nil {
		return p.High
	}
	return p.Bone
}

// outermost is by as a number.
func (p place) outermost() float64 {
	if by := p.by(); by != nil {
		return *by
	}
	return math.Inf(-1)
}

func (e exit) meets(other exit) bool {
	for d := range e.directions {
		if other.directions[d] {
			return true
		}
	}
	return false
}

func (e exit) words() string {
	what := "fenestration"
	if e.crest {
		what = "dehiscence"
	}
	far := "with more than half of its width"
	if by := e.at.by(); by != nil {
		far = "by " + mm(-*by)
	}
	at := fmt.Sprintf("%.1f mm below the platform", e.from)
	if e.to > e.from {
		at = fmt.Sprintf("from %.1f to %.1f mm below the platform", e.from, e.to)
	}
	return fmt.Sprintf("leaves the bone to %s %s, %s: %s", e.at.Direction, far, at, what)
}

// exits groups what of a wall is outside.
func exits(a *measurement.Around) []exit {
	if a == nil {
		return nil
	}
	var depths []float64
	var names []string // in their order about the axis
	for _, w := range a.Wall {
		if !slices.Contains(depths, w.Depth) {
			depths = append(depths, w.Depth)
		}
		if !slices.Contains(names, w.Direction) {
			names = append(names, w.Direction)
		}
	}
	slices.Sort(depths)
	at := func(depth float64) (walls []measurement.Wall) {
		return slices.DeleteFunc(slices.Clone(a.Wall), func(w measurement.Wall) bool { return w.Depth != depth })
	}
	inBone := func(w measurement.Wall) bool { return !w.Outside() }
	for len(depths) > 0 && !slices.ContainsFunc(at(depths[0]), inBone) {
		depths = depths[1:] // above the crest
	}
	out := map[string][]measurement.Wall{}
	for _, depth := range depths {
		for _, w := range at(depth) {
			if w.Outside() {
				out[w.Direction] = append(out[w.Direction], w)
			}
		}
	}
	if len(depths) == 0 {
		return nil
	}
	return grouped(names, out, depths[0])
}

// grouped joins neighbouring directions; first is the shallowest depth in the bone.
func grouped(names []string, out map[string][]measurement.Wall, first float64) []exit {
	n := len(names)
	var groups []exit
	joined := map[string]bool{}
	for i := range names {
		if len(out[names[i]]) == 0 || joined[names[i]] {
			continue
		}
		e := exit{directions: map[string]bool{}}
		least := math.Inf(1)
		for _, way := range []int{1, n - 1} { // to both sides
			for k := i; len(out[names[k]]) > 0 && !(joined[names[k]] && k != i); k = (k + way) % n {
				joined[names[k]], e.directions[names[k]] = true, true
				for _, w := range out[names[k]] {
					if len(e.directions) == 1 && e.to == 0 {
						e.from = w.Depth
					}
					e.from, e.to, e.crest = min(e.from, w.Depth), max(e.to, w.Depth), e.crest || w.Depth == first
					if far := (place{w}).outermost(); far < least {
						least, e.at = far, place{w}
					}
				}
				if len(e.directions) == n {
					break
				}
			}
		}
		groups = append(groups, e)
	}
	return groups
}
