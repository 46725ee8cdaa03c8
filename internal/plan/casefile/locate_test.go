package casefile

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/volume"
)

// box is a scan whose voxel faces span lo to hi, 0.5 mm voxels, along the
// patient's axes.
func box(lo, hi geom.Vec) volume.Grid {
	d := r3.Sub(hi, lo)
	return volume.Grid{
		Size:   [3]int{int(2 * d.X), int(2 * d.Y), int(2 * d.Z)},
		Origin: r3.Add(lo, geom.Vec{X: 0.25, Y: 0.25, Z: 0.25}),
		Step:   [3]geom.Vec{{X: 0.5}, {Y: 0.5}, {Z: 0.5}},
	}
}

func vec(x, y, z float64) geom.Vec { return geom.Vec{X: x, Y: y, Z: z} }

func withFrame(frame Frame) string {
	return strings.Replace(minimal, "numbering", "frame = \""+string(frame)+"\"\nnumbering", 1)
}

func assertNear(t require.TestingT, want, got geom.Vec, tolerance float64) {
	require.LessOrEqual(t, r3.Norm(r3.Sub(want, got)), tolerance, "want %v, got %v", want, got)
}

func TestLocateLPSChangesNothing(t *testing.T) {
	c := parsed(t, full)
	pre := box(vec(-50, -50, -50), vec(50, 50, 50))
	located, flags, err := c.Locate(pre, pre)
	require.NoError(t, err)
	assert.Empty(t, flags)
	assert.Equal(t, c, located)
}

// R·A·S to L·P·S turns half a circle about the head's long axis: left and
// right, front and back change sign (DICOM PS3.3 C.7.6.2.1.1 for LPS).
func TestLocateRAS(t *testing.T) {
	c := parsed(t, strings.Replace(full, `"lps"`, `"ras"`, 1))
	pre := box(vec(-50, -50, -50), vec(50, 50, 50))
	located, _, err := c.Locate(pre, pre)
	require.NoError(t, err)
	assert.Equal(t, LPS, located.Frame)
	assert.Equal(t, vec(24.10, -11.32, 8.05), located.Fixtures[0].Planned.Entry)
	assert.Equal(t, vec(24.62, -12.01, -1.91), located.Fixtures[0].Planned.Apex)
	assert.Equal(t, vec(-c.Fixtures[0].Mesial.X, -c.Fixtures[0].Mesial.Y, c.Fixtures[0].Mesial.Z), *located.Fixtures[0].Mesial)
	assert.Equal(t, vec(25.0, -14.1, -5.5), located.Structures[0].Path[1])
	assert.Equal(t, Landmark{Pre: vec(-10, 0, 0), Post: vec(-11, -2, 3)}, located.Alignment.Landmarks[1])

	assert.Equal(t, RAS, c.Frame, "the case as read stays as it is")
	assert.Equal(t, vec(-24.10, 11.32, 8.05), c.Fixtures[0].Planned.Entry)
	again, _, err := located.Locate(pre, pre)
	require.NoError(t, err)
	assert.Equal(t, located, again)
}

func TestLocateCorner(t *testing.T) {
	// Voxel centres at (-10, -20, -30) and on, 0.5 × 0.25 × 1 mm.
	pre := volume.Grid{Size: [3]int{100, 200, 60}, Origin: vec(-10, -20, -30), Step: [3]geom.Vec{{X: 0.5}, {Y: 0.25}, {Z: 1}}}
	c := parsed(t, strings.NewReplacer("[0, 0, 0]", "[1, 2, 3]", "[0, 0, -10]", "[1, 2, 13]").Replace(withFrame(Corner)))
	located, _, err := c.Locate(pre, pre)
	require.NoError(t, err)
	assertNear(t, vec(-10.25+1, -20.125+2, -30.5+3), located.Fixtures[0].Planned.Entry, 1e-12)
	assertNear(t, vec(-10.25+1, -20.125+2, -30.5+13), located.Fixtures[0].Planned.Apex, 1e-12)
}

// Where a scan leans, the way from its corner is not one that a planning program shows.
func TestNoCornerOfALeaningScan(t *testing.T) {
	leaning := volume.Grid{Size: [3]int{100, 200, 60}, Origin: vec(-10, -20, -30), Step: [3]geom.Vec{{X: 0.5}, {Y: 0.25}, {Y: 0.25, Z: 1}}}
	_, _, err := parsed(t, strings.NewReplacer("[0, 0, 0]", "[1, 2, 3]", "[0, 0, -10]", "[1, 2, 13]").Replace(withFrame(Corner))).Locate(leaning, leaning)
	require.ErrorContains(t, err, "export the plan in patient coordinates")
	_, _, err = parsed(t, minimal).Locate(leaning, leaning)
	require.NoError(t, err)
}

// In any oblique scan a voxel's centre has the corner coordinates (index + ½) ×
// spacing.
func TestCornerFrameFollowsTheGrid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		turn := geom.Rotation(vec(number("wx", -3, 3), number("wy", -3, 3), number("wz", -3, 3)))
		spacing := [3]float64{number("sx", 0.1, 1), number("sy", 0.1, 1), number("sz", 0.1, 1)}
		grid := volume.Grid{
			Size:   [3]int{50, 60, 70},
			Origin: vec(number("ox", -100, 100), number("oy", -100, 100), number("oz", -100, 100)),
			Step: [3]geom.Vec{
				turn.Rotate(vec(spacing[0], 0, 0)), turn.Rotate(vec(0, spacing[1], 0)), turn.Rotate(vec(0, 0, spacing[2])),
			},
		}
		i, j, k := number("i", -5, 60), number("j", -5, 60), number("k", -5, 60)
		corner := vec((i+0.5)*spacing[0], (j+0.5)*spacing[1], (k+0.5)*spacing[2])
		assertNear(t, grid.Patient(i, j, k), Corner.ToLPS(corner, grid), 1e-10)
		assertNear(t, corner, Corner.FromLPS(grid.Patient(i, j, k), grid), 1e-10)

		p := vec(number("px", -100, 100), number("py", -100, 100), number("pz", -100, 100))
		assert.Equal(t, p, LPS.ToLPS(p, grid))
		assert.Equal(t, p, RAS.ToLPS(RAS.ToLPS(p, grid), grid), "twice is back")
		assert.Equal(t, p, RAS.FromLPS(RAS.ToLPS(p, grid), grid))
	})
}

func TestPlanOutsideTheScanSaysWhereAndWhy(t *testing.T) {
	for _, c := range []struct {
		name, text string
		pre        volume.Grid
		line       int
		field      string
		say        string
	}{
		{"another frame", strings.NewReplacer("[0, 0, 0]", "[30, 20, 0]", "[0, 0, -10]", "[30, 20, -10]").Replace(minimal),
			box(vec(-60, -60, -30), vec(0, 0, 30)), 9, "fixture 1, entry", `with frame = "ras" the whole plan would lie inside`},
		{"lps said to be ras", strings.NewReplacer("[0, 0, 0]", "[30, 20, 0]", "[0, 0, -10]", "[30, 20, -10]").Replace(withFrame(RAS)),
			box(vec(0, 0, -30), vec(60, 60, 30)), 10, "fixture 1, entry", `with frame = "lps" the whole plan`},
		{"corner coordinates", strings.NewReplacer("[0, 0, 0]", "[30, 20, 1]", "[0, 0, -10]", "[30, 20, 11]").Replace(minimal),
			box(vec(200, 200, 200), vec(260, 260, 260)), 9, "fixture 1, entry", `with frame = "corner"`},
		{"left and right", strings.NewReplacer("[0, 0, 0]", "[30, 20, 0]", "[0, 0, -10]", "[30, 20, -10]").Replace(minimal),
			box(vec(-60, 0, -30), vec(0, 60, 30)), 9, "fixture 1, entry", "with left and right exchanged"},
		{"another patient", minimal, box(vec(200, 200, 200), vec(260, 260, 260)), 9, "fixture 1, entry", "check that the plan belongs to this scan"},
		{"only the apex", minimal, box(vec(-30, -30, -9), vec(30, 30, 30)), 10, "fixture 1, apex", "check that the plan belongs to this scan"},
	} {
		t.Run(c.name, func(t *testing.T) {
			located, _, err := parsed(t, c.text).Locate(c.pre, c.pre)
			fault := asFault(t, err)
			assert.Nil(t, located)
			assert.Equal(t, c.line, fault.Line)
			assert.Equal(t, c.field, fault.Field)
			assert.Contains(t, fault.Message, "outside the planning scan")
			assert.Contains(t, fault.Message, c.say)
		})
	}
}

func TestPlanOnTheOuterFaceIsInside(t *testing.T) {
	_, _, err := parsed(t, minimal).Locate(box(vec(-10, -10, -10), vec(10, 10, 10)), volume.Grid{})
	assert.NoError(t, err)
}

func TestLandmarksOutsideTheirScans(t *testing.T) {
	pre := box(vec(-50, -50, -50), vec(50, 50, 50))
	post := box(vec(0, 0, 0), vec(20, 20, 20))
	_, _, err := parsed(t, full).Locate(pre, post)
	require.NoError(t, err)

	far := strings.Replace(full, "post = [11, 2, 3]", "post = [31, 2, 3]", 1)
	_, _, err = parsed(t, far).Locate(pre, post)
	fault := asFault(t, err)
	assert.Equal(t, 48, fault.Line)
	assert.Equal(t, "alignment, landmarks, pair 2, post", fault.Field)
	assert.Contains(t, fault.Message, "outside the follow-up scan")

	exchanged := strings.Replace(full, "{pre = [0, 0, 0], post = [1, 2, 3]}", "{pre = [1, 2, 3], post = [-30, 0, 0]}", 1)
	_, _, err = parsed(t, exchanged).Locate(pre, post)
	assert.Contains(t, asFault(t, err).Message, "pre and post seem to be exchanged")
}
