package surface

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/trimesh"
)

// Cloud is points of a surface with unit normals. Normals of one connected part all face
// the same side, which may be the wrong one.
type Cloud struct {
	Points, Normals []geom.Vec
	Area            []float64 // mm² that a point stands for
	Rim             []bool    // the point lies at an open edge
}

// Of gives a mesh's vertices with normals. Triangles that face the other way than their
// neighbours are turned, so that each connected part faces as most of it does.
func Of(m *trimesh.Mesh) *Cloud {
	n := len(m.Vertices)
	c := &Cloud{Points: m.Vertices, Normals: make([]geom.Vec, n), Area: make([]float64, n), Rim: make([]bool, n)}
	turned := facing(m, c.Rim)
	for i, t := range m.Triangles {
		a, b, d := m.Corners(i)
		cross := r3.Cross(r3.Sub(b, a), r3.Sub(d, a)) // twice the area long
		area := r3.Norm(cross) / 6
		if turned[i] {
			cross = r3.Scale(-1, cross)
		}
		for _, v := range t {
			c.Normals[v] = r3.Add(c.Normals[v], cross)
			c.Area[v] += area
		}
	}
	for v, x := range c.Normals {
		if l := r3.Norm(x); l > 0 {
			c.Normals[v] = r3.Scale(1/l, x)
		} else {
			c.Normals[v], c.Rim[v] = geom.Vec{Z: 1}, true // no side to tell: as good as no surface
		}
	}
	return c
}

// facing tells which triangles are to be turned, and marks the vertices of open edges.
func facing(m *trimesh.Mesh, rim []bool) []bool {
	edges := m.Edges()
	turned := make([]bool, len(m.Triangles))
	seen := make([]bool, len(m.Triangles))
	var part []int
	for first := range m.Triangles {
		if seen[first] {
			continue
		}
		part = append(part[:0], first)
		seen[first] = true
		flips := 0
		for i := 0; i < len(part); i++ {
			t := m.Triangles[part[i]]
			for k, a := range t {
				b := t[(k+1)%3]
				against, _ := edges.Side(b, a) // a neighbour that faces as this one does
				along, _ := edges.Side(a, b)
				if against < 0 && along == part[i] {
					rim[a], rim[b] = true, true
				}
				for _, x := range [...]struct {
					triangle int
					same     bool
				}{{against, true}, {along, false}} {
					if x.triangle < 0 || seen[x.triangle] {
						continue
					}
					seen[x.triangle] = true
					turned[x.triangle] = turned[part[i]] == x.same
					if turned[x.triangle] {
						flips++
					}
					part = append(part, x.triangle)
				}
			}
		}
		if 2*flips > len(part) {
			for _, i := range part {
				turned[i] = !turned[i]
			}
		}
	}
	return turned
}

// Thinned is one point for each cell of the given width, mm: that nearest to its middle, so that
// the order of the points does not matter.
func (c *Cloud) Thinned(width float64) *Cloud {
	type chosen struct {
		at  int     // of the point
		off float64 // from the cell's middle, squared
	}
	var all []chosen
	var area []float64
	place := map[[3]int32]int{}
	for i, p := range c.Points {
		if c.Rim[i] {
			continue
		}
		cell := geom.Vec{X: math.Floor(p.X / width), Y: math.Floor(p.Y / width), Z: math.Floor(p.Z / width)}
		off := r3.Norm2(r3.Sub(r3.Scale(1/width, p), r3.Add(cell, geom.Vec{X: 0.5, Y: 0.5, Z: 0.5})))
		key := [3]int32{int32(cell.X), int32(cell.Y), int32(cell.Z)}
		n, known := place[key]
		if !known {
			n = len(all)
			place[key] = n
			all, area = append(all, chosen{i, off}), append(area, 0)
		} else if off < all[n].off {
			all[n] = chosen{i, off}
		}
		area[n] += c.Area[i]
	}
	out := &Cloud{}
	for n, x := range all {
		out.add(c, x.at)
		out.Area[n] = area[n]
	}
	return out
}

func (c *Cloud) add(from *Cloud, i int) {
	c.Points = append(c.Points, from.Points[i])
	c.Normals = append(c.Normals, from.Normals[i])
	c.Area = append(c.Area, from.Area[i])
	c.Rim = append(c.Rim, from.Rim[i])
}

// Where is the points for which keep holds.
func (c *Cloud) Where(keep func(i int) bool) *Cloud {
	out := &Cloud{}
	for i := range c.Points {
		if keep(i) {
			out.add(c, i)
		}
	}
	return out
}

// curvature is the mean curvature at each point, 1/mm, positive where the surface bulges the way
// its normals face: a paraboloid's through the point and its neighbours within reach, mm.
func (c *Cloud) curvature(reach float64) []float64 {
	near := NewNeighbours(c, reach)
	out := make([]float64, len(c.Points))
	parallel.For(len(c.Points), func(i int) {
		height, square := 0.0, 0.0
		for _, k := range near.Around(c.Points[i], reach) {
			d := r3.Sub(c.Points[k], c.Points[i])
			z := r3.Dot(d, c.Normals[i])
			height += z
			square += r3.Norm2(d) - z*z
		}
		if square > 0 {
			out[i] = -2 * height / square
		}
	})
	return out
}

// moved is the cloud in another frame.
func (c *Cloud) moved(m geom.Rigid) *Cloud {
	out := &Cloud{Points: make([]geom.Vec, len(c.Points)), Normals: make([]geom.Vec, len(c.Points)), Area: c.Area, Rim: c.Rim}
	for i, p := range c.Points {
		out.Points[i], out.Normals[i] = m.Apply(p), m.Rotate(c.Normals[i])
	}
	return out
}

// Across is the length of a surface along the direction in which it is spread most, mm,
// without the outermost hundredth of its area at each end.
func Across(m *trimesh.Mesh) float64 {
	area := make([]float64, len(m.Vertices))
	for i, t := range m.Triangles {
		for _, v := range t {
			area[v] += m.Area(i) / 3
		}
	}
	var sum geom.Vec
	total := 0.0
	for i, p := range m.Vertices {
		sum = r3.Add(sum, r3.Scale(area[i], p))
		total += area[i]
	}
	mean := r3.Scale(1/total, sum)
	s := &State{ToFixed: geom.Identity(), Robust: area}
	along := s.along(&Cloud{Points: m.Vertices}, mean)
	type end struct{ at, area float64 }
	ends := make([]end, len(m.Vertices))
	for i, p := range m.Vertices {
		ends[i] = end{r3.Dot(r3.Sub(p, mean), along), area[i]}
	}
	slices.SortFunc(ends, func(a, b end) int { return cmp.Compare(a.at, b.at) })
	low, high, before := math.NaN(), 0.0, 0.0
	for _, e := range ends {
		before += e.area
		if low != low && before > 0.01*total {
			low = e.at
		}
		if before < 0.99*total {
			high = e.at
		}
	}
	return high - low
}
