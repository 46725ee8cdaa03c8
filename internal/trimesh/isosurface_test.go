package trimesh

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// A sphere's surface is closed, faces outwards and has the sphere's volume, 4πr³/3; so does
// one whose distance is cut off, as that of a picture is.
func TestIsosurfaceOfASphere(t *testing.T) {
	const radius = 4.0
	centre := geom.Vec{X: 0.3, Y: -0.2, Z: 0.1}
	whole := func(p geom.Vec) float64 { return r3.Norm(r3.Sub(p, centre)) - radius }
	cut := func(p geom.Vec) float64 { return max(-0.3, min(0.3, whole(p))) }
	for _, distance := range []func(geom.Vec) float64{whole, cut} {
		m := Isosurface(distance, geom.Vec{X: -6, Y: -6, Z: -6}, geom.Vec{X: 6, Y: 6, Z: 6}, 0.5)
		assert.Zero(t, m.OpenEdges())
		assert.InEpsilon(t, 4*math.Pi/3*radius*radius*radius, m.Volume(), 0.02)
		for _, v := range m.Vertices {
			assert.InDelta(t, 0, whole(v), 0.01)
		}
	}
}
