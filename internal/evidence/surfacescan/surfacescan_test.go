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

// With and without a surface before surgery the placed fixture is found; a file in another unit
// is told.
func TestSurfaceScan(t *testing.T) {
	c := coarse(t, "36", usualScan)
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

	c.write(t, "after.stl", changed(c.surfaces.After, func(v geom.Vec) geom.Vec { return r3.Scale(0.1, v) }))
	_, err = Open(&c.plan, c.pre)
	require.ErrorContains(t, err, `write surface_unit = "cm", in which it would be`)
}

var usualScan = phantom.SurfaceScan{From: 10, To: 58, Noise: 0.01, Ripple: 0.005, Bend: 0.03, Holes: 4, Before: true,
	BeforeShift: geom.Vec{X: 0.03, Y: -0.04, Z: 0.02}}

// However the surfaces' files lie, in whatever format, unit and order of triangles and vertices:
// the fixture's ends stay where they are within 0.005 mm, and so does every deviation.
func TestPoseFormatUnitAndOrderDoNotMatter(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	c := coarse(t, "36", usualScan)
	var first [2]geom.Pose
	for k, before := range []bool{false, true} {
		got, err := c.measure(t, before)
		require.NoError(t, err)
		first[k] = *got.Pose
	}
	for i, x := range []struct {
		unit   casefile.LengthUnit
		encode func(*trimesh.Mesh) []byte
	}{
		{"mm", func(m *trimesh.Mesh) []byte { return trimesh.EncodeSTL("simulated", m) }},
		{"cm", stlText}, {"mm", plyText}, {"m", plyBigEndian}, {"inch", objText},
	} {
		turn := geom.Rotation(geom.Vec{X: 1 + float64(i), Y: 2, Z: -0.4 * float64(i)})
		turn.T = geom.Vec{X: 80, Y: -30 * float64(i)}
		scale := 1 / x.unit.Millimetres()
		c.plan.SurfaceUnit = x.unit
		for name, m := range map[string]*trimesh.Mesh{
			"after.stl":  changed(c.surfaces.After, func(v geom.Vec) geom.Vec { return r3.Scale(scale, turn.Apply(v)) }),
			"before.stl": changed(c.surfaces.Before, func(v geom.Vec) geom.Vec { return r3.Scale(scale, v) }),
		} {
			require.NoError(t, os.WriteFile(filepath.Join(c.folder, name), x.encode(shuffled(m, uint64(i))), 0o600))
		}
		for k, before := range []bool{false, true} {
			got, err := c.measure(t, before)
			require.NoError(t, err)
			t.Logf("%d, surface before %v: %.4f mm", i, before, off(*got.Pose, first[k]))
			assert.Less(t, off(*got.Pose, first[k]), 0.005, "%d, surface before %v", i, before)
		}
	}
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
	_, _, err := s.read("post_surface", c.plan.PostSurface)
	require.ErrorContains(t, err, "in no unit that surfaces are written in")
	require.NoError(t, os.WriteFile(c.plan.PostSurface, []byte("nothing"), 0o600))
	_, _, err = s.read("post_surface", c.plan.PostSurface)
	require.ErrorContains(t, err, "post_surface: ")
}

// By hand: an error of the seat moves both ends alike, and its tilt moves the apex by its
// distance from the platform; what a scan puts a body off its neighbours does as much, and its
// tilt over 10 mm moves an apex at 12 mm by 1.2 times it.
func TestSeatAndStitchingInTheBudget(t *testing.T) {
	c := coarseBody()
	u := 0.024
	b := budget(c, geom.Pose{Apex: geom.Vec{Z: -12}}, &casefile.ScanBody{Seating: &u})
	require.Len(t, b, 2)
	seat := b[1].Cov
	assert.InDelta(t, u*u, seat.At(0, 0), 1e-12)
	assert.InDelta(t, u*u, seat.At(5, 5), 1e-12)
	assert.InDelta(t, u*u*2, seat.At(3, 3), 1e-12, "the tilt is u at 12 mm")
	assert.InDelta(t, u*u, seat.At(0, 3), 1e-12)
	place := b[0].Cov
	assert.InDelta(t, stitched*stitched, place.At(2, 2), 1e-12)
	assert.InDelta(t, stitched*stitched*(1+1.2*1.2), place.At(4, 4), 1e-12)
}
