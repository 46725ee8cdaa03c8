package drawing

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/deviation"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// Scene is one fixture with all that its pictures are drawn from.
type Scene struct {
	Shown evidence.View // what is cut: that which Achieved was observed in

	Site            tooth.Number
	Planned         geom.Pose // planning frame, as every pose here
	PlannedDiameter float64   // mm

	Achieved evidence.Achieved // without a pose the cuts follow the plan

	Directions *deviation.Directions // nil: not known; the patient's own are used
	Deviation  *measurement.Values

	Planning   evidence.View // the planning scan; nil where it is not at hand
	Structures []Structure

	lines *surfaceLines // of what is shown, once they are asked for
}

// pose is the fixture that the cuts follow.
func (s *Scene) pose() geom.Pose {
	if s.Achieved.Pose != nil {
		return *s.Achieved.Pose
	}
	return s.Planned
}

func (s *Scene) which() string {
	if s.Achieved.Pose != nil {
		return "achieved"
	}
	return "planned"
}

// Direction is a direction of the page with its words.
type direction struct {
	vec         geom.Vec
	plus, minus string // words for this way and the other
}

// aside gives the two directions across an axis that the pictures use: mesial
// and buccal where they are known, else the patient's left and back.
func (s *Scene) aside(axis geom.Vec) (first, second direction) {
	if s.Directions != nil {
		out, in := wording.Cheek(s.Site)
		m := across(s.Directions.Mesial, axis)
		u := r3.Cross(axis, m)
		if r3.Dot(u, s.Directions.Buccal) < 0 {
			u = r3.Scale(-1, u)
		}
		return direction{m, measurement.Mesiodistal.Plus, measurement.Mesiodistal.Minus}, direction{u, out, in}
	}
	left := geom.Vec{X: 1}
	if math.Abs(axis.X) > 0.9 {
		left = geom.Vec{Z: 1}
	}
	l := across(left, axis)
	back := r3.Cross(axis, l)
	if back.Y < 0 {
		back = r3.Scale(-1, back)
	}
	if left.Z != 0 {
		return direction{l, "towards the head", "towards the feet"}, direction{back, "back", "front"}
	}
	return direction{l, "left", "right"}, direction{back, "back", "front"}
}

func (d direction) reversed() direction {
	return direction{r3.Scale(-1, d.vec), d.minus, d.plus}
}

// View is one family of parallel cuts: through its own plane, or Moved along
// its step direction.
type View struct {
	Name   string // "mesiodistal", …
	plane  Plane
	right  direction // of the page
	up     direction
	step   direction
	width  float64 // mm of the patient
	height float64
	along  bool    // holds the fixture's axis
	length float64 // of the fixture, in a view across it
	place  string  // words for where it lies, in a view that is not moved
}

// The reach of the cuts, mm: half a tooth on each side of a fixture.
const (
	halfWidth = 9.0
	beyond    = 4.0 // coronally of the platform and apically of the apex
)

// Views are the families of cuts of one fixture: two along its axis, and one
// across it that starts at the entry.
//
// Along the axis up is the patient's head; the mesiodistal cut is seen from
// outside the mouth and the buccolingual one from mesial, so that of a tooth on
// the patient's right mesial, and of one in front the patient's right, lie as on a
// radiograph. Across the axis the cuts are seen from the platform, buccal up.
func (s *Scene) Views() []View {
	pose := s.pose()
	axis := pose.Axis()
	mid := r3.Scale(0.5, r3.Add(pose.Entry, pose.Apex))
	first, second := s.aside(axis)

	coronal := direction{r3.Scale(-1, axis), "coronal", "apical"}
	up := coronal
	if s.Site.Jaw() == tooth.Upper {
		up = coronal.reversed()
	}
	along := func(name string, towards, viewer direction) View {
		right := towards
		if r3.Dot(r3.Cross(right.vec, up.vec), viewer.vec) < 0 {
			right = right.reversed()
		}
		return View{Name: name, plane: Plane{mid, right.vec, up.vec}, right: right, up: up, step: viewer,
			width: 2 * halfWidth, height: rounded(pose.Length() + 2*beyond), along: true}
	}
	names := [2]string{"mesiodistal", "buccolingual"}
	if s.Directions == nil {
		names = [2]string{first.minus + " to " + first.plus, second.minus + " to " + second.plus}
	}
	right := first
	if r3.Dot(r3.Cross(right.vec, second.vec), coronal.vec) < 0 {
		right = right.reversed()
	}
	return []View{
		along(names[0], first, second),
		along(names[1], second, first),
		{Name: "across", plane: Plane{pose.Entry, right.vec, second.vec}, right: right, up: second, step: coronal.reversed(),
			width: 2 * halfWidth, height: 2 * halfWidth, length: pose.Length()},
	}
}

// Along tells whether the view's cuts hold the fixture's axis.
func (v View) Along() bool { return v.along }

// Place words where a cut lies that was moved by d mm.
func (v View) Place(d float64) string {
	switch {
	case v.place != "":
		return v.place
	case v.along && math.Abs(d) < 0.005:
		return "through the axis"
	case v.along && d > 0:
		return fmt.Sprintf("%.1f mm %s", d, v.step.plus)
	case v.along:
		return fmt.Sprintf("%.1f mm %s", -d, v.step.minus)
	case math.Abs(d) < 0.005:
		return "at the entry"
	case math.Abs(d-v.length) < 0.005:
		return "at the apex"
	case d < 0:
		return fmt.Sprintf("%.1f mm coronal of the entry", -d)
	case d > v.length:
		return fmt.Sprintf("%.1f mm apical of the apex", d-v.length)
	case d > v.length/2:
		return fmt.Sprintf("%.1f mm coronal of the apex", v.length-d)
	}
	return fmt.Sprintf("%.1f mm apical of the entry", d)
}

// Cutter draws the cuts of a scene, all with the same brightness.
type Cutter struct {
	scene             *Scene
	name              string // of what is cut
	grey              evidence.Grey
	window            window
	pixel             float64
	planned, achieved *clearance.Envelope
	surfaces          *surfaceLines // nil where a scan is cut
}

// Cutter prepares the cuts of a scene through what shows the placed fixture, with
// pixels of the given size, mm; a surface scan is drawn over the planning scan.
//
// Errors: a fixture that has no envelope.
func (s *Scene) Cutter(pixel float64) (*Cutter, error) {
	if lines := s.surfaces(); lines != nil {
		c, err := s.cutter("planning scan with the surface scan", s.Planning, pixel)
		if err != nil {
			return nil, err
		}
		c.surfaces = lines
		return c, nil
	}
	return s.cutter(s.Achieved.Kind.Name(), s.Shown, pixel)
}

// Before prepares the same cuts through the planning scan.
//
// Errors: a fixture that has no envelope.
func (s *Scene) Before(pixel float64) (*Cutter, error) {
	return s.cutter("planning scan", s.Planning, pixel)
}

func (s *Scene) cutter(name string, shown evidence.View, pixel float64) (*Cutter, error) {
	pose := s.pose()
	// As far as a corner of a cut across lies from an end of the axis, and a
	// voxel more.
	reach := math.Sqrt(2*halfWidth*halfWidth+beyond*beyond) + 1
	c := &Cutter{scene: s, name: name, grey: shown.Around(reach, pose.Entry, pose.Apex), pixel: pixel}
	var both []float64
	for _, v := range s.Views() {
		if v.along {
			w, h := v.pixels(pixel)
			both = append(both, sampled(c.grey, v.plane, w, h, pixel)...)
		}
	}
	c.window = windowOf(both)
	e, err := clearance.Nominal(s.PlannedDiameter).Place(s.Planned)
	if err != nil {
		return nil, fmt.Errorf("planned outline at site %s: %w", s.Site, err)
	}
	c.planned = &e
	if s.Achieved.Pose != nil {
		e, err := clearance.Nominal(s.Achieved.Diameter).Place(*s.Achieved.Pose)
		if err != nil {
			return nil, fmt.Errorf("achieved outline at site %s: %w", s.Site, err)
		}
		c.achieved = &e
	}
	return c, nil
}

func (v View) pixels(pixel float64) (w, h int) {
	return int(math.Round(v.width / pixel)), int(math.Round(v.height / pixel))
}

// Layout of a cut on paper, mm.
const (
	cutWidth  = 76.0
	strip     = 5.5 // above the picture
	below     = 9.2
	smallType = 2.7

	outlineWidth = 0.5
)

// Draw draws the cut of a view that was moved by d mm along its step direction.
func (c *Cutter) Draw(v View, d float64) Drawing {
	return c.draw(v, d, nil)
}

// draw draws a cut with a distance in it, if there is one to show.
func (c *Cutter) draw(v View, d float64, gap *dimension) Drawing {
	plane := v.plane.Moved(d, v.step.vec)
	w, h := v.pixels(c.pixel)
	scale := cutWidth / v.width // paper mm per mm
	high := v.height * scale
	out := Drawing{Width: cutWidth, Height: high + strip + below, Alt: c.alt(v, d)}

	paper := func(x, y float64) Point { return Point{cutWidth/2 + x*scale, strip + high/2 - y*scale} }
	clip := Clip{Min: Point{0, strip}, Width: cutWidth, Height: high}
	clip.Items = append(clip.Items, Raster{Min: Point{0, strip}, Width: cutWidth, Height: high,
		PNG: c.window.picture(sampled(c.grey, plane, w, h, c.pixel), w)})
	on := &sheet{paper: paper, frame: room{clip.Min.X, clip.Min.Y, clip.Width, clip.Height}, ground: Casing, ink: White}
	reach := max(v.width, v.height) / 2
	bodies := c.body(c.planned, v, plane, paper, PlannedLayer)
	on.keepOff(bodies)
	if c.achieved != nil {
		placed := c.body(c.achieved, v, plane, paper, AchievedLayer)
		on.keepOff(placed)
		bodies = append(bodies, placed...)
	}
	trails := make([]trail, len(c.scene.Structures))
	for i, st := range c.scene.Structures {
		var lines []Item
		lines, trails[i] = st.outline(plane, reach, on)
		clip.Items = append(clip.Items, lines...)
	}
	if c.surfaces != nil {
		clip.Items = append(clip.Items, c.surfaces.draw(plane, reach, on)...)
	}
	clip.Items = append(clip.Items, bodies...)
	if gap != nil {
		clip.Items = append(clip.Items, gap.draw(plane, on)...)
	}
	for i, st := range c.scene.Structures {
		if trails[i].shows {
			clip.Items = append(clip.Items, st.name(trails[i], on)...)
		}
	}
	out.add(clip)

	// Above: left and right, and up; below: down, scale bar and place.
	top, bottom := strip-1.6, strip+high+8.2
	out.add(label(0, top, smallType, Start, "← "+v.right.words(false)))
	out.add(label(cutWidth/2, top, smallType, Middle, "↑ "+v.up.words(true)))
	out.add(label(cutWidth, top, smallType, End, v.right.words(true)+" →"))
	out.add(label(cutWidth/2, strip+high+3.7, smallType, Middle, "↓ "+v.up.words(false)))
	out.add(scaleBar(0, bottom-0.8, 5*scale, "5 mm")...)
	out.add(label(cutWidth, bottom, smallType, End, v.Place(d)))
	return out
}

func (d direction) words(plus bool) string {
	if plus {
		return d.plus + " (" + Letters(d.vec) + ")"
	}
	return d.minus + " (" + Letters(r3.Scale(-1, d.vec)) + ")"
}

// scaleBar is a bar of the given length on paper with end ticks.
func scaleBar(x, y, length float64, text string) []Item {
	return []Item{
		line(x, y, x+length, y, 0.4, Black),
		line(x+0.2, y-1, x+0.2, y+1, 0.4, Black),
		line(x+length-0.2, y-1, x+length-0.2, y+1, 0.4, Black),
		label(x+length+1.2, y+0.9, smallType, Start, text),
	}
}

// body draws one fixture in a cut: its outline, and its axis projected onto the
// plane or, across it, the point where it passes.
func (c *Cutter) body(e *clearance.Envelope, v View, plane Plane, paper func(x, y float64) Point, layer Layer) []Item {
	ink, dash, cased := AchievedOnScan, []float64(nil), 0.95
	if layer == PlannedLayer {
		ink, dash = PlannedOnScan, []float64{2.2, 1.3}
	}
	var items []Item
	stroke := func(points []Point, closed bool, width float64, dash []float64) {
		items = append(items,
			Path{Points: points, Closed: closed, Stroke: Casing, Width: width + cased - 0.4, Dash: dash, Layer: layer},
			Path{Points: points, Closed: closed, Stroke: ink, Width: width, Dash: dash, Layer: layer})
	}
	ring := Cut(e, plane)
	if ring != nil {
		points := make([]Point, len(ring))
		for i, q := range ring {
			points[i] = paper(q[0], q[1])
		}
		stroke(simplified(points, true), true, outlineWidth, dash)
	}
	pose := e.Pose()
	if v.along {
		if ring == nil {
			return items
		}
		ex, ey := plane.On(pose.Entry)
		ax, ay := plane.On(pose.Apex)
		var fine []float64
		if dash != nil {
			fine = []float64{1.1, 1.1}
		}
		stroke([]Point{paper(ex, ey), paper(ax, ay)}, false, 0.25, fine)
		return items
	}
	// Where the axis, drawn out, passes the plane.
	a, n := pose.Axis(), plane.Normal()
	t := r3.Dot(r3.Sub(plane.Centre, pose.Entry), n) / r3.Dot(a, n)
	x, y := plane.On(r3.Add(pose.Entry, r3.Scale(t, a)))
	at := paper(x, y)
	dot := Path{Points: simplified(circle(at, 0.9), true), Closed: true, Stroke: Casing, Width: 0.35, Fill: ink, Layer: layer}
	if layer == PlannedLayer {
		stroke(simplified(circle(at, 1.1), true), true, 0.4, nil)
		return items
	}
	return append(items, dot)
}

// circle is a closed line about a point.
func circle(c Point, r float64) []Point { return ellipse(c, r, r, 0) }

// ellipse has half axes rx, ry, the first turned by angle from the right
// towards the bottom of the page.
func ellipse(c Point, rx, ry, angle float64) []Point {
	const n = 72
	sin, cos := math.Sincos(angle)
	out := make([]Point, n)
	for i := range out {
		s, t := math.Sincos(2 * math.Pi * float64(i) / n)
		x, y := rx*t, ry*s
		out[i] = Point{c.X + x*cos - y*sin, c.Y + x*sin + y*cos}
	}
	return out
}

// alt says a cut in words.
func (c *Cutter) alt(v View, d float64) string {
	s := c.scene
	var b strings.Builder
	if v.along {
		fmt.Fprintf(&b, "Cut through the %s at site %s, %s, along the %s axis, %s.", c.name, s.Site, v.Name, s.which(), v.Place(d))
	} else {
		fmt.Fprintf(&b, "Cut through the %s at site %s, across the %s axis, %s.", c.name, s.Site, s.which(), v.Place(d))
	}
	fmt.Fprintf(&b, " Right is %s, up is %s.", v.right.plus, v.up.plus)
	if s.Achieved.Pose == nil {
		b.WriteString(" No fixture was found; only the planned outline, dashed, is drawn.")
		return b.String()
	}
	b.WriteString(" The achieved outline is solid, the planned one dashed.")
	b.WriteString(s.against(v))
	return b.String()
}

// Name is what is cut.
func (c *Cutter) Name() string { return c.name }

// Caption says what all cuts of a view show.
func (c *Cutter) Caption(v View) string {
	return strings.ToUpper(c.name[:1]) + c.name[1:] + ", " + v.Name + "."
}

// against says how far off a fixture is as far as a view shows it.
func (s *Scene) against(v View) string {
	if s.Deviation == nil {
		return ""
	}
	entry, apex := s.off(v, false), s.off(v, true)
	if entry == "" || apex == "" {
		return ""
	}
	return " Against the plan the entry lies " + entry + ", the apex " + apex + "."
}

// off words the components of a deviation that show in a view.
func (s *Scene) off(v View, apex bool) string {
	lateral, depth, mesial, buccal := measurement.EntryLateral, measurement.EntryDepth, measurement.EntryMesial, measurement.EntryBuccal
	if apex {
		lateral, depth, mesial, buccal = measurement.ApexLateral, measurement.ApexDepth, measurement.ApexMesial, measurement.ApexBuccal
	}
	d := s.Deviation
	shown := []measurement.Figure{mesial, buccal}
	switch {
	case d[mesial] == nil || d[buccal] == nil:
		shown = []measurement.Figure{lateral, depth}
	case v.along && v.Name == "mesiodistal":
		shown = []measurement.Figure{mesial, depth}
	case v.along:
		shown = []measurement.Figure{buccal, depth}
	}
	var parts []string
	for _, f := range shown {
		if d[f] == nil {
			continue
		}
		part := wording.Value(f, *d[f], s.Site)
		if f == lateral {
			part += " across the axis"
		}
		parts = append(parts, part)
	}
	return wording.List(parts)
}
