package surfacescan

import (
	"math"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

// changed is a mesh with its vertices moved one by one.
func changed(m *trimesh.Mesh, f func(geom.Vec) geom.Vec) *trimesh.Mesh {
	out := &trimesh.Mesh{Triangles: m.Triangles}
	for _, v := range m.Vertices {
		out.Vertices = append(out.Vertices, f(v))
	}
	return out
}

func mirrored(v geom.Vec) geom.Vec { return geom.Vec{X: -v.X, Y: v.Y, Z: v.Z} }

// outcome is what a case says: the error, or the doubts of alignment and fixtures.
func (c *simulated) outcome(t *testing.T, before bool) (problem string, doubts []measurement.Code) {
	t.Helper()
	plan := c.plan
	if before {
		plan.PreSurface = filepath.Join(c.folder, "before.stl")
	}
	s, err := Open(&plan, c.pre)
	if err != nil {
		return err.Error(), nil
	}
	r, err := s.Register(func(float64) {})
	if err != nil {
		return err.Error(), nil
	}
	doubts = codes(r.Flags)
	for _, f := range s.Observe(*r).Fixtures {
		doubts = append(doubts, codes(f.Flags)...)
	}
	return "", doubts
}

// What users get wrong with surface scans is refused or a doubt, with what to look at; nothing
// but the right case passes.
func TestSurfaceMistakes(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	o := phantom.SurfaceScan{From: 10, To: 58, Noise: 0.01, Before: true}
	c := coarse(t, "36", o)
	right := *c.surfaces
	body := right.Bodies[0]
	other := phantom.Usual("36")
	other.Seed = 12
	foreign, err := phantom.RenderSurfaces(other, o)
	require.NoError(t, err)
	nextTooth := phantom.Usual("37")
	wrongSite, err := phantom.RenderSurfaces(nextTooth, o)
	require.NoError(t, err)
	seated := func(z float64) *trimesh.Mesh {
		p := o
		p.SeatShift.Z = z
		m, err := phantom.RenderSurfaces(phantom.Usual("36"), p)
		require.NoError(t, err)
		return m.After
	}
	scaled := func(by float64) func(geom.Vec) geom.Vec {
		return func(v geom.Vec) geom.Vec { return r3.Scale(by, v) }
	}
	type files struct{ after, before, body *trimesh.Mesh }
	for _, x := range []struct {
		name    string
		files   files
		before  bool   // with a surface before
		problem string // of the error
		doubt   measurement.Code
	}{
		{"as it is, with a surface before", files{}, true, "", ""},
		{"scan body 0.4 mm up, which nothing shows", files{after: seated(0.4)}, false, "", ""},
		{"mirrored scan", files{after: changed(right.After, mirrored)}, false, "check that it is of this patient", ""},
		{"mirrored scan, with a surface before", files{after: changed(right.After, mirrored)}, true, "check that it is of this patient", ""},
		{"both surfaces mirrored", files{after: changed(right.After, mirrored), before: changed(right.Before, mirrored)}, true, "check that it is of this patient", ""},
		{"both surfaces of another patient", files{after: foreign.After, before: foreign.Before}, true, "", measurement.CodeSurfaceNotChecked},
		{"surface before of another patient", files{before: foreign.Before}, true, "check that it is of this patient", ""},
		{"no scan body on it", files{after: right.Before}, false, "no scan body of the stated shape", ""},
		{"scan body on the next tooth", files{after: wrongSite.After}, false, "this site", ""},
		{"scan body not down", files{after: seated(2.2)}, false, "", measurement.CodeSeatDoubtful},
		{"scan body of 8 mm stated, of 10 mm seated", files{body: changed(body, func(v geom.Vec) geom.Vec { v.Z -= 2; return v })}, false, "", measurement.CodeSeatDoubtful},
		{"scan body upside down", files{body: changed(body, func(v geom.Vec) geom.Vec { v.Z = -v.Z; return v })}, false, "with the platform's centre at the origin", ""},
		{"scan body in centimetres", files{body: changed(body, scaled(0.1))}, false, "2 to 10 mm wide", ""},
		{"scan body of another width", files{body: changed(body, func(v geom.Vec) geom.Vec { v.X, v.Y = 0.9*v.X, 0.9*v.Y; return v })}, false, "no scan body of the stated shape", ""},
		{"scan body without its flat side", files{body: changed(body, func(v geom.Vec) geom.Vec {
			if v.X > 1.4 && v.Z > 5.9 && v.Z < 9.9 {
				v.X = max(v.X, math.Sqrt(max(0, 2.05*2.05-v.Y*v.Y)))
			}
			return v
		})}, false, "", measurement.CodeScanBodyMisfits},
		{"scan 1 % larger", files{after: changed(right.After, scaled(1.01))}, false, "in its true size", measurement.CodeScaleMismatch},
		{"scan in inches", files{after: changed(right.After, scaled(1/25.4))}, false, `write surface_unit = "inch"`, ""},
		{"scan in metres", files{after: changed(right.After, scaled(0.001))}, false, `write surface_unit = "m"`, ""},
	} {
		write := func(name string, m, otherwise *trimesh.Mesh) {
			if m == nil {
				m = otherwise
			}
			c.write(t, name, m)
		}
		write("after.stl", x.files.after, right.After)
		write("before.stl", x.files.before, right.Before)
		write("body.stl", x.files.body, body)
		t.Run(x.name, func(t *testing.T) {
			problem, doubts := c.outcome(t, x.before)
			switch {
			case x.problem != "" && (problem != "" || x.doubt == ""): // with a doubt given, either will do
				assert.Contains(t, problem, x.problem)
			case x.doubt != "":
				assert.Empty(t, problem)
				assert.Contains(t, doubts, x.doubt)
			default:
				assert.Empty(t, problem)
				assert.Empty(t, doubts)
			}
		})
	}
}

// Two fixtures beside each other: each by its own scan body; bodies or planned places exchanged
// are a doubt, and one whose scan body is missing is left out while the other stands.
func TestTwoScanBodies(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	s := phantom.Usual("35")
	s.Pre.Voxel, s.Pre.Width, s.Pre.Height = 0.4, 56, 34
	second := phantom.UsualFixture("36")
	second.Diameter, second.Entry, second.Tilt = 4.8, [3]float64{-0.3, 0.4, -0.2}, [2]float64{-1, 2}
	s.Fixtures = append(s.Fixtures, second)
	c := made(t, s, phantom.SurfaceScan{From: 5, To: 58, Noise: 0.01})
	c.write(t, "body-1.stl", c.surfaces.Bodies[1])
	file := func(k int) *casefile.ScanBody {
		return &casefile.ScanBody{File: filepath.Join(c.folder, []string{"body.stl", "body-1.stl"}[k])}
	}
	c.plan.Fixtures[1].ScanBody = file(1)
	scan, err := Open(&c.plan, c.pre)
	require.NoError(t, err)
	r, err := scan.Register(func(float64) {})
	require.NoError(t, err)
	assert.Empty(t, codes(r.Flags))
	for i, f := range scan.Observe(*r).Fixtures {
		require.NotNil(t, f.Pose)
		assert.Empty(t, codes(f.Flags))
		assert.Less(t, off(*f.Pose, c.truth.Fixtures[i].Achieved), 0.15)
	}

	c.plan.Fixtures[0].ScanBody, c.plan.Fixtures[1].ScanBody = file(1), file(0)
	problem, doubts := c.outcome(t, false)
	assert.True(t, problem != "" || len(doubts) > 0, "bodies exchanged")

	c.plan.Fixtures[0].ScanBody, c.plan.Fixtures[1].ScanBody = file(0), file(1)
	a, b := &c.plan.Fixtures[0], &c.plan.Fixtures[1]
	a.Planned, b.Planned = b.Planned, a.Planned
	problem, doubts = c.outcome(t, false)
	assert.True(t, problem != "" || len(doubts) > 0, "places exchanged")
	a.Planned, b.Planned = b.Planned, a.Planned

	s.Fixtures[1].Missing = true
	one, err := phantom.RenderSurfaces(s, phantom.SurfaceScan{From: 5, To: 58, Noise: 0.01})
	require.NoError(t, err)
	c.write(t, "after.stl", one.After)
	scan, err = Open(&c.plan, c.pre)
	require.NoError(t, err)
	r, err = scan.Register(func(float64) {})
	require.NoError(t, err)
	got := scan.Observe(*r).Fixtures
	assert.Less(t, off(*got[0].Pose, c.truth.Fixtures[0].Achieved), 0.15)
	assert.Nil(t, got[1].Pose)
	assert.Equal(t, []measurement.Code{measurement.CodeScanBodyNotFound}, codes(got[1].Flags))
}
