package page

import (
	"net/http"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/page/practice"
	"plumbline/internal/plan/casefile"
)

// tetrahedron is a closed surface in the text form of STL.
const tetrahedron = "solid a\n" +
	"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 0 9 0\nvertex 9 0 0\nendloop\nendfacet\n" +
	"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 9 0 0\nvertex 0 0 9\nendloop\nendfacet\n" +
	"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 0 0 9\nvertex 0 9 0\nendloop\nendfacet\n" +
	"facet normal 0 0 0\nouter loop\nvertex 9 0 0\nvertex 0 9 0\nvertex 0 0 9\nendloop\nendfacet\nendsolid a\n"

// A surface scan and its scan body stand for the follow-up scan; the plan stays as it was.
func TestASurfaceScanStandsForTheFollowUp(t *testing.T) {
	v := begun(t)
	v.planned()
	was, err := casefile.ReadPlan(filepath.Join(v.folder, "C-001"))
	require.NoError(t, err)
	part := func(name string) string {
		if strings.Contains(name, "body") {
			return practice.BodyPart
		}
		return practice.SurfacePart
	}
	give := func(files map[string][]byte) (int, string) {
		return v.sendParts("/case/C-001/surface", nil, files, part)
	}
	solid := []byte(tetrahedron)
	for _, files := range []map[string][]byte{
		{"Doe.stl": solid}, {"body.stl": solid}, {}, {"Doe.stl": []byte("hello"), "body.stl": solid},
	} {
		status, body := give(files)
		assert.Equal(t, http.StatusUnprocessableEntity, status)
		assert.NotContains(t, body, ".incoming")
	}
	status, body := give(map[string][]byte{"Doe Jane.STL": solid, "the body.stl": solid})
	require.Equal(t, http.StatusOK, status, body)
	assert.Contains(t, body, "without another dose")
	is, err := casefile.ReadPlan(filepath.Join(v.folder, "C-001"))
	require.NoError(t, err)
	assert.Empty(t, is.Post)
	assert.Equal(t, "after.stl", filepath.Base(is.PostSurface))
	for _, f := range is.Fixtures {
		assert.Equal(t, "scan-body.stl", filepath.Base(f.ScanBody.File))
	}
	assert.Equal(t, was.BareSHA256, is.BareSHA256, "the plan is the same")
	status, _ = give(map[string][]byte{"again.stl": solid, "body.stl": solid})
	assert.Equal(t, http.StatusConflict, status)
	left, err := filepath.Glob(filepath.Join(v.folder, ".*"))
	require.NoError(t, err)
	assert.Empty(t, left)
}
