package clearance

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/trimesh"
)

// mostCapped is the largest share of a surface that caps may make up. A sinus cut
// off by the edge of a scan is a body still; of a patch of its floor the rim is
// most of what there would be.
const mostCapped = 0.2

// cap closes the holes of a surface, each with a cone of triangles from its rim
// to the rim's centroid, and makes it a body if it is closed then and the caps
// are a small part of it.
func (s *Surface) cap() {
	closed := &trimesh.Mesh{Vertices: slices.Clip(s.mesh.Vertices), Triangles: slices.Clip(s.mesh.Triangles)}
	for _, rim := range rims(s.open) {
		centre := int32(len(closed.Vertices))
		var sum geom.Vec
		for _, v := range rim {
			sum = r3.Add(sum, s.mesh.Vertices[v])
		}
		closed.Vertices = append(closed.Vertices, r3.Scale(1/float64(len(rim)), sum))
		for i, v := range rim {
			closed.Triangles = append(closed.Triangles, [3]int32{rim[(i+1)%len(rim)], v, centre})
		}
	}
	if area(closed, s.own, len(closed.Triangles)) > mostCapped*area(closed, 0, s.own) {
		return
	}
	if edges := closed.Edges(); len(edges.Open()) == 0 {
		s.mesh, s.edges, s.closed = closed, edges, true
	}
}

// rims joins open edges to loops, as far as they make any.
func rims(open [][2]int32) [][]int32 {
	next := make(map[int32][]int32, len(open))
	for _, e := range open {
		next[e[0]] = append(next[e[0]], e[1])
	}
	var out [][]int32
	for _, e := range open {
		var rim []int32
		for v := e[0]; len(next[v]) > 0; {
			rim = append(rim, v)
			v, next[v] = next[v][0], next[v][1:]
		}
		if len(rim) > 2 {
			out = append(out, rim)
		}
	}
	return out
}

// area is that of a run of a mesh's triangles, mm².
func area(m *trimesh.Mesh, from, to int) float64 {
	sum := 0.0
	for i := from; i < to; i++ {
		sum += m.Area(i)
	}
	return sum
}

// OpenEdges is how many edges of a surface that should bound a body belong to
// holes of it; 0 for a sheet.
func (s *Surface) OpenEdges() int { return len(s.open) }

// atRim is how near an open edge a point lies on it, mm: rounding.
const atRim = 1e-6

// AtHole reports whether the surface's point nearest to an envelope, or deepest in
// it, lies in a hole or on its rim, so that the true surface may be nearer.
func (s *Surface) AtHole(e Envelope) bool {
	p := s.clearance(&e).OnStructure
	if _, _, triangle := s.nearest(p); triangle >= s.own {
		return true
	}
	for _, edge := range s.open {
		a, b := s.mesh.Vertices[edge[0]], s.mesh.Vertices[edge[1]]
		along := r3.Sub(b, a)
		t := min(max(0, r3.Dot(r3.Sub(p, a), along)/max(r3.Norm2(along), math.SmallestNonzeroFloat64)), 1)
		if r3.Norm(r3.Sub(p, r3.Add(a, r3.Scale(t, along)))) < atRim {
			return true
		}
	}
	return false
}

// axisPoints is the number of points of an envelope's axis at which the winding
// of a surface is asked for: a millimetre or two apart.
const axisPoints = 9

// Around is how far the surface, without its caps, goes round an envelope: the
// largest winding number, either way, at points of its axis. It is 1 inside a
// closed surface and 0 outside; near a hole it lies between.
//
// Method: the generalised winding number, the sum of the solid angles of the
// triangles over 4π (A. Jacobson et al., Robust inside-outside segmentation using
// generalized winding numbers, ACM Trans Graph 2013; 32:33); a solid angle by
// A. van Oosterom and J. Strackee, IEEE Trans Biomed Eng 1983; 30:125.
func (s *Surface) Around(e Envelope) float64 {
	var winding [axisPoints]float64
	parallel.For(axisPoints, func(k int) {
		p := r3.Add(e.pose.Entry, r3.Scale(float64(k)/(axisPoints-1)*e.height, e.axis))
		for i := range s.own {
			a, b, c := s.mesh.Corners(i)
			winding[k] += solidAngle(r3.Sub(a, p), r3.Sub(b, p), r3.Sub(c, p))
		}
	})
	most := 0.0
	for _, w := range winding {
		most = max(most, math.Abs(w)/(4*math.Pi))
	}
	return most
}

// solidAngle is that of a triangle seen from the origin, steradian, positive from
// its back.
func solidAngle(a, b, c geom.Vec) float64 {
	x, y, z := r3.Norm(a), r3.Norm(b), r3.Norm(c)
	return 2 * math.Atan2(r3.Dot(a, r3.Cross(b, c)), x*y*z+r3.Dot(a, b)*z+r3.Dot(b, c)*x+r3.Dot(c, a)*y)
}
