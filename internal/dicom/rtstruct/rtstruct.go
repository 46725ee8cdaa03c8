// Package rtstruct reads the structures of an RT Structure Set (PS3.3 A.19, C.8.8.5 and
// C.8.8.6): contours in parallel planes, which become a surface, and lines.
//
// Conventions: patient LPS of the structure's frame of reference, mm. Start with Bodies.
//
// Method: in each plane the signed distance to the contours, those inside others being
// holes; between the planes linear (Raya SP, Udupa JK, IEEE Trans Med Imaging 1990;9:32). A
// body goes on for half a plane's distance beyond its first and last plane, and across a gap.
package rtstruct

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/trimesh"
)

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.481.3"

// maxContour bounds one contour, bytes: 50,000 points of three numbers.
const maxContour = 4 << 20

// Longest are the attributes that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(
		carrier.Sequences(tag.StructureSetROISequence, tag.ROIContourSequence, tag.ContourSequence),
		carrier.Values(carrier.Text, tag.ROINumber, tag.ROIName, tag.ReferencedFrameOfReferenceUID, tag.ReferencedROINumber, tag.ContourGeometricType),
		carrier.Values(maxContour, tag.ContourData))
}

// contour is a polygon or a line.
type contour struct {
	kind   string
	points []geom.Vec
}

// Bodies are the structures that the object has contours of. Build makes those of the names
// that are asked for alone, since that takes time; the others have a name only.
//
// Errors: what is wrong with the object.
func Bodies(in carrier.Input, wanted func(name string, of int) bool) ([]carrier.Body, error) {
	type roi struct{ name, frame string }
	rois := map[string]roi{}
	for _, item := range in.Data[tag.StructureSetROISequence].Items {
		rois[item.Text(tag.ROINumber)] = roi{item.Text(tag.ROIName), item.Identifier(tag.ReferencedFrameOfReferenceUID)}
	}
	var drawn []element.Dataset
	for _, item := range in.Data[tag.ROIContourSequence].Items {
		if len(item[tag.ContourSequence].Items) > 0 {
			drawn = append(drawn, item)
		}
	}
	var out []carrier.Body
	for _, item := range drawn {
		r, ok := rois[item.Text(tag.ReferencedROINumber)]
		if !ok {
			return nil, fmt.Errorf("contours belong to a structure of a number that StructureSetROISequence (3006,0020) has not")
		}
		b := carrier.Body{Name: r.name, Frame: r.frame}
		if wanted(r.name, len(drawn)) {
			if err := fill(&b, item); err != nil {
				return nil, fmt.Errorf("structure %q: %w", element.Shorten(r.name), err)
			}
		}
		out = append(out, b)
	}
	return out, nil
}

// fill makes a body of a structure's contours.
func fill(b *carrier.Body, item element.Dataset) error {
	var closed []contour
	for i, c := range item[tag.ContourSequence].Items {
		points, err := pointsOf(c)
		if err != nil {
			return fmt.Errorf("contour %d: %w", i+1, err)
		}
		switch kind := c.Text(tag.ContourGeometricType); kind {
		case "CLOSED_PLANAR", "CLOSEDPLANAR_XOR":
			closed = append(closed, contour{kind, points})
		case "POINT":
			b.Line = append(b.Line, points...)
		case "OPEN_PLANAR", "OPEN_NONPLANAR":
			if b.Line != nil {
				return fmt.Errorf("it has several lines; join them to one, or export a surface")
			}
			b.Line = points
		default:
			return fmt.Errorf("contour %d: its kind %q is not read here; export closed planar contours or a line", i+1, element.Shorten(kind))
		}
	}
	switch {
	case len(closed) > 0 && b.Line != nil:
		return fmt.Errorf("it has both closed contours and lines; keep one of the two")
	case len(closed) == 0:
		return nil
	}
	var err error
	b.Mesh, b.Grain, err = surface(closed)
	return err
}

func pointsOf(c element.Dataset) ([]geom.Vec, error) {
	parts := strings.Split(c.Text(tag.ContourData), `\`)
	if len(parts)%3 != 0 {
		return nil, fmt.Errorf("it has %d numbers, which are no points of three", len(parts))
	}
	x := make([]float64, len(parts))
	for i, p := range parts {
		v, err := strconv.ParseFloat(strings.TrimSpace(p), 64)
		if err != nil || math.IsNaN(v) || math.Abs(v) > 1e5 {
			return nil, fmt.Errorf("number %d is none, or no coordinate in mm", i+1)
		}
		x[i] = v
	}
	out := make([]geom.Vec, 0, len(x)/3)
	for i := 0; i < len(x); i += 3 {
		out = append(out, geom.Vec{X: x[i], Y: x[i+1], Z: x[i+2]})
	}
	return out, nil
}

const (
	// flat is how far a contour's points may lie off its plane, mm: rounding to a hundredth
	// or so.
	flat = 0.05
	// A grid within the planes is this fine, mm, or has so many steps along the longer side:
	// a linear distance between points h apart is off by h²/8r at a bend of radius r, 0.005
	// mm for a canal.
	step, steps = 0.2, 160
	// gap is how many usual distances two planes may be apart before they bound two parts.
	gap = 1.5
	// thin is how thick the end of a body is, as a share of the planes' distance.
	thin = 0.01
	// maxWork bounds the distances of a grid's points from contours' sides: half a minute.
	maxWork = 5_000_000_000
	// maxPlanes bounds the planes of one structure.
	maxPlanes = 2000
)

// layer has the contours of one plane, in its coordinates.
type layer struct {
	at       float64 // along the normal
	polygons [][][2]float64
}

// surface is the surface of closed contours in parallel planes, and the planes' usual distance.
func surface(closed []contour) (*trimesh.Mesh, float64, error) {
	normal, err := normalOf(closed)
	if err != nil {
		return nil, 0, err
	}
	e1, e2 := geom.Perpendicular(normal)
	layers, err := layersOf(closed, normal, e1, e2)
	if err != nil {
		return nil, 0, err
	}
	if len(layers) < 2 {
		return nil, 0, fmt.Errorf("all its contours lie in one plane, which bounds no body")
	}
	if len(layers) > maxPlanes {
		return nil, 0, fmt.Errorf("it has contours in %d planes; at most %d are read", len(layers), maxPlanes)
	}
	gaps := make([]float64, len(layers)-1)
	for i := range gaps {
		gaps[i] = layers[i+1].at - layers[i].at
	}
	usual := slices.Sorted(slices.Values(gaps))[len(gaps)/2]

	low, high := [2]float64{math.Inf(1), math.Inf(1)}, [2]float64{math.Inf(-1), math.Inf(-1)}
	for _, l := range layers {
		for _, polygon := range l.polygons {
			for _, p := range polygon {
				for k := range 2 {
					low[k], high[k] = min(low[k], p[k]), max(high[k], p[k])
				}
			}
		}
	}
	h := max(step, (high[0]-low[0])/steps, (high[1]-low[1])/steps)
	n := [2]int{}
	for k := range 2 {
		n[k] = int((high[k]-low[k])/h) + 6
		low[k] -= 2.5 * h
	}
	sides := 0
	for _, l := range layers {
		for _, polygon := range l.polygons {
			sides += len(polygon)
		}
	}
	if sides > maxWork/(n[0]*n[1]) {
		return nil, 0, fmt.Errorf("its contours have %d points in all, more than are read at this size; export them with fewer", sides)
	}
	planes := stack(layers, usual, n, func(l layer, i, j int) float64 {
		return l.distance([2]float64{low[0] + h*float64(i), low[1] + h*float64(j)})
	})
	mesh, err := trimesh.Grid{
		N:     [3]int{n[0], n[1], len(planes)},
		Value: func(i, j, k int) float64 { return planes[k].values[j*n[0]+i] },
		Place: func(i, j, k int) geom.Vec {
			p := r3.Add(r3.Scale(low[0]+h*float64(i), e1), r3.Scale(low[1]+h*float64(j), e2))
			return r3.Add(p, r3.Scale(planes[k].at, normal))
		},
	}.Isosurface(carrier.MaxPoints)
	if err != nil {
		return nil, 0, err
	}
	if len(mesh.Triangles) == 0 {
		return nil, 0, fmt.Errorf("its contours bound nothing")
	}
	return mesh, usual, nil
}

// plane has the signed distances of one plane, less than zero inside.
type plane struct {
	at     float64
	values []float64
}

// stack fills the planes of the contours, with planes outside before, behind and in gaps.
func stack(layers []layer, usual float64, n [2]int, distance func(l layer, i, j int) float64) []plane {
	filled := make([]plane, len(layers))
	parallel.For(len(layers), func(k int) {
		values := make([]float64, n[0]*n[1])
		for j := range n[1] {
			for i := range n[0] {
				values[j*n[0]+i] = distance(layers[k], i, j)
			}
		}
		filled[k] = plane{layers[k].at, values}
	})
	// closing ends a body half way to where the next plane would be: as it is up to there,
	// and all outside just behind.
	closing := func(p plane, by float64) []plane {
		outside := make([]float64, len(p.values))
		for i, v := range p.values {
			outside[i] = math.Abs(v)
		}
		out := []plane{{p.at + (0.5-thin)*by, p.values}, {p.at + (0.5+thin)*by, outside}}
		if by < 0 {
			slices.Reverse(out)
		}
		return out
	}
	out := closing(filled[0], -usual)
	for k, p := range filled {
		if k > 0 && p.at-filled[k-1].at > gap*usual {
			out = append(out, closing(filled[k-1], usual)...)
			out = append(out, closing(p, -usual)...)
		}
		out = append(out, p)
	}
	return append(out, closing(filled[len(filled)-1], usual)...)
}

// normalOf is the common normal of the planes, from the contour of the largest area.
func normalOf(closed []contour) (geom.Vec, error) {
	best := geom.Vec{}
	for _, c := range closed {
		if len(c.points) < 3 {
			continue
		}
		area := geom.Vec{}
		for i := 1; i+1 < len(c.points); i++ {
			area = r3.Add(area, r3.Cross(r3.Sub(c.points[i], c.points[0]), r3.Sub(c.points[i+1], c.points[0])))
		}
		if r3.Norm(area) > r3.Norm(best) {
			best = area
		}
	}
	if !(r3.Norm(best) > 0) {
		return best, fmt.Errorf("its contours have no area")
	}
	best = r3.Unit(best)
	if best.Z < 0 || best.Z == 0 && (best.Y < 0 || best.Y == 0 && best.X < 0) {
		best = r3.Scale(-1, best)
	}
	return best, nil
}

// layersOf sorts contours by their planes. A contour of fewer than three points bounds
// nothing and is left out.
func layersOf(closed []contour, normal, e1, e2 geom.Vec) ([]layer, error) {
	var layers []layer
	for i, c := range closed {
		if len(c.points) < 3 {
			continue
		}
		at := 0.0
		for _, p := range c.points {
			at += r3.Dot(p, normal) / float64(len(c.points))
		}
		polygon := make([][2]float64, len(c.points))
		for k, p := range c.points {
			if math.Abs(r3.Dot(p, normal)-at) > flat {
				return nil, fmt.Errorf("contour %d does not lie in a plane with the same normal as the others; export contours in parallel planes", i+1)
			}
			polygon[k] = [2]float64{r3.Dot(p, e1), r3.Dot(p, e2)}
		}
		layers = append(layers, layer{at, [][][2]float64{polygon}})
	}
	slices.SortStableFunc(layers, func(a, b layer) int {
		switch {
		case a.at < b.at:
			return -1
		case a.at > b.at:
			return 1
		}
		return 0
	})
	out := layers[:0]
	for _, l := range layers {
		if n := len(out); n > 0 && l.at-out[n-1].at < 2*flat {
			out[n-1].polygons = append(out[n-1].polygons, l.polygons...)
			continue
		}
		out = append(out, l)
	}
	return out, nil
}

// distance is the signed distance to a plane's contours, less than zero inside: inside is
// what an odd number of them goes round (PS3.3 C.8.8.6.3).
func (l layer) distance(p [2]float64) float64 {
	square, odd := math.Inf(1), false
	for _, polygon := range l.polygons {
		a := polygon[len(polygon)-1]
		for _, b := range polygon {
			dx, dy := b[0]-a[0], b[1]-a[1]
			px, py := p[0]-a[0], p[1]-a[1]
			t := 0.0
			if long := dx*dx + dy*dy; long > 0 {
				t = max(0, min(1, (px*dx+py*dy)/long))
			}
			qx, qy := px-t*dx, py-t*dy
			square = min(square, qx*qx+qy*qy)
			if (a[1] > p[1]) != (b[1] > p[1]) && p[0] < a[0]+dx*(p[1]-a[1])/dy {
				odd = !odd
			}
			a = b
		}
	}
	if odd {
		return -math.Sqrt(square)
	}
	return math.Sqrt(square)
}
