// Package surfacesegmentation reads the surfaces of a Surface Segmentation object (PS3.3
// A.57, C.8.23 and C.27): segments that refer to surfaces by number, each with points and
// triangles. An Implant Template (PS3.3 A.61) has its surfaces in the same module.
//
// Conventions: patient LPS of the object's frame of reference, mm. Start with Bodies.
//
// Limits: triangles, strips, fans and facets; lines and points of a surface bound nothing.
package surfacesegmentation

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"

	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/element"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// Storage is the SOP class of the object (PS3.4 B.5).
const Storage = "1.2.840.10008.5.1.4.1.1.66.5"

// maxList bounds a list of coordinates or indices, bytes.
const maxList = 12 * carrier.MaxPoints

// Longest are the attributes that are read.
func Longest() map[tag.Tag]int64 {
	return carrier.Selected(
		carrier.Sequences(tag.SegmentSequence, tag.ReferencedSurfaceSequence, tag.SurfaceSequence, tag.SurfacePointsSequence, tag.SurfaceMeshPrimitivesSequence,
			tag.TriangleStripSequence, tag.TriangleFanSequence, tag.FacetSequence),
		carrier.Values(carrier.Text, tag.SegmentLabel, tag.SegmentNumber, tag.ReferencedSurfaceNumber, tag.SurfaceNumber, tag.FrameOfReferenceUID),
		carrier.Values(maxList, tag.PointCoordinatesData, tag.TrianglePointIndexList, tag.LongTrianglePointIndexList, tag.PrimitivePointIndexList, tag.LongPrimitivePointIndexList))
}

// Bodies are the segments, each with all its surfaces.
//
// Errors: what is wrong with the object.
func Bodies(in carrier.Input) ([]carrier.Body, error) {
	surfaces, err := Surfaces(in)
	if err != nil {
		return nil, err
	}
	frame := in.Data.Identifier(tag.FrameOfReferenceUID)
	var out []carrier.Body
	for _, segment := range in.Data[tag.SegmentSequence].Items {
		b := carrier.Body{Name: segment.Text(tag.SegmentLabel), Frame: frame, Mesh: &trimesh.Mesh{}}
		for _, r := range segment[tag.ReferencedSurfaceSequence].Items {
			s, ok := surfaces[number(r, tag.ReferencedSurfaceNumber)]
			if !ok {
				return nil, fmt.Errorf("segment %q refers to a surface that is not there", element.Shorten(b.Name))
			}
			join(b.Mesh, s)
		}
		if len(b.Mesh.Triangles) == 0 {
			return nil, fmt.Errorf("segment %q has no triangles", element.Shorten(b.Name))
		}
		out = append(out, b)
	}
	return out, nil
}

// join adds a surface to another.
func join(m, s *trimesh.Mesh) {
	first := int32(len(m.Vertices))
	m.Vertices = append(m.Vertices, s.Vertices...)
	for _, t := range s.Triangles {
		m.Triangles = append(m.Triangles, [3]int32{first + t[0], first + t[1], first + t[2]})
	}
}

// number is a surface's number, which is binary (UL) or, of a reference, may be either.
func number(d element.Dataset, t tag.Tag) string {
	n, ok, err := d.Integer(t)
	if err != nil || !ok {
		return ""
	}
	return strconv.Itoa(n)
}

// Surfaces are all surfaces of an object by their numbers.
//
// Errors: what is wrong with one.
func Surfaces(in carrier.Input) (map[string]*trimesh.Mesh, error) {
	out := map[string]*trimesh.Mesh{}
	total := 0
	for i, item := range in.Data[tag.SurfaceSequence].Items {
		m, err := surface(item)
		if err != nil {
			return nil, fmt.Errorf("surface %d: %w", i+1, err)
		}
		if total += len(m.Vertices); total > carrier.MaxPoints {
			return nil, fmt.Errorf("its surfaces have more than %d points; export them with fewer", carrier.MaxPoints)
		}
		out[number(item, tag.SurfaceNumber)] = m
	}
	return out, nil
}

func surface(item element.Dataset) (*trimesh.Mesh, error) {
	var corners [][3]geom.Vec
	var points []geom.Vec
	for _, p := range item[tag.SurfacePointsSequence].Items {
		x, ok := p.Floats32(tag.PointCoordinatesData)
		if !ok || len(x)%3 != 0 {
			return nil, errors.New("its points (0066,0016) are no coordinates in threes")
		}
		for i := 0; i < len(x); i += 3 {
			points = append(points, geom.Vec{X: x[i], Y: x[i+1], Z: x[i+2]})
		}
	}
	var failed error
	add := func(a, c, d uint32) {
		n := uint32(len(points))
		if a == 0 || c == 0 || d == 0 || a > n || c > n || d > n {
			failed = fmt.Errorf("a triangle names point %d of %d", max(a, c, d), n)
			return
		}
		corners = append(corners, [3]geom.Vec{points[a-1], points[c-1], points[d-1]})
	}
	for _, p := range item[tag.SurfaceMeshPrimitivesSequence].Items {
		list := indices(p, tag.TrianglePointIndexList, tag.LongTrianglePointIndexList)
		for i := 0; i+2 < len(list) && failed == nil; i += 3 {
			add(list[i], list[i+1], list[i+2])
		}
		for _, s := range p[tag.TriangleStripSequence].Items {
			list := indices(s, tag.PrimitivePointIndexList, tag.LongPrimitivePointIndexList)
			for i := 0; i+2 < len(list) && failed == nil; i++ {
				if i%2 == 0 {
					add(list[i], list[i+1], list[i+2])
				} else {
					add(list[i+1], list[i], list[i+2])
				}
			}
		}
		for _, sequence := range []tag.Tag{tag.TriangleFanSequence, tag.FacetSequence} {
			for _, s := range p[sequence].Items {
				list := indices(s, tag.PrimitivePointIndexList, tag.LongPrimitivePointIndexList)
				for i := 1; i+1 < len(list) && failed == nil; i++ {
					add(list[0], list[i], list[i+1])
				}
			}
		}
	}
	if failed != nil {
		return nil, failed
	}
	return trimesh.Of(corners)
}

// indices are a list of points' numbers, counted from 1, of 32 bits or, as the standard had
// them before 2015, 16.
func indices(d element.Dataset, short, long tag.Tag) []uint32 {
	if x, ok := d.Uint32s(long); ok {
		return x
	}
	return d.Uint16s(short)
}

// Whole is all surfaces of an object as one.
//
// Errors: those of Surfaces, and an object without triangles.
func Whole(in carrier.Input) (*trimesh.Mesh, error) {
	surfaces, err := Surfaces(in)
	if err != nil {
		return nil, err
	}
	out := &trimesh.Mesh{}
	for _, n := range slices.Sorted(maps.Keys(surfaces)) {
		join(out, surfaces[n])
	}
	if len(out.Triangles) == 0 {
		return nil, errors.New("it has no surface (0066,0002)")
	}
	return out, nil
}
