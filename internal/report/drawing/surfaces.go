package drawing

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// surfaceLines are what a surface scan shows about a fixture, as cuts pass it.
type surfaceLines struct {
	mouth  *clearance.Surface // nil where it does not reach
	bodies []*clearance.Surface
}

// Widths of the lines of a surface scan, mm: the mouth's is thinner than a fixture's outline,
// and the scan body's between both.
const (
	mouthWidth = 0.28
	bodyWidth  = 0.38
)

// surfaces are the lines of what is shown, where that is a surface scan; nil else.
func (s *Scene) surfaces() *surfaceLines {
	shown, ok := s.Shown.(evidence.Surfaces)
	if !ok {
		return nil
	}
	if s.lines == nil {
		s.lines = &surfaceLines{}
		middle, reach := midpoint(s.Planned), math.Sqrt2*checkReach+1
		s.lines.mouth = partOf(shown.Mouth(), middle, reach)
		for _, m := range shown.Bodies() {
			if body := partOf(m, middle, reach); body != nil {
				s.lines.bodies = append(s.lines.bodies, body)
			}
		}
	}
	return s.lines
}

// partOf is what of a mesh lies within reach of a point; nil where nothing does.
func partOf(m *trimesh.Mesh, at geom.Vec, reach float64) *clearance.Surface {
	near := &trimesh.Mesh{Vertices: m.Vertices}
	for _, t := range m.Triangles {
		if slices.ContainsFunc(t[:], func(v int32) bool { return r3.Norm(r3.Sub(m.Vertices[v], at)) < reach }) {
			near.Triangles = append(near.Triangles, t)
		}
	}
	surface, err := clearance.NewSurface(near, true)
	if err != nil { // no triangles
		return nil
	}
	return surface
}

// draw draws where the surfaces pass a plane.
func (l *surfaceLines) draw(plane Plane, reach float64, on *sheet) []Item {
	var items []Item
	add := func(s *clearance.Surface, width float64) (seen trail) {
		if s == nil {
			return seen
		}
		for _, c := range crossSection(s, plane, reach) {
			points := make([]Point, 0, len(c.points))
			for _, q := range c.points {
				p := on.paper(q[0], q[1])
				// What is too short to be seen makes a page large.
				if n := len(points); n > 0 && math.Hypot(p.X-points[n-1].X, p.Y-points[n-1].Y) < width/2 {
					continue
				}
				points = append(points, p)
				if on.frame.holds(p) {
					seen.take(p, on.paper(0, 0))
				}
			}
			if len(points) < 2 {
				continue
			}
			points = simplified(points, c.closed)
			items = append(items, Path{Points: points, Closed: c.closed, Stroke: Casing, Width: width + 0.4, Layer: AchievedLayer},
				Path{Points: points, Closed: c.closed, Stroke: AchievedOnScan, Width: width, Layer: AchievedLayer})
		}
		return seen
	}
	mouth := add(l.mouth, mouthWidth)
	var body trail
	for _, b := range l.bodies {
		if seen := add(b, bodyWidth); seen.shows {
			body = seen
		}
	}
	if mouth.shows {
		p := mouth.spot
		items = append(items, on.say("surface scan", nameSize, false, AchievedLayer, Point{p.X, p.Y - 2.4}, Point{p.X, p.Y + 2.4}, Point{p.X, p.Y - 6.4}, Point{p.X, p.Y + 6.4})...)
	}
	if body.shows {
		b := body.bounds
		items = append(items, on.say("scan body", nameSize, false, AchievedLayer, Point{b.x + b.width + 7, b.y + 2.4}, Point{b.x - 7, b.y + 2.4}, Point{b.x + b.width + 7, b.y + 6.4}, Point{b.x - 7, b.y + 6.4})...)
	}
	return items
}

// The classes of the map of distances: up to each of these, mm, one grey, and beyond the last
// one more. A tenth is what a registration may leave; see the table of its figures. Beyond the
// first, which is a scanner's noise and a registration's, what lies inside is ruled.
var (
	mapUpTo  = []float64{0.05, 0.1, 0.2, 0.4}
	mapGreys = []color.Gray{{226}, {178}, {122}, {66}, {0}}
)

const (
	mapPixel = 0.08 // mm of the patient
	mapDot   = 7    // pixels, the side of what stands for a place: a little more than between places
	mapHatch = 6    // pixels, from line to line, of what had no weight or lies inside
	mapLine  = 2    // pixels, of such a line
)

// Map shows the distances of a registered surface from what it was laid onto, seen along the
// planned axis from coronal; site is its label. It is false where nothing is known of them.
func (s *Scene) Map(site string) (Drawing, bool) {
	shown, ok := s.Shown.(evidence.Surfaces)
	if !ok {
		return Drawing{}, false
	}
	places := slices.Clone(shown.Distances())
	axis := s.Planned.Axis()
	right, up := s.fromCoronal()
	plane := Plane{s.Planned.Entry, right.vec, up.vec}
	// What lies more coronally is drawn last.
	height := func(d evidence.Distance) float64 { return -r3.Dot(d.At, axis) }
	slices.SortStableFunc(places, func(a, b evidence.Distance) int {
		switch ha, hb := height(a), height(b); {
		case ha < hb:
			return -1
		case ha > hb:
			return 1
		}
		return 0
	})
	n := int(math.Round(2 * checkReach / mapPixel))
	img := image.NewGray(image.Rect(0, 0, n, n))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	const half = mapDot / 2
	counted, within, inside := 0, 0, 0
	for _, d := range places {
		x, y := plane.On(d.At)
		if !(math.Abs(x) <= checkReach && math.Abs(y) <= checkReach) {
			continue
		}
		off := math.Abs(d.Offset)
		d.Counted = d.Counted && !math.IsNaN(off) // what has no distance cannot count
		if d.Counted {
			counted++
			switch {
			case off <= mapUpTo[1]:
				within++
			case d.Offset < 0:
				inside++
			}
		}
		px, py := int((x+checkReach)/mapPixel), int((checkReach-y)/mapPixel)
		for j := py - half; j <= py+half; j++ {
			for i := px - half; i <= px+half; i++ {
				img.SetGray(i, j, mapGrey(d, off, i, j))
			}
		}
	}
	if counted == 0 {
		return Drawing{}, false
	}
	const side, legend = checkSide, 15.4
	scale := side / (2 * checkReach)
	out := Drawing{Width: side, Height: strip + side + below + legend}
	out.Alt = fmt.Sprintf("Map of distances at site %s, seen along the planned axis: how far the surface scan lies from what it was laid onto. Of what counted within %.0f mm, %.0f %% lies within %g mm, %.0f %% farther outside and %.0f %% farther inside.",
		site, checkReach, share(within, counted), mapUpTo[1], share(counted-within-inside, counted), share(inside, counted))
	out.add(Raster{Min: Point{0, strip}, Width: side, Height: side, PNG: encode(img)})
	frame := rectangle(0, strip, side, side)
	frame.Stroke, frame.Width = Faint, 0.2
	circle := Path{Closed: true, Stroke: Planned, Width: 0.6, Dash: []float64{2.2, 1.3}}
	for k := range steps {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / steps)
		r := s.PlannedDiameter / 2 * scale
		circle.Points = append(circle.Points, Point{side/2 + r*cos, strip + side/2 + r*sin})
	}
	out.add(frame, circle,
		label(0, strip-1.6, smallType, Start, "← "+right.words(false)),
		label(side/2, strip-1.6, smallType, Middle, "↑ "+up.words(true)),
		label(side, strip-1.6, smallType, End, right.words(true)+" →"),
		label(side/2, strip+side+3.7, smallType, Middle, "↓ "+up.words(false)),
		label(side, strip+side+8.2, smallType, End, "from coronal"))
	out.add(scaleBar(0, strip+side+7.4, 10*scale, "10 mm")...)
	out.add(mapLegend(strip+side+below+3.6, side)...)
	return out, true
}

// fromCoronal are the directions of a page on which the plan is seen along its axis.
func (s *Scene) fromCoronal() (right, up direction) {
	axis := s.Planned.Axis()
	right, up = s.aside(axis)
	if r3.Dot(r3.Cross(right.vec, up.vec), axis) > 0 {
		right = right.reversed()
	}
	return right, up
}

// share is n of all, in percent.
func share(n, all int) float64 { return 100 * float64(n) / float64(all) }

// mapGrey is the grey of a place at one pixel: what had no weight is hatched, what lies inside
// is ruled.
func mapGrey(d evidence.Distance, off float64, i, j int) color.Gray {
	if !d.Counted {
		if (i+j)%mapHatch < mapLine {
			return color.Gray{90}
		}
		return color.Gray{255}
	}
	k := 0
	for k < len(mapUpTo) && off > mapUpTo[k] {
		k++
	}
	if k > 0 && d.Offset < 0 && j%mapHatch < mapLine {
		return ruling(mapGreys[k])
	}
	return mapGreys[k]
}

// ruling is the grey of lines that stand out from a grey.
func ruling(on color.Gray) color.Gray {
	if on.Y > 128 {
		return color.Gray{66}
	}
	return color.Gray{255}
}

// mapLegend is the scale under a map, from the left edge on: a row of greys for each side.
func mapLegend(y, width float64) []Item {
	const (
		high  = 3.4
		first = 1.4 // boxes, for the words before the rows
		rules = 3
	)
	ink := func(g color.Gray) Ink { return Ink(fmt.Sprintf("#%02x%02x%02x", g.Y, g.Y, g.Y)) }
	box := width / 7.6
	items := []Item{label(0, y-0.4, smallType, Start, "mm from what the surface scan was laid onto")}
	y += 1.4
	for row, word := range []string{"outside", "inside"} {
		at := y + float64(row)*high
		items = append(items, label(0, at+0.75*high, smallType, Start, word))
		for k, g := range mapGreys {
			x := (first + float64(k)) * box
			b := rectangle(x, at, box, high)
			b.Fill, b.Stroke, b.Width = ink(g), Black, 0.15
			items = append(items, b)
			for n := 0; n < rules && row == 1 && k > 0; n++ {
				h := at + (float64(n)+0.5)*high/rules
				items = append(items, line(x+0.1, h, x+box-0.1, h, 0.3, ink(ruling(g))))
			}
		}
	}
	y += 2 * high
	for k, most := range append([]float64{0}, mapUpTo...) {
		items = append(items, label((first+float64(k))*box, y+3, smallType, Middle, fmt.Sprint(most)))
	}
	x := width - box
	b := rectangle(x, y-1.5*high, box, high)
	b.Stroke, b.Width = Black, 0.15
	items = append(items, b)
	for k := range 6 {
		at := x + (float64(k)+0.3)*box/6
		items = append(items, line(at, y-0.5*high-0.1, at+box/9, y-1.5*high+0.1, 0.2, Grey))
	}
	return append(items, label(width, y+3, smallType, End, "did not count"))
}
