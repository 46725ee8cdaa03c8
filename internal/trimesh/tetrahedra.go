package trimesh

import (
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// CutTetrahedron appends the triangles in which a linear function of the given values at four
// points is zero; their fronts face where it is positive.
//
// Method: Payne BA, Toga AW, IEEE Comput Graph Appl 1990;10(5):33.
func CutTetrahedron(out [][3]geom.Vec, p [4]geom.Vec, v [4]float64) [][3]geom.Vec {
	var in, off []int
	for i, x := range v {
		if x < 0 {
			in = append(in, i)
		} else {
			off = append(off, i)
		}
	}
	// The same two corners give the same point, whatever their order.
	cut := func(i, j int) geom.Vec {
		a, b := p[i], p[j]
		x, y := v[i], v[j]
		if b.X < a.X || b.X == a.X && (b.Y < a.Y || b.Y == a.Y && b.Z < a.Z) {
			a, b, x, y = b, a, y, x
		}
		return r3.Add(a, r3.Scale(x/(x-y), r3.Sub(b, a)))
	}
	add := func(a, b, c geom.Vec) {
		outwards := r3.Sub(p[off[0]], p[in[0]])
		if r3.Dot(r3.Cross(r3.Sub(b, a), r3.Sub(c, a)), outwards) < 0 {
			b, c = c, b
		}
		out = append(out, [3]geom.Vec{a, b, c})
	}
	switch len(in) {
	case 1:
		add(cut(in[0], off[0]), cut(in[0], off[1]), cut(in[0], off[2]))
	case 3:
		add(cut(off[0], in[0]), cut(off[0], in[1]), cut(off[0], in[2]))
	case 2:
		a, b, c, d := cut(in[0], off[0]), cut(in[0], off[1]), cut(in[1], off[1]), cut(in[1], off[0])
		add(a, b, c)
		add(a, c, d)
	}
	return out
}

// Grid is values at the points of a grid that need not be even: point (i, j, k) lies at
// Place(i, j, k), and planes of equal index are planes.
type Grid struct {
	N     [3]int
	Value func(i, j, k int) float64
	Place func(i, j, k int) geom.Vec
}

// Isosurface is where the values of a grid, linear in six tetrahedra a cell, are zero: a
// surface around what is negative, facing outwards, closed where the outermost values are
// positive. It has at most so many triangles.
//
// Errors: a surface of more.
func (g Grid) Isosurface(most int) (*Mesh, error) {
	w := welding{mesh: &Mesh{}, known: map[geom.Vec]int32{}}
	var cut [][3]geom.Vec
	for k := range g.N[2] - 1 {
		for j := range g.N[1] - 1 {
			for i := range g.N[0] - 1 {
				var v [8]float64
				inside := 0
				for c := range 8 {
					v[c] = g.Value(i+c&1, j+c>>1&1, k+c>>2&1)
					if v[c] < 0 {
						inside++
					}
				}
				if inside == 0 || inside == 8 {
					continue
				}
				var p [8]geom.Vec
				for c := range 8 {
					p[c] = g.Place(i+c&1, j+c>>1&1, k+c>>2&1)
				}
				cut = cutCell(cut[:0], &p, &v)
				for _, c := range cut {
					w.add(c)
				}
				if len(w.mesh.Triangles) > most {
					return nil, fmt.Errorf("its surface has more than %d triangles; export it with fewer, or with coarser voxels", most)
				}
			}
		}
	}
	return w.mesh, nil
}

// cutCell adds the triangles of a cell's surface, as CutTetrahedron gives them, by six
// tetrahedra about its diagonal; corner 1 lies along x, 2 along y, 4 along z.
func cutCell(to [][3]geom.Vec, p *[8]geom.Vec, v *[8]float64) [][3]geom.Vec {
	for _, t := range [6][4]int{{0, 1, 3, 7}, {0, 3, 2, 7}, {0, 2, 6, 7}, {0, 6, 4, 7}, {0, 4, 5, 7}, {0, 5, 1, 7}} {
		to = CutTetrahedron(to, [4]geom.Vec{p[t[0]], p[t[1]], p[t[2]], p[t[3]]}, [4]float64{v[t[0]], v[t[1]], v[t[2]], v[t[3]]})
	}
	return to
}

// welding makes a mesh of single triangles: corners in one place become one vertex.
type welding struct {
	mesh  *Mesh
	known map[geom.Vec]int32
}

// add takes in a triangle; one without area is left out.
func (w *welding) add(corners [3]geom.Vec) {
	var t [3]int32
	for k, p := range corners {
		i, ok := w.known[p]
		if !ok {
			i = int32(len(w.mesh.Vertices))
			w.known[p] = i
			w.mesh.Vertices = append(w.mesh.Vertices, p)
		}
		t[k] = i
	}
	if t[0] != t[1] && t[1] != t[2] && t[2] != t[0] {
		w.mesh.Triangles = append(w.mesh.Triangles, t)
	}
}
