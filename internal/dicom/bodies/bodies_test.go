package bodies

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/carrier"
	"plumbline/internal/dicom/implantplan"
	"plumbline/internal/geom"
)

// What testdata/make.py wrote with pydicom.
const frame = "1.2.840.99.1"

var centre = geom.Vec{X: 10, Y: -20, Z: 30}

func read(t *testing.T, file, name string) *carrier.Body {
	t.Helper()
	b, err := Structure(filepath.Join("testdata", file), name)
	require.NoError(t, err)
	assert.Equal(t, frame, b.Frame)
	if b.Mesh != nil {
		assert.Zero(t, b.Mesh.OpenEdges(), "closed")
		assert.Positive(t, b.Mesh.Volume(), "faces outwards")
	}
	return b
}

// A sphere of 4 mm with a spherical hole of 2 mm, as contours 0.5 mm apart, comes back as
// both spheres: between the planes to 0.06 mm, the flat ends left out.
func TestContoursBecomeTheSurface(t *testing.T) {
	b := read(t, "rtstruct.dcm", "sphere")
	assert.InDelta(t, 0.5, b.Grain, 1e-6)
	inner, outer := 0, 0
	for _, v := range b.Mesh.Vertices {
		d := r3.Sub(v, centre)
		if math.Abs(d.Z) > 3.5 || math.Abs(d.Z) > 1.5 && r3.Norm(d) < 2.6 {
			continue
		}
		switch r := r3.Norm(d); {
		case r < 3:
			assert.InDelta(t, 2, r, 0.1, v)
			inner++
		default:
			assert.InDelta(t, 4, r, 0.1, v)
			outer++
		}
	}
	assert.Greater(t, inner, 300)
	assert.Greater(t, outer, 3000)
	// Slabs of half a plane's distance to both sides, by the areas of the circles.
	want := 0.0
	for k := -7; k <= 7; k++ {
		dz := 0.5 * float64(k)
		want += 0.5 * math.Pi * (16 - dz*dz)
		if math.Abs(dz) < 2 {
			want -= 0.5 * math.Pi * (4 - dz*dz)
		}
	}
	assert.InEpsilon(t, want, b.Mesh.Volume(), 0.01)
}

// Planes that a structure skips are not bridged.
func TestTwoPartsStayTwo(t *testing.T) {
	b := read(t, "rtstruct.dcm", "Two parts")
	for _, v := range b.Mesh.Vertices {
		assert.True(t, v.Z < 1.26 || v.Z > 10.74, v)
	}
	assert.InEpsilon(t, 2*1.5*math.Pi*4, b.Mesh.Volume(), 0.01)
}

func TestLinesAndPoints(t *testing.T) {
	b := read(t, "rtstruct.dcm", "Canal")
	assert.Equal(t, []geom.Vec{{X: -30.1, Y: 20.2, Z: -6}, {X: -25, Y: 14.1, Z: -5.5}, {X: -20, Y: 9, Z: -5}}, b.Line)
	b = read(t, "rtstruct.dcm", "Marks")
	assert.Equal(t, []geom.Vec{{X: 1, Y: 2, Z: 3}, {X: 5, Y: 2, Z: 3}, {X: 9, Y: 2, Z: 3}}, b.Line)
	_, err := Structure(filepath.Join("testdata", "rtstruct.dcm"), "nerve")
	require.ErrorContains(t, err, `it has 4 bodies and none is called "nerve"`)
	require.ErrorContains(t, err, `"Sphere", "Canal", "Marks", "Two parts"`)
}

// Voxels of 0.25 × 0.5 × 0.75 mm: a box lies half a voxel round its voxels' middles, and a
// sphere within half a voxel of itself. Numpy made the mask.
func TestVoxelsBecomeTheSurface(t *testing.T) {
	b := read(t, "segmentation.dcm", "Box")
	assert.Equal(t, 0.75, b.Grain)
	low, high := extent(b.Mesh.Vertices)
	origin := r3.Sub(centre, geom.Vec{X: 0.25 * 35, Y: 0.5 * 19, Z: 0.75 * 9})
	assert.InDelta(t, 0, r3.Norm(r3.Sub(low, r3.Add(origin, geom.Vec{X: 0.25 * 19.5, Y: 0.5 * 9.5, Z: 0.75 * 2.5}))), 1e-9)
	assert.InDelta(t, 0, r3.Norm(r3.Sub(high, r3.Add(origin, geom.Vec{X: 0.25 * 25.5, Y: 0.5 * 14.5, Z: 0.75 * 6.5}))), 1e-9)

	b = read(t, "segmentation.dcm", "Sphere")
	sum := 0.0
	for _, v := range b.Mesh.Vertices {
		r := r3.Norm(r3.Sub(v, centre))
		assert.InDelta(t, 4, r, 0.5)
		sum += r / float64(len(b.Mesh.Vertices))
	}
	assert.InDelta(t, 4, sum, 0.1)
}

func extent(points []geom.Vec) (low, high geom.Vec) {
	low, high = points[0], points[0]
	for _, p := range points {
		low = geom.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = geom.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	return low, high
}

// One box in every way of listing triangles, and as STL in two units.
func TestSurfacesOfABox(t *testing.T) {
	for _, c := range [][2]string{{"surfacesegmentation.dcm", "Old"}, {"surfacesegmentation.dcm", "New"}, {"surfacesegmentation.dcm", "Facets"}, {"stl_mm.dcm", ""}, {"stl_cm.dcm", ""}} {
		b := read(t, c[0], c[1])
		assert.Len(t, b.Mesh.Triangles, 12, c)
		assert.InDelta(t, 2.5*3.5*4.5, b.Mesh.Volume(), 1e-5, c)
	}
	b, err := Structure(filepath.Join("testdata", "surfacesegmentation.dcm"), "Strip")
	require.NoError(t, err)
	assert.Len(t, b.Mesh.Triangles, 2)
	_, err = Structure(filepath.Join("testdata", "stl_wrong.dcm"), "")
	require.ErrorContains(t, err, "by its unit it is 0.0045 mm across")
	require.ErrorContains(t, err, "1000 times as large it would be 4.5 mm")
}

// The public samples are read as pydicom 2.3.1 reads them (testdata/make.py): the segments'
// names, frames, and the box round the middles of their voxels.
func TestPublicSamples(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("testdata", "samples.txt"))
	require.NoError(t, err)
	segments := 0
	for line := range strings.Lines(string(text)) {
		file, rest, _ := strings.Cut(strings.TrimSpace(line), " '")
		name, rest, _ := strings.Cut(rest, "' ")
		words := strings.Fields(rest)
		in, class, err := open(filepath.Join("testdata", file))
		require.NoError(t, err)
		if file == "pydicom_rtstruct.dcm" {
			_, err := structure(in, class, "none")
			assert.ErrorContains(t, err, strconv.Quote(name))
			continue
		}
		b, err := structure(in, class, name)
		require.NoError(t, err)
		assert.Equal(t, words[0], b.Frame)
		var want [7]float64
		_, err = fmt.Sscan(strings.Join(words[1:], " "), &want[0], &want[1], &want[2], &want[3], &want[4], &want[5], &want[6])
		require.NoError(t, err)
		low, high := extent(b.Mesh.Vertices)
		// Half a voxel round the middles, 0.4883 mm in the planes; where voxels have shares, less.
		const half = 0.4883 / 2
		for _, gap := range []float64{want[1] - low.X, want[2] - low.Y, high.X - want[4], high.Y - want[5]} {
			if file == "highdicom_fractional.dcm" {
				assert.GreaterOrEqual(t, gap, 0.0)
				assert.Less(t, gap, half)
				continue
			}
			assert.InDelta(t, half, gap, 0.001, line)
		}
		segments++
	}
	assert.Equal(t, 4, segments)
}

// Fixtures of PS3.17 AAA.4's kind: template, registration and plan, and points. The numbers
// are those that numpy had.
func TestPlannedFixtures(t *testing.T) {
	f, err := Planned(filepath.Join("testdata", "plan"), "2")
	require.NoError(t, err)
	assert.Equal(t, frame, f.Frame)
	// The templates' first two points are the middles of their ends.
	v := f.Body.Mesh.Vertices
	found := 0
	for _, p := range v {
		for _, want := range []geom.Vec{{X: -30.5, Y: 19.75, Z: 7.25}, {X: -29.156, Y: 21.542, Z: -0.43}} {
			if r3.Norm(r3.Sub(p, want)) < 1e-6 {
				found++
			}
		}
	}
	assert.Equal(t, 2, found)
	_, err = Planned(filepath.Join("testdata", "plan"), "36")
	require.ErrorContains(t, err, `it has no component "36"`)

	f, err = Planned(filepath.Join("testdata", "fiducials.dcm"), "36")
	require.NoError(t, err)
	assert.Equal(t, geom.Pose{Entry: geom.Vec{X: -24.1, Y: 11.32, Z: 8.05}, Apex: geom.Vec{X: -24.62, Y: 12.01, Z: -1.91}}, *f.Pose)
	_, err = Planned(filepath.Join("testdata", "fiducials.dcm"), "37")
	require.ErrorContains(t, err, `has the identifier "37 entry"`)
	_, err = Planned(filepath.Join("testdata", "plan", "plan.dcm"), "1")
	require.ErrorContains(t, err, "name the folder")
}

// A plan without one of its objects says which is missing.
func TestPlansThatAreNotWhole(t *testing.T) {
	for missing, say := range map[string]string{
		"template1.dcm": "its Implant Template is not beside the plan", "registration.dcm": "no Spatial Registration beside the plan", "plan.dcm": "0 Implantation Plan objects",
	} {
		dir := t.TempDir()
		for _, name := range []string{"plan.dcm", "registration.dcm", "template1.dcm", "template2.dcm"} {
			if name == missing {
				continue
			}
			data, err := os.ReadFile(filepath.Join("testdata", "plan", name))
			require.NoError(t, err)
			require.NoError(t, os.WriteFile(filepath.Join(dir, name), data, 0o600))
		}
		_, err := Planned(dir, "1")
		require.ErrorContains(t, err, say, missing)
	}
}

func TestObjectsThatAreNone(t *testing.T) {
	for file, say := range map[string]string{"README.md": "no DICOM file", "fiducials.dcm": "no object that structures are read from"} {
		_, err := Structure(filepath.Join("testdata", file), "x")
		require.ErrorContains(t, err, say)
	}
	_, err := Planned(filepath.Join("testdata", "rtstruct.dcm"), "36")
	require.ErrorContains(t, err, "no object that a planned fixture is read from")
	_, err = Structure("none.dcm", "")
	require.ErrorIs(t, err, os.ErrNotExist)
}

// FuzzStructure reads any bytes as each kind of object: nothing panics, and what is read has
// finite coordinates.
func FuzzStructure(f *testing.F) {
	for file, name := range map[string]string{"rtstruct.dcm": "Canal", "segmentation.dcm": "Box", "surfacesegmentation.dcm": "New", "stl_mm.dcm": "",
		"highdicom_overlap.dcm": "second segment", "pydicom_rtstruct.dcm": "patient"} {
		data, err := os.ReadFile(filepath.Join("testdata", file))
		require.NoError(f, err)
		f.Add(data, name)
	}
	f.Fuzz(func(t *testing.T, data []byte, name string) {
		in, class, err := decode(data)
		if err != nil {
			return
		}
		b, err := structure(in, class, name)
		if err != nil {
			return
		}
		points := b.Line
		if b.Mesh != nil {
			points = b.Mesh.Vertices
		}
		for _, p := range points {
			require.True(t, geom.Finite(p))
		}
	})
}

// FuzzPlanned does the same with fiducials and with a plan that has another report.
func FuzzPlanned(f *testing.F) {
	for _, name := range []string{"fiducials.dcm", "plan/plan.dcm"} {
		data, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(f, err)
		f.Add(data)
	}
	f.Fuzz(func(t *testing.T, data []byte) {
		in, _, err := decode(data)
		if err != nil {
			return
		}
		if found, err := fromPoints(in, "36"); err == nil {
			require.True(t, geom.Finite(found.Pose.Entry))
		}
		p := implantplan.Plan{SR: in}
		if list, err := p.Components(); err == nil {
			require.NotEmpty(t, list)
		}
	})
}
