package surfacescan

import (
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/scanbody"
	"plumbline/internal/tooth"
	"plumbline/internal/trimesh"
)

// simulated is a case of the phantom with its surfaces as files.
type simulated struct {
	folder   string
	pre      *scan.Scan
	truth    *phantom.Truth
	surfaces *phantom.Surfaces
	plan     casefile.Case
}

func made(t *testing.T, s phantom.Spec, o phantom.SurfaceScan) *simulated {
	c := &simulated{folder: t.TempDir()}
	v, truth, err := phantom.RenderPre(s)
	require.NoError(t, err)
	c.truth = truth
	c.pre = &scan.Scan{Volume: *v}
	c.surfaces, err = phantom.RenderSurfaces(s, o)
	require.NoError(t, err)
	c.write(t, "after.stl", c.surfaces.After)
	c.write(t, "body.stl", c.surfaces.Bodies[0])
	if c.surfaces.Before != nil {
		c.write(t, "before.stl", c.surfaces.Before)
	}
	c.planned(t)
	return c
}

// planned writes the plan.
func (c *simulated) planned(t *testing.T) {
	c.plan = casefile.Case{File: "case.toml", Frame: casefile.LPS, Pre: "pre", PostSurface: filepath.Join(c.folder, "after.stl"), SurfaceUnit: "mm",
		Alignment: casefile.Alignment{Method: casefile.FromScans}}
	for _, f := range c.truth.Fixtures {
		site, err := tooth.Parse(f.Site, tooth.ISO3950)
		require.NoError(t, err)
		c.plan.Fixtures = append(c.plan.Fixtures, casefile.Fixture{Site: site, Planned: f.Planned, Diameter: f.Diameter, Length: f.Length,
			PlacedDiameter: f.Diameter, PlacedLength: f.Length, ScanBody: &casefile.ScanBody{File: filepath.Join(c.folder, "body.stl")}})
	}
}

func (c *simulated) write(t *testing.T, name string, m *trimesh.Mesh) {
	require.NoError(t, os.WriteFile(filepath.Join(c.folder, name), trimesh.EncodeSTL("simulated", m), 0o600))
}

// measure gives the first fixture, with or without the surface before surgery; its flags are
// with those of the alignment.
func (c *simulated) measure(t *testing.T, before bool) (*evidence.Achieved, error) {
	plan := c.plan
	if before {
		plan.PreSurface = filepath.Join(c.folder, "before.stl")
	}
	s, err := Open(&plan, c.pre)
	require.NoError(t, err)
	r, err := s.Register(func(float64) {})
	if err != nil {
		return nil, err
	}
	set := s.Observe(*r)
	got := set.Fixtures[0]
	shown := set.View.(evidence.Surfaces)
	assert.Len(t, shown.Bodies(), 1)
	assert.Len(t, shown.Mouth().Vertices, len(s.mesh.Vertices))
	counted, within := 0, 0
	for _, d := range shown.Distances() {
		if d.Counted {
			counted++
			if math.Abs(d.Offset) < 0.1 {
				within++
			}
		}
	}
	assert.Greater(t, counted, 500)
	assert.Greater(t, float64(within), 0.8*float64(counted))
	got.Flags = append(got.Flags, r.Flags...)
	require.NotNil(t, got.Pose)
	return &got, nil
}

// coarseBody is a scan body that was found without error.
func coarseBody() *scanbody.Found {
	return &scanbody.Found{ToSurface: geom.Identity(), Cov: mat.NewSymDense(6, nil)}
}
