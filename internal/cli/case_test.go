package cli

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/plan/casefile"
)

const planTable = "\ufeffTooth;Entry X [mm];Entry Y [mm];Entry Z [mm];Apex X [mm];Apex Y [mm];Apex Z [mm];Ø;Length;Patient\r\n" +
	"36;-3,0;26,0;15,0;-3,0;26,0;7,0;4,1;8,0;A Name\r\n"

func TestStartedCases(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "scans"))
	require.NoError(t, os.Remove(filepath.Join(dir, "scans", "case.toml")))
	rampCase(t, filepath.Join(dir, "full"))
	write(t, filepath.Join(dir, "empty", "notes.txt"), "nothing\n")
	write(t, filepath.Join(dir, "table", "plan.csv"), planTable)
	write(t, filepath.Join(dir, "front", "plan.csv"), "site,entry,apex\n12,1 2 3,1 2 13\n")
	write(t, filepath.Join(dir, "bad", "plan.csv"), "site;entry x;entry y;entry z;apex x;apex y;apex z\n36;1;2;three;1;2;-7\n")
	write(t, filepath.Join(dir, "bad", "number.csv"), "site;entry x;entry y;entry z;apex x;apex y;apex z\n19;1;2;3;1;2;-7\n")
	write(t, filepath.Join(dir, "bad", "point.csv"), "site;entry;apex\n36;1 2 3;1 2 3\n")
	write(t, filepath.Join(dir, "bad", "axes.csv"), "site;entry R;entry A;entry S;apex R;apex A;apex S\n36;1;2;3;1;2;-7\n")
	write(t, filepath.Join(dir, "long", "plan.csv"), "site;entry;apex;length;diameter\n36;-3 26 15;-3 26 7;12;4.1\n")
	screen(t, dir, "start.txt", [][]string{
		{"case", "scans"},
		{"measure", "scans"},
		{"case", "scans"},
		{"case", "full"},
		{"case", "empty"},
		{"case", "nowhere"},
		{"case"},
		{"case", "table/plan.csv"},
		{"case", "--case", "C-1", "--clinician", "clinician-a", "--placed", "2026-03-14", "--numbering", "iso3950", "--into", "full", "table/plan.csv"},
		{"case", "front/plan.csv"},
		{"case", "bad/plan.csv"},
		{"case", "--numbering", "iso3950", "bad/number.csv"},
		{"case", "bad/point.csv"},
		{"case", "--frame", "lps", "bad/axes.csv"},
		{"case", "--frame", "patient", "bad/axes.csv"},
		{"case", "--placed", "14.3.2026", "bad/axes.csv"},
		{"case", "--case", "Doe^John", "bad/axes.csv"},
		{"case", "--case", "C-1", "--clinician", "c", "--placed", "2026-03-14", "long/plan.csv"},
	})
	entries, err := os.ReadDir("bad")
	require.NoError(t, err)
	assert.Len(t, entries, 4, "nothing is left after an error")
	text, err := os.ReadFile(filepath.Join("table", "case.toml"))
	require.NoError(t, err)
	assert.NotContains(t, string(text), "A Name")
}

// A table beside its two scans becomes a case that can be measured, and the
// frame of its coordinates is told by where they lie.
func TestCaseFromTableBesideScans(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, dir)
	require.NoError(t, os.Remove(filepath.Join(dir, "case.toml")))
	write(t, filepath.Join(dir, "plan.csv"), "site;entry;apex;diameter\n36;3 -26 15;3 -26 7;4.1\n")
	out := run("case", "--case", "C-1", "--clinician", "clinician-a", "--placed", "2026-03-14", "--guidance", "freehand", filepath.Join(dir, "plan.csv"))
	require.Equal(t, Done, out.status, out.stderr)
	assert.Contains(t, out.stdout, `frame = "ras", since only so`)
	assert.Contains(t, out.stdout, "measure it with: plumbline measure "+dir)
	c, err := casefile.Read(dir)
	require.NoError(t, err)
	assert.Equal(t, casefile.RAS, c.Frame)
	assert.Equal(t, filepath.Join(dir, "pre"), c.Pre)
	assert.Equal(t, filepath.Join(dir, "post"), c.Post)
	assert.Equal(t, casefile.Freehand, c.Fixtures[0].Guidance)
}
