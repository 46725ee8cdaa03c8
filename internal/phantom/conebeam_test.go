package phantom

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

func TestLineToSegment(t *testing.T) {
	d := geom.Vec{Z: 1}
	for _, c := range []struct {
		a, b geom.Vec
		want float64
	}{
		{geom.Vec{X: 3}, geom.Vec{X: 3, Z: 9}, 3},          // parallel
		{geom.Vec{X: -1, Y: 2}, geom.Vec{X: 4, Y: 2}, 2},   // crosses over
		{geom.Vec{X: 3, Y: 4}, geom.Vec{X: 9, Y: 12}, 5},   // nearest at an end
		{geom.Vec{X: -1}, geom.Vec{X: 1, Z: 5}, 0},         // meets
		{geom.Vec{X: 3, Y: 4}, geom.Vec{X: 3, Y: 4}, 5},    // no length
		{geom.Vec{X: 9, Y: 12}, geom.Vec{X: 3, Y: 4.0}, 5}, // the other end
	} {
		assert.InDelta(t, c.want, lineToSegment(geom.Vec{Z: -40}, d, c.a, c.b), 1e-12, "%v", c)
	}
}

// rod is a titanium rod across the axis of a scan, 3 mm thick.
func rod() *post {
	return &post{cone: newCone(geom.Vec{X: -5}, geom.Vec{X: 5}, 1.5, 1.5001), of: titanium}
}

func TestPathThroughMetal(t *testing.T) {
	o := newMetalMap(rod(), geom.Identity(), geom.Identity())
	for _, c := range []struct{ p, d geom.Vec }{
		{geom.Vec{Y: -40}, geom.Vec{Y: 1}},
		{geom.Vec{X: 1, Z: 40}, geom.Vec{Z: -1}},
		{geom.Vec{X: 2, Y: -40, Z: 1}, geom.Vec{Y: 1}},
		{geom.Vec{X: -30, Y: -30}, geom.Vec{X: 1, Y: 1}},
		{geom.Vec{X: -40}, geom.Vec{X: 1}},
		{geom.Vec{X: -40, Z: 1.6}, geom.Vec{X: 1}},
	} {
		d := r3.Unit(c.d)
		// Of the rod's length by its signed distance, in steps of a hundredth.
		want := 0.0
		for l := 0.005; l < 90; l += 0.01 {
			if rod().distance(r3.Add(c.p, r3.Scale(l, d))) < 0 {
				want += 0.01
			}
		}
		// Half a cell across the ray changes the slanted wall's chord by as much.
		assert.InDelta(t, want, o.pathLength(c.p, d), 0.06, "%v", c)
	}
}
