package intensity

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
)

// Every rotation of up to 25° about each of two axes lies near a node of the grid.
func TestRotationsCoverTheRange(t *testing.T) {
	grid := rotationGrid()
	rapid.Check(t, func(t *rapid.T) {
		within := func(name string) float64 { return geom.Radians(rapid.Float64Range(-25, 25).Draw(t, name)) }
		w := geom.Vec{X: within("x"), Y: within("y"), Z: within("z")}
		if n := r3.Norm(w); n > geom.Radians(35) {
			w = r3.Scale(geom.Radians(35)/n, w)
		}
		want, nearest := geom.Rotation(w), 180.0
		for _, g := range grid {
			nearest = min(nearest, geom.Degrees(g.Inverse().After(want).Angle()))
		}
		if nearest > 0.88*rotationStep { // half the cell's diagonal, and a little for its curvature
			t.Fatalf("nearest rotation %.1f° away", nearest)
		}
	})
	assert.Equal(t, geom.Identity(), grid[0])
}

func TestSuppressNonMaximaKeepsTheBestOfEachPlace(t *testing.T) {
	at := func(x, score float64) candidate {
		return candidate{preToPost: geom.Rigid{R: geom.Identity().R, T: geom.Vec{X: x}}, score: score}
	}
	got := suppressNonMaxima([]candidate{at(0, 1), at(0.5, 3), at(10, 2), at(9, 1), at(20, 0.5)}, geom.Vec{}, 2, 2)
	assert.Equal(t, []candidate{at(0.5, 3), at(10, 2)}, got)
}

func TestCoprimeStrideVisitsAll(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 3000).Draw(t, "n")
		step, at := coprimeStride(n), 0
		seen := make([]bool, n)
		for range n {
			if seen[at] {
				t.Fatalf("step %d visits %d of %d twice", step, at, n)
			}
			seen[at] = true
			at = (at + step) % n
		}
	})
}
