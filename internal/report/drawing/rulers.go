package drawing

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// Shot is one end of a fixture: its place across the planned axis, and the
// covariance of it where it is known.
type Shot struct {
	Mesial, Buccal float64 // mm from the planned point; along the patient's own directions where those of the arch are not known
	Cov            *[3]float64
}

// Rulers is one fixture seen along the planned axis from the platform, planned and
// placed, hung between a mesiodistal and a buccolingual ruler.
type Rulers struct {
	Entry, Apex               Shot
	PlannedWidth, PlacedWidth float64 // diameters, mm

	Up, Down, Right, Left string // words at the edges
	mirror                bool   // mesial is to the left
	Alt                   string
}

// chi2of2 is the 95 % point of the chi-squared distribution with 2 degrees of
// freedom, −2·ln 0.05: the square of the half axes of the 95 % ellipse of a
// normal pair in units of its standard deviations.
var chi2of2 = -2 * math.Log(0.05)

// mirrored tells whether mesial is to the left, seen from the platform with
// buccal up: in quadrants 2 and 4 (see deviation.Site).
func mirrored(site tooth.Number) bool { q := site.Quadrant(); return q == 2 || q == 4 }

// NewRulers is the view of a site whose directions are known.
//
// In: lateral parts of entry and apex, mm, + = mesial and buccal; diameters, mm.
func NewRulers(site tooth.Number, entry, apex Shot, planned, placed float64) Rulers {
	out, in := wording.Cheek(site)
	sides := measurement.Mesiodistal
	t := Rulers{Entry: entry, Apex: apex, PlannedWidth: planned, PlacedWidth: placed, Up: out, Down: in, Right: sides.Plus, Left: sides.Minus}
	if mirrored(site) {
		t.mirror, t.Right, t.Left = true, sides.Minus, sides.Plus
	}
	shot := func(s Shot) string {
		return wording.Value(measurement.EntryMesial, s.Mesial, site) + " and " + wording.Value(measurement.EntryBuccal, s.Buccal, site)
	}
	t.Alt = fmt.Sprintf("Fixture at site %s seen along the planned axis from the platform, %s up, %s to the right, planned and placed, on rulers that begin at the plan. The entry lies %s, the apex %s.",
		site, t.Up, t.Right, shot(entry), shot(apex))
	return t
}

// Rulers is the view of the scene's fixture; nil when none was found.
func (s *Scene) Rulers() *Rulers {
	if s.Achieved.Pose == nil {
		return nil
	}
	a := s.Planned.Axis()
	first, second := s.aside(a)
	shot := func(from, to geom.Vec, end int) Shot {
		off := r3.Sub(to, from)
		out := Shot{Mesial: deviation.Part(first.vec, off), Buccal: deviation.Part(second.vec, off)}
		if len(s.Achieved.Budget) > 0 {
			out.Cov = projected(s.Achieved.Budget.Cov(), end, first.vec, second.vec)
		}
		return out
	}
	entry, apex := shot(s.Planned.Entry, s.Achieved.Pose.Entry, 0), shot(s.Planned.Apex, s.Achieved.Pose.Apex, 3)
	if s.Directions != nil {
		t := NewRulers(s.Site, entry, apex, s.PlannedDiameter, s.Achieved.Diameter)
		return &t
	}
	t := Rulers{Entry: entry, Apex: apex, PlannedWidth: s.PlannedDiameter, PlacedWidth: s.Achieved.Diameter, Up: second.plus, Down: second.minus, Right: first.plus, Left: first.minus}
	if r3.Dot(r3.Cross(first.vec, second.vec), a) > 0 {
		t.mirror, t.Right, t.Left = true, first.minus, first.plus
	}
	word := func(x Shot) string { return said(x.Mesial, first) + " and " + said(x.Buccal, second) }
	t.Alt = fmt.Sprintf("Fixture at site %s seen along the planned axis from the platform, %s up, %s to the right, planned and placed, on rulers that begin at the plan. The entry lies %s, the apex %s.",
		s.Site, t.Up, t.Right, word(entry), word(apex))
	return &t
}

// said words a length along a direction.
func said(x float64, d direction) string {
	if x < -0.005 {
		return fmt.Sprintf("%.2f mm %s", -x, d.minus)
	}
	return fmt.Sprintf("%.2f mm %s", math.Abs(x), d.plus)
}

// projected is the covariance of one end of a pose in two directions: variance
// of the first, of the second, and their covariance. end is 0 or 3.
func projected(ends *mat.SymDense, end int, first, second geom.Vec) *[3]float64 {
	form := func(a, b geom.Vec) float64 {
		x, y := [3]float64{a.X, a.Y, a.Z}, [3]float64{b.X, b.Y, b.Z}
		sum := 0.0
		for i := range 3 {
			for j := range 3 {
				sum += x[i] * y[j] * ends.At(end+i, end+j)
			}
		}
		return sum
	}
	return &[3]float64{form(first, first), form(second, second), form(first, second)}
}

// axes are the half axes of the 95 % ellipse of a covariance and the direction
// of the longer one from the first towards the second direction, radians.
func axes(cov [3]float64) (long, short, angle float64) {
	mid, half := (cov[0]+cov[1])/2, math.Hypot((cov[0]-cov[1])/2, cov[2])
	angle = math.Atan2(2*cov[2], cov[0]-cov[1]) / 2
	return math.Sqrt(chi2of2 * (mid + half)), math.Sqrt(chi2of2 * max(0, mid-half)), angle
}

// Layout on paper, mm.
const (
	rulersSide = 52.0 // of the square
	rulersLeft = 11.0 // the upright ruler and its words
	rulersTop  = 2.0
	rulersFoot = 20.0
)

// usualReach is how far the rulers go from the plan, mm, where all of the fixture shows
// within it: the same in all reports, so that two can be laid side by side.
const usualReach = 4.0

// reach is how far the rulers go: the usual, or as many whole times that as is needed.
func (t *Rulers) reach() float64 {
	far := t.PlannedWidth / 2
	for _, s := range []Shot{t.Entry, t.Apex} {
		far = max(far, math.Abs(s.Mesial)+t.PlacedWidth/2, math.Abs(s.Buccal)+t.PlacedWidth/2)
	}
	return usualReach * math.Ceil(far/usualReach)
}

// Draw draws the view.
func (t *Rulers) Draw() Drawing {
	out := Drawing{Width: rulersLeft + rulersSide + 1, Height: rulersTop + rulersSide + rulersFoot, Alt: t.Alt}
	reach := t.reach()
	scale := rulersSide / 2 / reach
	c := Point{rulersLeft + rulersSide/2, rulersTop + rulersSide/2}
	left, bottom := rulersLeft-2.0, rulersTop+rulersSide+2.0
	place := func(s Shot) Point {
		x := s.Mesial
		if t.mirror {
			x = -x
		}
		return Point{c.X + x*scale, c.Y - s.Buccal*scale}
	}
	e, a := place(t.Entry), place(t.Apex)

	out.ruler(c.X, bottom, reach, scale, false)
	out.ruler(c.Y, left, reach, scale, true)
	edge := func(x, y float64, anchor Anchor, text string, turned bool) {
		l := label(x, y, smallType, anchor, text)
		l.Turned = turned
		out.add(l)
	}
	edge(rulersLeft-8.4, c.Y-rulersSide/2, End, t.Up, true)
	edge(rulersLeft-8.4, c.Y+rulersSide/2, Start, t.Down, true)
	edge(rulersLeft, bottom+8.2, Start, t.Left, false)
	edge(rulersLeft+rulersSide, bottom+8.2, End, t.Right, false)

	// The cords to the rulers: where each end lies on them.
	cord := func(at Point, ink Ink, width float64, dash ...float64) {
		out.add(line(at.X, at.Y, at.X, bottom, width, ink, dash...), line(at.X, at.Y, left, at.Y, width, ink, dash...))
	}
	cord(c, Planned, 0.25, 0.9, 0.7)
	cord(e, Achieved, 0.2)
	cord(a, Achieved, 0.2)

	out.add(Path{Points: circle(c, t.PlannedWidth/2*scale), Closed: true, Stroke: Planned, Width: 0.45, Dash: []float64{2.2, 1.3}},
		Path{Points: circle(a, t.PlacedWidth/2*scale), Closed: true, Stroke: Achieved, Width: 0.25},
		Path{Points: circle(e, t.PlacedWidth/2*scale), Closed: true, Stroke: Achieved, Width: 0.6},
		Path{Points: []Point{e, a}, Stroke: Achieved, Width: 0.35})
	region := func(s Shot, at Point) {
		if s.Cov == nil {
			return
		}
		long, short, angle := axes(*s.Cov)
		turn := -angle // the page's y runs down
		if t.mirror {
			turn = angle
		}
		out.add(Path{Points: ellipse(at, long*scale, short*scale, turn), Closed: true, Stroke: Achieved, Width: 0.3})
	}
	region(t.Entry, e)
	region(t.Apex, a)
	for _, p := range planSign(c) {
		out.add(p)
	}
	out.add(entryMark(e), apexMark(a))

	// What the marks mean.
	y := rulersTop + rulersSide + 14.4
	x := rulersLeft
	for _, p := range planSign(Point{x + 1.2, y - 0.9}) {
		out.add(p)
	}
	out.add(label(x+3.2, y, smallType, Start, "plan"))
	out.add(entryMark(Point{x + 12.0, y - 0.9}), label(x+13.8, y, smallType, Start, "platform"))
	out.add(apexMark(Point{x + 28.0, y - 0.9}), label(x+29.8, y, smallType, Start, "apex"))
	if t.Entry.Cov != nil {
		out.add(Path{Points: ellipse(Point{x + 39.2, y - 0.9}, 1.8, 1.1, 0), Closed: true, Stroke: Achieved, Width: 0.3},
			label(x+42.0, y, smallType, Start, "95 %"))
	}
	note := label(x, y+4.4, smallType, Start, "mm from the plan")
	note.Ink = Grey
	out.add(note)
	return out
}

// ruler draws a ruler of reach mm to both sides of its zero at middle: along the page at
// height at, or upright at that place.
func (d *Drawing) ruler(middle, at, reach, scale float64, upright bool) {
	stroke := func(from, to, off1, off2, width float64) {
		if upright {
			d.add(line(at+off1, from, at+off2, to, width, Grey))
			return
		}
		d.add(line(from, at-off1, to, at-off2, width, Grey))
	}
	stroke(middle-reach*scale, middle+reach*scale, 0, 0, 0.25)
	step := reach / usualReach // mm between numbers
	for i := -2 * usualReach; i <= 2*usualReach; i++ {
		v := i * step / 2
		x := middle + v*scale
		whole := math.Mod(i, 2) == 0
		tick := 0.8
		if whole {
			tick = 1.5
		}
		stroke(x, x, 0, -tick, 0.2)
		if !whole {
			continue
		}
		n := label(x, at+4.4, 2.2, Middle, fmt.Sprintf("%g", math.Abs(v)))
		if upright {
			n.At, n.Anchor = Point{at - 2.2, x + 0.8}, End
		}
		n.Ink = Grey
		d.add(n)
	}
}

// planMark is the plan among many cases: an open circle and a cross, entry and
// apex in one point.
func planMark(at Point) []Path {
	return []Path{{Points: circle(at, 1.5), Closed: true, Stroke: Planned, Width: 0.4, Dash: []float64{0.9, 0.6}},
		line(at.X-2.6, at.Y, at.X+2.6, at.Y, 0.35, Planned), line(at.X, at.Y-2.6, at.X, at.Y+2.6, 0.35, Planned)}
}

// planSign stands for the plan in a legend.
func planSign(at Point) []Path {
	return []Path{{Points: circle(at, 1.1), Closed: true, Stroke: Planned, Width: 0.35, Dash: []float64{0.8, 0.5}}}
}

// entryMark is a filled disc, as everywhere for an achieved entry.
func entryMark(at Point) Path {
	return Path{Points: circle(at, 0.85), Closed: true, Fill: Achieved, Stroke: White, Width: 0.2}
}

// apexMark is a filled triangle that points down.
func apexMark(at Point) Path {
	return Path{Points: []Point{{at.X - 1.05, at.Y - 0.75}, {at.X + 1.05, at.Y - 0.75}, {at.X, at.Y + 1.15}}, Closed: true, Fill: Achieved, Stroke: White, Width: 0.2}
}
