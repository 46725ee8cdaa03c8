package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

// runOn is run at noon of a day.
func runOn(t *testing.T, day string, args ...string) outcome {
	t.Helper()
	noon, err := time.Parse(time.DateOnly, day)
	require.NoError(t, err)
	noon = noon.Add(12 * time.Hour)
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	env.Now = func() time.Time { return noon }
	status := Run(context.Background(), args, env)
	return outcome{stdout.String(), stderr.String(), status}
}

var receiptForm = regexp.MustCompile(`\d+(-[0-9A-Z]{4}){4}`)

// past is a table of cases that were measured elsewhere: eleven of one
// clinician and three of another, with uncertainties that are all alike.
func past() string {
	var b strings.Builder
	b.WriteString("case;placed;clinician;site;guidance;entry_mm;entry_lateral_mm;entry_depth_mm;apex_mm;angle_deg;u_entry_mm;u_apex_mm;u_angle_deg;nerve_planned_mm;nerve_achieved_mm;nerve_margin_mm;x_note\n")
	row := func(i int, who string, lateral, depth, apex, angle float64) {
		entry := fmt.Sprintf("%.3f", math.Hypot(lateral, depth))
		fmt.Fprintf(&b, "P-%02d;2025-%02d-11;%s;%d;full-guide;%s;%.2f;%.2f;%.2f;%.1f;0.08;0.1;0.4;3.1;%.2f;2;mine\n",
			i, i%12+1, who, 34+i%4, entry, lateral, depth, apex, angle, 3.1-depth)
	}
	for i, v := range [][4]float64{{1.9, .9, 2.4, 6.1}, {1.2, -.4, 1.5, 4.9}, {1.6, .6, 2.1, 3.2}, {.7, .2, .9, 2.8}, {1.1, -.1, 1.4, 5.0}, {.8, .5, 1.2, 1.9},
		{.5, .3, .8, 2.2}, {.9, .1, 1.3, 3.6}, {.4, -.2, .6, 1.4}, {.7, .4, 1.1, 2.5}, {.6, .2, .7, 3.1}} {
		row(i, "clinician-a", v[0], v[1], v[2], v[3])
	}
	for i, v := range [][4]float64{{1.0, .2, 1.2, 3.3}, {.6, .4, .9, 2.9}, {1.4, .1, 1.7, 4.2}} {
		row(20+i, "clinician-b", v[0], v[1], v[2], v[3])
	}
	return b.String()
}

// seriesWorld is a folder with plans, of which none has a scan, and a table.
func seriesWorld(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	writePlan(t, at("C-1"), "2026-03-14", "2026-04-10")
	writePlan(t, at("C-1-moved"), "2026-03-14", "2026-04-10", "apex = [-3, 26, 7]", "apex = [-3, 26.5, 7]")
	writePlan(t, at("C-2"), `"C-1"`, `"C-2"`)
	writePlan(t, at("corner"), `"C-1"`, `"C-3"`, "2026-03-14", "2026-04-12", "numbering", "frame = \"corner\"\nnumbering")
	writePlan(t, at("faulty"), "diameter = 4.1", "diametre = 4.1")
	write(t, at("past.csv"), past())
	write(t, at("other.csv"), strings.Replace(past(), ";2.40;", ";2.39;", 1))
	write(t, at("wrong.csv"), "case,placed,clinician,site,apex_mm\nP-1,2025-01-01,clinician-a,36,\"1,2\"\n")
	write(t, at("a-file"), "a note")
	write(t, at("notes/readme.txt"), "no measurement")
	return dir
}

// What a person sees from the first seal to the end of a review.
func TestSeries(t *testing.T) {
	dir := seriesWorld(t)
	home, err := os.Getwd()
	require.NoError(t, err)
	first := receiptForm.FindString(runOn(t, "2026-04-01", "seal", "--series", filepath.Join(dir, "draft.jsonl"), filepath.Join(dir, "C-1")).stdout)
	require.NotEmpty(t, first)
	screen(t, dir, "series.txt", [][]string{
		{"seal", "--series", "s.jsonl", "C-1"},
		{"seal", "--series", "s.jsonl", "C-1/case.toml"},
		{"seal", "--series", "s.jsonl", "C-1-moved"},
		{"seal", "--series", "s.jsonl", "C-2"},
		{"seal", "--series", "s.jsonl", "corner"},
		{"series", "check", "s.jsonl"},
		{"series", "check", "--receipt", strings.ToLower(first), "s.jsonl"},
		{"series", "show", "s.jsonl"},
		{"series", "import", "past.csv", "s.jsonl"},
		{"series", "import", "past.csv", "s.jsonl"},
		{"series", "leave-out", "--case", "C-2", "--reason", "no clinical need for a scan", "s.jsonl"},
		{"series", "leave-out", "--case", "C-20", "--reason", "=another practice", "s.jsonl"},
		{"series", "remark", "--case", "P-00", "--by", "mentor-a", "--text", "The first one was a hard case", "s.jsonl"},
		{"series", "remark", "--by", "mentor-a", "--text", "Seen on 1 April.", "s.jsonl"},
		{"series", "correct", "--record", "20", "--text", "healed elsewhere", "--reason", "mistyped", "s.jsonl"},
		{"series", "correct", "--record", "21", "--withdraw", "--reason", "case of another clinician", "s.jsonl"},
		{"series", "show", "--all", "--numbering", "universal", "s.jsonl"},
		{"series", "show", "--all", "--clinician", "clinician-b", "s.jsonl"},
		{"series", "show", "--all", "--clinician", "clinician-a", "--cases", "6", "--entry-limit", "1", "--target", "apex_mm=1.2", "s.jsonl"},
		{"series", "export", "--csv", "out/table.csv", "s.jsonl"},
		{"series", "check", "--receipt", first, "s.jsonl"},
	})
	table, err := os.ReadFile("out/table.csv")
	require.NoError(t, err)
	golden(t, home, "series-table.csv", string(table))
	rows, err := series.ReadCSV(bytes.NewReader(table))
	require.NoError(t, err)
	assert.Len(t, rows, 14, "what was imported is in the export")
}

func TestSeriesBadUsage(t *testing.T) {
	dir := seriesWorld(t)
	require.Equal(t, Done, runOn(t, "2026-04-01", "series", "import", filepath.Join(dir, "past.csv"), filepath.Join(dir, "s.jsonl")).status)
	before, err := os.ReadFile(filepath.Join(dir, "s.jsonl"))
	require.NoError(t, err)
	screen(t, dir, "series-bad.txt", [][]string{
		{"seal", "C-1"},
		{"seal", "--series", "s.jsonl"},
		{"seal", "--series", "notes", "C-1"},
		{"seal", "--series", "nowhere/s.jsonl", "C-1"},
		{"seal", "--series", "s.jsonl", "faulty"},
		{"seal", "--series", "a-file", "C-1"},
		{"measure", "--series", "nowhere/s.jsonl", "C-1"},
		{"series"},
		{"series", "sort", "s.jsonl"},
		{"series", "check"},
		{"series", "check", "s.jsonl", "s.jsonl"},
		{"series", "check", "nowhere.jsonl"},
		{"series", "check", "notes"},
		{"series", "check", "--receipt", "14-ABCD", "s.jsonl"},
		{"series", "check", "--receipt", "1-0000-0000-0000-0000", "s.jsonl"},
		{"series", "check", "--json", "s.jsonl"},
		{"series", "check", "a-file"},
		{"series", "check", "wrong.csv"},
		{"series", "show", "--cases", "0", "s.jsonl"},
		{"series", "show", "--cases", "-3", "s.jsonl"},
		{"series", "show", "--clinician", "clinician-z", "s.jsonl"},
		{"series", "show", "--apex-limit", "0", "s.jsonl"},
		{"series", "show", "--target", "apex", "s.jsonl"},
		{"series", "show", "--target", "apex=2", "s.jsonl"},
		{"series", "show", "--numbering", "quadrants", "s.jsonl"},
		{"series", "export", "s.jsonl"},
		{"series", "export", "--csv", "./s.jsonl", "s.jsonl"},
		{"series", "export", "--csv", "a-file/table.csv", "s.jsonl"},
		{"series", "import", "s.jsonl"},
		{"series", "import", "nowhere.csv", "s.jsonl"},
		{"series", "import", "wrong.csv", "s.jsonl"},
		{"series", "import", "other.csv", "s.jsonl"},
		{"series", "import", "notes", "s.jsonl"},
		{"series", "leave-out", "--case", "C-9", "s.jsonl"},
		{"series", "leave-out", "--case", "DOE^JANE", "--reason", "moved", "s.jsonl"},
		{"series", "remark", "--by", "mentor-a", "s.jsonl"},
		{"series", "remark", "--by", "DOE^JANE", "--text", "seen", "s.jsonl"},
		{"series", "remark", "--by", "mentor-a", "--text", "seen", "--case", "C-9", "s.jsonl"},
		{"series", "remark", "--by", "mentor-a", "--text", "seen", "nowhere.jsonl"},
		{"series", "correct", "--record", "3", "s.jsonl"},
		{"series", "correct", "--record", "3", "--reason", "mistyped", "s.jsonl"},
		{"series", "correct", "--record", "3", "--reason", "mistyped", "--text", "words", "s.jsonl"},
		{"series", "correct", "--record", "99", "--reason", "mistyped", "--withdraw", "s.jsonl"},
	})
	after, err := os.ReadFile("s.jsonl")
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after), "nothing was added")
	for _, file := range []string{"nowhere", "nowhere.jsonl"} {
		assert.NoFileExists(t, file)
	}
	note, err := os.ReadFile("a-file")
	require.NoError(t, err)
	assert.Equal(t, "a note", string(note))
}

// From the seal before surgery to the review: a phantom whose alignment is given.
func TestSealMeasureShow(t *testing.T) {
	world(t)
	plan, err := casefile.ReadPlan("demo/C-101")
	require.NoError(t, err)
	placed, err := time.Parse(time.DateOnly, plan.Placed)
	require.NoError(t, err)
	before, after := placed.AddDate(0, 0, -3).Format(time.DateOnly), placed.AddDate(0, 1, 0).Format(time.DateOnly)

	// Before surgery there is no follow-up scan.
	require.NoError(t, os.Rename("demo/C-101/post", "later"))
	got := runOn(t, before, "seal", "--series", "s.jsonl", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "Sealed: the plan of C-101 (1 fixture, surgery "+plan.Placed+") is record 1 of s.jsonl.\nReceipt 1-")
	receipt := receiptForm.FindString(got.stdout)
	require.NoError(t, os.Rename("later", "demo/C-101/post"))

	plain := runOn(t, after, "measure", "demo/C-101")
	got = runOn(t, after, "measure", "--series", "s.jsonl", "--json", "c.json", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Equal(t, plain.stdout+"\nwrote c.json\n\nC-101 is record 2 of s.jsonl.\nIts plan was sealed before surgery and is the one that was measured.\n",
		got.stdout[:strings.Index(got.stdout, "Receipt")])
	file := readAll(t, "s.jsonl")

	got = runOn(t, after, "measure", "--series", "s.jsonl", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "C-101 is in s.jsonl already, measured from the same inputs by the same program (record 2); nothing was added.")
	require.NoError(t, os.Mkdir("results", 0o755))
	require.NoError(t, os.Rename("c.json", "results/c.json"))
	got = runOn(t, after, "series", "import", "results", "s.jsonl")
	assert.Contains(t, got.stdout, "Nothing to add: what results has (1 case) is in s.jsonl already.")
	assert.Equal(t, file, readAll(t, "s.jsonl"))

	// The other case was never sealed, and no fixture is in it.
	got = runOn(t, "2026-04-01", "measure", "--series", "s.jsonl", "demo/C-101", "demo/C-102")
	assert.Equal(t, InDoubt, got.status)
	assert.Empty(t, got.stderr)
	assert.Regexp(t, `(?s)C-102 .*in doubt.*metal-not-found.*C-101 is in s.jsonl already.*C-102 is record 3 of s.jsonl.\nIts plan was not sealed before surgery.\nReceipt 3-`, got.stdout)

	require.Equal(t, Done, runOn(t, after, "series", "leave-out", "--case", "C-102", "--reason", "scan of another patient", "s.jsonl").status)
	require.Equal(t, Done, runOn(t, after, "series", "remark", "--case", "C-101", "--by", "mentor-a", "--text", "seen", "s.jsonl").status)
	got = runOn(t, after, "series", "show", "--all", "s.jsonl")
	require.Equal(t, Done, got.status, got.stderr)
	m := readMeasurement(t, "results/c.json").Fixtures[0]
	assert.Contains(t, got.stdout, "s.jsonl: 5 records, the chain is unbroken.")
	assert.Contains(t, got.stdout, "1 case is measured. Nothing shows that these are all cases: 1 left out with a\n    reason (C-102).")
	assert.Regexp(t, regexp.QuoteMeta(fmt.Sprintf("C-101  %s  44 ", plan.Placed))+` +`+
		regexp.QuoteMeta(fmt.Sprintf("%.2f ± %.2f  %.2f ± %.2f  %.2f ± %.2f  seal ● kept\n", *m.Deviation[measurement.Entry], 2*m.Uncertainty.Intervals[measurement.Entry].U, *m.Deviation[measurement.Apex], 2*m.Uncertainty.Intervals[measurement.Apex].U, *m.Deviation[measurement.Angle], 2*m.Uncertainty.Intervals[measurement.Angle].U)), got.stdout)
	assert.Contains(t, got.stdout, "■ left out")
	assert.Contains(t, got.stdout, "5        "+after+" 12:00 UTC   mentor-a   C-101   seen\n")
	assert.Contains(t, got.stdout, "too few for any statistics")

	got = runOn(t, after, "series", "show", "--json", "s.jsonl")
	require.Equal(t, Done, got.status, got.stderr)
	in := json.NewDecoder(strings.NewReader(got.stdout))
	in.DisallowUnknownFields()
	var v seriesView
	require.NoError(t, in.Decode(&v))
	assert.NotContains(t, got.stdout, "null")
	assert.Equal(t, viewSchema, v.Schema)
	assert.Equal(t, *m.Deviation[measurement.Apex], *v.Fixtures[0].Deviation[measurement.Apex])
	assert.Equal(t, []string{"C-102"}, v.Summary.LeftOut)
	require.Len(t, v.Trend.Clinicians, 1)

	require.Equal(t, Done, runOn(t, after, "series", "export", "--csv", "t.csv", "s.jsonl").status)
	rows, err := series.ReadCSV(strings.NewReader(readAll(t, "t.csv")))
	require.NoError(t, err)
	require.Len(t, rows, 1)
	assert.Equal(t, *m.Deviation[measurement.Apex], *rows[0].Deviation[measurement.Apex])

	tamper(t, receipt)
	sameNameOtherCase(t, after)
}

func readAll(t *testing.T, path string) string {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	return string(data)
}

// tamper edits one byte in each record of s.jsonl: check says which, the figures
// are still shown, and nothing is added.
func tamper(t *testing.T, receipt string) {
	t.Helper()
	whole := readAll(t, "s.jsonl")
	lines := strings.SplitAfter(strings.TrimSuffix(whole, "\n"), "\n")
	require.Len(t, lines, 5)
	at := 0
	for i, line := range lines {
		edited := []byte(whole)
		edited[at+len(line)/2] ^= 1
		at += len(line)
		write(t, "s.jsonl", string(edited))
		got := run("series", "check", "s.jsonl")
		assert.Equal(t, InDoubt, got.status)
		assert.Contains(t, got.stdout, fmt.Sprintf("s.jsonl: the chain is broken; 4 records can be read as they were written.\n  record-edited: line %d was edited, where record %d stood: ", i+1, i+1))
		assert.Empty(t, got.stderr)
		got = run("series", "check", "--receipt", receipt, "s.jsonl")
		assert.Equal(t, InDoubt, got.status)
		held := fmt.Sprintf("The receipt %s holds: the first record is here", receipt)
		if i == 0 {
			held = fmt.Sprintf("The receipt %s does not hold: ", receipt)
		}
		assert.Contains(t, got.stdout, held)

		for _, args := range [][]string{
			{"seal", "--series", "s.jsonl", "demo/C-102"},
			{"series", "leave-out", "--case", "C-9", "--reason", "r", "s.jsonl"},
			{"series", "remark", "--by", "b", "--text", "t", "s.jsonl"},
			{"series", "correct", "--record", "5", "--withdraw", "--reason", "r", "s.jsonl"},
			{"series", "import", "results", "s.jsonl"},
		} {
			got = run(args...)
			assert.Equal(t, InDoubt, got.status, args)
			assert.Regexp(t, fmt.Sprintf(`^plumbline: nothing was added, as the file is not as it was written: s.jsonl: line %d was edited, .*look at it with series check and go on from an unchanged copy\.\n$`, i+1), got.stderr)
		}
		for _, args := range [][]string{{"series", "show", "s.jsonl"}, {"series", "show", "--json", "s.jsonl"}, {"series", "export", "--csv", "t.csv", "s.jsonl"}} {
			got = run(args...)
			assert.Equal(t, InDoubt, got.status, args)
			assert.Contains(t, got.stdout, fmt.Sprintf("line %d was edited", i+1), args)
		}
		assert.Equal(t, string(edited), readAll(t, "s.jsonl"))
	}

	// Measuring goes on, its figures are shown, and they are not added.
	got := run("measure", "--series", "s.jsonl", "demo/C-102")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, "Case C-102, placed")
	assert.Contains(t, got.stderr, "plumbline: C-102 is measured, but not added to the series: nothing was added, as the file is not as it was written: s.jsonl: line 5 was edited")
	write(t, "s.jsonl", whole)
	require.Equal(t, Done, run("series", "check", "--receipt", receipt, "s.jsonl").status)

	// A cut-off end is seen by a receipt alone.
	last := receiptForm.FindString(run("series", "check", "s.jsonl").stdout)
	write(t, "s.jsonl", strings.Join(lines[:4], ""))
	assert.Equal(t, Done, run("series", "check", "s.jsonl").status)
	got = run("series", "check", "--receipt", last, "s.jsonl")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, strings.ReplaceAll(got.stdout, "\n", " "), "does not hold: the receipt was given when the file held 5 records; record 5 is not here")
	write(t, "s.jsonl", whole)
}

// A case that has the name of another one does not take its place.
func sameNameOtherCase(t *testing.T, day string) {
	t.Helper()
	rampCase(t, "other", `"C-1"`, `"C-101"`)
	whole := readAll(t, "s.jsonl")
	got := runOn(t, day, "measure", "--series", "s.jsonl", "other")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stdout, "Case C-101, placed")
	assert.Equal(t, "plumbline: C-101 is measured, but not added to the series: s.jsonl has other figures of a case named C-101 (record 2); give each case its own name, or withdraw those first with: plumbline series correct --record 2 --withdraw --reason WHY s.jsonl.\n", got.stderr)
	assert.Equal(t, whole, readAll(t, "s.jsonl"))

	got = runOn(t, day, "measure", "--series", "s.jsonl", "other", "demo/C-101")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "plumbline: other: measured, but not added to the series: ")
	assert.Contains(t, got.stderr, "plumbline: 1 of 2 measurements are not in the series; the reasons stand above.\n")
	assert.Contains(t, got.stdout, "C-101 is in s.jsonl already")

	require.Equal(t, Done, runOn(t, day, "series", "correct", "--record", "2", "--withdraw", "--reason", "scans exchanged", "s.jsonl").status)
	got = runOn(t, day, "measure", "--series", "s.jsonl", "other")
	assert.Equal(t, InDoubt, got.status, "measured in doubt, and added")
	assert.Contains(t, got.stdout, "C-101 is record 7 of s.jsonl.")
}

// Figures that cannot be added to the series are still shown and written.
func TestSeriesThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "case"))
	t.Chdir(dir)
	require.NoError(t, os.Symlink("gone/s.jsonl", "s.jsonl"))
	got := run("measure", "--series", "s.jsonl", "--json", "c.json", "case")
	assert.Equal(t, Failed, got.status)
	assert.Contains(t, got.stdout, "Case C-1, placed 2026-03-14")
	assert.Regexp(t, `^plumbline: C-1 is measured, but not added to the series: open s.jsonl: .*; name a place that can be written\.\n$`, got.stderr)
	readMeasurement(t, "c.json")

	got = run("measure", "--series", "s.jsonl", "case", "case")
	assert.Equal(t, Failed, got.status)
	assert.Contains(t, got.stdout, "C-1 ")
	assert.Contains(t, got.stderr, "plumbline: 2 of 2 measurements are not in the series; the reasons stand above.\n")
}

// A record whose line end an editor changed still counts, and what stands in its
// place is kept by the next writer.
func TestSeriesSavedByAnEditor(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-1").status)
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-2").status)
	whole := readAll(t, "s.jsonl")
	write(t, "s.jsonl", strings.TrimSuffix(whole, "\n")+" ")
	got := run("series", "check", "s.jsonl")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, "Note: line 2 has its record whole, which counts, but in place of the line end")
	got = run("series", "remark", "--by", "mentor-a", "--text", "seen", "s.jsonl")
	assert.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "was set aside in s.jsonl.set-aside-1")
	assert.Equal(t, " ", readAll(t, "s.jsonl.set-aside-1"))
	assert.True(t, strings.HasPrefix(readAll(t, "s.jsonl"), whole), "both records are there")
	assert.Equal(t, Done, run("series", "check", "s.jsonl").status)
}

// A receipt that is not there, as from a variable that was never set, proves
// nothing.
func TestAnEmptyReceiptIsNoReceipt(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-1").status)
	got := run("series", "check", "--receipt", "", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "--receipt is empty")
	assert.Equal(t, BadInput, run("series", "check", "--receipt", " ", "s.jsonl").status)
}

// An unfinished line is taken off by the next record, and both are told.
func TestUnfinishedSeries(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-1").status)
	write(t, "s.jsonl", readAll(t, "s.jsonl")+`{"schema":"plumbline/se`)
	got := run("series", "check", "s.jsonl")
	assert.Equal(t, Done, got.status)
	assert.Contains(t, got.stdout, "Note: line 2, the last, is unfinished (23 bytes)")
	got = run("seal", "--series", "s.jsonl", "C-2")
	assert.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "is record 3 of s.jsonl.")
	assert.Contains(t, got.stdout, "What stood behind the last record (23 bytes), as a stopped program or an editor leaves it, was set aside in s.jsonl.set-aside-1; a record says so.\nReceipt 3-")
	assert.Equal(t, `{"schema":"plumbline/se`, readAll(t, "s.jsonl.set-aside-1"))
	got = run("series", "show", "s.jsonl")
	assert.Contains(t, got.stdout, "Unfinished lines that were taken off the end of the file: 1.")
}

// A file from elsewhere cannot steer the terminal.
func TestShowHasNoControlCharacters(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "C-1").status)
	f, err := series.Read("s.jsonl")
	require.NoError(t, err)
	r := f.Records[0]
	r.Plan.Fixtures[0].Site, r.Plan.Clinician = "\x1b[2J", "a\rb"
	_, err = series.Append("other.jsonl", series.Record{Kind: series.Sealed, Time: r.Time, Case: "C-1", Plan: r.Plan})
	require.NoError(t, err)
	got := run("series", "show", "--all", "other.jsonl")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, "\ufffd[2J")
	assert.NotRegexp(t, `[\x00-\x09\x0b-\x1f]`, got.stdout)

	// Nor does it get lines that are wider than the terminal.
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	env.Width = 40
	require.Equal(t, Done, Run(context.Background(), []string{"series", "show", "other.jsonl"}, env))
	for _, line := range strings.Split(stdout.String(), "\n") {
		assert.LessOrEqual(t, utf8.RuneCountInString(line), 40, line)
	}
	assert.NotEqual(t, got.stdout, stdout.String())
}

func TestDemoSeries(t *testing.T) {
	t.Chdir(t.TempDir())
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	require.NoError(t, makeDemoSeries(env, "demo"))
	assert.Equal(t, "made demo/series.jsonl, 50 cases of simulated figures; look at it with: plumbline series show demo/series.jsonl\n", stdout.String())
	f, err := series.Read("demo/series.jsonl")
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	require.Len(t, f.Records, demoCases+1)
	for i, c := range phantom.DemoSeries(demoCases, 1) {
		r := f.Records[i]
		assert.Equal(t, series.Imported, r.Kind)
		assert.Equal(t, "simulated-figures.csv", r.Source.File)
		assert.Equal(t, c.Case, r.Case)
		assert.Equal(t, *c.Deviation[measurement.Apex], *r.Rows[0].Deviation[measurement.Apex])
		assert.Equal(t, *c.Deviation[measurement.TiltBuccal], *r.Rows[0].Deviation[measurement.TiltBuccal])
	}
	assert.Contains(t, f.Records[demoCases].Text, "simulated")

	whole := readAll(t, "demo/series.jsonl")
	require.NoError(t, makeDemoSeries(env, "demo"))
	assert.Equal(t, whole, readAll(t, "demo/series.jsonl"), "made again in the same folder")
}
