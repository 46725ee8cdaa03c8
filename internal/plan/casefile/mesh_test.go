package casefile

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// cylinder writes a closed cylinder as STL text, wavy all round where wave is
// not zero, with a tube of 5 mm standing 2 mm behind its entry where sleeve is
// set.
func cylinder(p geom.Pose, diameter, wave float64, sleeve bool) string {
	a := p.Axis()
	e1, e2 := geom.Perpendicular(a)
	const n = 48
	at := func(z, r float64, j int) geom.Vec {
		t := 2 * math.Pi * float64(j%n) / n
		r += wave * math.Cos(7*t)
		if r < 0.1 {
			r = 0
		}
		return r3.Add(p.Entry, r3.Add(r3.Scale(z, a), r3.Add(r3.Scale(r*math.Cos(t), e1), r3.Scale(r*math.Sin(t), e2))))
	}
	var b strings.Builder
	b.WriteString("solid\n")
	facet := func(v ...geom.Vec) {
		b.WriteString("facet normal 0 0 0\nouter loop\n")
		for _, c := range v {
			fmt.Fprintf(&b, "vertex %.9f %.9f %.9f\n", c.X, c.Y, c.Z)
		}
		b.WriteString("endloop\nendfacet\n")
	}
	turned := func(rows ...[2]float64) { // height and radius, outline seen from outside
		for i := range len(rows) - 1 {
			for j := range n {
				u, v := at(rows[i][0], rows[i][1], j), at(rows[i+1][0], rows[i+1][1], j)
				w, x := at(rows[i+1][0], rows[i+1][1], j+1), at(rows[i][0], rows[i][1], j+1)
				facet(u, w, v)
				facet(u, x, w)
			}
		}
	}
	l, r := p.Length(), diameter/2
	turned([2]float64{0, 0}, [2]float64{0, r}, [2]float64{l / 2, r}, [2]float64{l, r}, [2]float64{l, 0})
	if sleeve {
		turned([2]float64{-7, r + 0.4}, [2]float64{-7, r + 0.9}, [2]float64{-2, r + 0.9}, [2]float64{-2, r + 0.4}, [2]float64{-7, r + 0.4})
	}
	b.WriteString("endsolid\n")
	return b.String()
}

// head is a case file up to its fixture; its tooth is 36.
const head = "case = \"C-1\"\nplaced = 2026-03-14\nclinician = \"c\"\nnumbering = \"iso3950\"\npre = \"pre\"\npost = \"post\"\n"

// meshCase writes a case whose fixture is a mesh.
func meshCase(t *testing.T, mesh, text string) (dir string, c *Case, err error) {
	t.Helper()
	dir = t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(dir, "f.stl"), []byte(mesh), 0o600))
	require.NoError(t, os.WriteFile(filepath.Join(dir, FileName), []byte(head+text), 0o600))
	c, err = ReadPlan(dir)
	return dir, c, err
}

const meshFixture = "[[fixture]]\nsite = \"36\"\nmesh = \"f.stl\"\n"

// slanted lies as a fixture of the lower jaw may.
var slanted = geom.Pose{Entry: geom.Vec{X: 20, Y: -5, Z: 3}, Apex: geom.Vec{X: 21, Y: -7, Z: -7}}

func TestPlanFromMesh(t *testing.T) {
	for _, sleeve := range []bool{false, true} {
		_, c, err := meshCase(t, cylinder(slanted, 4.2, 0, sleeve), meshFixture)
		require.NoError(t, err)
		f := c.Fixtures[0]
		assert.InDelta(t, 0, r3.Norm(r3.Sub(f.Planned.Entry, slanted.Entry)), 0.01)
		assert.InDelta(t, 0, r3.Norm(r3.Sub(f.Planned.Apex, slanted.Apex)), 0.01)
		assert.InDelta(t, 4.2, f.Diameter, 0.02)
		assert.InDelta(t, slanted.Length(), f.Length, 0.02)
		assert.Equal(t, f.Diameter, f.PlacedDiameter)
		assert.Equal(t, f.Length, f.PlacedLength)
		assert.Len(t, f.Mesh.SHA256, 64)
		assert.Less(t, f.Mesh.Residual, 0.01)

		_, flags, err := c.Locate(box(geom.Vec{X: -60, Y: -60, Z: -60}, geom.Vec{X: 60, Y: 60, Z: 60}), volume.Grid{})
		require.NoError(t, err)
		assert.Empty(t, flags)
	}
}

// A sealed plan is known by its hash, which the mesh must change too.
func TestPlanHashCoversTheMesh(t *testing.T) {
	dir, before, err := meshCase(t, cylinder(slanted, 4.2, 0, false), meshFixture)
	require.NoError(t, err)
	moved := slanted
	moved.Entry.X++
	moved.Apex.X++
	require.NoError(t, os.WriteFile(filepath.Join(dir, "f.stl"), []byte(cylinder(moved, 4.2, 0, false)), 0o600))
	after, err := ReadPlan(dir)
	require.NoError(t, err)
	assert.NotEqual(t, before.PlanSHA256, after.PlanSHA256)
	assert.InDelta(t, 1, after.Fixtures[0].Planned.Entry.X-before.Fixtures[0].Planned.Entry.X, 1e-3)
}

// Which end is the apex: by the hint, the jaw, roots, canal or sinus, in this
// order.
func TestApexOfAMesh(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	flat := geom.Pose{Entry: geom.Vec{X: 20, Y: 5, Z: 3}, Apex: geom.Vec{X: 30, Y: 5, Z: 3}}
	flipped := geom.Pose{Entry: slanted.Apex, Apex: slanted.Entry}
	upper := strings.Replace(meshFixture, "36", "26", 1)
	root := "[[structure]]\nname = \"r\"\nkind = \"root\"\npath = [[22, 8, 3], [33, 8, 3]]\nradius = [%s]\n"
	canal := "[[structure]]\nname = \"n\"\nkind = \"%s\"\npath = [[33, 0, 3], [33, 10, 3]]\nradius = 1\n"
	corner := "frame = \"corner\"\n"
	for name, c := range map[string]struct {
		pose geom.Pose
		text string
	}{
		"lower jaw":           {slanted, meshFixture},
		"upper jaw":           {flipped, upper},
		"ras":                 {slanted, "frame = \"ras\"\n" + meshFixture},
		"hint against jaw":    {flipped, meshFixture + "apex_hint = [20, -5, 4]\n"},
		"hint":                {flat, meshFixture + "apex_hint = [40, 0, 0]\n"},
		"corner, with a hint": {slanted, corner + meshFixture + "apex_hint = [21, -7, -7]\n"},
		"root":                {flat, meshFixture + fmt.Sprintf(root, "2.5, 1")},
		"root, other way":     {geom.Pose{Entry: flat.Apex, Apex: flat.Entry}, meshFixture + fmt.Sprintf(root, "1, 2.5")},
		"canal":               {flat, corner + meshFixture + fmt.Sprintf(canal, "nerve")},
		"sinus":               {flat, corner + upper + fmt.Sprintf(canal, "sinus")},
	} {
		t.Run(name, func(t *testing.T) {
			_, plan, err := meshCase(t, cylinder(c.pose, 4.2, 0, false), c.text)
			require.NoError(t, err)
			assert.InDelta(t, 0, r3.Norm(r3.Sub(plan.Fixtures[0].Planned.Apex, c.pose.Apex)), 0.05)
		})
	}
}

func TestMeshFaults(t *testing.T) {
	flat := geom.Pose{Entry: geom.Vec{X: 20}, Apex: geom.Vec{X: 30}}
	good := cylinder(slanted, 4.2, 0, false)
	for name, c := range map[string]struct {
		mesh, text, field, say string
	}{
		"both":               {good, meshFixture + "entry = [0, 0, 0]\n", "fixture 1, entry", "both a mesh and an entry"},
		"apex too":           {good, meshFixture + "apex = [0, 0, 0]\n", "fixture 1, apex", "both a mesh and an apex"},
		"hint alone":         {good, strings.Replace(meshFixture, "mesh = \"f.stl\"", "apex_hint = [0, 0, 0]", 1), "fixture 1, apex_hint", "it goes with mesh"},
		"no file":            {good, strings.Replace(meshFixture, "f.stl", "g.stl", 1), "fixture 1, mesh", "not in the case folder"},
		"elsewhere":          {good, strings.Replace(meshFixture, "f.stl", "../f.stl", 1), "fixture 1, mesh", "leaves the case folder"},
		"no STL":             {"mesh", meshFixture, "fixture 1, mesh", "this is no surface"},
		"one triangle":       {"solid\nfacet normal 0 0 0 outer loop vertex 0 0 0 vertex 1 0 0 vertex 0 1 0 endloop endfacet\nendsolid", meshFixture, "fixture 1, mesh", "not that of one fixture"},
		"which end":          {cylinder(flat, 4.2, 0, false), meshFixture, "fixture 1, mesh", "add apex_hint"},
		"hint in the middle": {good, meshFixture + "apex_hint = [20.5, -6, -2]\n", "fixture 1, apex_hint", "give a point at the apex"},
		"other length":       {good, meshFixture + "length = 8\n", "fixture 1, length", "10.25 mm long"},
		"other diameter":     {good, meshFixture + "diameter = 3\n", "fixture 1, diameter", "at its widest; they may differ by 1 mm"},
		"metres":             {cylinder(geom.Pose{Apex: geom.Vec{Z: -0.01}}, 0.004, 0, false), meshFixture, "fixture 1, mesh", ""},
		"twice":              {good, meshFixture + strings.Replace(meshFixture, "36", "37", 1), "fixture 2, mesh", "its own mesh"},
		"mesial along it":    {good, meshFixture + "mesial = [0.1, -0.2, -0.97]\n", "fixture 1, mesial", "it points along the fixture"},
	} {
		t.Run(name, func(t *testing.T) {
			_, _, err := meshCase(t, c.mesh, c.text)
			fault := asFault(t, err)
			assert.Equal(t, c.field, fault.Field, "%v", err)
			assert.Contains(t, fault.Message, c.say)
			assert.Positive(t, fault.Line)
		})
	}
}

func TestUnevenMeshIsInDoubt(t *testing.T) {
	_, c, err := meshCase(t, cylinder(slanted, 4.2, 0.15, false), meshFixture)
	require.NoError(t, err)
	_, flags, err := c.Locate(box(geom.Vec{X: -60, Y: -60, Z: -60}, geom.Vec{X: 60, Y: 60, Z: 60}), volume.Grid{})
	require.NoError(t, err)
	require.Len(t, flags, 1)
	assert.Equal(t, "plan-mesh-uneven", flags[0].Code)
	assert.Equal(t, measurement.Doubt, flags[0].Level)
}

// With corner coordinates a landmark's point counts from the corner of the scan
// that it was seen in.
func TestCornerLandmarks(t *testing.T) {
	text := minimal + "[alignment]\nmethod = \"landmarks\"\nlandmarks = [{pre = [1, 2, 3], post = [4, 5, 6]}, {pre = [20, 2, 3], post = [23, 5, 6]}, {pre = [1, 22, 3], post = [4, 25, 6]}]\n"
	text = strings.NewReplacer("[0, 0, 0]", "[30, 20, 11]", "[0, 0, -10]", "[30, 20, 1]", "case = ", "frame = \"corner\"\ncase = ").Replace(text)
	pre := box(geom.Vec{X: -60, Y: -60, Z: -30}, geom.Vec{X: 0, Y: 0, Z: 30})
	post := box(geom.Vec{X: 100, Y: 200, Z: 300}, geom.Vec{X: 160, Y: 260, Z: 360})
	c, _, err := parsed(t, text).Locate(pre, post)
	require.NoError(t, err)
	assert.Equal(t, Landmark{Pre: geom.Vec{X: -59, Y: -58, Z: -27}, Post: geom.Vec{X: 104, Y: 205, Z: 306}}, c.Alignment.Landmarks[0])
}
