package exchange

import (
	"math"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

const (
	// facets is how many sides a round surface has: the flat ones lie within 0.003 mm of a
	// wall 5 mm wide.
	facets = 72
	// bends is how many parts the rounding of the apex has.
	bends = 6
)

// solid is a fixture's nominal surface in its own frame, closed, its triangles facing
// outwards.
func solid(s clearance.Shape, length float64) *trimesh.Mesh {
	radius, flat := s.Diameter/2, s.Diameter/2-s.Round
	// Rings as radius and depth below the platform, between its centre and the apex.
	rings := [][2]float64{{radius, 0}}
	for i := range bends + 1 {
		sin, cos := math.Sincos(math.Pi / 2 * float64(i) / bends)
		rings = append(rings, [2]float64{flat + s.Round*cos, length - s.Round + s.Round*sin})
	}
	m := &trimesh.Mesh{Vertices: []geom.Vec{{}, {Z: -length}}}
	const platform, apex = 0, 1
	for _, r := range rings {
		for i := range facets {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / facets)
			m.Vertices = append(m.Vertices, geom.Vec{X: r[0] * cos, Y: r[0] * sin, Z: -r[1]})
		}
	}
	at := func(ring, i int) int32 { return int32(2 + ring*facets + i%facets) }
	last := len(rings) - 1
	for i := range facets {
		m.Triangles = append(m.Triangles, [3]int32{platform, at(0, i), at(0, i+1)}, [3]int32{apex, at(last, i+1), at(last, i)})
		for ring := range last {
			a, b, c, d := at(ring, i), at(ring, i+1), at(ring+1, i), at(ring+1, i+1)
			m.Triangles = append(m.Triangles, [3]int32{a, c, d}, [3]int32{a, d, b})
		}
	}
	return m
}
