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

// Shot is one end of a fixture on a target plot: its place across the planned
// axis, and the covariance of it where it is known.
type Shot struct {
	Mesial, Buccal float64 // mm from the planned point; see Target.Words where directions are not known
	Cov            *[3]float64
}

// Target is the plot of one fixture's two ends against the plan, seen along the
// planned axis from the platform.
type Target struct {
	Entry, Apex Shot

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

// NewTarget is the target of a site whose directions are known.
//
// In: lateral parts of entry and apex, mm, + = mesial and buccal.
func NewTarget(site tooth.Number, entry, apex Shot) Target {
	out, in := wording.Cheek(site)
	sides := measurement.Mesiodistal
	t := Target{Entry: entry, Apex: apex, Up: out, Down: in, Right: sides.Plus, Left: sides.Minus}
	if mirrored(site) {
		t.mirror, t.Right, t.Left = true, sides.Minus, sides.Plus
	}
	shot := func(s Shot) string {
		return wording.Value(measurement.EntryMesial, s.Mesial, site) + " and " + wording.Value(measurement.EntryBuccal, s.Buccal, site)
	}
	t.Alt = fmt.Sprintf("Target plot of site %s, seen along the planned axis from the platform, %s up, %s to the right, the plan at the centre. The entry lies %s, the apex %s.",
		site, t.Up, t.Right, shot(entry), shot(apex))
	return t
}

// Target is the target plot of the scene's fixture; nil when none was found.
func (s *Scene) Target() *Target {
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
		t := NewTarget(s.Site, entry, apex)
		return &t
	}
	t := Target{Entry: entry, Apex: apex, Up: second.plus, Down: second.minus, Right: first.plus, Left: first.minus}
	if r3.Dot(r3.Cross(first.vec, second.vec), a) > 0 {
		t.mirror, t.Right, t.Left = true, first.minus, first.plus
	}
	word := func(x Shot) string { return said(x.Mesial, first) + " and " + said(x.Buccal, second) }
	t.Alt = fmt.Sprintf("Target plot of site %s, seen along the planned axis from the platform, %s up, %s to the right, the plan at the centre. The entry lies %s, the apex %s.",
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

// Layout of a target on paper, mm.
const (
	targetSide = 54.0 // of the square
	targetEdge = 5.0  // for the words around it
)

// reach is how far the plot goes from its centre: the next whole half of a
// millimetre over the farther end and its ellipse, at least 1 mm.
func (t *Target) reach() float64 {
	far := 1.0
	for _, s := range []Shot{t.Entry, t.Apex} {
		d := math.Hypot(s.Mesial, s.Buccal)
		if s.Cov != nil {
			long, _, _ := axes(*s.Cov)
			d += long
		}
		far = max(far, d)
	}
	return math.Ceil(far*2+0.1) / 2
}

// ringStep is the distance between the rings, mm.
func ringStep(reach float64) float64 {
	switch {
	case reach <= 2:
		return 0.5
	case reach <= 5:
		return 1
	}
	return math.Ceil(reach / 4)
}

// Draw draws the target.
func (t *Target) Draw() Drawing {
	side := targetSide + 2*targetEdge
	out := Drawing{Width: side, Height: side + 11, Alt: t.Alt}
	c := Point{side / 2, side / 2}
	reach := t.reach()
	scale := targetSide / 2 / reach
	step := ringStep(reach)

	out.add(line(c.X-targetSide/2, c.Y, c.X+targetSide/2, c.Y, 0.15, Faint), line(c.X, c.Y-targetSide/2, c.X, c.Y+targetSide/2, 0.15, Faint))
	for r := step; r <= reach+1e-9; r += step {
		out.add(Path{Points: circle(c, r*scale), Closed: true, Stroke: Faint, Width: 0.15})
		s := label(c.X+0.7, c.Y+r*scale-0.7, 2.2, Start, fmt.Sprintf("%g", r))
		s.Ink = Grey
		out.add(s)
	}
	edge := func(x, y float64, a Anchor, text string, turned bool) {
		l := label(x, y, smallType, a, text)
		l.Turned = turned
		out.add(l)
	}
	edge(c.X, targetEdge-1.4, Middle, t.Up, false)
	edge(c.X, side-targetEdge+3.4, Middle, t.Down, false)
	edge(targetEdge-1.4, c.Y, Middle, t.Left, true)
	edge(side-1.6, c.Y, Middle, t.Right, true)

	for _, p := range planMark(c) {
		out.add(p)
	}
	place := func(s Shot) Point {
		x := s.Mesial
		if t.mirror {
			x = -x
		}
		return Point{c.X + x*scale, c.Y - s.Buccal*scale}
	}
	e, a := place(t.Entry), place(t.Apex)
	out.add(Path{Points: []Point{e, a}, Stroke: Achieved, Width: 0.35})
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
	out.add(entryMark(e), apexMark(a))

	// What the marks mean.
	y := side + 2.4
	x := 1.0
	for _, p := range planSign(Point{x + 1.2, y - 0.9}) {
		out.add(p)
	}
	out.add(label(x+3.4, y, smallType, Start, "plan"))
	out.add(entryMark(Point{x + 12.0, y - 0.9}), label(x+14.0, y, smallType, Start, "entry"))
	out.add(apexMark(Point{x + 24.0, y - 0.9}), label(x+26.0, y, smallType, Start, "apex"))
	if t.Entry.Cov != nil {
		out.add(Path{Points: ellipse(Point{x + 36.2, y - 0.9}, 1.8, 1.1, 0), Closed: true, Stroke: Achieved, Width: 0.3},
			label(x+39.0, y, smallType, Start, "95 % region"))
	}
	note := label(x, y+4.6, smallType, Start, fmt.Sprintf("rings every %g mm; seen from the platform", step))
	note.Ink = Grey
	out.add(note)
	return out
}

// planMark is the plan on a target plot: an open circle and a cross, entry and
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
