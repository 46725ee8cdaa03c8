package clearance

import (
	"errors"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// Surface is a triangle surface. One that is closed, or was closed by caps, and
// is no sheet has an inside, so that a fixture can penetrate it.
type Surface struct {
	mesh   *trimesh.Mesh // with the caps, if any
	closed bool
	sign   float64 // 1 where the triangles face outwards, −1 where they face inwards
	edges  *trimesh.Edges

	// The file's own triangles come first; open are those of their edges that belong
	// to holes, none for a sheet, of which nothing else is expected.
	own  int
	open [][2]int32

	nodes []node  // a tree of boxes; the first is the root
	order []int32 // triangles, so that each leaf has a run of them
}

// NewSurface takes over a mesh in the planning frame. A mesh that is closed
// bounds a body; one that is inside out is turned, and small holes are capped. Of
// a sheet, such as a cortical plate, only the surface counts, closed or not.
//
// Errors: a mesh without triangles.
func NewSurface(mesh *trimesh.Mesh, sheet bool) (*Surface, error) {
	if len(mesh.Triangles) == 0 {
		return nil, errors.New("the surface has no triangles")
	}
	s := &Surface{mesh: mesh, own: len(mesh.Triangles), edges: mesh.Edges()}
	if !sheet {
		s.open = s.edges.Open()
		s.closed = len(s.open) == 0
		if !s.closed {
			s.cap()
		}
		s.sign = math.Copysign(1, s.mesh.Volume())
	}
	s.build()
	return s, nil
}

// Closed reports whether the surface has an inside.
func (s *Surface) Closed() bool { return s.closed }

// Sample gives the centroids of triangles all over the surface, no more than about
// most, with their outer normals where the surface has an inside.
func (s *Surface) Sample(most int) (points, normals []geom.Vec) {
	for i := 0; i < s.own; i += 1 + s.own/most {
		a, b, c := s.mesh.Corners(i)
		points = append(points, r3.Scale(1.0/3, r3.Add(a, r3.Add(b, c))))
		if s.closed {
			normals = append(normals, s.face(i))
		}
	}
	return points, normals
}

// Size is the longest side of the surface's box, mm.
func (s *Surface) Size() float64 {
	half := s.nodes[0].half
	return 2 * max(half.X, half.Y, half.Z)
}

// face is the outer normal of a triangle of a closed surface, zero for one
// without an area.
func (s *Surface) face(i int) geom.Vec {
	a, b, c := s.mesh.Corners(i)
	n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
	if r3.Norm2(n) == 0 {
		return geom.Vec{}
	}
	return r3.Scale(s.sign, r3.Unit(n))
}

// Nearest is the surface's point nearest to p and the signed distance to it:
// negative inside a closed surface, never negative from an open one.
func (s *Surface) Nearest(p geom.Vec) (float64, geom.Vec) {
	d, at, _ := s.nearest(p)
	return d, at
}

// nearest is Nearest with the triangle that the point lies on.
func (s *Surface) nearest(p geom.Vec) (d float64, at geom.Vec, triangle int) {
	best := math.Inf(1)
	var on feature
	outside := func(n *node) float64 {
		d := r3.Sub(p, n.centre)
		x, y, z := max(0, math.Abs(d.X)-n.half.X), max(0, math.Abs(d.Y)-n.half.Y), max(0, math.Abs(d.Z)-n.half.Z)
		return x*x + y*y + z*z
	}
	s.traverse(best, outside, func(i int) float64 {
		q, feature := s.onTriangle(i, p)
		if d := r3.Norm2(r3.Sub(p, q)); d < best {
			best, at, triangle, on = d, q, i, feature
		}
		return best
	})
	d = math.Sqrt(best)
	if s.closed && r3.Dot(r3.Sub(p, at), s.normal(triangle, on)) < 0 {
		d = -d
	}
	return d, at, triangle
}

// feature is what of a triangle a point lies on: corners 0 to 2, the edges
// after them, or the face.
type feature int

const (
	firstEdge feature = 3
	wholeFace feature = 6
)

// normal is the outer normal that tells inside from outside at a nearest point:
// that of an edge or a vertex is the sum over its triangles, at a vertex weighted
// by the angle (J. A. Bærentzen and H. Aanæs, Signed distance computation using
// the angle weighted pseudonormal, IEEE Trans Vis Comput Graph 2005; 11:243).
func (s *Surface) normal(triangle int, f feature) geom.Vec {
	t := s.mesh.Triangles[triangle]
	switch {
	case f < firstEdge:
		var sum geom.Vec
		s.edges.Around(t[f], func(i, k int) {
			var corner [3]geom.Vec
			corner[0], corner[1], corner[2] = s.mesh.Corners(i)
			next, last := corner[(k+1)%3], corner[(k+2)%3]
			angle := geom.Angle(r3.Sub(next, corner[k]), r3.Sub(last, corner[k]))
			sum = r3.Add(sum, r3.Scale(angle, s.face(i)))
		})
		return sum
	case f < wholeFace:
		k := int(f - firstEdge)
		beyond, _ := s.edges.Side(t[(k+1)%3], t[k])
		return r3.Add(s.face(triangle), s.face(beyond))
	}
	return s.face(triangle)
}

// onTriangle is the point of a triangle nearest to p and what it lies on.
//
// Method: the regions of corners, edges and face in turn (C. Ericson, Real-time
// collision detection, 2005, section 5.1.5).
func (s *Surface) onTriangle(i int, p geom.Vec) (geom.Vec, feature) {
	a, b, c := s.mesh.Corners(i)
	ab, ac, ap := r3.Sub(b, a), r3.Sub(c, a), r3.Sub(p, a)
	d1, d2 := r3.Dot(ab, ap), r3.Dot(ac, ap)
	if d1 <= 0 && d2 <= 0 {
		return a, 0
	}
	bp := r3.Sub(p, b)
	d3, d4 := r3.Dot(ab, bp), r3.Dot(ac, bp)
	if d3 >= 0 && d4 <= d3 {
		return b, 1
	}
	vc := d1*d4 - d3*d2
	if vc <= 0 && d1 >= 0 && d3 <= 0 {
		return r3.Add(a, r3.Scale(d1/(d1-d3), ab)), firstEdge
	}
	cp := r3.Sub(p, c)
	d5, d6 := r3.Dot(ab, cp), r3.Dot(ac, cp)
	if d6 >= 0 && d5 <= d6 {
		return c, 2
	}
	vb := d5*d2 - d1*d6
	if vb <= 0 && d2 >= 0 && d6 <= 0 {
		return r3.Add(a, r3.Scale(d2/(d2-d6), ac)), firstEdge + 2
	}
	va := d3*d6 - d5*d4
	if va <= 0 && d4-d3 >= 0 && d5-d6 >= 0 {
		return r3.Add(b, r3.Scale((d4-d3)/((d4-d3)+(d5-d6)), r3.Sub(c, b))), firstEdge + 1
	}
	sum := va + vb + vc
	return r3.Add(a, r3.Add(r3.Scale(vb/sum, ab), r3.Scale(vc/sum, ac))), wholeFace
}

// separation is the distance from an envelope to the nearest triangle, 0 where
// one touches it.
func (s *Surface) separation(e *Envelope) Clearance {
	// Alternating projections give a distance that is nearly the least, and a direction
	// that shows most of the triangles to be farther.
	out := Clearance{OnFixture: e.pose.Apex}
	for range 8 {
		_, out.OnStructure = s.Nearest(out.OnFixture)
		out.OnFixture = e.nearestInside(out.OnStructure)
	}
	towards := r3.Sub(out.OnStructure, out.OnFixture)
	out.Distance = r3.Norm(towards)
	if out.Distance < touching {
		out.Distance = 0
		return out
	}
	towards = r3.Unit(towards)
	front := r3.Dot(towards, e.support(towards))

	near := func(n *node) float64 {
		ahead := r3.Dot(towards, n.centre) - front
		ahead -= math.Abs(towards.X)*n.half.X + math.Abs(towards.Y)*n.half.Y + math.Abs(towards.Z)*n.half.Z
		return max(ahead, e.SignedDistance(n.centre)-n.reach)
	}
	s.traverse(out.Distance, near, func(i int) float64 {
		a, b, c := s.mesh.Corners(i)
		if min(r3.Dot(a, towards), r3.Dot(b, towards), r3.Dot(c, towards))-front < out.Distance {
			if d, onE, onS := s.fromTriangle(i, e); d < out.Distance {
				out = Clearance{Distance: d, OnFixture: onE, OnStructure: onS}
			}
		}
		return out.Distance
	})
	return out
}

// fromTriangle is the distance of an envelope from a triangle, 0 where they
// touch, and the nearest points.
//
// Method: the nearest point of a triangle lies on an edge, along which the
// distance is unimodal, or it lies in the face right below the envelope's
// point that is lowest over the plane. Where the plane cuts the envelope and no
// edge touches it, the cut lies all inside the triangle or all outside.
func (s *Surface) fromTriangle(i int, e *Envelope) (d float64, onE, onS geom.Vec) {
	a, b, c := s.mesh.Corners(i)
	d = math.Inf(1)
	for _, edge := range [3][2]geom.Vec{{a, b}, {b, c}, {c, a}} {
		along := r3.Sub(edge[1], edge[0])
		at := func(t float64) geom.Vec { return r3.Add(edge[0], r3.Scale(t, along)) }
		if e.SignedDistance(at(0.5))-r3.Norm(along)/2 >= d {
			continue
		}
		t := minimise(func(t float64) float64 { return max(0, e.SignedDistance(at(t))) })
		if far := max(0, e.SignedDistance(at(t))); far < d {
			d, onE, onS = far, e.nearestInside(at(t)), at(t)
		}
	}
	n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
	if d == 0 || r3.Norm2(n) == 0 {
		return d, onE, onS
	}
	n = r3.Unit(n)
	low, high := e.support(r3.Scale(-1, n)), e.support(n)
	under, over := r3.Dot(r3.Sub(low, a), n), r3.Dot(r3.Sub(high, a), n)
	nearest, h := low, under
	switch {
	case over < 0:
		nearest, h = high, over
	case under < 0: // the plane cuts: take a point of the cut
		nearest, h = r3.Add(low, r3.Scale(under/(under-over), r3.Sub(high, low))), 0
	}
	foot := r3.Sub(nearest, r3.Scale(h, n))
	if _, f := s.onTriangle(i, foot); f == wholeFace && math.Abs(h) < d {
		d, onE, onS = math.Abs(h), nearest, foot
	}
	return d, onE, onS
}

// clearance is the separation or, where the envelope reaches into a closed surface, the
// depth of its deepest point.
func (s *Surface) clearance(e *Envelope) Clearance {
	out := s.separation(e)
	touches := out.Distance == 0
	if !s.closed {
		out.Crossed = touches
		return out
	}
	if !touches {
		if d, _ := s.Nearest(e.pose.Entry); d > 0 {
			return out
		}
	}
	d, at := deepestPoint(e, func(p geom.Vec) float64 { d, _ := s.Nearest(p); return d })
	_, on := s.Nearest(at)
	return Clearance{Distance: d, OnFixture: at, OnStructure: on}
}

// Crossings are the straight lines in which the file's own triangles pass the plane
// through a point, as far as they come within reach of it, mm; normal is a unit vector.
// Triangles that share an edge share the end of their lines to the last bit.
func (s *Surface) Crossings(at, normal geom.Vec, reach float64) [][2]geom.Vec {
	var out [][2]geom.Vec
	const visited = 1.0 // a bound below it lets a box be looked into
	missed := func(n *node) float64 {
		d := r3.Sub(n.centre, at)
		half := n.half.X*math.Abs(normal.X) + n.half.Y*math.Abs(normal.Y) + n.half.Z*math.Abs(normal.Z)
		x, y, z := max(0, math.Abs(d.X)-n.half.X), max(0, math.Abs(d.Y)-n.half.Y), max(0, math.Abs(d.Z)-n.half.Z)
		if math.Abs(r3.Dot(d, normal)) > half || x*x+y*y+z*z > reach*reach {
			return visited
		}
		return 0
	}
	s.traverse(visited, missed, func(i int) float64 {
		if i >= s.own {
			return visited
		}
		var ends []geom.Vec
		t := s.mesh.Triangles[i]
		for k := range 3 {
			// From the lower corner, so that both triangles of an edge compute the same.
			a, b := min(t[k], t[(k+1)%3]), max(t[k], t[(k+1)%3])
			p, q := s.mesh.Vertices[a], s.mesh.Vertices[b]
			dp, dq := r3.Dot(r3.Sub(p, at), normal), r3.Dot(r3.Sub(q, at), normal)
			if (dp < 0) != (dq < 0) {
				ends = append(ends, r3.Add(p, r3.Scale(dp/(dp-dq), r3.Sub(q, p))))
			}
		}
		if len(ends) == 2 {
			out = append(out, [2]geom.Vec{ends[0], ends[1]})
		}
		return visited
	})
	return out
}

// Silhouette are the edges between one of the file's own triangles that faces a viewer and
// one that does not, and the surface's rims, as far as they come within reach of a point,
// mm; the viewer is far away in the direction of a unit vector.
func (s *Surface) Silhouette(viewer, at geom.Vec, reach float64) [][2]geom.Vec {
	facing := func(i int) bool {
		a, b, c := s.mesh.Corners(i)
		return r3.Dot(r3.Cross(r3.Sub(b, a), r3.Sub(c, a)), viewer) > 0
	}
	var out [][2]geom.Vec
	const visited = 1.0 // a bound below it lets a box be looked into
	missed := func(n *node) float64 {
		d := r3.Sub(n.centre, at)
		x, y, z := max(0, math.Abs(d.X)-n.half.X), max(0, math.Abs(d.Y)-n.half.Y), max(0, math.Abs(d.Z)-n.half.Z)
		if x*x+y*y+z*z > reach*reach {
			return visited
		}
		return 0
	}
	s.traverse(visited, missed, func(i int) float64 {
		if i >= s.own {
			return visited
		}
		t := s.mesh.Triangles[i]
		for k := range 3 {
			a, b := t[k], t[(k+1)%3]
			other, _ := s.edges.Side(b, a)
			rim := other < 0 || other >= s.own
			// Each edge between two triangles once: from the one that faces the viewer.
			if rim || facing(i) && !facing(other) {
				out = append(out, [2]geom.Vec{s.mesh.Vertices[a], s.mesh.Vertices[b]})
			}
		}
		return visited
	})
	return out
}
