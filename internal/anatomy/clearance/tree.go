package clearance

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// node is a box around a run of triangles. Those of the halves of node i's run
// are nodes 2i+1 and 2i+2, unless it is a leaf.
type node struct {
	centre, half geom.Vec
	reach        float64 // half the box's diagonal
	from, to     int32   // of Surface.order
}

func (n *node) leaf() bool { return n.to-n.from <= leafSize }

const (
	// leafSize is how many triangles a leaf holds at most. It changes the speed
	// only.
	leafSize = 4
	// shared is the number of triangles from which the halves of a run are built
	// side by side. It changes the speed only.
	shared = 1 << 15
)

// build makes the tree (bounding volume hierarchy): each run of triangles is
// halved at the median of its centroids along the longest side of its box.
func (s *Surface) build() {
	n := len(s.mesh.Triangles)
	s.order = make([]int32, n)
	centroids := make([]geom.Vec, n) // times three
	for i := range s.order {
		s.order[i] = int32(i)
		a, b, c := s.mesh.Corners(i)
		centroids[i] = r3.Add(a, r3.Add(b, c))
	}
	nodes := 1
	for run := n; run > leafSize; run -= run / 2 { // the larger half
		nodes = 2*nodes + 1
	}
	s.nodes = make([]node, nodes)
	s.branch(centroids, 0, 0, n)
}

// branch makes the node at a place of the tree and those below it.
func (s *Surface) branch(centroids []geom.Vec, at, from, to int) {
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for _, i := range s.order[from:to] {
		a, b, c := s.mesh.Corners(int(i))
		low = geom.Vec{X: min(low.X, a.X, b.X, c.X), Y: min(low.Y, a.Y, b.Y, c.Y), Z: min(low.Z, a.Z, b.Z, c.Z)}
		high = geom.Vec{X: max(high.X, a.X, b.X, c.X), Y: max(high.Y, a.Y, b.Y, c.Y), Z: max(high.Z, a.Z, b.Z, c.Z)}
	}
	n := &s.nodes[at]
	*n = node{centre: r3.Scale(0.5, r3.Add(low, high)), half: r3.Scale(0.5, r3.Sub(high, low)), from: int32(from), to: int32(to)}
	n.reach = r3.Norm(n.half)
	if n.leaf() {
		return
	}
	along := func(i int32) float64 { return centroids[i].Z }
	switch max(n.half.X, n.half.Y, n.half.Z) {
	case n.half.X:
		along = func(i int32) float64 { return centroids[i].X }
	case n.half.Y:
		along = func(i int32) float64 { return centroids[i].Y }
	}
	half := (from + to) / 2
	halve(s.order[from:to], half-from, along)
	if to-from < shared {
		s.branch(centroids, 2*at+1, from, half)
		s.branch(centroids, 2*at+2, half, to)
		return
	}
	parallel.For(2, func(i int) {
		if i == 0 {
			s.branch(centroids, 2*at+1, from, half)
		} else {
			s.branch(centroids, 2*at+2, half, to)
		}
	})
}

// halve puts the first n of a run, ordered by a key and then by number, in front
// of the rest.
//
// Method: quickselect with the median of three as pivot (C. A. R. Hoare,
// Algorithm 65: Find, Commun ACM 1961; 4:321).
func halve(run []int32, n int, key func(int32) float64) {
	less := func(i, j int32) bool {
		x, y := key(i), key(j)
		return x < y || x == y && i < j
	}
	for low, high := 0, len(run)-1; low < high; {
		a, b, c := run[low], run[(low+high)/2], run[high]
		if less(b, a) {
			a, b = b, a
		}
		if less(c, b) {
			b = c
			if less(b, a) {
				b = a
			}
		}
		i, j := low, high
		for i <= j {
			for less(run[i], b) {
				i++
			}
			for less(b, run[j]) {
				j--
			}
			if i <= j {
				run[i], run[j] = run[j], run[i]
				i++
				j--
			}
		}
		switch {
		case n <= j:
			high = j
		case n >= i:
			low = i
		default:
			return
		}
	}
}

// traverse visits the triangles that may be nearer than best, nearest boxes first.
// bound says that nothing in a box is nearer; visit measures a triangle and
// gives the best so far.
func (s *Surface) traverse(best float64, bound func(*node) float64, visit func(triangle int) float64) {
	type entry struct {
		node  int
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
		if n.leaf() {
			for _, i := range s.order[n.from:n.to] {
				best = visit(int(i))
			}
			continue
		}
		left, right := 2*top.node+1, 2*top.node+2
		l, r := entry{left, bound(&s.nodes[left])}, entry{right, bound(&s.nodes[right])}
		if l.bound < r.bound {
			l, r = r, l
		}
		stack = append(stack, l, r)
	}
}
