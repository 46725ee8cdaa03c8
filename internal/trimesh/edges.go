package trimesh

import "slices"

// Edges are the directed edges of a mesh's triangles: each triangle has one from
// each corner to the next.
type Edges struct {
	// Those that begin at vertex v are sorted[first[v]:first[v+1]], each the end
	// vertex in the upper and the side (3 × triangle + corner) in the lower half.
	first  []int32
	sorted []uint64
}

// Edges lists the directed edges.
func (m *Mesh) Edges() *Edges {
	e := &Edges{first: make([]int32, len(m.Vertices)+1), sorted: make([]uint64, 3*len(m.Triangles))}
	for _, t := range m.Triangles {
		for _, v := range t {
			e.first[v+1]++
		}
	}
	for v := range m.Vertices {
		e.first[v+1] += e.first[v]
	}
	next := slices.Clone(e.first)
	for i, t := range m.Triangles {
		for k, v := range t {
			e.sorted[next[v]] = uint64(t[(k+1)%3])<<32 | uint64(3*i+k)
			next[v]++
		}
	}
	for v := range m.Vertices {
		slices.Sort(e.from(int32(v)))
	}
	return e
}

func (e *Edges) from(v int32) []uint64 { return e.sorted[e.first[v]:e.first[v+1]] }

// between are the edges from a to b.
func (e *Edges) between(a, b int32) []uint64 {
	all := e.from(a)
	low, _ := slices.BinarySearch(all, uint64(b)<<32)
	high, _ := slices.BinarySearch(all, uint64(b+1)<<32)
	return all[low:high]
}

// Side is the triangle that has an edge from a to b, and the corner of it that a
// is; -1 where none has.
func (e *Edges) Side(a, b int32) (triangle, corner int) {
	found := e.between(a, b)
	if len(found) == 0 {
		return -1, 0
	}
	side := int(uint32(found[0]))
	return side / 3, side % 3
}

// Around calls visit with every triangle at a vertex and the corner of it that
// the vertex is.
func (e *Edges) Around(v int32, visit func(triangle, corner int)) {
	for _, x := range e.from(v) {
		side := int(uint32(x))
		visit(side/3, side%3)
	}
}

// Open are the directed edges that are not matched by exactly one edge in the
// opposite direction, or are there more than once, each named once: none for a
// closed surface whose triangles all face the same way. A hole, a triangle that
// is there twice or that faces the other way, and three triangles on one edge
// all count.
func (e *Edges) Open() [][2]int32 {
	var out [][2]int32
	for v := range int32(len(e.first) - 1) {
		all := e.from(v)
		for i := 0; i < len(all); {
			end := int32(all[i] >> 32)
			n := 1
			for i+n < len(all) && int32(all[i+n]>>32) == end {
				n++
			}
			if n != 1 || len(e.between(end, v)) != 1 {
				out = append(out, [2]int32{v, end})
			}
			i += n
		}
	}
	return out
}

// OpenEdges counts the edges of Edges.Open.
func (m *Mesh) OpenEdges() int { return len(m.Edges().Open()) }
