package page

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/sealing"
)

// A canal is followed between two points that were clicked, is shown to be looked at, and
// stands in the case file as what the scan is asked for; where none runs, that is said.
func TestACanalIsFollowedAndTakenInOrRefused(t *testing.T) {
	v := begun(t)
	truth := v.planned()
	path := truth.Structures[0].Path
	from, to := path[3], path[5]
	points := text(from) + "\n" + text(to)
	v.done("/case/C-001/remove", "structure", "right nerve canal")
	body := v.done("/case/C-001/draw", "kind", "nerve", "name", "right nerve canal", "radius", "1.4", "find", "canal", "points", points)
	assert.Contains(t, body, "Followed in the planning scan over")
	assert.Contains(t, body, "That is not it")
	c, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	s := c.Draft.Structures[0]
	assert.InDelta(t, truth.Structures[0].Radius[0], s.Radius, 0.3)
	assert.InDelta(t, r3.Norm(r3.Sub(to, from)), s.Found.All, 1.5)
	for _, p := range s.Found.Line {
		assert.Less(t, offLine(p, path), 0.7)
	}
	_, body = v.get("/case/C-001/draw?kind=nerve")
	assert.Regexp(t, `step="0.1" value="1\.\d"`, body, "in steps of the field, which takes no other")
	v.done("/case/C-001/confirm")
	plan, err := casefile.ReadPlan(filepath.Join(v.folder, "C-001"))
	require.NoError(t, err)
	require.Len(t, plan.Structures, 1)
	assert.Equal(t, casefile.FindCanal, plan.Structures[0].Find)
	assert.Len(t, plan.Structures[0].Through, 2)
	_, body = v.get("/case/C-001/seal")
	assert.Contains(t, body, "right nerve canal")

	v.done("/case/C-001/remove", "structure", "right nerve canal")
	lift := geom.Vec{Z: 25}
	status, body := v.post("/case/C-001/draw", "kind", "nerve", "name", "right nerve canal", "radius", "1.4", "find", "canal", "points", text(r3.Add(from, lift))+"\n"+text(r3.Add(to, lift)))
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.Contains(t, body, "The scan does not show the canal there")
	c, err = v.page.folder.Case("C-001")
	require.NoError(t, err)
	assert.Empty(t, c.Draft.Structures)
}

// offLine is how far a point lies off a line.
func offLine(p geom.Vec, line []geom.Vec) float64 {
	least := r3.Norm(r3.Sub(p, line[0]))
	for i := 1; i < len(line); i++ {
		along := r3.Sub(line[i], line[i-1])
		at := min(max(r3.Dot(r3.Sub(p, line[i-1]), along)/r3.Norm2(along), 0), 1)
		least = min(least, r3.Norm(r3.Sub(p, r3.Add(line[i-1], r3.Scale(at, along)))))
	}
	return least
}

// A sinus that the scan shows beyond the planned fixture is taken into the plan or left out
// of it.
func TestASinusThatTheScanShowsIsTakenIn(t *testing.T) {
	if testing.Short() {
		t.Skip("a scan of the upper jaw is made")
	}
	spec := phantom.Demo()[1]
	spec.Pre.Voxel, spec.Pre.Slice = 0.4, 0
	made := filepath.Join(t.TempDir(), "made")
	require.NoError(t, phantom.Write(made, spec))
	truth, err := casefile.ReadPlan(made)
	require.NoError(t, err)
	v := begun(t)
	status, body := v.send("/new", map[string]string{"name": "C-001", "clinician": "a"}, scanFiles(t, filepath.Join(made, "pre")))
	require.Equal(t, http.StatusOK, status, body)
	v.done("/case/C-001/tooth", "site", "25")
	_, body = v.get("/case/C-001/found")
	assert.Contains(t, body, "Place the fixture first")
	f := truth.Fixtures[0]
	v.done("/case/C-001/place/25", "entry", text(f.Planned.Entry), "apex", text(f.Planned.Apex), "diameter", "4.1", "length", "10")
	_, body = v.get("/case/C-001/plan")
	assert.Contains(t, body, `href="found"`)
	_, body = v.get("/case/C-001/found")
	assert.Contains(t, body, "Sinus (found)")
	assert.Contains(t, body, "Found by its air")
	assert.Contains(t, body, `"Triangles":[[`)
	status, _ = v.post("/case/C-001/found", "find", "canal")
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	body = v.done("/case/C-001/found", "find", "sinus")
	assert.Contains(t, body, "left sinus")
	assert.NotContains(t, body, "the sinus floor. What is not drawn")
	_, body = v.get("/case/C-001/found")
	assert.Contains(t, body, "Left sinus")
	_, drawing := v.get("/case/C-001/draw?kind=sinus")
	assert.Contains(t, drawing, `value="0.1"`, "what is drawn in its place has a radius")
	assert.Contains(t, body, "That is not it")

	v.done("/case/C-001/about", "placed", "2026-03-02")
	v.done("/case/C-001/confirm")
	plan, err := casefile.ReadPlan(filepath.Join(v.folder, "C-001"))
	require.NoError(t, err)
	assert.Equal(t, []casefile.Structure{{Name: "left sinus", Kind: casefile.Sinus, Find: casefile.FindSinus}}, plan.Structures)
	s, err := v.page.scans.get(plan.Pre)
	require.NoError(t, err)
	held, err := sealing.Look(plan, s.scan, "2026-02-01")
	require.NoError(t, err)
	assert.False(t, strings.Contains(held.Planned.Sites[0].Distances[0].Structure, "(found)"))
}
