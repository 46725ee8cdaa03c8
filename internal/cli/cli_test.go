package cli

import (
	"bytes"
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

var update = flag.Bool("update", false, "write the golden files anew")

// outcome is what one command left behind.
type outcome struct {
	stdout, stderr string
	status         int
}

// never is a Later whose time does not come.
func never(time.Duration, func()) func() bool { return func() bool { return true } }

func testEnv(stdout, stderr *bytes.Buffer) Env {
	noon := time.Date(2026, 4, 1, 12, 0, 0, 0, time.UTC)
	return Env{Stdout: stdout, Stderr: stderr, Now: func() time.Time { return noon }, Later: never, Version: "test"}
}

func run(args ...string) outcome {
	var stdout, stderr bytes.Buffer
	status := Run(context.Background(), args, testEnv(&stdout, &stderr))
	return outcome{stdout.String(), stderr.String(), status}
}

// golden compares a text with testdata/name, or writes it with -update.
func golden(t *testing.T, home, name, got string) {
	t.Helper()
	path := filepath.Join(home, "testdata", name)
	if *update {
		require.NoError(t, os.WriteFile(path, []byte(got), 0o644))
		return
	}
	want, err := os.ReadFile(path)
	require.NoError(t, err, "run go test -update and read what it writes")
	assert.Equal(t, string(want), got)
}

// screen runs commands in a folder and compares what a person would see with
// the golden file.
func screen(t *testing.T, folder, name string, lines [][]string) {
	t.Helper()
	home, err := os.Getwd()
	require.NoError(t, err)
	t.Chdir(folder)
	var b strings.Builder
	for _, args := range lines {
		got := run(args...)
		fmt.Fprintf(&b, "$ plumbline %s\n%s", quoted(args), got.stdout)
		if got.stderr != "" {
			fmt.Fprintf(&b, "-- standard error --\n%s", got.stderr)
		}
		fmt.Fprintf(&b, "-- exit status %d --\n\n", got.status)
	}
	golden(t, home, name, b.String())
}

func quoted(args []string) string {
	out := make([]string, len(args))
	for i, a := range args {
		out[i] = a
		if a == "" || strings.ContainsAny(a, " ") {
			out[i] = "'" + a + "'"
		}
	}
	return strings.Join(out, " ")
}

// ramp is a small volume without anything to be found in it.
func ramp(first uint16) *volume.Volume {
	v := &volume.Volume{Grid: volume.Grid{
		Size: [3]int{16, 14, 12}, Origin: geom.Vec{X: -10, Y: 20, Z: 5},
		Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}},
	}}
	for k := range v.Size[2] {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1024)
		for j := range v.Size[1] {
			for i := range v.Size[0] {
				v.Stored = append(v.Stored, first+uint16(3*i+5*j+7*k))
			}
		}
	}
	return v
}

const plan = `case = "C-1"
placed = 2026-03-14
clinician = "clinician-a"
numbering = "iso3950"
pre = "pre"
post = "post"

[[fixture]]
site = "36"
entry = [-3, 26, 15]
apex = [-3, 26, 7]
diameter = 4.1
mesial = [0, -1, 0]

[alignment]
method = "matrix"
matrix = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]
`

// rampCase writes a case folder with two ramps and the plan, with replacements.
func rampCase(t testing.TB, dir string, replace ...string) {
	t.Helper()
	require.NoError(t, encode.Volume(filepath.Join(dir, "pre"), ramp(1000), encode.Options{StudyDate: "2026-02-01"}))
	require.NoError(t, encode.Volume(filepath.Join(dir, "post"), ramp(1100), encode.Options{StudyDate: "2026-03-15"}))
	writePlan(t, dir, replace...)
}

func writePlan(t testing.TB, dir string, replace ...string) {
	t.Helper()
	text := strings.NewReplacer(replace...).Replace(plan)
	if len(replace) > 0 {
		require.NotEqual(t, plan, text, "nothing was replaced")
	}
	write(t, filepath.Join(dir, "case.toml"), text)
}

func write(t testing.TB, path, text string) {
	t.Helper()
	require.NoError(t, os.MkdirAll(filepath.Dir(path), 0o755))
	require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
}

func TestHelp(t *testing.T) {
	lines := [][]string{{}, {"help"}, {"version"}}
	for _, c := range everyCommand() {
		lines = append(lines, append(words(c), "--help"))
	}
	screen(t, t.TempDir(), "help.txt", lines)

	require.Greater(t, len(everyCommand()), 18)
	for _, c := range everyCommand() {
		want := run(append(words(c), "--help")...)
		assert.Equal(t, Done, want.status)
		for _, same := range [][]string{append(words(c), "-h"), append([]string{"help"}, words(c)...), append(words(c), "somewhere", "--help")} {
			assert.Equal(t, want, run(same...), same)
		}
		assert.Contains(t, want.stdout, "\nExit status\n", "every help has it")
		assert.NotEmpty(t, c.Example, c.CommandPath())
		assert.NotEmpty(t, c.Long, c.CommandPath())
	}
	assert.Equal(t, run("help"), run("--help"))
	assert.Equal(t, run("help"), run("-h"))
	assert.Equal(t, run("version"), run("--version"))
}

// Lines that a terminal would break are hard to read.
func TestHelpFitsATerminal(t *testing.T) {
	widest := func(columns int) int {
		most := 0
		for _, c := range append(everyCommand(), newRoot(testEnv(nil, nil), nil)) {
			var stdout bytes.Buffer
			env := testEnv(&stdout, nil)
			env.Width = columns
			require.Equal(t, Done, Run(context.Background(), append(words(c), "--help"), env))
			for line := range strings.Lines(stdout.String()) {
				most = max(most, utf8.RuneCountInString(strings.TrimRight(line, "\n")))
			}
		}
		return most
	}
	for _, columns := range []int{60, 72, 80, 95} {
		assert.LessOrEqual(t, widest(columns), columns)
		assert.Greater(t, widest(columns), columns-10, "the width is used")
	}
	assert.LessOrEqual(t, widest(0), 80, "where it is not known")
	assert.LessOrEqual(t, widest(250), mostColumns, "long lines are hard to follow")
}

// A command line that goes on on the next line is still one for the shell.
func TestLongCommandLines(t *testing.T) {
	w := &writer{columns: 24}
	w.commandLine("printf 'one two three four' > a.csv")
	assert.Equal(t, "  printf \\\n    'one two three four' \\\n    > a.csv\n", w.String())
}

// everyCommand is every command of the program, those below others too.
func everyCommand() []*cobra.Command { return commandsBelow(newRoot(testEnv(nil, nil), nil)) }

// words are those that a command is typed with, without the program's name.
func words(c *cobra.Command) []string { return strings.Fields(c.CommandPath())[1:] }

func TestBadUsage(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "case"))
	write(t, filepath.Join(dir, "full", "note.txt"), "mine")
	write(t, filepath.Join(dir, "a-file"), "")
	screen(t, dir, "bad-usage.txt", [][]string{
		{"mesure", "case"},
		{"help", "mesure"},
		{"meas", "--out", "x.json"},
		{"help", "series", "shaw"},
		{"series", "chek", "--receipt", "1", "case"},
		{"--vershun"},
		{"measure", "--jsn", "x.json", "case"},
		{"version", "9"},
		{"measure"},
		{"measure", ""},
		{"measure", "--out", "x.json", "case"},
		{"measure", "-j", "x.json", "case"},
		{"measure", "case", "--json"},
		{"measure", "--seed", "first", "case"},
		{"measure", "--seed", "-1", "case"},
		{"measure", "--slice-spacing", "0,3", "case"},
		{"measure", "--slice-spacing", "NaN", "case"},
		{"measure", "--force-same-frame=perhaps", "case"},
		{"measure", "--numbering", "quadrants", "case"},
		{"measure", "--json", "a-file", "case", "case"},
		{"measure", "--pre-series", "1.2.3", "case"},
		{"align"},
		{"align", "case", "case"},
		{"align", "--picture", "a-file/picture.png", "case"},
		{"scan"},
		{"scan", ""},
		{"scan", "--slice-spacing", "wide", "case/pre"},
		{"phantom"},
		{"phantom", "one", "two"},
		{"phantom", "--class", "hopeless", "new"},
		{"phantom", "--voxel", "9", "new"},
		{"phantom", "--field", "5", "new"},
		{"phantom", "--demo", "--seed", "3", "new"},
		{"phantom", "--voxel", "1", "--field", "20", "full"},
		{"phantom", "a-file"},
	})
	_, err := os.Stat("new")
	assert.ErrorIs(t, err, os.ErrNotExist, "a refused command leaves nothing")
}

func TestBadInput(t *testing.T) {
	dir := t.TempDir()
	at := func(name string) string { return filepath.Join(dir, name) }
	write(t, at("notes/readme.txt"), "no case")
	require.NoError(t, os.Mkdir(at("empty"), 0o755))
	rampCase(t, at("unknown-field"), "diameter = 4.1", "diametre = 4.1")
	writeOther := func(name string, replace ...string) {
		writePlan(t, at(name), replace...)
		for _, scan := range []string{"pre", "post"} {
			require.NoError(t, os.CopyFS(filepath.Join(at(name), scan), os.DirFS(filepath.Join(at("unknown-field"), scan))))
		}
	}
	writeOther("wrong-type", "diameter = 4.1", `diameter = "4.1"`)
	writeOther("not-a-number", "[-3, 26, 15]", "[-3, nan, 15]")
	writeOther("no-such-tooth", `"36"`, `"39"`)
	writeOther("short", "apex = [-3, 26, 7]", "apex = [-3, 26, 12]")
	writeOther("outside", "[-3, 26, 15]", "[-3, 26, 95]", "[-3, 26, 7]", "[-3, 26, 87]")
	writeOther("both-jaws", "[alignment]", "[[fixture]]\nsite = \"26\"\nentry = [1, 26, 15]\napex = [1, 26, 7]\ndiameter = 4.1\n\n[alignment]")
	writeOther("no-rotation", "[1, 0, 0, 0,", "[1.2, 0, 0, 0,")
	writeOther("same-frame", "method = \"matrix\"\nmatrix = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]", "method = \"same-frame\"")
	writeOther("same-scan", `post = "post"`, `post = "pre"`)
	writeOther("no-scan")
	require.NoError(t, os.RemoveAll(at("no-scan/post")))
	writeOther("empty-scan")
	require.NoError(t, os.RemoveAll(at("empty-scan/post")))
	require.NoError(t, os.Mkdir(at("empty-scan/post"), 0o755))
	writeOther("missing-slice")
	require.NoError(t, os.Remove(at("missing-slice/post/IM0006.dcm")))
	writeOther("few-slices")
	for k := 8; k <= 12; k++ {
		require.NoError(t, os.Remove(filepath.Join(at("few-slices/pre"), fmt.Sprintf("IM%04d.dcm", k))))
	}
	writeOther("cut-short")
	info, err := os.Stat(at("cut-short/post/IM0003.dcm"))
	require.NoError(t, err)
	require.NoError(t, os.Truncate(at("cut-short/post/IM0003.dcm"), info.Size()-100))
	writeOther("two-series")
	require.NoError(t, encode.Volume(at("two-series/post"), ramp(2000), encode.Options{Name: func(k int) string { return fmt.Sprintf("B%d", k) }}))

	screen(t, dir, "bad-input.txt", [][]string{
		{"measure", "nowhere"},
		{"measure", "notes"},
		{"measure", "notes/readme.txt"},
		{"measure", "unknown-field/pre"},
		{"measure", "unknown-field"},
		{"measure", "wrong-type"},
		{"measure", "not-a-number"},
		{"measure", "no-such-tooth"},
		{"measure", "short"},
		{"measure", "outside"},
		{"measure", "both-jaws"},
		{"measure", "no-rotation"},
		{"measure", "same-frame"},
		{"measure", "same-scan"},
		{"measure", "no-scan"},
		{"measure", "empty-scan"},
		{"measure", "missing-slice"},
		{"measure", "few-slices"},
		{"measure", "cut-short"},
		{"measure", "two-series"},
		{"measure", "nowhere", "same-scan"},
		{"align", "nowhere"},
		{"align", "same-frame"},
		{"scan", "nowhere"},
		{"scan", "empty"},
		{"scan", "notes"},
		{"scan", "notes/readme.txt"},
		{"scan", "missing-slice/post"},
		{"scan", "two-series/post"},
	})
}

// A message is one sentence on one line: the program's name, what is wrong and
// where, and what to do; only a list of series may follow.
func TestMessagesAreSentences(t *testing.T) {
	for _, name := range []string{"bad-usage.txt", "bad-input.txt", "series-bad.txt"} {
		text, err := os.ReadFile(filepath.Join("testdata", name))
		require.NoError(t, err)
		messages := 0
		for line := range strings.Lines(string(text)) {
			if !strings.HasPrefix(line, "plumbline: ") {
				continue
			}
			messages++
			line = strings.TrimSpace(line)
			assert.Regexp(t, `(\.|did you mean [a-z -]+\?|it has:|-series UID:)$`, line)
			assert.NotContains(t, line, ": :")
			assert.NotContains(t, line, "..")
			for _, inside := range []string{"strconv", "panic", "nil", "0x", "%!", "EOF", "goroutine"} {
				assert.NotContains(t, line, inside)
			}
		}
		assert.Greater(t, messages, 25, name)
	}
}

func TestScan(t *testing.T) {
	dir := t.TempDir()
	o := encode.Options{StudyDate: "2026-02-01", SeriesUID: "2.25.11", StudyUID: "2.25.12", FrameOfReferenceUID: "2.25.13"}
	require.NoError(t, encode.Volume(filepath.Join(dir, "slices"), ramp(1000), o))
	require.NoError(t, encode.Volume(filepath.Join(dir, "two"), ramp(1000), o))
	o.Layout = encode.EnhancedCT
	require.NoError(t, encode.Volume(filepath.Join(dir, "frames"), ramp(1000), o))
	o.SeriesUID, o.Name = "2.25.21", func(int) string { return "other.dcm" }
	require.NoError(t, encode.Volume(filepath.Join(dir, "two"), ramp(1200), o))
	screen(t, dir, "scan.txt", [][]string{
		{"scan", "slices"},
		{"scan", "--json", "slices"},
		{"scan", "frames"},
		{"scan", "frames/IM0001.dcm"},
		{"scan", "two"},
		{"scan", "--json", "two"},
		{"scan", "--series", "2.25.21", "two"},
	})
}

func TestAlign(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "given"))
	rampCase(t, filepath.Join(dir, "forced"), "method = \"matrix\"\nmatrix = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]", "method = \"same-frame\"")
	rampCase(t, filepath.Join(dir, "landmarks"), "method = \"matrix\"\nmatrix = [1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]",
		"method = \"landmarks\"\nlandmarks = [\n  {pre = [-8, 22, 6], post = [-7.5, 22, 6.1]},\n  {pre = [4, 22, 6], post = [4.5, 22, 6]},\n  {pre = [-8, 32, 6], post = [-7.5, 32.1, 6]},\n  {pre = [-8, 22, 15], post = [-7.5, 22, 15.1]},\n]")
	screen(t, dir, "align.txt", [][]string{
		{"align", "given"},
		{"align", "--json", "given"},
		{"align", "--force-same-frame", "forced"},
		{"align", "landmarks"},
		{"align", "--json", "landmarks/case.toml"},
	})
}
