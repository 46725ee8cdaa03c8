package surfacescan

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/trimesh"
)

// coarse is a case whose planning scan takes little time.
func coarse(t *testing.T, site string, o phantom.SurfaceScan) *simulated {
	s := phantom.Usual(site)
	s.Pre.Voxel, s.Pre.Width, s.Pre.Height = 0.4, 56, 34
	return made(t, s, o)
}

func off(p, q geom.Pose) float64 {
	return max(r3.Norm(r3.Sub(p.Entry, q.Entry)), r3.Norm(r3.Sub(p.Apex, q.Apex)))
}

func codes(flags []measurement.Flag) (doubts []measurement.Code) {
	for _, f := range flags {
		if f.Level == measurement.Doubt {
			doubts = append(doubts, f.Code)
		}
	}
	return doubts
}

// With and without a surface before surgery, in whatever pose, format and unit the file is:
// the placed fixture is found, and nothing shows in the last digit.
func TestSurfaceScan(t *testing.T) {
	c := coarse(t, "36", phantom.SurfaceScan{From: 10, To: 58, Noise: 0.01, Ripple: 0.005, Bend: 0.03, Holes: 4, Before: true,
		BeforeShift: geom.Vec{X: 0.03, Y: -0.04, Z: 0.02}})
	want := c.truth.Fixtures[0].Achieved
	alone, err := c.measure(t, false)
	require.NoError(t, err)
	assert.Less(t, off(*alone.Pose, want), 0.15)
	assert.Empty(t, codes(alone.Flags))
	assert.Equal(t, evidence.SurfaceScan, alone.Kind)
	both, err := c.measure(t, true)
	require.NoError(t, err)
	assert.Less(t, off(*both.Pose, want), 0.1)
	assert.Empty(t, codes(both.Flags))

	again := *c.surfaces.After
	again.Vertices = nil
	turn := geom.Rotation(geom.Vec{X: 1, Y: 2, Z: -0.4})
	turn.T = geom.Vec{X: 80, Y: -30}
	for _, v := range c.surfaces.After.Vertices {
		again.Vertices = append(again.Vertices, r3.Scale(0.1, turn.Apply(v)))
	}
	c.write(t, "after.stl", &again)
	_, err = Open(&c.plan, c.pre)
	require.ErrorContains(t, err, `write surface_unit = "cm", in which it would be`)
	c.plan.SurfaceUnit = "cm"
	moved, err := c.measure(t, false)
	require.NoError(t, err)
	assert.Less(t, off(*moved.Pose, *alone.Pose), 0.005)
}

// The other jaw, another patient's, and a surface before that lies elsewhere.
func TestWrongSurfaces(t *testing.T) {
	o := phantom.SurfaceScan{From: 10, To: 58, Noise: 0.01, Before: true}
	c := coarse(t, "36", o)
	other := phantom.Usual("36")
	other.Seed = 12
	foreign, err := phantom.RenderSurfaces(other, o)
	require.NoError(t, err)
	upper, err := phantom.RenderSurfaces(phantom.Usual("26"), o)
	require.NoError(t, err)
	for name, m := range map[string]*trimesh.Mesh{"another patient": foreign.After, "the other jaw": upper.After} {
		c.write(t, "after.stl", m)
		for _, before := range []bool{false, true} {
			_, err := c.measure(t, before)
			require.ErrorContains(t, err, "check that it is of this patient, this jaw and this site", name)
		}
	}
	c.write(t, "after.stl", c.surfaces.After)
	shifted := *c.surfaces.Before
	shifted.Vertices = nil
	for _, v := range c.surfaces.Before.Vertices {
		shifted.Vertices = append(shifted.Vertices, r3.Add(v, geom.Vec{X: 0.8, Y: 0.5}))
	}
	c.write(t, "before.stl", &shifted)
	got, err := c.measure(t, true)
	require.NoError(t, err)
	assert.Contains(t, codes(got.Flags), measurement.CodeSurfaceOffScan)
	assert.Less(t, off(*got.Pose, c.truth.Fixtures[0].Achieved), 0.15, "the planning scan was followed")

	// The site of another tooth, whose plan no body stands near.
	s, err := Open(&c.plan, c.pre)
	require.NoError(t, err)
	far := c.truth.PostToPre
	far.T = geom.Vec{X: 500}
	set := s.Observe(registration.Result{PostToPre: far})
	assert.Nil(t, set.Fixtures[0].Pose)
	assert.Equal(t, []measurement.Code{measurement.CodeScanBodyNotFound}, codes(set.Fixtures[0].Flags))
}

func TestSurfacesThatAreNone(t *testing.T) {
	c := &simulated{folder: t.TempDir()}
	c.plan = casefile.Case{File: "case.toml", Frame: casefile.LPS, PostSurface: filepath.Join(c.folder, "after.stl"), SurfaceUnit: "mm"}
	small := &trimesh.Mesh{Vertices: []geom.Vec{{}, {X: 0.5}, {Y: 0.4}, {X: 0.5, Y: 0.4}}, Triangles: [][3]int32{{0, 1, 2}, {1, 3, 2}}}
	c.write(t, "after.stl", small)
	s := &Scan{Plan: &c.plan}
	_, err := s.read("post_surface", c.plan.PostSurface)
	require.ErrorContains(t, err, "in no unit that surfaces are written in")
	require.NoError(t, os.WriteFile(c.plan.PostSurface, []byte("nothing"), 0o600))
	_, err = s.read("post_surface", c.plan.PostSurface)
	require.ErrorContains(t, err, "post_surface: ")
}

// By hand: an error of the seat moves both ends alike, and its tilt moves the apex by its
// distance from the platform.
func TestSeatInTheBudget(t *testing.T) {
	c := coarseBody()
	u := 0.024
	b := budget(c, geom.Pose{Apex: geom.Vec{Z: -12}}, &casefile.ScanBody{Seating: &u})
	require.Len(t, b, 2)
	seat := b[1].Cov
	assert.InDelta(t, u*u, seat.At(0, 0), 1e-12)
	assert.InDelta(t, u*u, seat.At(5, 5), 1e-12)
	assert.InDelta(t, u*u*2, seat.At(3, 3), 1e-12, "the tilt is u at 12 mm")
	assert.InDelta(t, u*u, seat.At(0, 3), 1e-12)
}
