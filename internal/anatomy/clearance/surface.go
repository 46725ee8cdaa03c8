package clearance

import (
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/plan/stl"
)

// Surface is a triangle surface. A closed one that is no sheet has an inside, so
// that a fixture can penetrate it.
type Surface struct {
	mesh   *stl.Mesh
	closed bool

	// Outer normals of triangles, vertices and edges, for a closed surface.
	face, vertex []geom.Vec
	edge         map[[2]int32]geom.Vec

	nodes []node  // a tree of boxes; the first is the root
	order []int32 // triangles, so that each leaf has a run of them
}

// node is a box with two nodes, or, as a leaf, with a run of triangles.
type node struct {
	centre, half geom.Vec
	reach        float64 // half the box's diagonal
	left, right  int32   // 0 in a leaf
	from, to     int32   // of Surface.order
}

// leafSize is how many triangles a leaf holds. It changes the speed only.
const leafSize = 4

// NewSurface takes over a mesh in the planning frame. A mesh that is closed
// bounds a body; one that is inside out is turned. Of a sheet, such as a
// cortical plate, only the surface counts, closed or not.
//
// Errors: a mesh without triangles.
func NewSurface(mesh *stl.Mesh, sheet bool) (*Surface, error) {
	if len(mesh.Triangles) == 0 {
		return nil, errors.New("the surface has no triangles")
	}
	s := &Surface{mesh: mesh, closed: !sheet && mesh.OpenEdges() == 0}
	if s.closed {
		s.computeNormals(math.Copysign(1, mesh.Volume()))
	}
	s.order = make([]int32, len(mesh.Triangles))
	for i := range s.order {
		s.order[i] = int32(i)
	}
	s.build(0, len(s.order))
	return s, nil
}

// Closed reports whether the surface has an inside.
func (s *Surface) Closed() bool { return s.closed }

// computeNormals computes the normals that decide between inside and outside at a nearest
// point: those of an edge and of a vertex are sums over their triangles, at a
// vertex weighted by the angle (J. A. Bærentzen and H. Aanæs, Signed distance
// computation using the angle weighted pseudonormal, IEEE Trans Vis Comput
// Graph 2005; 11:243).
func (s *Surface) computeNormals(sign float64) {
	m := s.mesh
	s.face = make([]geom.Vec, len(m.Triangles))
	s.vertex = make([]geom.Vec, len(m.Vertices))
	s.edge = make(map[[2]int32]geom.Vec, 3*len(m.Triangles)/2)
	for i, t := range m.Triangles {
		a, b, c := m.Corners(i)
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		if r3.Norm2(n) == 0 {
			continue
		}
		n = r3.Scale(sign, r3.Unit(n))
		s.face[i] = n
		corner := [3]geom.Vec{a, b, c}
		for k := range 3 {
			next, last := corner[(k+1)%3], corner[(k+2)%3]
			angle := geom.Angle(r3.Sub(next, corner[k]), r3.Sub(last, corner[k]))
			s.vertex[t[k]] = r3.Add(s.vertex[t[k]], r3.Scale(angle, n))
			e := edgeKey(t[k], t[(k+1)%3])
			s.edge[e] = r3.Add(s.edge[e], n)
		}
	}
}

// edgeKey names an edge by its vertices, whichever way it is run through.
func edgeKey(a, b int32) [2]int32 { return [2]int32{min(a, b), max(a, b)} }

// build makes the tree (bounding volume hierarchy) over a run of triangles, halved along
// its longest side, and gives its root.
func (s *Surface) build(from, to int) int32 {
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for _, i := range s.order[from:to] {
		a, b, c := s.mesh.Corners(int(i))
		low = geom.Vec{X: min(low.X, a.X, b.X, c.X), Y: min(low.Y, a.Y, b.Y, c.Y), Z: min(low.Z, a.Z, b.Z, c.Z)}
		high = geom.Vec{X: max(high.X, a.X, b.X, c.X), Y: max(high.Y, a.Y, b.Y, c.Y), Z: max(high.Z, a.Z, b.Z, c.Z)}
	}
	n := node{centre: r3.Scale(0.5, r3.Add(low, high)), half: r3.Scale(0.5, r3.Sub(high, low)), from: int32(from), to: int32(to)}
	n.reach = r3.Norm(n.half)
	at := int32(len(s.nodes))
	s.nodes = append(s.nodes, n)
	if to-from <= leafSize {
		return at
	}
	along := func(v geom.Vec) float64 {
		switch max(n.half.X, n.half.Y, n.half.Z) {
		case n.half.X:
			return v.X
		case n.half.Y:
			return v.Y
		}
		return v.Z
	}
	middle := func(i int32) float64 {
		a, b, c := s.mesh.Corners(int(i))
		return along(a) + along(b) + along(c)
	}
	run := s.order[from:to]
	slices.SortFunc(run, func(i, j int32) int {
		switch x, y := middle(i), middle(j); {
		case x < y:
			return -1
		case x > y:
			return 1
		}
		return int(i) - int(j)
	})
	half := (from + to) / 2
	left := s.build(from, half)
	right := s.build(half, to)
	s.nodes[at].left, s.nodes[at].right = left, right
	return at
}

// traverse visits the triangles that may be nearer than best, nearest boxes first.
// bound says that nothing in a box is nearer; visit measures a triangle and
// gives the best so far.
func (s *Surface) traverse(best float64, bound func(*node) float64, visit func(triangle int) float64) {
	type entry struct {
		node  int32
		bound float64
	}
	stack := []entry{{0, bound(&s.nodes[0])}}
	for len(stack) > 0 {
		top := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		if top.bound >= best {
			continue
		}
		n := &s.nodes[top.node]
		if n.left == 0 {
			for _, i := range s.order[n.from:n.to] {
				best = visit(int(i))
			}
			continue
		}
		l, r := entry{n.left, bound(&s.nodes[n.left])}, entry{n.right, bound(&s.nodes[n.right])}
		if l.bound < r.bound {
			l, r = r, l
		}
		stack = append(stack, l, r)
	}
}

// Nearest is the surface's point nearest to p and the signed distance to it:
// negative inside a closed surface, never negative from an open one.
func (s *Surface) Nearest(p geom.Vec) (float64, geom.Vec) {
	best := math.Inf(1)
	var at, normal geom.Vec
	outside := func(n *node) float64 {
		d := r3.Sub(p, n.centre)
		x, y, z := max(0, math.Abs(d.X)-n.half.X), max(0, math.Abs(d.Y)-n.half.Y), max(0, math.Abs(d.Z)-n.half.Z)
		return x*x + y*y + z*z
	}
	s.traverse(best, outside, func(i int) float64 {
		q, feature := s.onTriangle(i, p)
		if d := r3.Norm2(r3.Sub(p, q)); d < best {
			best, at = d, q
			if s.closed {
				normal = s.normal(i, feature)
			}
		}
		return best
	})
	d := math.Sqrt(best)
	if s.closed && r3.Dot(r3.Sub(p, at), normal) < 0 {
		d = -d
	}
	return d, at
}

// feature is what of a triangle a point lies on: corners 0 to 2, the edges
// after them, or the face.
type feature int

const (
	firstEdge feature = 3
	wholeFace feature = 6
)

// normal is the outer pseudonormal of what a point lies on.
func (s *Surface) normal(triangle int, f feature) geom.Vec {
	t := s.mesh.Triangles[triangle]
	switch {
	case f < firstEdge:
		return s.vertex[t[f]]
	case f < wholeFace:
		k := int(f - firstEdge)
		return s.edge[edgeKey(t[k], t[(k+1)%3])]
	}
	return s.face[triangle]
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
