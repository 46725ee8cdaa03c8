package cli

import (
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/plan/casefile"
)

// flat is a text without its line breaks.
func flat(s string) string { return strings.Join(strings.Fields(s), " ") }

// The honest course as it is typed: a case before surgery, from the planning scan and a
// table; its seal; the follow-up scan after surgery; the measurement.
func TestHonestCourse(t *testing.T) {
	wide(t)
	text, err := os.ReadFile("wide/case.toml")
	require.NoError(t, err)
	require.NoError(t, os.Remove("wide/case.toml"))
	points := regexp.MustCompile(`(?m)^(?:entry|apex) *= *\[(.*?), (.*?), (.*?)\]`).FindAllStringSubmatch(string(text), 2)
	require.Len(t, points, 2)
	row := "44"
	for _, p := range points {
		row += ";" + strings.Join(p[1:], ";")
	}
	write(t, "wide/plan.csv", "tooth;entry x;entry y;entry z;apex x;apex y;apex z;diameter;length\n"+row+";3.5;12\n")

	got := runOn(t, "2026-01-02", "case", "--case", "C-1", "--clinician", "clinician-a", "--placed", "2026-01-15", "wide/plan.csv")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Equal(t, `wrote wide/case.toml
note: frame = "lps", since only so the plan lies where the scan shows the tooth of its number
before surgery, seal it with: plumbline seal --series my-series.jsonl wide
after surgery, enter the follow-up scan with: plumbline case --post SCAN wide
`, got.stdout)

	got = runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "wide")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, flat(got.stdout), "3.5 × 12.0 mm at 44, the lower right first premolar; no structure is given Not checked the distance of site 44 to a canal")

	got = runOn(t, "2026-01-16", "measure", "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "the follow-up scan is not entered yet")
	from := filepath.Join(phantomHome, "wide", "post")
	got = runOn(t, "2026-01-16", "case", "--post", from, "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "does not lie in the case folder wide; move or copy it there")
	require.NoError(t, os.CopyFS("wide/after", os.DirFS(from)))
	got = runOn(t, "2026-01-16", "case", "--post", "wide/pre", "wide")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "wide/pre is the planning scan")
	got = runOn(t, "2026-01-16", "case", "--post", "wide/after", "wide")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Equal(t, "entered after as the follow-up scan into wide/case.toml; the plan is unchanged\nmeasure it with: plumbline measure wide\n", got.stdout)
	got = runOn(t, "2026-01-16", "case", "--post", "wide/after", "wide")
	assert.Contains(t, got.stderr, `a follow-up scan is entered already, "after"`)
	got = runOn(t, "2026-01-16", "seal", "--series", "s.jsonl", "wide")
	assert.Contains(t, got.stdout, "Sealed already: ", "the plan is still the sealed one")

	got = runOn(t, "2026-01-16", "measure", "--series", "s.jsonl", "--json", "m.json", "--report", "m.html", "wide")
	// Voxels of 1 mm show too little of the metal to rely on.
	require.Equal(t, InDoubt, got.status, got.stdout+got.stderr)
	assert.Contains(t, got.stdout, "\nwrote m.html; open it in a browser\nwrote m.json\n")
	assert.Contains(t, got.stdout, "Its plan was sealed before surgery and is the one that was measured.\n")
	assert.NotContains(t, got.stdout, "case-file-edited", "the follow-up scan is no edit")
	c := readMeasurement(t, "m.json")
	assert.Equal(t, "2025-12-25", c.Inputs.PreDate)
	assert.Equal(t, "2026-01-15", c.Inputs.PostDate)
}

// Dates that cannot be right are told, and with them goes the word "sealed before surgery".
func TestSealsAreHeldAgainstDates(t *testing.T) {
	t.Chdir(t.TempDir())
	undated := func(_ int, d *element.Dataset) { d.Set(tag.StudyDate, "") }
	for _, c := range []struct {
		name, placed, pre, post, sealed, measured string
		change                                    func(int, *element.Dataset)
		says                                      []string
		seal                                      string
	}{
		{name: "honest", placed: "2026-03-14", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-02-20", measured: "2026-04-01", seal: "kept"},
		{name: "as-tried", placed: "2026-11-30", pre: "2025-01-10", post: "2025-03-12", sealed: "2026-11-20", measured: "2026-12-01",
			says: []string{"follow-up-before-surgery", "sealed only after the follow-up scan of 2025-03-12"}, seal: "late"},
		{name: "sealed-late", placed: "2026-03-14", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-03-16", measured: "2026-04-01",
			says: []string{"sealed-late"}, seal: "late"},
		{name: "surgery-moved", placed: "2026-03-25", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-03-20", measured: "2026-04-01",
			says: []string{"follow-up-before-surgery", "sealed only after the follow-up scan of 2026-03-15"}, seal: "late"},
		{name: "surgery-in-doubt", placed: "2026-03-25", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-02-20", measured: "2026-04-01",
			says: []string{"follow-up-before-surgery", "seal-not-shown"}, seal: "unknown"},
		{name: "surgery-to-come", placed: "2031-03-14", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-02-20", measured: "2026-04-01",
			says: []string{"surgery-to-come", "follow-up-before-surgery", "seal-not-shown"}, seal: "unknown"},
		{name: "no-date", placed: "2026-03-14", pre: "2026-02-01", post: "2026-03-15", sealed: "2026-02-20", measured: "2026-04-01", change: undated,
			says: []string{"scan-undated", "seal-not-shown", "does not say when it was taken"}, seal: "unknown"},
		{name: "clock-set-back", placed: "2026-03-14", pre: "2026-03-01", post: "2026-03-15", sealed: "2026-02-20", measured: "2026-04-01",
			says: []string{"scan-to-come", "seal-not-shown", "a clock was wrong"}, seal: "unknown"},
	} {
		require.NoError(t, encode.Volume(filepath.Join(c.name, "pre"), ramp(1000), encode.Options{StudyDate: c.pre}))
		require.NoError(t, encode.Volume(filepath.Join(c.name, "post"), ramp(1100), encode.Options{StudyDate: c.post, Change: c.change}))
		writePlan(t, c.name, "2026-03-14", c.placed, `"C-1"`, `"`+c.name+`"`)
		got := runOn(t, c.sealed, "seal", "--despite", "a scan of a ramp", "--series", "s.jsonl", c.name)
		require.NotEqual(t, BadInput, got.status, c.name+got.stderr)
		all := got.stdout
		got = runOn(t, c.measured, "measure", "--series", "s.jsonl", c.name)
		require.Equal(t, InDoubt, got.status, "there is no fixture in a ramp", c.name+got.stderr)
		all += got.stdout
		for _, says := range c.says {
			assert.Contains(t, flat(all), says, c.name)
		}
		assert.Equal(t, c.seal == "kept", strings.Contains(all, "sealed before surgery and is the one"), c.name)
		got = runOn(t, c.measured, "series", "export", "--csv", "table.csv", "--overwrite", "s.jsonl")
		require.Equal(t, Done, got.status, got.stderr)
		table, err := os.ReadFile("table.csv")
		require.NoError(t, err)
		rows := strings.Split(string(table), "\n")
		for _, row := range rows {
			if strings.HasPrefix(row, c.name+",") {
				assert.Contains(t, row, ","+c.seal+",", c.name)
			}
		}
	}
}

// A plan that was changed after its seal ends with the status of a doubt, whatever its
// figures.
func TestChangedPlanIsADoubt(t *testing.T) {
	world(t)
	got := runOn(t, "2026-01-02", "seal", "--series", "s.jsonl", "--despite", "a small field", "demo/C-101")
	require.Contains(t, []int{Done, InDoubt}, got.status, got.stderr)
	edit(t, "demo/C-101", `(name   = "root 45.1")`, "$1\nmargin = 0.5")
	got = run("measure", "--series", "s.jsonl", "demo/C-101")
	assert.Equal(t, InDoubt, got.status, got.stdout)
	assert.Contains(t, got.stdout, "plan-changed: ")
}

// Whoever the scans' headers name is named nowhere else.
func TestNamesOfTheHeaderAreRefused(t *testing.T) {
	t.Chdir(t.TempDir())
	named := func(_ int, d *element.Dataset) {
		d.Set(tag.PatientName, "Muster^Erika")
		d.Set(tag.PatientID, "00815")
	}
	require.NoError(t, encode.Volume("new/pre", ramp(1000), encode.Options{StudyDate: "2026-02-01", Change: named}))
	for _, args := range [][]string{{"--case", "erika-1"}, {"--case", "C-00815"}, {"--clinician", "Dr Muster"}} {
		got := run(append(append([]string{"case"}, args...), "new/pre")...)
		assert.Equal(t, BadInput, got.status, args)
		assert.Regexp(t, `(case|clinician): it is or contains the patient's (name|number) as the scan's header has it; give a pseudonym`, got.stderr)
		assert.NoFileExists(t, "new/case.toml")
	}
	require.NoError(t, encode.Volume("new/post", ramp(1100), encode.Options{StudyDate: "2026-03-15", Change: named}))
	writePlan(t, "new", `"C-1"`, `"case-of-muster"`)
	for _, args := range [][]string{{"seal", "--series", "s.jsonl", "new"}, {"measure", "--json", "m.json", "new"}} {
		got := run(args...)
		assert.Equal(t, BadInput, got.status, args)
		assert.Contains(t, got.stderr, "new/case.toml: case: it is or contains the patient's name")
		assert.NotContains(t, strings.ToLower(got.stdout+got.stderr), "muster")
	}
	assert.NoFileExists(t, "s.jsonl")
	assert.NoFileExists(t, "m.json")

	write(t, "past.csv", past())
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	got := run("series", "remark", "--by", "Muster, Erika", "--text", "seen", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "looks like a person's name")
	write(t, "names.csv", "case;placed;clinician;site;entry_mm\n\"Muster, Erika\";2025-01-01;clinician-a;36;1.2\n")
	got = run("series", "import", "names.csv", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "the case's name looks like a person's name")
	got = run("case", "--case", "Muster, Erika", "new/pre")
	assert.Contains(t, got.stderr, "--case looks like a person's name; give a pseudonym")
}

// What is wrong is named for what it is.
func TestMistakesAreNamed(t *testing.T) {
	t.Chdir(t.TempDir())
	rampCase(t, "whole")
	text, err := os.ReadFile("whole/case.toml")
	require.NoError(t, err)
	write(t, "hidden/case.toml.txt", string(text))
	changed := func(folder, pattern, with string) {
		t.Helper()
		require.NoError(t, os.CopyFS(folder, os.DirFS("whole")))
		edit(t, folder, pattern, with)
	}
	changed("slashes", `pre .*`, `pre = "scans\users\pre"`)
	changed("newline", `pre .*`, `pre = "scans\new"`)
	changed("drive", `pre .*`, `pre = 'C:\scans\pre'`)
	changed("centimetres", `(?m)^entry .*\napex .*`, "entry = [-0.3, 2.6, 1.5]\napex = [-0.3, 2.6, 0.7]")
	changed("micrometres", `(?m)^entry .*\napex .*`, "entry = [-3000, 26000, 15000]\napex = [-3000, 26000, 7000]")
	changed("commas", `(?m)^entry .*`, "entry = [-3,0, 26,0, 15,0]")
	write(t, "cm.csv", "site;entry;apex\n36;-0.3 2.6 1.5;-0.3 2.6 0.7\n")
	write(t, "notes.txt", "one\ntwo\nthree\nfour\n")
	write(t, "past.csv", past())
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	lines, err := os.ReadFile("s.jsonl")
	require.NoError(t, err)
	write(t, "saved.jsonl", strings.ReplaceAll(string(lines), "\n", "\r\n"))
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{"measure", "hidden"}, "the case file is called case.toml.txt; rename it to case.toml"},
		{[]string{"measure", "whole/pre"}, "it is a scan and no case folder; begin a case with plumbline case whole/pre"},
		{[]string{"measure", "whole/pre/IM0001.dcm"}, "it is a scan and no case"},
		{[]string{"seal", "--series", "x.jsonl", "whole/pre"}, "it is a scan and no case folder"},
		{[]string{"measure", "slashes"}, `write / and not \ between folder and file`},
		{[]string{"measure", "newline"}, `write / and not \ between folder and file`},
		{[]string{"measure", "drive"}, `write / and not \ between folder and file`},
		{[]string{"measure", "centimetres"}, "the coordinates look like centimetres: multiply them by 10"},
		{[]string{"measure", "micrometres"}, "is it in micrometres?"},
		{[]string{"measure", "commas"}, "write 24.2 and not 24,2"},
		{[]string{"case", "cm.csv"}, "the coordinates look like centimetres: multiply them by 10"},
		{[]string{"series", "show", "notes.txt"}, "notes.txt is not a series file; name the file that seal, measure --series or series import made"},
		{[]string{"series", "check", "past.csv"}, "past.csv is not a series file"},
	} {
		got := run(c.args...)
		assert.Equal(t, BadInput, got.status, c.args)
		assert.Contains(t, got.stderr, c.says, c.args)
		assert.Equal(t, 1, strings.Count(got.stderr, "\n"), "one line: %s", got.stderr)
		assert.Empty(t, got.stdout, c.args)
	}
	got := run("series", "check", "saved.jsonl")
	assert.Equal(t, InDoubt, got.status)
	assert.Equal(t, 1, strings.Count(got.stdout, "record-edited"), "told once")
	said := flat(got.stdout)
	assert.Contains(t, said, "line 1 ends as a text editor of another system writes it, and 13 more lines were changed: the file was opened and saved by another program")
	assert.NotContains(t, said, "The chain shows that no record was edited", "the opposite of the line above")
	assert.NotContains(t, said, "Receipt of the file as it is now")

	changed("exchanged", `(?m)^entry (.*)\napex (.*)`, "entry $2\napex $1")
	got = run("seal", "--series", "x.jsonl", "exchanged")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, flat(got.stdout), "either entry and apex are exchanged, or the tooth number is one of the other jaw")
}

// A case is begun from one scan, by its folder or the folder around it, from two, or
// from a mesh beside one.
func TestCasesAreBegunFromWhatThereIs(t *testing.T) {
	t.Chdir(t.TempDir())
	rampCase(t, "new")
	require.NoError(t, os.Remove("new/case.toml"))
	require.NoError(t, os.Rename("new/post", "after"))
	next := "before surgery, seal it with: plumbline seal --series my-series.jsonl new\n"
	for _, from := range []string{"new/pre", "new"} {
		got := run("case", "--case", "C-1", from)
		require.Equal(t, Done, got.status, got.stderr)
		assert.Contains(t, got.stdout, "to fill in: placed; clinician; numbering; fixture 1, site; fixture 1, entry and apex; fixture 1, diameter\n"+next)
		text, err := os.ReadFile("new/case.toml")
		require.NoError(t, err)
		assert.Contains(t, string(text), `pre       = "pre"`)
		require.NoError(t, os.Remove("new/case.toml"))
	}
	got := run("case", "new/pre", "after")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "after does not lie in the case folder new; copy it there, or name another folder with --into")
	got = run("case", "--into", ".", "new/pre", "after")
	require.Equal(t, Done, got.status, got.stderr)
	text, err := os.ReadFile("case.toml")
	require.NoError(t, err)
	assert.Contains(t, string(text), `pre       = "new/pre"`)
	assert.Contains(t, string(text), `post      = "after"`)

	write(t, "new/planned-36.stl", "solid x\nendsolid x\n")
	got = run("case", "--case", "C-1", "--clinician", "clinician-a", "--placed", "2026-05-01", "--numbering", "iso3950", "--site", "36", "new/planned-36.stl")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "to correct: ", "the mesh is looked at")
	text, err = os.ReadFile("new/case.toml")
	require.NoError(t, err)
	assert.Contains(t, string(text), `mesh      = "planned-36.stl"`)
	_, err = casefile.ReadPlan("new")
	assert.ErrorContains(t, err, "planned-36.stl")
}
