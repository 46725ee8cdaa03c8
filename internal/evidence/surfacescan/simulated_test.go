package surfacescan

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math"
	"math/rand/v2"
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

// Surfaces as programs write them besides binary STL: each corner of a triangle by itself, or each
// vertex once.

func stlText(m *trimesh.Mesh) []byte {
	var b bytes.Buffer
	b.WriteString("solid simulated\n")
	for i := range m.Triangles {
		b.WriteString("facet normal 0 0 0\n outer loop\n")
		p, q, r := m.Corners(i)
		for _, v := range []geom.Vec{p, q, r} {
			fmt.Fprintf(&b, "  vertex %.5f %.5f %.5f\n", v.X, v.Y, v.Z)
		}
		b.WriteString(" endloop\nendfacet\n")
	}
	b.WriteString("endsolid simulated\n")
	return b.Bytes()
}

func plyText(m *trimesh.Mesh) []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, "ply\nformat ascii 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\nelement face %d\nproperty list uchar int vertex_indices\nend_header\n", len(m.Vertices), len(m.Triangles))
	for _, v := range m.Vertices {
		fmt.Fprintf(&b, "%.5f %.5f %.5f\n", v.X, v.Y, v.Z)
	}
	for _, t := range m.Triangles {
		fmt.Fprintln(&b, 3, t[0], t[1], t[2])
	}
	return b.Bytes()
}

func plyBigEndian(m *trimesh.Mesh) []byte {
	b := fmt.Appendf(nil, "ply\nformat binary_big_endian 1.0\nelement vertex %d\nproperty double x\nproperty double y\nproperty double z\nelement face %d\nproperty list uchar int vertex_indices\nend_header\n", len(m.Vertices), len(m.Triangles))
	for _, v := range m.Vertices {
		for _, x := range []float64{v.X, v.Y, v.Z} {
			b = binary.BigEndian.AppendUint64(b, math.Float64bits(x))
		}
	}
	for _, t := range m.Triangles {
		b = append(b, 3)
		for _, v := range t {
			b = binary.BigEndian.AppendUint32(b, uint32(v))
		}
	}
	return b
}

func objText(m *trimesh.Mesh) []byte {
	var b bytes.Buffer
	for _, v := range m.Vertices {
		fmt.Fprintf(&b, "v %.5f %.5f %.5f\n", v.X, v.Y, v.Z)
	}
	for _, t := range m.Triangles {
		fmt.Fprintln(&b, "f", t[0]+1, t[1]+1, t[2]+1)
	}
	return b.Bytes()
}

// shuffled has the triangles and the vertices in another order, and each triangle begun at
// another corner.
func shuffled(m *trimesh.Mesh, seed uint64) *trimesh.Mesh {
	random := rand.New(rand.NewPCG(seed, 61))
	out := &trimesh.Mesh{Vertices: make([]geom.Vec, len(m.Vertices))}
	place := random.Perm(len(m.Vertices))
	for i, v := range m.Vertices {
		out.Vertices[place[i]] = v
	}
	for _, i := range random.Perm(len(m.Triangles)) {
		t, k := m.Triangles[i], random.IntN(3)
		out.Triangles = append(out.Triangles, [3]int32{int32(place[t[k]]), int32(place[t[(k+1)%3]]), int32(place[t[(k+2)%3]])})
	}
	return out
}

func (c *simulated) write(t *testing.T, name string, m *trimesh.Mesh) {
	require.NoError(t, os.WriteFile(filepath.Join(c.folder, name), trimesh.EncodeSTL("simulated", m), 0o600))
}

// open reads the case, with or without the surface before surgery.
func (c *simulated) open(t *testing.T, before bool) *Scan {
	plan := c.plan
	if before {
		plan.PreSurface = filepath.Join(c.folder, "before.stl")
	}
	s, err := Open(&plan, c.pre)
	require.NoError(t, err)
	return s
}

// measure gives the first fixture, with or without the surface before surgery.
func (c *simulated) measure(t *testing.T, before bool) (*evidence.Achieved, error) {
	return c.measured(t, c.open(t, before))
}

// measured gives the first fixture of what was read; its flags are with those of the alignment.
func (c *simulated) measured(t *testing.T, s *Scan) (*evidence.Achieved, error) {
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
