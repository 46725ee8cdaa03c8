package trimesh

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// Isosurface is where a signed distance is zero, within a box, as triangles whose fronts face
// outwards and whose vertices lie on the surface.
//
// Method: each cube of the grid is six tetrahedra, each cut by a plane (Payne BA, Toga AW,
// IEEE Comput Graph Appl 1990;10(5):33); every vertex then takes one Newton step along the
// gradient. Blocks whose middle lies too far from the surface are left out.
func Isosurface(distance func(geom.Vec) float64, low, high geom.Vec, step float64) *Mesh {
	const block = 8
	cells := [3]int{}
	for k, w := range [3]float64{high.X - low.X, high.Y - low.Y, high.Z - low.Z} {
		cells[k] = (int(math.Ceil(w/step)) + block - 1) / block
	}
	at := func(i, j, k int) geom.Vec {
		return r3.Add(low, geom.Vec{X: step * float64(i), Y: step * float64(j), Z: step * float64(k)})
	}
	type soup struct{ corners [][3]geom.Vec }
	parts := make([]soup, cells[0]*cells[1]*cells[2])
	parallel.For(len(parts), func(n int) {
		b := [3]int{n % cells[0] * block, n / cells[0] % cells[1] * block, n / cells[0] / cells[1] * block}
		const half = block / 2
		// Distances of blended bodies are within a third of the true ones.
		if math.Abs(distance(at(b[0]+half, b[1]+half, b[2]+half))) > 1.4*step*half*math.Sqrt(3)+0.5 {
			return
		}
		var d [block + 1][block + 1][block + 1]float64
		for i := range d {
			for j := range d[i] {
				for k := range d[i][j] {
					d[i][j][k] = distance(at(b[0]+i, b[1]+j, b[2]+k))
				}
			}
		}
		for i := range block {
			for j := range block {
				for k := range block {
					var p [8]geom.Vec
					var v [8]float64
					for c := range 8 {
						x, y, z := i+c&1, j+c>>1&1, k+c>>2&1
						p[c], v[c] = at(b[0]+x, b[1]+y, b[2]+z), d[x][y][z]
					}
					parts[n].corners = cutCell(parts[n].corners, &p, &v)
				}
			}
		}
	})
	w := welding{mesh: &Mesh{}, known: map[geom.Vec]int32{}}
	for _, s := range parts {
		for _, c := range s.corners {
			w.add(c)
		}
	}
	m := w.mesh
	parallel.For(len(m.Vertices), func(i int) {
		p := m.Vertices[i]
		g := gradientOf(distance, p)
		if l2 := r3.Norm2(g); l2 > 0.04 {
			m.Vertices[i] = r3.Sub(p, r3.Scale(max(-0.3, min(0.3, distance(p)/l2)), g))
		}
	})
	return m
}

func gradientOf(distance func(geom.Vec) float64, p geom.Vec) geom.Vec {
	const h = 1e-3
	along := func(e geom.Vec) float64 {
		return (distance(r3.Add(p, e)) - distance(r3.Sub(p, e))) / (2 * h)
	}
	return geom.Vec{X: along(geom.Vec{X: h}), Y: along(geom.Vec{Y: h}), Z: along(geom.Vec{Z: h})}
}
