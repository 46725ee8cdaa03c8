package drawing

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

// Layout of a view in space.
const (
	spaceReach = 17.0 // mm of the patient from the fixture's middle to the frame
	spaceSide  = 76.0 // mm of paper
)

// Space draws a fixture, planned and placed, and what lies beside it as contours in
// parallel projection, hidden lines removed. The planned axis hangs plumb; the viewer
// goes round it by turn radians from where buccal is in front.
//
// Errors: a fixture that has no envelope.
func (s *Scene) Space(turn float64) (Drawing, error) {
	bodies, err := s.bodies()
	if err != nil {
		return Drawing{}, err
	}
	axis := s.Planned.Axis()
	mesial, buccal := s.aside(axis)
	up := direction{r3.Scale(-1, axis), "coronal", "apical"}
	if s.Site.Jaw() == tooth.Upper {
		up = up.reversed()
	}
	sin, cos := math.Sincos(turn)
	towards := between(r3.Add(r3.Scale(cos, buccal.vec), r3.Scale(sin, mesial.vec)), mesial, buccal)
	right := between(r3.Cross(up.vec, towards.vec), mesial, buccal)
	v := projection{Plane{midpoint(s.Planned), right.vec, up.vec}}

	scale := spaceSide / (2 * spaceReach)
	paper := func(p geom.Vec) Point {
		x, y := v.On(p)
		return Point{spaceSide/2 + x*scale, strip + spaceSide/2 - y*scale}
	}
	clip := Clip{Min: Point{0, strip}, Width: spaceSide, Height: spaceSide}
	on := &sheet{frame: room{0, strip, spaceSide, spaceSide}, ground: White, ink: Black}
	trails := make([]trail, len(bodies))
	for i := range bodies {
		if c, ok := bodies[i].structure.(*clearance.Chain); ok {
			bodies[i].flat = c.Flattened(v.Centre, v.Normal())
		}
	}
	for i, b := range bodies {
		drawn := len(clip.Items)
		for _, line := range v.contours(b) {
			for _, part := range v.visible(line, i, bodies) {
				points := make([]Point, len(part))
				for k, p := range part {
					points[k] = paper(p)
					if on.frame.holds(points[k]) {
						trails[i].take(points[k], Point{spaceSide / 2, 0})
					}
				}
				clip.Items = append(clip.Items, Path{Points: simplified(points, false), Stroke: b.ink, Width: b.width, Dash: b.dash, Layer: b.layer})
			}
		}
		if b.layer != StructureLayer {
			on.keepOff(clip.Items[drawn:])
		}
	}
	for i, b := range bodies {
		if b.name != "" && trails[i].shows {
			clip.Items = append(clip.Items, Structure{Name: b.name}.name(trails[i], on)...)
		}
	}
	frame := rectangle(0, strip, spaceSide, spaceSide)
	frame.Stroke, frame.Width = Faint, 0.2
	out := Drawing{Width: spaceSide, Height: spaceSide + strip + below}
	out.add(clip, frame,
		label(0, strip-1.6, smallType, Start, "← "+right.words(false)),
		label(spaceSide/2, strip-1.6, smallType, Middle, "↑ "+up.words(true)),
		label(spaceSide, strip-1.6, smallType, End, right.words(true)+" →"),
		label(spaceSide/2, strip+spaceSide+3.7, smallType, Middle, "↓ "+up.words(false)),
		label(spaceSide, strip+spaceSide+8.2, smallType, End, "seen from "+towards.plus))
	out.add(scaleBar(0, strip+spaceSide+7.4, 10*scale, "10 mm")...)
	out.Alt = fmt.Sprintf("Line drawing of the fixture at site %s, planned dashed and placed solid, with the structures beside it, seen from %s; the planned axis is upright.", s.Site, towards.plus)
	return out, nil
}

// solidBody is a body of a view in space with the pen it is drawn with.
type solidBody struct {
	structure clearance.Structure
	flat      *clearance.Chain // of a chain, as it is seen
	name      string
	hides     bool // what lies behind it
	ink       Ink
	width     float64
	dash      []float64
	layer     Layer
}

// bodies are the bodies of the scene that lie in the frame, whatever the side that it is
// seen from, but for what was found, which nobody drew: a picture of the case. The plan hides nothing: it is where nothing is.
func (s *Scene) bodies() ([]solidBody, error) {
	var out []solidBody
	for _, st := range s.Structures {
		if st.Body != nil && !st.Found && math.Abs(distanceTo(st.Body, midpoint(s.Planned))) < spaceReach {
			out = append(out, solidBody{structure: st.Body, name: st.Name, hides: true, ink: Black, width: structureWidth(st.Kind) * 0.8, dash: st.dash(), layer: StructureLayer})
		}
	}
	planned, err := clearance.Nominal(s.PlannedDiameter).Place(s.Planned)
	if err != nil {
		return nil, fmt.Errorf("planned outline at site %s: %w", s.Site, err)
	}
	if s.Achieved.Pose != nil {
		placed, err := clearance.Nominal(s.Achieved.Diameter).Place(*s.Achieved.Pose)
		if err != nil {
			return nil, fmt.Errorf("achieved outline at site %s: %w", s.Site, err)
		}
		out = append(out, solidBody{structure: placed, hides: true, ink: Achieved, width: 0.6, layer: AchievedLayer})
	}
	return append(out, solidBody{structure: planned, ink: Planned, width: 0.5, dash: []float64{2.2, 1.3}, layer: PlannedLayer}), nil
}

// projection is parallel, along the normal of a plane, whose reader is the viewer.
type projection struct{ Plane }

// contours are the lines of a body as if nothing hid them: its occluding contour, and the
// rim of a fixture's platform.
func (v projection) contours(b solidBody) [][]geom.Vec {
	switch s := b.structure.(type) {
	case *clearance.Chain:
		return v.ofChain(s, b.flat)
	case *clearance.Surface:
		return v.ofSurface(s)
	case clearance.Envelope:
		return v.ofEnvelope(&s)
	}
	return nil
}

// ofChain: balls project to discs of the same radius, so that the contour of their union is
// that of the discs along the projected centre line. Each of its points lies as deep as the
// centre of its ball.
func (v projection) ofChain(c, flat *clearance.Chain) [][]geom.Vec {
	var out [][]geom.Vec
	for _, line := range contour(func(x, y float64) float64 { return flat.SignedDistance(v.At(x, y)) }, spaceReach) {
		points := make([]geom.Vec, len(line.points))
		for i, q := range line.points {
			at := v.At(q[0], q[1])
			points[i] = r3.Add(at, r3.Scale(c.DepthAt(flat, at, v.Centre, v.Normal()), v.Normal()))
		}
		if line.closed {
			points = append(points, points[0])
		}
		out = append(out, points)
	}
	return out
}

// ofSurface: the edges between a triangle that faces the viewer and one that does not.
func (v projection) ofSurface(s *clearance.Surface) [][]geom.Vec {
	var out [][]geom.Vec
	for _, e := range s.Silhouette(v.Normal(), v.Centre, math.Sqrt2*spaceReach) {
		out = append(out, []geom.Vec{e[0], e[1]})
	}
	return out
}

// ofEnvelope: the convex hull of its circles, and the platform's rim.
func (v projection) ofEnvelope(e *clearance.Envelope) [][]geom.Vec {
	pose := e.Pose()
	axis := pose.Axis()
	e1, e2 := geom.Perpendicular(axis)
	var all, rim []geom.Vec
	for i := range circles {
		z := pose.Length() * (1 - math.Cos(math.Pi*float64(i)/(circles-1))) / 2
		r := e.RadiusAt(z)
		for k := range steps {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / steps)
			p := r3.Add(pose.Entry, r3.Add(r3.Scale(z, axis), r3.Add(r3.Scale(r*cos, e1), r3.Scale(r*sin, e2))))
			all = append(all, p)
			if i == 0 {
				rim = append(rim, p)
			}
		}
	}
	return [][]geom.Vec{v.hull(all), append(rim, rim[0])}
}

// circles is how many circles stand for a fixture's wall and its rounded end.
const circles = 40

// hull is the convex hull of points as they are seen, closed.
//
// Method: monotone chain (A. M. Andrew, Inf Process Lett 1979; 9:216).
func (v projection) hull(points []geom.Vec) []geom.Vec {
	type seen struct {
		x, y float64
		p    geom.Vec
	}
	all := make([]seen, len(points))
	for i, p := range points {
		x, y := v.On(p)
		all[i] = seen{x, y, p}
	}
	slices.SortFunc(all, func(a, b seen) int {
		switch {
		case a.x < b.x || a.x == b.x && a.y < b.y:
			return -1
		case a.x > b.x || a.y > b.y:
			return 1
		}
		return 0
	})
	turn := func(o, a, b seen) float64 { return (a.x-o.x)*(b.y-o.y) - (a.y-o.y)*(b.x-o.x) }
	var chain []seen
	half := func(floor int, next []seen) {
		for _, q := range next {
			for len(chain) >= floor+2 && turn(chain[len(chain)-2], chain[len(chain)-1], q) <= 0 {
				chain = chain[:len(chain)-1]
			}
			chain = append(chain, q)
		}
	}
	half(0, all)
	back := slices.Clone(all[:len(all)-1])
	slices.Reverse(back)
	half(len(chain)-1, back)
	out := make([]geom.Vec, len(chain))
	for i, q := range chain {
		out[i] = q.p
	}
	return out
}

// visible are the parts of a line of one body that no other body hides, nor the body
// itself where it is a surface.
func (v projection) visible(line []geom.Vec, own int, bodies []solidBody) [][]geom.Vec {
	line = dense(line)
	var out [][]geom.Vec
	var part []geom.Vec
	for _, p := range line {
		if v.hidden(p, own, bodies) {
			if len(part) > 1 {
				out = append(out, part)
			}
			part = nil
			continue
		}
		part = append(part, p)
	}
	if len(part) > 1 {
		out = append(out, part)
	}
	return out
}

// lineStep is how finely a line is cut where it goes behind something, mm.
const lineStep = 0.25

// dense puts points into the long stretches of a line.
func dense(line []geom.Vec) []geom.Vec {
	var out []geom.Vec
	for i := range len(line) - 1 {
		a, ab := line[i], r3.Sub(line[i+1], line[i])
		n := max(1, math.Ceil(r3.Norm(ab)/lineStep))
		for k := range int(n) {
			out = append(out, r3.Add(a, r3.Scale(float64(k)/n, ab)))
		}
	}
	return append(out, line[len(line)-1])
}

// hidden reports whether a body lies between a point of a body and the viewer.
//
// Method: steps along the ray, each as long as nothing can be nearer (J. C. Hart, Sphere
// tracing, Vis Comput 1996; 12:527).
func (v projection) hidden(p geom.Vec, own int, bodies []solidBody) bool {
	const (
		least = 0.05           // mm: what is thinner hides nothing
		far   = 4 * spaceReach // beyond all that is drawn
		clear = 2 * lineStep   // from the body's own surface
	)
	for i, b := range bodies {
		if !b.hides {
			continue
		}
		away := i != own // from the body's own surface, along which the ray may run at first
		if _, surface := b.structure.(*clearance.Surface); !away && !surface {
			continue
		}
		if b.flat != nil && b.flat.SignedDistance(v.At(v.On(p))) >= 0 {
			continue // seen beside it, wherever along the ray
		}
		for t := least; t < far; {
			d := distanceTo(b.structure, r3.Add(p, r3.Scale(t, v.Normal())))
			switch {
			case i != own && d < 0, i == own && away && math.Abs(d) < least:
				return true
			case math.Abs(d) > clear:
				away = true
			}
			t += max(math.Abs(d), least)
		}
	}
	return false
}

// distanceTo is the signed distance from a structure's surface to a point.
func distanceTo(s clearance.Structure, p geom.Vec) float64 {
	switch b := s.(type) {
	case *clearance.Chain:
		return b.SignedDistance(p)
	case *clearance.Surface:
		d, _ := b.Nearest(p)
		return d
	case clearance.Envelope:
		return b.SignedDistance(p)
	}
	return math.Inf(1)
}
