package drawing

import (
	"fmt"
	"math"
)

// Region is an ellipse on a target plot: centre and half axes in mm, the longer
// turned by Turn degrees from mesial towards buccal.
type Region struct {
	Mesial, Buccal float64
	Long, Short    float64
	Turn           float64
}

// Scatter is the target plot of all cases at one end of the fixture: mesial to
// the right and buccal up at every site, whichever side it is on.
type Scatter struct {
	Shots      [][2]float64 // mesial and buccal, mm
	Mean, Next *Region      // 95 % regions of the mean and of the next case; nil without
	Apex       bool
	Alt        string
}

// Draw draws the plot.
func (s Scatter) Draw() Drawing {
	side := targetSide + 2*targetEdge
	out := Drawing{Width: side, Height: side + 11, Alt: s.Alt}
	c := Point{side / 2, side / 2}
	reach := 1.0
	for _, p := range s.Shots {
		reach = max(reach, math.Hypot(p[0], p[1]))
	}
	if s.Next != nil {
		reach = max(reach, math.Hypot(s.Next.Mesial, s.Next.Buccal)+s.Next.Long)
	}
	reach = math.Ceil(reach*2+0.1) / 2
	scale := targetSide / 2 / reach
	step := ringStep(reach)
	rings(&out, c, reach, step, scale)
	for _, e := range []struct {
		at   Point
		text string
		turn bool
	}{{Point{c.X, targetEdge - 1.4}, "buccal", false}, {Point{c.X, side - targetEdge + 3.4}, "lingual", false},
		{Point{targetEdge - 1.4, c.Y}, "distal", true}, {Point{side - 1.6, c.Y}, "mesial", true}} {
		l := label(e.at.X, e.at.Y, smallType, Middle, e.text)
		l.Turned = e.turn
		out.add(l)
	}
	planMark(&out, c)
	place := func(m, b float64) Point { return Point{c.X + m*scale, c.Y - b*scale} }
	region := func(r *Region, width float64, dash ...float64) {
		if r != nil {
			out.add(Path{Points: ellipse(place(r.Mesial, r.Buccal), r.Long*scale, r.Short*scale, -r.Turn*math.Pi/180), Closed: true, Stroke: Black, Width: width, Dash: dash})
		}
	}
	mark := entryMark
	name := "entry"
	if s.Apex {
		mark, name = apexMark, "apex"
	}
	for _, p := range s.Shots {
		out.add(mark(place(p[0], p[1])))
	}
	region(s.Next, 0.3, 1.4, 0.9)
	region(s.Mean, 0.45)

	x, y := 1.0, side+2.4
	out.add(mark(Point{x + 1.2, y - 0.9}), label(x+3.4, y, smallType, Start, name+" of a case"))
	if s.Mean != nil {
		out.add(Path{Points: ellipse(Point{x + 27, y - 0.9}, 1.8, 1.1, 0), Closed: true, Stroke: Black, Width: 0.45}, label(x+30, y, smallType, Start, "mean"),
			Path{Points: ellipse(Point{x + 42, y - 0.9}, 1.8, 1.1, 0), Closed: true, Stroke: Black, Width: 0.3, Dash: []float64{0.8, 0.6}}, label(x+45, y, smallType, Start, "next case"))
	}
	note := label(x, y+4.6, smallType, Start, fmt.Sprintf("rings every %g mm; regions of 95 %%", step))
	note.Ink = Grey
	out.add(note)
	return out
}

// rings are the grid of a target plot.
func rings(out *Drawing, c Point, reach, step, scale float64) {
	out.add(line(c.X-targetSide/2, c.Y, c.X+targetSide/2, c.Y, 0.15, Faint), line(c.X, c.Y-targetSide/2, c.X, c.Y+targetSide/2, 0.15, Faint))
	for r := step; r <= reach+1e-9; r += step {
		out.add(Path{Points: circle(c, r*scale), Closed: true, Stroke: Faint, Width: 0.15})
		s := label(c.X+0.7, c.Y+r*scale-0.7, 2.2, Start, fmt.Sprintf("%g", r))
		s.Ink = Grey
		out.add(s)
	}
}

// planMark is the plan on a target plot: an open circle and a cross, entry and
// apex in one point.
func planMark(out *Drawing, c Point) {
	out.add(Path{Points: circle(c, 1.5), Closed: true, Stroke: Planned, Width: 0.4, Dash: []float64{0.9, 0.6}},
		line(c.X-2.6, c.Y, c.X+2.6, c.Y, 0.35, Planned), line(c.X, c.Y-2.6, c.X, c.Y+2.6, 0.35, Planned))
}
