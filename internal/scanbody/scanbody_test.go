package scanbody

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/registration/surface"
	"plumbline/internal/trimesh"
)

// mouth is part of a synthetic mouth with a scan body on site 36, and where the body stands.
func mouth(t *testing.T) (after, body *trimesh.Mesh, toSurface geom.Pose) {
	s := phantom.Usual("36")
	f, err := phantom.RenderSurfaces(s, phantom.SurfaceScan{From: 22, To: 58, Noise: 0.01, Ripple: 0.005, Holes: 3})
	require.NoError(t, err)
	truth, err := phantom.TruthOf(s)
	require.NoError(t, err)
	return f.After, f.Bodies[0], f.ToPre.Inverse().ApplyPose(truth.Fixtures[0].Achieved)
}

func off(f Found, want geom.Pose) (entry, apex float64) {
	p := f.ToSurface.ApplyPose(geom.Pose{Apex: geom.Vec{Z: -want.Length()}})
	return r3.Norm(r3.Sub(p.Entry, want.Entry)), r3.Norm(r3.Sub(p.Apex, want.Apex))
}

// The body is found where it stands, by its own surface and, but for its chamfer, as a plain
// cylinder; a body of another kind is not found, or seems odd.
func TestFind(t *testing.T) {
	after, mesh, want := mouth(t)
	c := surface.Of(after)
	own, err := New(mesh)
	require.NoError(t, err)
	assert.InDelta(t, 2.05, own.Radius, 0.03)
	assert.InDelta(t, 10, own.Top, 0.02)
	assert.True(t, own.Turns)
	found := Find(c, own)
	require.NotEmpty(t, found)
	entry, apex := off(found[0], want)
	assert.Less(t, entry, 0.03)
	assert.Less(t, apex, 0.06)
	assert.Greater(t, found[0].Seen, 0.6)
	assert.Greater(t, found[0].TopSeen, 0.5)
	assert.Less(t, found[0].Residual, 0.02)
	for k := range 6 {
		assert.Positive(t, found[0].Cov.At(k, k))
	}

	plain, err := Cylinder(4.1, 10)
	require.NoError(t, err)
	assert.False(t, plain.Turns)
	assert.InDelta(t, 2.05, plain.Radius, 0.03)
	found = Find(c, plain)
	require.NotEmpty(t, found)
	entry, apex = off(found[0], want)
	assert.Less(t, entry, 0.06)
	assert.Less(t, apex, 0.1)

	wide, err := Cylinder(6.5, 10)
	require.NoError(t, err)
	for _, f := range Find(c, wide) {
		assert.True(t, f.TopSeen < 0.4 || f.Residual > 0.05, "a body 2 mm wider")
	}
}

func TestBodiesThatAreNone(t *testing.T) {
	for _, x := range [][2]float64{{1.5, 10}, {12, 10}, {4, 1}, {4, 40}} {
		_, err := Cylinder(x[0], x[1])
		require.ErrorIs(t, err, ErrSize)
	}
	box := &trimesh.Mesh{}
	for _, t := range [][3]geom.Vec{{{X: 2, Y: -2}, {X: 2, Y: 2}, {X: 2, Y: 2, Z: 5}}, {{X: 2, Y: -2}, {X: 2, Y: 2, Z: 5}, {X: 2, Y: -2, Z: 5}}} {
		n := int32(len(box.Vertices))
		box.Vertices = append(box.Vertices, t[:]...)
		box.Triangles = append(box.Triangles, [3]int32{n, n + 1, n + 2})
	}
	_, err := New(box)
	require.ErrorIs(t, err, ErrShape, "a single wall")
}

// By definition: every start brings the body's axis onto the planned one, platform on
// platform, and all turns differ.
func TestStarts(t *testing.T) {
	planned := geom.Pose{Entry: geom.Vec{X: -24, Y: 11, Z: 8}, Apex: geom.Vec{X: -22, Y: 14, Z: -1}}
	toSurface := geom.Rotation(geom.Vec{X: 1, Y: -2, Z: 0.3})
	toSurface.T = geom.Vec{X: 7, Y: 8, Z: 9}
	starts := Starts(toSurface, planned)
	require.Len(t, starts, 5*turnsTried)
	for i, m := range starts {
		p := m.After(toSurface).ApplyPose(geom.Pose{Apex: geom.Vec{Z: -planned.Length()}})
		require.Less(t, r3.Norm(r3.Sub(p.Entry, planned.Entry)), 1e-9)
		lean := 0.0
		if i >= turnsTried {
			lean = leanTried
		}
		require.InDelta(t, lean, geom.Angle(p.Axis(), planned.Axis()), 1e-9)
		if i%turnsTried > 0 {
			require.InDelta(t, 360./turnsTried, geom.Degrees(m.After(starts[i-1].Inverse()).Angle()), 1e-6)
		}
	}
}
