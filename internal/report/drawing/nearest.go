package drawing

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/bone"
	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// Structure is a body beside the fixture; Body is nil where it was not found.
type Structure struct {
	Name string
	Kind casefile.Kind
	Body clearance.Structure
	// Found says that the planning scan showed it and nobody drew it.
	Found bool
}

// sheet is the picture on paper that a cut is drawn on, and where words are on it.
type sheet struct {
	paper func(x, y float64) Point // of mm to the right and up from the plane's centre
	frame room
	words []room
	keep  []room // fixtures, which no word should hide

	ground, ink Ink // of words
}

// room is an upright rectangle on paper.
type room struct{ x, y, width, height float64 }

func (b room) holds(p Point) bool {
	return p.X >= b.x && p.X <= b.x+b.width && p.Y >= b.y && p.Y <= b.y+b.height
}

// overlap is the area that two rectangles share.
func (b room) overlap(o room) float64 {
	w := min(b.x+b.width, o.x+o.width) - max(b.x, o.x)
	h := min(b.y+b.height, o.y+o.height) - max(b.y, o.y)
	return max(0, w) * max(0, h)
}

// put moves a rectangle into the frame.
func (s *sheet) put(b room) room {
	const edge = 0.5
	b.x = min(max(b.x, s.frame.x+edge), s.frame.x+s.frame.width-b.width-edge)
	b.y = min(max(b.y, s.frame.y+edge), s.frame.y+s.frame.height-b.height-edge)
	return b
}

// about is the rectangle about paths, as far as they lie in the frame; false where none does.
func (s *sheet) about(items []Item) (room, bool) {
	var t trail
	for _, it := range items {
		if p, ok := it.(Path); ok {
			for _, q := range p.Points {
				if s.frame.holds(q) {
					t.take(q, Point{})
				}
			}
		}
	}
	return t.bounds, t.shows
}

// keepOff tells the sheet what no word should hide.
func (s *sheet) keepOff(items []Item) {
	if b, ok := s.about(items); ok {
		s.keep = append(s.keep, b)
	}
}

// say puts words on a ground of their own at the first of the places where the frame has them
// whole and no other words are; where there is none, at the place that hides least.
func (s *sheet) say(text string, size float64, bold bool, layer Layer, places ...Point) []Item {
	advance := 0.64 // of the type's height, a character: of the widest typeface that the page may fall back on
	if bold {
		advance = 0.72
	}
	need := room{width: advance*size*float64(len([]rune(text))) + 1.4, height: 1.3 * size}
	best, hidden := room{}, math.Inf(1)
	for _, at := range places {
		b := need
		b.x, b.y = at.X-need.width/2, at.Y-need.height/2
		b = s.put(b)
		over := math.Hypot(b.x+b.width/2-at.X, b.y+b.height/2-at.Y) // how far it had to move
		for _, o := range s.words {
			over += 100 * b.overlap(o)
		}
		for _, o := range s.keep {
			over += b.overlap(o)
		}
		if over < hidden {
			best, hidden = b, over
		}
	}
	s.words = append(s.words, best)
	ground := rectangle(best.x, best.y, best.width, best.height)
	ground.Fill, ground.Layer = s.ground, layer
	return []Item{ground, Label{At: Point{best.x + best.width/2, best.y + 0.98*size}, Text: text, Size: size, Anchor: Middle, Ink: s.ink, Bold: bold, Layer: layer}}
}

// structureDash tells the kinds of structure apart, lengths on and off in mm of paper;
// a kind that is not in it has a solid line.
var structureDash = map[casefile.Kind][]float64{
	casefile.Sinus:          {3, 0.8, 0.5, 0.8},
	casefile.Root:           {0.6, 0.8},
	casefile.Cortex:         {4, 1.4},
	casefile.OtherStructure: {0.5, 0.6, 0.5, 0.6, 2.2, 0.6},
}

// foundDash is the line of what was found, whatever its kind: pairs of dots.
var foundDash = []float64{0.3, 0.5, 0.3, 1.5}

// dash is the structure's line; nil where it is solid.
func (st Structure) dash() []float64 {
	if st.Found {
		return foundDash
	}
	return structureDash[st.Kind]
}

// structureWidth is how strong a structure's line is, mm: a canal's is the strongest.
func structureWidth(k casefile.Kind) float64 {
	if k == casefile.Nerve {
		return 0.6
	}
	return 0.4
}

const (
	nameSize   = 2.5 // mm
	mostOfName = 24  // characters
)

// trail is what of an outline shows in the frame.
type trail struct {
	bounds room
	spot   Point // its place farthest from the picture's middle line
	shows  bool
}

func (t *trail) take(p, middle Point) {
	if !t.shows {
		*t = trail{room{p.X, p.Y, 0, 0}, p, true}
		return
	}
	b := &t.bounds
	right, low := max(b.x+b.width, p.X), max(b.y+b.height, p.Y)
	b.x, b.y = min(b.x, p.X), min(b.y, p.Y)
	b.width, b.height = right-b.x, low-b.y
	if math.Abs(p.X-middle.X) > math.Abs(t.spot.X-middle.X) {
		t.spot = p
	}
}

// outline draws where the structure passes a plane.
func (st Structure) outline(plane Plane, reach float64, on *sheet) (lines []Item, seen trail) {
	if st.Body == nil {
		return nil, seen
	}
	middle := on.paper(0, 0)
	dash, width := st.dash(), structureWidth(st.Kind)
	for _, c := range crossSection(st.Body, plane, reach) {
		points := make([]Point, len(c.points))
		for i, q := range c.points {
			points[i] = on.paper(q[0], q[1])
			if on.frame.holds(points[i]) {
				seen.take(points[i], middle)
			}
		}
		points = simplified(points, c.closed)
		lines = append(lines,
			Path{Points: points, Closed: c.closed, Stroke: Casing, Width: width + 0.5, Layer: StructureLayer},
			Path{Points: points, Closed: c.closed, Stroke: StructureOnScan, Width: width, Dash: dash, Layer: StructureLayer})
	}
	return lines, seen
}

// name names the structure: beside an outline that is small in the frame, on one that is not.
func (st Structure) name(seen trail, on *sheet) []Item {
	text := shortened(st.Name)
	half := 0.32*nameSize*float64(len([]rune(text))) + 1.5
	const off = 2.4 // mm
	b := seen.bounds
	const small = 0.5 // of the frame
	if b.width < small*on.frame.width && b.height < small*on.frame.height {
		x, y := b.x+b.width/2, b.y+b.height/2
		return on.say(text, nameSize, false, StructureLayer,
			Point{x, b.y + b.height + off}, Point{b.x + b.width + half, y}, Point{b.x - half, y}, Point{x, b.y - off})
	}
	p := seen.spot
	return on.say(text, nameSize, false, StructureLayer, Point{p.X, p.Y + off}, Point{p.X, p.Y - off}, Point{p.X + half, p.Y}, Point{p.X - half, p.Y})
}

// shortened is a name that fits beside an outline.
func shortened(name string) string {
	r := []rune(name)
	if len(r) <= mostOfName {
		return name
	}
	return string(r[:mostOfName-1]) + "…"
}

// dimension is a distance drawn in a cut.
type dimension struct {
	from, to geom.Vec
	text     string
	beyond   bool // the figure stands beyond from, where the line lies within a fixture
}

// draw draws the distance as a line between two ticks, with its figure beside it.
func (d *dimension) draw(plane Plane, on *sheet) []Item {
	ax, ay := plane.On(d.from)
	bx, by := plane.On(d.to)
	a, b := on.paper(ax, ay), on.paper(bx, by)
	var items []Item
	stroke := func(p, q Point) {
		items = append(items, line(p.X, p.Y, q.X, q.Y, 1.1, Casing), line(p.X, p.Y, q.X, q.Y, 0.5, White))
	}
	across := Point{0, 1} // a unit vector
	if length := math.Hypot(b.X-a.X, b.Y-a.Y); length > 0.01 {
		across = Point{-(b.Y - a.Y) / length, (b.X - a.X) / length}
	}
	const tick = 1.3 // half of it
	for _, p := range []Point{a, b} {
		stroke(Point{p.X - tick*across.X, p.Y - tick*across.Y}, Point{p.X + tick*across.X, p.Y + tick*across.Y})
	}
	stroke(a, b)
	const size = 3.4
	mid := Point{(a.X + b.X) / 2, (a.Y + b.Y) / 2}
	half := 0.32*size*float64(len([]rune(d.text))) + 2.2
	if d.beyond {
		away := Point{-across.Y, across.X}
		if away.X*(a.X-b.X)+away.Y*(a.Y-b.Y) < 0 {
			away = Point{-away.X, -away.Y}
		}
		return append(items, on.say(d.text, size, true, "", Point{a.X + half*away.X, a.Y + size*away.Y})...)
	}
	if math.Abs(across.X) > math.Abs(across.Y) { // an upright line has its figure at its side
		return append(items, on.say(d.text, size, true, "", Point{mid.X + half, mid.Y}, Point{mid.X - half, mid.Y})...)
	}
	return append(items, on.say(d.text, size, true, "", Point{mid.X, mid.Y + size}, Point{mid.X, mid.Y - size})...)
}

// Nearest is the cut through the fixture's axis and the point where a structure comes
// nearest to it, with the distance drawn in; ok is false where that lies outside of what
// a cut shows, or where the fixture or the structure was not found.
//
// The envelope is a body of revolution, so that its point nearest to a point outside lies
// in the plane through the axis and that point.
func (c *Cutter) Nearest(st Structure, text string) (d Drawing, ok bool) {
	if c.achieved == nil || st.Body == nil {
		return Drawing{}, false
	}
	near := clearance.Of(*c.achieved, st.Body)
	v := c.scene.nearestView(c.achieved.Pose(), near.OnStructure)
	if x, y := v.plane.On(near.OnStructure); math.Abs(x) > v.width/2 || math.Abs(y) > v.height/2 {
		return Drawing{}, false
	}
	return c.measured(v, "the point of "+st.Name+" nearest to it, with the distance drawn in", &dimension{from: near.OnFixture, to: near.OnStructure, text: text}), true
}

// measured is a cut through the axis and a place, with a distance in it.
func (c *Cutter) measured(v View, place string, gap *dimension) Drawing {
	out := c.draw(v, 0, gap)
	out.Alt = fmt.Sprintf("Cut through the %s at site %s, through the axis of the placed fixture and %s: %s. Right is %s, up is %s.",
		c.name, c.scene.Site, place, gap.text, v.right.plus, v.up.plus)
	return out
}

// Outside is the cut through the fixture's axis and a place of its wall, or its apex, that is
// outside the bone, with the distance from there to the bone's outer surface drawn in; ok is
// false where no fixture was found or its directions are not known.
//
// In: far, how far the place is outside, mm, above 0.
func (c *Cutter) Outside(at measurement.Wall, far float64, text string) (d Drawing, ok bool) {
	if c.achieved == nil {
		return Drawing{}, false
	}
	pose := c.achieved.Pose()
	out, from := pose.Axis(), pose.Apex
	if at.Direction != "" {
		way := slices.Index(bone.Directions[:], at.Direction)
		if way < 0 || c.scene.Directions == nil {
			return Drawing{}, false
		}
		out = bone.Ways(pose.Axis(), c.scene.Directions.Mesial, c.scene.Directions.Buccal)[way]
		from = r3.Add(pose.Entry, r3.Add(r3.Scale(at.Depth, pose.Axis()), r3.Scale(c.scene.Achieved.Diameter/2, out)))
	}
	v := c.scene.nearestView(pose, from)
	v.Name, v.place = "where it leaves the bone", "where it leaves the bone"
	return c.measured(v, "the place where it is farthest outside the bone, with the distance to the bone's outer surface drawn in",
		&dimension{from: from, to: r3.Sub(from, r3.Scale(far, out)), text: text, beyond: true}), true
}

// nearestView is the view that holds an axis and a point. Where the point lies on the
// axis, every plane through the axis holds it, and the buccolingual one is taken: a
// canal shows there as a ring.
func (s *Scene) nearestView(pose geom.Pose, p geom.Vec) View {
	axis := pose.Axis()
	mesial, buccal := s.aside(axis)
	off := r3.Sub(p, pose.Entry)
	off = r3.Sub(off, r3.Scale(r3.Dot(off, axis), axis))
	towards := buccal
	if r3.Norm(off) > onAxis {
		towards = between(r3.Unit(off), mesial, buccal)
	}
	up := direction{r3.Scale(-1, axis), "coronal", "apical"}
	if s.Site.Jaw() == tooth.Upper {
		up = up.reversed()
	}
	// Seen from the side that the plain cuts are seen from.
	right := towards
	viewer := r3.Cross(right.vec, up.vec)
	from := buccal.vec
	if math.Abs(r3.Dot(viewer, mesial.vec)) > math.Abs(r3.Dot(viewer, buccal.vec)) {
		from = mesial.vec
	}
	if r3.Dot(viewer, from) < 0 {
		right = right.reversed()
	}
	// From a little coronal of the platform to a little beyond the apex or the point.
	first, last := -coronally, pose.Length()+beyond
	if depth := r3.Dot(r3.Sub(p, pose.Entry), axis); depth > pose.Length()-beyond {
		last = min(depth+around, pose.Length()+2*around)
	} else {
		first = max(min(first, depth-beyond), -around)
	}
	centre := r3.Add(pose.Entry, r3.Scale((first+last)/2, axis))
	return View{Name: "nearest point", plane: Plane{centre, right.vec, up.vec}, right: right, up: up,
		step: direction{viewer, "", ""}, width: 2 * halfWidth, height: rounded(last - first), along: true,
		place: "at the nearest point"}
}

// What a nearest-point cut shows, mm.
const (
	coronally = 2.5 // coronally of the platform
	around    = 6.0 // beyond the nearest point: a canal or a root whole
)

// onAxis is how far beside the axis a point's direction still means something, mm: under
// the error of any figure here.
const onAxis = 0.05

// between words a direction across the axis by the eighth of the circle it lies in.
func between(v geom.Vec, mesial, buccal direction) direction {
	name := func(m, b float64) string {
		first, second := "", ""
		switch {
		case m > eighth:
			first = mesial.plus
		case m < -eighth:
			first = mesial.minus
		}
		switch {
		case b > eighth:
			second = buccal.plus
		case b < -eighth:
			second = buccal.minus
		}
		return wording.Between(first, second)
	}
	m, b := r3.Dot(v, mesial.vec), r3.Dot(v, buccal.vec)
	return direction{v, name(m, b), name(-m, -b)}
}

// eighth is the sine of 22.5°, half an eighth of the circle.
var eighth = math.Sin(math.Pi / 8)
