package casefile

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

const surfaceCase = `case = "C-007"
placed = 2026-03-14
clinician = "clinician-a"
numbering = "iso3950"
pre = "pre"
post_surface = "after.stl"
pre_surface = "before.ply"
surface_unit = "cm"

[[fixture]]
site = "36"
entry = [-24.10, 11.32, 8.05]
apex = [-24.62, 12.01, -1.91]
diameter = 4.1
scan_body = "body.stl"
seating = 0.02
`

// surfaceFolder is a case folder with the surface case, changed, and its files.
func surfaceFolder(t *testing.T, old, new string) string {
	folder := t.TempDir()
	require.Contains(t, surfaceCase, old)
	require.NoError(t, os.WriteFile(filepath.Join(folder, FileName), []byte(strings.Replace(surfaceCase, old, new, 1)), 0o600))
	for _, name := range []string{"pre", "after.stl", "before.ply", "body.stl"} {
		require.NoError(t, os.WriteFile(filepath.Join(folder, name), nil, 0o600))
	}
	return folder
}

func TestSurfaceKeys(t *testing.T) {
	folder := surfaceFolder(t, "", "")
	c, err := Read(folder)
	require.NoError(t, err)
	assert.Empty(t, c.Post)
	assert.Equal(t, filepath.Join(folder, "after.stl"), c.PostSurface)
	assert.Equal(t, filepath.Join(folder, "before.ply"), c.PreSurface)
	assert.Equal(t, 10.0, c.SurfaceUnit.Millimetres())
	assert.Equal(t, filepath.Join(folder, "body.stl"), c.Fixtures[0].ScanBody.File)
	assert.Equal(t, 0.02, *c.Fixtures[0].ScanBody.Seating)
	for _, name := range []string{"after.stl", "before.ply", "body.stl"} {
		assert.Contains(t, Files(folder), filepath.Join(folder, name), "not to be written over")
	}
	c, err = Read(surfaceFolder(t, "scan_body = \"body.stl\"\nseating = 0.02", "scan_body_diameter = 4.5\nscan_body_height = 10.0"))
	require.NoError(t, err)
	assert.Equal(t, ScanBody{Diameter: 4.5, Height: 10}, *c.Fixtures[0].ScanBody)
	c, err = Read(surfaceFolder(t, "surface_unit = \"cm\"\n", ""))
	require.NoError(t, err)
	assert.Equal(t, 1.0, c.SurfaceUnit.Millimetres())
}

func TestSurfaceKeyFaults(t *testing.T) {
	for name, x := range map[string]struct{ old, new, want string }{
		"neither":       {"post_surface = \"after.stl\"\npre_surface = \"before.ply\"\n", "", "post: the follow-up scan is not entered yet"},
		"before alone":  {"post_surface = \"after.stl\"", "post = \"after.stl\"", "pre_surface: it is the surface before of a post_surface, and there is none"},
		"the same":      {"before.ply", "after.stl", "post_surface: the surface scans before and after are the same file"},
		"odd unit":      {`"cm"`, `"foot"`, "surface_unit: "},
		"no body":       {"scan_body = \"body.stl\"\nseating = 0.02", "", "fixture 1, scan_body: what is seated on the fixture in the surface scan is not told"},
		"seat alone":    {"scan_body = \"body.stl\"\n", "", "fixture 1, seating: there is no scan body to be seated"},
		"two bodies":    {"seating = 0.02", "scan_body_height = 9.0", "the scan body has a file and sizes of a cylinder"},
		"half a size":   {"scan_body = \"body.stl\"", "scan_body_height = 9.0", "fixture 1, scan_body_diameter: it is missing"},
		"odd size":      {"scan_body = \"body.stl\"", "scan_body_height = 90.0\nscan_body_diameter = 4.5", "it is 90 mm; expected 2 to 25 mm"},
		"seat in µm":    {"seating = 0.02", "seating = 20", "it is 20 mm; expected 0.001 to 1 mm"},
		"not there":     {"after.stl", "later.stl", `"later.stl" is not in the case folder`},
		"body not here": {"body.stl", "other.stl", `"other.stl" is not in the case folder`},
	} {
		_, err := Read(surfaceFolder(t, x.old, x.new))
		var fault *Error
		require.ErrorAs(t, err, &fault, name)
		require.ErrorContains(t, err, x.want, name)
	}
}
