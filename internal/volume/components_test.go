package volume

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/geom"
)

// solids fills voxels of a grid of 0.5 mm by a function of the place.
func solids(inside func(geom.Vec) bool) *Volume {
	v := &Volume{Grid: Grid{Size: [3]int{60, 50, 60}, Step: [3]geom.Vec{{X: 0.5}, {Y: 0.5}, {Z: 0.5}}}}
	v.Stored = make([]uint16, v.Len())
	for k := range v.Size[2] {
		v.Slope, v.Intercept = append(v.Slope, 2), append(v.Intercept, -100)
		for j := range v.Size[1] {
			for i := range v.Size[0] {
				if inside(v.Patient(float64(i), float64(j), float64(k))) {
					v.Stored[(k*v.Size[1]+j)*v.Size[0]+i] = 1000
				}
			}
		}
	}
	return v
}

// Two bodies that share an edge only are two; one that winds back is one.
func TestComponents(t *testing.T) {
	at := func(x, y, z float64) func(p geom.Vec) bool {
		return func(p geom.Vec) bool { return p == geom.Vec{X: x, Y: y, Z: z} }
	}
	edge := solids(func(p geom.Vec) bool { return at(3, 3, 3)(p) || at(3.5, 3.5, 3)(p) })
	assert.Len(t, edge.Components(1000), 2)
	horseshoe := solids(func(p geom.Vec) bool {
		return p.Y == 5 && (p.Z == 4 && p.X > 3 && p.X < 9 || p.Z > 4 && p.Z < 8 && (p.X == 3.5 || p.X == 8.5))
	})
	assert.Len(t, horseshoe.Components(1000), 1)
	assert.Len(t, horseshoe.Components(1900), 1, "at the level itself")
	assert.Len(t, horseshoe.Components(1901), 0)

	falling := *horseshoe
	falling.Stored = nil
	for k := range falling.Slope {
		falling.Slope[k], falling.Intercept[k] = -2, 1900
	}
	for _, s := range horseshoe.Stored {
		falling.Stored = append(falling.Stored, 1000-s)
	}
	assert.Len(t, falling.Components(1900), 1, "greys that fall as stored values rise")
	assert.Len(t, falling.Components(1901), 0)
}
