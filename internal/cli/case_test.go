package cli

import (
	"os"
	"path/filepath"
	"strings"
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

// A surface scan is entered after surgery with the shape of its scan body, and the plan
// stays the sealed one.
func TestCaseTakesASurfaceScan(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, dir)
	file := filepath.Join(dir, "case.toml")
	text, err := os.ReadFile(file)
	require.NoError(t, err)
	before := strings.Replace(string(text), `post = "post"`, "", 1)
	require.NotEqual(t, string(text), before)
	write(t, file, before)
	was, err := casefile.ReadPlan(dir)
	require.NoError(t, err)
	const tetrahedron = "solid a\n" +
		"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 0 9 0\nvertex 9 0 0\nendloop\nendfacet\n" +
		"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 9 0 0\nvertex 0 0 9\nendloop\nendfacet\n" +
		"facet normal 0 0 0\nouter loop\nvertex 0 0 0\nvertex 0 0 9\nvertex 0 9 0\nendloop\nendfacet\n" +
		"facet normal 0 0 0\nouter loop\nvertex 9 0 0\nvertex 0 9 0\nvertex 0 0 9\nendloop\nendfacet\nendsolid a\n"
	after, body := filepath.Join(dir, "after.stl"), filepath.Join(dir, "body.stl")
	write(t, after, tetrahedron)
	write(t, body, tetrahedron)
	outside := filepath.Join(t.TempDir(), "after.stl")
	write(t, outside, tetrahedron)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"--post", after, dir}, "scan_body"},
		{[]string{"--scan-body", body, dir}, "--scan-body goes with a surface scan"},
		{[]string{"--post", outside, "--scan-body", body, dir}, "move or copy it there"},
		{[]string{"--post", after, "--scan-body", file, dir}, "case.toml"},
	} {
		got := run(append([]string{"case"}, c.args...)...)
		assert.Equal(t, BadInput, got.status, c.args)
		assert.Contains(t, got.stderr, c.want)
	}
	got := run("case", "--post", after, "--scan-body", body, dir)
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "entered after.stl as the follow-up scan")
	is, err := casefile.ReadPlan(dir)
	require.NoError(t, err)
	assert.Equal(t, after, is.PostSurface)
	assert.Equal(t, body, is.Fixtures[0].ScanBody.File)
	assert.Equal(t, was.BareSHA256, is.BareSHA256)
	assert.NotEqual(t, was.PlanSHA256, is.PlanSHA256)
}
