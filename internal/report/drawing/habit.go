package drawing

import (
	"cmp"
	"math"
	"slices"
)

// Region is an ellipse about offsets: centre and half axes in mm, the longer turned by
// Turn degrees from mesial towards buccal.
type Region struct {
	Mesial, Buccal float64
	Long, Short    float64
	Turn           float64
}

// NamedShot is one end of a case's fixture across the planned axis, mm.
type NamedShot struct {
	Name           string
	Mesial, Buccal float64
}

// Habit is one end of the fixtures of many cases, seen along the planned axis and hung
// between the rulers of a single fixture: mesial to the right and buccal up at every site,
// whichever side it is on.
type Habit struct {
	Shots      []NamedShot
	Mean, Next *Region // 95 % regions of the mean and of the next case; nil without
	Apex       bool
	Alt        string
}

// named is how many of the farthest cases have their names beside them.
const named = 3

// Draw draws the view.
func (h Habit) Draw() Drawing {
	out := Drawing{Width: rulersLeft + rulersSide + 8, Height: rulersTop + rulersSide + rulersFoot, Alt: h.Alt}
	far := 0.0
	for _, s := range h.Shots {
		far = max(far, math.Abs(s.Mesial), math.Abs(s.Buccal))
	}
	if n := h.Next; n != nil {
		far = max(far, math.Abs(n.Mesial)+n.Long, math.Abs(n.Buccal)+n.Long)
	}
	reach := usualReach * math.Ceil(far/usualReach)
	scale := rulersSide / 2 / reach
	c := Point{rulersLeft + rulersSide/2, rulersTop + rulersSide/2}
	left, bottom := rulersLeft-2.0, rulersTop+rulersSide+2.0
	place := func(mesial, buccal float64) Point { return Point{c.X + mesial*scale, c.Y - buccal*scale} }

	out.ruler(c.X, bottom, reach, scale, false)
	out.ruler(c.Y, left, reach, scale, true)
	edge := func(x, y float64, anchor Anchor, text string, turned bool) {
		l := label(x, y, smallType, anchor, text)
		l.Turned = turned
		out.add(l)
	}
	edge(rulersLeft-8.4, c.Y-rulersSide/2, End, "buccal", true)
	edge(rulersLeft-8.4, c.Y+rulersSide/2, Start, "lingual", true)
	edge(rulersLeft, bottom+8.2, Start, "distal", false)
	edge(rulersLeft+rulersSide, bottom+8.2, End, "mesial", false)

	cord := func(at Point, ink Ink, width float64, dash ...float64) {
		out.add(line(at.X, at.Y, at.X, bottom, width, ink, dash...), line(at.X, at.Y, left, at.Y, width, ink, dash...))
	}
	cord(c, Planned, 0.25, 0.9, 0.7)
	region := func(r *Region, width float64, dash ...float64) {
		if r != nil {
			out.add(Path{Points: ellipse(place(r.Mesial, r.Buccal), r.Long*scale, r.Short*scale, -r.Turn*math.Pi/180), Closed: true, Stroke: Black, Width: width, Dash: dash})
		}
	}
	region(h.Next, 0.3, 1.4, 0.9)
	region(h.Mean, 0.45)
	for _, s := range h.Shots {
		at := place(s.Mesial, s.Buccal)
		out.add(line(at.X, bottom-1.3, at.X, bottom, 0.2, Achieved), line(left, at.Y, left+1.3, at.Y, 0.2, Achieved), h.mark(at))
		out.spottedAt(s.Name, s.Name, at)
	}
	if h.Mean != nil {
		cord(place(h.Mean.Mesial, h.Mean.Buccal), Black, 0.3)
	}
	for _, p := range planMark(c) { // over the cases, which crowd about it
		out.add(p)
	}
	h.names(&out, place)

	y := rulersTop + rulersSide + 14.4
	x := rulersLeft
	for _, p := range planSign(Point{x + 1.2, y - 0.9}) {
		out.add(p)
	}
	out.add(label(x+3.2, y, smallType, Start, "plan"), h.mark(Point{x + 12.0, y - 0.9}), label(x+13.8, y, smallType, Start, "case"))
	if h.Mean != nil {
		out.add(line(x+23, y-0.9, x+26, y-0.9, 0.45, Black), label(x+27, y, smallType, Start, "mean, 95 %"))
	}
	if h.Next != nil {
		out.add(line(x+45, y-0.9, x+48.5, y-0.9, 0.3, Black, 1.4, 0.9), label(x+49.5, y, smallType, Start, "next"))
	}
	note := label(x, y+4.4, smallType, Start, "mm from the plan")
	note.Ink = Grey
	out.add(note)
	return out
}

func (h Habit) mark(at Point) Path {
	if h.Apex {
		return apexMark(at)
	}
	return entryMark(at)
}

// names writes the names of the farthest cases outside of them.
func (h Habit) names(out *Drawing, place func(mesial, buccal float64) Point) {
	far := slices.Clone(h.Shots)
	slices.SortStableFunc(far, func(a, b NamedShot) int {
		return cmp.Compare(math.Hypot(b.Mesial, b.Buccal), math.Hypot(a.Mesial, a.Buccal))
	})
	const size, advance = 2.2, 0.64 // mm; of the type's height, a character
	var taken []room
	for _, s := range far[:min(named, len(far))] {
		at, text := place(s.Mesial, s.Buccal), clipped(s.Name, nameLetters)
		wide := advance * size * float64(len([]rune(text)))
		anchor, off, left := Start, 1.6, at.X+1.6
		if s.Mesial < 0 {
			anchor, off, left = End, -1.6, at.X-1.6-wide
		}
		need := room{left, at.Y - size/2, wide, size}
		// One that would lie over another stands over or under it.
		for _, step := range []float64{0, 1, -1, 2, -2} {
			need.y = at.Y - size/2 + step*1.2*size
			if !slices.ContainsFunc(taken, func(o room) bool { return need.overlap(o) > 0 }) {
				break
			}
		}
		taken = append(taken, need)
		ground := rectangle(need.x-0.3, need.y, need.width+0.6, need.height)
		ground.Fill = White
		out.add(ground, label(at.X+off, need.y+0.85*size, size, anchor, text))
	}
}
