package phantom

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// The lookup plane's nodes against every segment of the curve.
func TestTheArchIsMeasuredByItsNearestPoint(t *testing.T) {
	a := newArch(25, 37, 1.03)
	r := rand.New(rand.NewPCG(5, 6))
	for range 3000 {
		i, j := r.IntN(archNX-1), r.IntN(archNY-1)
		p := geom.Vec{X: archLowX + archCell*float64(i), Y: archLowY + archCell*float64(j)}
		nearest, at := math.Inf(1), 0.0
		for k := 1; k < len(a.points); k++ {
			u := r3.Sub(a.points[k], a.points[k-1])
			f := clamp01(r3.Dot(r3.Sub(p, a.points[k-1]), u) / r3.Dot(u, u))
			if d := norm(r3.Sub(p, r3.Add(a.points[k-1], r3.Scale(f, u)))); d < nearest {
				nearest, at = d, a.arc[k-1]+f*(a.arc[k]-a.arc[k-1])
			}
		}
		s, d := a.coordinates(p.X, p.Y)
		require.InDelta(t, nearest, math.Abs(d), 1e-4, "%v", p)
		if nearest < 14 { // deeper inside two places are as near
			require.InDelta(t, at, s, 1e-3, "%v", p)
		}
		on, along := a.pointAt(s)
		if out := r3.Dot(r3.Sub(p, on), geom.Vec{X: along.Y, Y: -along.X}); nearest > 0.5 && nearest < 14 {
			require.Equal(t, out > 0, d > 0, "buccal is positive at %v", p)
		}
	}
}
