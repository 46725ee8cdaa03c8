package clearance

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
)

// scattered is a sheet of random triangles that have an area.
func scattered(t *rapid.T) *Surface {
	n := rapid.IntRange(1, 60).Draw(t, "triangles")
	var corners []geom.Vec
	for range n {
		a := vector(15).Draw(t, "triangle")
		b, c := r3.Add(a, vector(4).Draw(t, "corner")), r3.Add(a, vector(4).Draw(t, "corner"))
		if r3.Norm(r3.Cross(r3.Sub(b, a), r3.Sub(c, a))) > 0.01 {
			corners = append(corners, a, b, c)
		}
	}
	if len(corners) == 0 {
		t.Skip("every triangle that was drawn is flat: another draw")
	}
	s, err := NewSurface(mesh(corners), true)
	require.NoError(t, err)
	return s
}

// The tree finds what looking at every triangle finds.
func TestTreeAgainstEveryTriangle(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := scattered(t)
		p, e := vector(20).Draw(t, "point"), envelope(t, "fixture")
		toPoint, toEnvelope := math.Inf(1), math.Inf(1)
		for i := range s.mesh.Triangles {
			q, _ := s.onTriangle(i, p)
			toPoint = min(toPoint, r3.Norm(r3.Sub(p, q)))
			d, _, _ := s.fromTriangle(i, &e)
			toEnvelope = min(toEnvelope, d)
		}
		d, _ := s.Nearest(p)
		require.InDelta(t, toPoint, d, 1e-9)
		if toEnvelope < touching {
			toEnvelope = 0
		}
		require.InDelta(t, toEnvelope, s.separation(&e).Distance, 1e-9)
	})
}

// Every node's box holds its triangles, and every triangle is in one leaf.
func TestTreeHoldsEveryTriangle(t *testing.T) {
	s := ball(t, geom.Vec{}, 10, 30)
	held := map[int32]int{}
	for at := range s.nodes {
		n := &s.nodes[at]
		for _, i := range s.order[n.from:n.to] {
			if n.leaf() {
				held[i]++
			}
			a, b, c := s.mesh.Corners(int(i))
			for _, v := range []geom.Vec{a, b, c} {
				off := r3.Sub(v, n.centre)
				require.LessOrEqual(t, math.Abs(off.X), n.half.X+1e-9)
				require.LessOrEqual(t, math.Abs(off.Y), n.half.Y+1e-9)
				require.LessOrEqual(t, math.Abs(off.Z), n.half.Z+1e-9)
			}
		}
	}
	require.Len(t, held, len(s.mesh.Triangles))
	for i, times := range held {
		require.Equal(t, 1, times, "triangle %d", i)
	}
}

func TestHalve(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		keys := rapid.SliceOfN(rapid.IntRange(0, 9), 1, 80).Draw(t, "keys")
		run := make([]int32, len(keys))
		for i := range run {
			run[i] = int32(i)
		}
		n := rapid.IntRange(0, len(keys)-1).Draw(t, "n")
		halve(run, n, func(i int32) float64 { return float64(keys[i]) })
		for _, i := range run[:n] {
			for _, j := range run[n:] {
				require.True(t, keys[i] < keys[j] || keys[i] == keys[j] && i < j)
			}
		}
	})
}

// punctured is a ball of 8 mm around the envelope's middle without the triangles
// that begin below z.
func punctured(t *testing.T, z float64) *Surface {
	whole := ball(t, geom.Vec{Z: -5}, 12, 48)
	var corners []geom.Vec
	for i := range whole.mesh.Triangles {
		a, b, c := whole.mesh.Corners(i)
		if (a.Z+b.Z+c.Z)/3 >= z {
			corners = append(corners, a, b, c)
		}
	}
	return surface(t, corners...)
}

// A hole is capped, so that the depth is that in the whole ball as far as the cap
// is far; the winding number is the share of the sphere that the hole leaves, by
// hand for a hole seen from the ball's centre: (1 + cos(half its opening))/2.
func TestSurfaceWithAHole(t *testing.T) {
	e := placed(t, Shape{Diameter: 4, Taper: 1}, down)
	whole := ball(t, geom.Vec{Z: -5}, 12, 48)
	require.InDelta(t, 1, whole.Around(e), 1e-9)
	require.Zero(t, whole.OpenEdges())
	depth := Of(e, whole).Distance
	require.Less(t, depth, -11.0)

	small := punctured(t, -16.8)
	require.True(t, small.Closed())
	require.Positive(t, small.OpenEdges())
	require.InDelta(t, depth, Of(e, small).Distance, 0.3)
	require.InDelta(t, 1, small.Around(e), 0.05)

	half := punctured(t, -5)
	require.False(t, half.Closed(), "half a ball is no body")
	require.InDelta(t, 0.5, half.Around(placed(t, Shape{Diameter: 1, Taper: 1}, geom.Pose{Entry: geom.Vec{Z: -5}, Apex: geom.Vec{Z: -15}})), 0.05)
	require.Positive(t, Of(e, half).Distance, "without an inside there is no sign")

	away := placed(t, Shape{Diameter: 4, Taper: 1}, geom.Pose{Entry: geom.Vec{X: 30}, Apex: geom.Vec{X: 40}})
	require.Less(t, small.Around(away), 0.02)
	require.Greater(t, Of(away, small).Distance, 10.0)
}

// A triangle that is there twice cannot be capped.
func TestSurfaceThatCannotBeCapped(t *testing.T) {
	corners := box(geom.Vec{X: -9, Y: -9, Z: -19}, geom.Vec{X: 9, Y: 9, Z: 9})
	s := surface(t, append(corners, corners[:3]...)...)
	require.False(t, s.Closed())
	require.Positive(t, s.OpenEdges())
	require.Greater(t, s.Around(placed(t, Shape{Diameter: 4, Taper: 1}, down)), 0.9)
}

// A structure of a million triangles, from its mesh to one clearance.
func BenchmarkSurfaceOfAMillionTriangles(b *testing.B) {
	m := ball(b, geom.Vec{Z: -30}, 12, 708).mesh
	e := placed(b, Shape{Diameter: 4, Taper: 1}, down)
	for b.Loop() {
		s, err := NewSurface(m, false)
		require.NoError(b, err)
		Of(e, s)
	}
	b.ReportMetric(float64(len(m.Triangles)), "triangles")
}
