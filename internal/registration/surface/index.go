package surface

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// Index finds the point of a surface that is nearest to a given one.
type Index struct {
	cloud *Cloud
	grid  lattice
	first []int32 // points of cell i are order[first[i]:first[i+1]]
	order []int32
	where []geom.Vec // the points in that order: what is looked through together lies together
	near  []int32    // of each cell, a point near its centre; −1 where none is within reach

	mesh    *trimesh.Mesh // nil for points alone
	spacing float64       // of points alone, mm: how far beside the nearest one the surface goes on
	corners []int32       // triangles at vertex v are corners[from[v]:from[v+1]]
	from    []int32
}

// lattice is a box of cubic cells.
type lattice struct {
	low  geom.Vec
	size [3]int
	cell float64 // mm
}

const (
	// Cells are a few of the points' distances wide, within these bounds, mm.
	leastCell, mostCell = 0.2, 1.0
	// most bounds the number of cells.
	most = 1 << 23
	// margin, mm, is how far around a jaw's surface near points are known, from cell to cell.
	margin = 7.0
)

func latticeAround(points []geom.Vec, cell, margin float64) lattice {
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for _, p := range points {
		low = geom.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = geom.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	l := lattice{low: r3.Sub(low, geom.Vec{X: margin, Y: margin, Z: margin}), cell: min(max(cell, leastCell), mostCell)}
	for {
		for k, width := range [3]float64{high.X - low.X, high.Y - low.Y, high.Z - low.Z} {
			l.size[k] = int((width+2*margin)/l.cell) + 1
		}
		if float64(l.size[0])*float64(l.size[1])*float64(l.size[2]) <= most {
			return l
		}
		l.cell *= 2
	}
}

func (l *lattice) cellOf(p geom.Vec) (c [3]int, inside bool) {
	c = [3]int{int(math.Floor((p.X - l.low.X) / l.cell)), int(math.Floor((p.Y - l.low.Y) / l.cell)), int(math.Floor((p.Z - l.low.Z) / l.cell))}
	inside = c[0] >= 0 && c[1] >= 0 && c[2] >= 0 && c[0] < l.size[0] && c[1] < l.size[1] && c[2] < l.size[2]
	return c, inside
}

func (l *lattice) at(c [3]int) int { return (c[2]*l.size[1]+c[1])*l.size[0] + c[0] }

func (l *lattice) centre(c [3]int) geom.Vec {
	return geom.Vec{X: l.low.X + (float64(c[0])+0.5)*l.cell, Y: l.low.Y + (float64(c[1])+0.5)*l.cell, Z: l.low.Z + (float64(c[2])+0.5)*l.cell}
}

// NewIndex prepares a mesh.
func NewIndex(mesh *trimesh.Mesh) *Index {
	x := &Index{cloud: Of(mesh), mesh: mesh}
	x.from = make([]int32, len(mesh.Vertices)+1)
	for _, t := range mesh.Triangles {
		for _, v := range t {
			x.from[v+1]++
		}
	}
	for v := range mesh.Vertices {
		x.from[v+1] += x.from[v]
	}
	next := append([]int32(nil), x.from...)
	x.corners = make([]int32, 3*len(mesh.Triangles))
	for i, t := range mesh.Triangles {
		for _, v := range t {
			x.corners[next[v]] = int32(i)
			next[v]++
		}
	}
	area := 0.0
	for _, a := range x.cloud.Area {
		area += a
	}
	x.build(2*math.Sqrt(area/float64(len(mesh.Vertices))), margin)
	return x
}

// NewPointIndex prepares points that stand for the surface as far as spacing, mm, beside
// each. What lies farther from them than half of margin, mm, may not be found.
func NewPointIndex(c *Cloud, spacing, margin float64) *Index {
	x := &Index{cloud: c, spacing: spacing}
	x.build(spacing, margin)
	return x
}

// build sorts the points into cells of about the given width, mm.
func (x *Index) build(cell, margin float64) {
	c := x.cloud
	x.grid = latticeAround(c.Points, cell, margin)
	cells := x.grid.size[0] * x.grid.size[1] * x.grid.size[2]
	x.first = make([]int32, cells+1)
	of := make([]int32, len(c.Points))
	for i, p := range c.Points {
		cell, _ := x.grid.cellOf(p)
		of[i] = int32(x.grid.at(cell))
		x.first[of[i]+1]++
	}
	for i := range cells {
		x.first[i+1] += x.first[i]
	}
	next := append([]int32(nil), x.first...)
	x.order, x.where = make([]int32, len(c.Points)), make([]geom.Vec, len(c.Points))
	for i, p := range c.Points {
		x.order[next[of[i]]], x.where[next[of[i]]] = int32(i), p
		next[of[i]]++
	}
	x.spread(margin)
}

// spread finds for every cell within margin of the surface a point near its centre, by
// handing points on from cell to cell.
//
// Method: a breadth-first propagation over the six neighbours; the point that comes first, or a
// nearer one that comes later, is nearest but for a fraction of a cell (as Danielsson, Comput
// Graph Image Process 1980;14:227, propagates vectors).
func (x *Index) spread(margin float64) {
	g := &x.grid
	x.near = make([]int32, len(x.first)-1)
	var front, grown []int32
	for i := range x.near {
		x.near[i] = -1
		if x.first[i] < x.first[i+1] {
			x.near[i] = x.order[x.first[i]]
			front = append(front, int32(i))
		}
	}
	points := x.cloud.Points
	width, height := g.size[0], g.size[0]*g.size[1]
	for range int(margin / g.cell) {
		grown = grown[:0]
		for _, at := range front {
			p := x.near[at]
			c := [3]int{int(at) % width, int(at) / width % g.size[1], int(at) / height}
			for axis, stride := range [3]int{1, width, height} {
				for step := -1; step <= 1; step += 2 {
					if next := c[axis] + step; next < 0 || next >= g.size[axis] {
						continue
					}
					to := int(at) + step*stride
					if x.near[to] < 0 {
						x.near[to] = p
						grown = append(grown, int32(to))
						continue
					}
					if x.first[to] != x.first[to+1] || x.near[to] == p {
						continue
					}
					d := c
					d[axis] += step
					centre := g.centre(d)
					if r3.Norm2(r3.Sub(points[p], centre)) < r3.Norm2(r3.Sub(points[x.near[to]], centre)) {
						x.near[to] = p
					}
				}
			}
		}
		front, grown = grown, front
	}
}

// roughly is a point of the cloud near p, −1 where none is within margin.
func (x *Index) roughly(p geom.Vec) int32 {
	c, inside := x.grid.cellOf(p)
	if !inside {
		return -1
	}
	return x.near[x.grid.at(c)]
}

// nearest is the cloud's point nearest to p, within reach of it; −1 where there is none.
func (x *Index) nearest(p geom.Vec, reach float64) int32 {
	start := x.roughly(p)
	if start < 0 {
		return -1
	}
	best, distance2 := start, r3.Norm2(r3.Sub(x.cloud.Points[start], p))
	if slack := reach + 2*x.grid.cell; distance2 > slack*slack {
		return -1
	}
	r := math.Sqrt(min(distance2, reach*reach))
	low, _ := x.grid.cellOf(r3.Sub(p, geom.Vec{X: r, Y: r, Z: r}))
	high, _ := x.grid.cellOf(r3.Add(p, geom.Vec{X: r, Y: r, Z: r}))
	for k := range 3 {
		low[k], high[k] = max(0, low[k]), min(x.grid.size[k]-1, high[k])
	}
	for k := low[2]; k <= high[2]; k++ {
		for j := low[1]; j <= high[1]; j++ {
			row := x.grid.at([3]int{0, j, k})
			for n := x.first[row+low[0]]; n < x.first[row+high[0]+1]; n++ {
				if d := r3.Norm2(r3.Sub(x.where[n], p)); d < distance2 || d == distance2 && x.order[n] < best {
					best, distance2 = x.order[n], d
				}
			}
		}
	}
	if distance2 > reach*reach {
		return -1
	}
	return best
}

// closest is the nearest point of the triangles at the vertex nearest to p, and the normal
// there, as long as it lies within reach and not at an open edge.
func (x *Index) closest(p geom.Vec, reach float64) (q, normal geom.Vec, ok bool) {
	v := x.nearest(p, reach)
	if v < 0 || x.cloud.Rim[v] {
		return q, normal, false
	}
	if x.mesh == nil {
		q, normal = x.cloud.Points[v], x.cloud.Normals[v]
		d := r3.Sub(q, p)
		along := r3.Dot(d, normal)
		return q, normal, r3.Norm2(d)-along*along <= x.spacing*x.spacing
	}
	best := math.Inf(1)
	var shown [3]int32 // the corners of the nearest triangle, and their weights
	var weight [3]float64
	for _, i := range x.corners[x.from[v]:x.from[v+1]] {
		a, b, c := x.mesh.Corners(int(i))
		u, w := barycentric(p, a, b, c)
		at := r3.Add(a, r3.Add(r3.Scale(u, r3.Sub(b, a)), r3.Scale(w, r3.Sub(c, a))))
		if d := r3.Norm2(r3.Sub(at, p)); d < best {
			best, q = d, at
			shown, weight = x.mesh.Triangles[i], [3]float64{1 - u - w, u, w}
		}
	}
	for k, v := range shown {
		normal = r3.Add(normal, r3.Scale(weight[k], x.cloud.Normals[v]))
	}
	l := math.Sqrt(r3.Norm2(normal))
	return q, r3.Scale(1/l, normal), l > 0.1
}

// barycentric gives the weights of b and c of the point of the triangle that is nearest
// to p (Ericson C, Real-Time Collision Detection, 2005, 5.1.5).
func barycentric(p, a, b, c geom.Vec) (u, w float64) {
	ab, ac, ap := r3.Sub(b, a), r3.Sub(c, a), r3.Sub(p, a)
	d1, d2 := r3.Dot(ab, ap), r3.Dot(ac, ap)
	if d1 <= 0 && d2 <= 0 {
		return 0, 0
	}
	bp := r3.Sub(p, b)
	d3, d4 := r3.Dot(ab, bp), r3.Dot(ac, bp)
	if d3 >= 0 && d4 <= d3 {
		return 1, 0
	}
	vc := d1*d4 - d3*d2
	if vc <= 0 && d1 >= 0 && d3 <= 0 {
		return d1 / (d1 - d3), 0
	}
	cp := r3.Sub(p, c)
	d5, d6 := r3.Dot(ab, cp), r3.Dot(ac, cp)
	if d6 >= 0 && d5 <= d6 {
		return 0, 1
	}
	vb := d5*d2 - d1*d6
	if vb <= 0 && d2 >= 0 && d6 <= 0 {
		return 0, d2 / (d2 - d6)
	}
	va := d3*d6 - d5*d4
	if va <= 0 && d4-d3 >= 0 && d5-d6 >= 0 {
		t := (d4 - d3) / ((d4 - d3) + (d5 - d6))
		return 1 - t, t
	}
	sum := va + vb + vc
	if sum == 0 {
		return 0, 0
	}
	return vb / sum, vc / sum
}

// Neighbours lists the points around a place.
type Neighbours struct {
	cloud *Cloud
	cell  float64
	cells map[[3]int32][]int32
}

// NewNeighbours prepares a cloud for lists of points within about reach, mm.
func NewNeighbours(c *Cloud, reach float64) *Neighbours {
	n := &Neighbours{cloud: c, cell: reach, cells: map[[3]int32][]int32{}}
	for i, p := range c.Points {
		k := n.key(p)
		n.cells[k] = append(n.cells[k], int32(i))
	}
	return n
}

func (n *Neighbours) key(p geom.Vec) [3]int32 {
	return [3]int32{int32(math.Floor(p.X / n.cell)), int32(math.Floor(p.Y / n.cell)), int32(math.Floor(p.Z / n.cell))}
}

// Around are the points within reach of p.
func (n *Neighbours) Around(p geom.Vec, reach float64) []int32 {
	r := geom.Vec{X: reach, Y: reach, Z: reach}
	low, high := n.key(r3.Sub(p, r)), n.key(r3.Add(p, r))
	var out []int32
	for x := low[0]; x <= high[0]; x++ {
		for y := low[1]; y <= high[1]; y++ {
			for z := low[2]; z <= high[2]; z++ {
				for _, i := range n.cells[[3]int32{x, y, z}] {
					if r3.Norm2(r3.Sub(n.cloud.Points[i], p)) <= reach*reach {
						out = append(out, i)
					}
				}
			}
		}
	}
	return out
}

// Inside is how far a point lies inside of the surface, mm, by the nearest point of it:
// positive behind the side that its normals face. False where the surface is not near.
func (x *Index) Inside(p geom.Vec) (float64, bool) {
	v := x.nearest(p, margin)
	if v < 0 {
		return 0, false
	}
	return r3.Dot(x.cloud.Normals[v], r3.Sub(x.cloud.Points[v], p)), true
}
