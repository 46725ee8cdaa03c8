package draft

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/plantable"
	"plumbline/internal/plan/scanpair"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// scans writes two scans of 12 mm into a folder. Their voxels lie at x from -10,
// y from 20 and z from 5, patient LPS, mm.
func scans(t *testing.T, dir string) {
	t.Helper()
	for name, date := range map[string]string{"before": "2026-02-01", "after": "2026-03-15"} {
		v := &volume.Volume{Grid: volume.Grid{Size: [3]int{13, 13, 13}, Origin: geom.Vec{X: -10, Y: 20, Z: 5}, Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}}}
		for k := range v.Size[2] {
			v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1000)
			for i := range v.Size[0] * v.Size[1] {
				v.Stored = append(v.Stored, uint16(1000+i+k))
			}
		}
		require.NoError(t, encode.Volume(filepath.Join(dir, name), v, encode.Options{StudyDate: date}))
	}
}

func table(t *testing.T, dir, text string) string {
	t.Helper()
	path := filepath.Join(dir, "plan.csv")
	require.NoError(t, os.WriteFile(path, []byte(text), 0o600))
	return path
}

func TestFromScans(t *testing.T) {
	dir := t.TempDir()
	scans(t, dir)
	d, err := Begin(Sources{Folder: dir}, Given{Case: "C-1", Guidance: casefile.Freehand})
	require.NoError(t, err)
	assert.Equal(t, "before", d.Pre)
	assert.Equal(t, "after", d.Post)
	assert.Equal(t, "C-1", d.Case)
	require.Len(t, d.Fixtures, 1)
	assert.Equal(t, casefile.Freehand, d.Fixtures[0].Guidance)

	_, err = Begin(Sources{Folder: t.TempDir()}, Given{})
	assert.ErrorIs(t, err, scanpair.ErrNeither)
	d, err = Begin(Sources{Folder: filepath.Join(dir, "new")}, Given{})
	require.NoError(t, err, "a folder that is not there yet")
	assert.Contains(t, d.Missing(), "pre")
}

// The frame is the one that puts the points inside the planning scan. The fixture
// goes from (-4, 26, 15) to (-4, 26, 7) in patient coordinates.
func TestFrameIsFoundByThePoints(t *testing.T) {
	dir := t.TempDir()
	scans(t, dir)
	for _, c := range []struct {
		points string // of entry and apex
		given  casefile.Frame
		want   casefile.Frame
		note   string
	}{
		{"-4 26 15,-4 26 7", "", casefile.LPS, `frame = "lps", since only so`},
		{"4 -26 15,4 -26 7", "", casefile.RAS, `frame = "ras", since only so`},
		{"6 6 10,6 6 2", "", casefile.Corner, `frame = "corner", since only so`},
		{"-4 26 15,-4 26 7", casefile.LPS, casefile.LPS, ""},
		{"-4 26 15,-4 26 7", casefile.RAS, casefile.RAS, "in the frame ras the points lie outside the planning scan; as lps they would lie inside"},
		{"90 90 90,90 90 80", "", "", "the points lie outside the planning scan before, whatever frame they are in"},
	} {
		d, err := Begin(Sources{Folder: dir, Table: table(t, dir, "site,entry,apex\n36,"+c.points+"\n")}, Given{Frame: c.given})
		require.NoError(t, err)
		assert.Equal(t, c.want, d.Frame, c.points)
		notes := strings.Join(d.Notes, "\n")
		if c.note == "" {
			assert.NotContains(t, notes, "frame")
		}
		assert.Contains(t, notes, c.note)
	}

	d, err := Begin(Sources{Folder: t.TempDir(), Table: table(t, t.TempDir(), "site,entry,apex\n36,1 2 3,1 2 13\n")}, Given{})
	require.NoError(t, err)
	assert.Equal(t, casefile.LPS, d.Frame)
	assert.Contains(t, d.Notes, `no scan lies beside it, so frame = "lps" is not checked; plumbline seal checks it once the planning scan is there`)
}

func TestFromTable(t *testing.T) {
	dir := t.TempDir()
	d, err := Begin(Sources{Folder: dir, Table: table(t, dir, "site,entry,apex,name\n12,1 2 3,1 2 13,x\n")}, Given{})
	require.NoError(t, err)
	assert.Contains(t, d.Notes, NumberingOpen, "12 is a tooth in either numbering")
	assert.Contains(t, d.Notes, "columns that were left out: name")
	d, err = Begin(Sources{Folder: dir, Table: filepath.Join(dir, "plan.csv")}, Given{Numbering: tooth.Universal})
	require.NoError(t, err)
	assert.NotContains(t, d.Notes, NumberingOpen)
	require.Len(t, d.Fixtures, 1)
	assert.InDelta(t, 10, d.Fixtures[0].Planned.Length(), 1e-12)

	var frame *FrameError
	_, err = Begin(Sources{Folder: dir, Table: table(t, dir, "site;entry R;entry A;entry S;apex R;apex A;apex S\n36;1;2;3;1;2;-7\n")}, Given{Frame: casefile.LPS})
	require.ErrorAs(t, err, &frame)
	assert.Equal(t, FrameError{casefile.LPS, "ras"}, *frame)

	var at *plantable.Error
	_, err = Begin(Sources{Folder: dir, Table: table(t, dir, "site,entry,apex\n36,1 2 3,1 2 3\n")}, Given{})
	require.ErrorAs(t, err, &at)
	assert.Equal(t, 2, at.Line)
	_, err = Begin(Sources{Folder: dir, Table: table(t, dir, "site,entry,apex\n77,1 2 3,1 2 13\n")}, Given{Numbering: tooth.ISO3950})
	require.ErrorAs(t, err, &at)
	_, err = Begin(Sources{Folder: dir, Table: filepath.Join(dir, "none.csv")}, Given{})
	assert.ErrorIs(t, err, os.ErrNotExist)
}
