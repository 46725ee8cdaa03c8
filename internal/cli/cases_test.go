package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image/png"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/phantom"
	reports "plumbline/internal/report"
	"plumbline/internal/tooth"
)

// phantomHome holds the phantom of the tests below, made once.
var phantomHome string

func TestMain(m *testing.M) {
	home, err := os.MkdirTemp("", "plumbline-cli-")
	if err != nil {
		panic(err)
	}
	phantomHome = home
	status := m.Run()
	os.RemoveAll(home)
	os.Exit(status)
}

var makePhantom = sync.OnceValue(func() outcome {
	return run("phantom", "--seed", "3", "--class", "easy", "--voxel", "0.4", "--field", "24", filepath.Join(phantomHome, "C-101"))
})

// world is a folder with demo/C-101, a small phantom whose alignment is given,
// and demo/C-102, two scans with nothing in them. It is the working folder until
// the test ends.
func world(t *testing.T) {
	t.Helper()
	require.Equal(t, Done, makePhantom().status, makePhantom().stderr)
	dir := t.TempDir()
	from := filepath.Join(phantomHome, "C-101")
	at := filepath.Join(dir, "demo", "C-101")
	require.NoError(t, os.CopyFS(at, os.DirFS(from)))
	given, err := os.ReadFile(filepath.Join(from, "case-matrix.toml"))
	require.NoError(t, err)
	named := regexp.MustCompile(`(?m)^case .*$`).ReplaceAllString(string(given), `case = "C-101"`)
	write(t, filepath.Join(at, "case.toml"), named)
	rampCase(t, filepath.Join(dir, "demo", "C-102"), `"C-1"`, `"C-102"`)
	t.Chdir(dir)
}

func readMeasurement(t *testing.T, path string) measurement.Case {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	in := json.NewDecoder(bytes.NewReader(data))
	in.DisallowUnknownFields()
	var c measurement.Case
	require.NoError(t, in.Decode(&c))
	return c
}

func vec(a [3]float64) geom.Vec { return geom.Vec{X: a[0], Y: a[1], Z: a[2]} }

// The measurement file has the documented form, its figures are those of its own
// poses by definition, they are near the phantom's truth, and the terminal shows
// them.
func TestMeasureOneCase(t *testing.T) {
	world(t)
	got := run("measure", "--json", "out/c.json", "--numbering", "universal", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Empty(t, got.stderr)
	c := readMeasurement(t, "out/c.json")
	var shown bytes.Buffer
	require.NoError(t, reports.Figures(&c, reports.Options{Numbering: tooth.Universal}).Text(&shown, 0))
	assert.Equal(t, shown.String()+"\nwrote out/c.json\n", got.stdout)
	assert.Contains(t, got.stdout, "Site 28, lower right first premolar (universal numbering)")

	assert.Equal(t, measurement.Schema, c.Schema)
	assert.Equal(t, "C-101", c.Case)
	assert.Equal(t, measurement.Program{Version: "test", Seed: 1}, c.Program)
	require.Len(t, c.Fixtures, 1)
	f := c.Fixtures[0]
	assert.Equal(t, "44", f.Site, "ISO 3950 in the file, whatever the terminal shows")

	ep, ap := vec(f.Planned.Entry), vec(f.Planned.Apex)
	ea, aa := vec(f.Achieved.Entry), vec(f.Achieved.Apex)
	a, b := r3.Unit(r3.Sub(ap, ep)), r3.Unit(r3.Sub(aa, ea))
	d := f.Deviation
	assert.InDelta(t, r3.Norm(r3.Sub(ea, ep)), *d[measurement.Entry], 1e-9)
	assert.InDelta(t, r3.Norm(r3.Sub(aa, ap)), *d[measurement.Apex], 1e-9)
	assert.InDelta(t, r3.Dot(r3.Sub(ea, ep), a), *d[measurement.EntryDepth], 1e-9)
	assert.InDelta(t, r3.Dot(r3.Sub(aa, ap), a), *d[measurement.ApexDepth], 1e-9)
	assert.InDelta(t, math.Sqrt(*d[measurement.Entry]**d[measurement.Entry]-*d[measurement.EntryDepth]**d[measurement.EntryDepth]), *d[measurement.EntryLateral], 1e-9)
	assert.InDelta(t, math.Sqrt(*d[measurement.Apex]**d[measurement.Apex]-*d[measurement.ApexDepth]**d[measurement.ApexDepth]), *d[measurement.ApexLateral], 1e-9)
	assert.InDelta(t, math.Atan2(r3.Norm(r3.Cross(a, b)), r3.Dot(a, b))*180/math.Pi, *d[measurement.Angle], 1e-9)
	assert.InDelta(t, math.Hypot(*d[measurement.EntryMesial], *d[measurement.EntryBuccal]), *d[measurement.EntryLateral], 1e-9)
	assert.InDelta(t, math.Hypot(*d[measurement.ApexMesial], *d[measurement.ApexBuccal]), *d[measurement.ApexLateral], 1e-9)

	truth, err := phantom.ReadRecord("demo/C-101")
	require.NoError(t, err)
	want := truth.Fixtures[0]
	assert.Less(t, r3.Norm(r3.Sub(vec(want.Achieved.Entry), ea)), 0.20)
	assert.Less(t, r3.Norm(r3.Sub(vec(want.Achieved.Apex), aa)), 0.20)
	assert.InDelta(t, *want.Deviation[measurement.Angle], *d[measurement.Angle], 0.7)
	for _, i := range []struct {
		v float64
		i measurement.Interval
	}{{*d[measurement.Entry], *f.Uncertainty.Intervals[measurement.Entry]}, {*d[measurement.EntryDepth], *f.Uncertainty.Intervals[measurement.EntryDepth]}, {*d[measurement.Apex], *f.Uncertainty.Intervals[measurement.Apex]}, {*d[measurement.Angle], *f.Uncertainty.Intervals[measurement.Angle]}, {*d[measurement.TiltBuccal], *f.Uncertainty.Intervals[measurement.TiltBuccal]}} {
		assert.Greater(t, i.i.U, 0.0)
		assert.LessOrEqual(t, i.i.Low, i.v)
		assert.GreaterOrEqual(t, i.i.High, i.v)
	}

	// What must be there at least, as a program that reads the file would ask.
	data, err := os.ReadFile("out/c.json")
	require.NoError(t, err)
	var raw map[string]any
	require.NoError(t, json.Unmarshal(data, &raw))
	for _, name := range []string{"schema", "case", "placed", "clinician", "program", "inputs", "alignment", "fixtures", "flags"} {
		assert.Contains(t, raw, name)
	}
	assert.IsType(t, []any{}, raw["flags"])
	assert.IsType(t, []any{}, raw["alignment"].(map[string]any)["flags"])
	assert.IsType(t, []any{}, raw["fixtures"].([]any)[0].(map[string]any)["flags"])
	assert.NotContains(t, string(data), "null")
}

// A fixture that is not there: the status says doubt, the file is written and
// has no figures.
func TestMissingFixture(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "case"))
	t.Chdir(dir)
	got := run("measure", "--json", "c.json", "case")
	assert.Equal(t, InDoubt, got.status)
	assert.Empty(t, got.stderr, "the flags on standard output say why")
	assert.Contains(t, got.stdout, "No fixture was found, so there are no figures.")
	assert.Contains(t, got.stdout, "\nNot to be relied on\n")
	assert.Contains(t, got.stdout, "(metal-not-found)")
	c := readMeasurement(t, "c.json")
	assert.Nil(t, c.Fixtures[0].Achieved)
	assert.Nil(t, c.Fixtures[0].Deviation)
	assert.Nil(t, c.Fixtures[0].Uncertainty)

	got = run("measure", "case", "case/case.toml")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, "none")
	assert.Contains(t, got.stdout, "in doubt")
	assert.Contains(t, got.stdout, "(metal-not-found)")
}

// One that fails does not stop the others; what was measured is not measured
// again while nothing has changed.
func TestSeveralCases(t *testing.T) {
	world(t)
	require.NoError(t, os.RemoveAll("demo/C-102"))
	rampCase(t, "ramp", `"C-1"`, `"C-102"`)
	args := []string{"measure", "--json", "results", "nowhere", "demo/C-101", "ramp"}
	got := run(args...)
	assert.Equal(t, BadInput, got.status)
	assert.Equal(t, "plumbline: nowhere: not measured: nowhere: there is no such file or folder; give a case folder or its case.toml.\n"+
		"plumbline: 1 of 3 cases could not be measured; the reasons stand above.\n", got.stderr)
	assert.Contains(t, got.stdout, "C-101")
	assert.Contains(t, got.stdout, "C-102")
	names, err := filepath.Glob("results/*")
	require.NoError(t, err)
	assert.Equal(t, []string{"results/C-101.json", "results/C-102.json"}, names)

	// A figure that no measurement would give shows whether the file was taken.
	mark := func(change func(c *measurement.Case)) {
		c := readMeasurement(t, "results/C-101.json")
		*c.Fixtures[0].Deviation[measurement.Entry] = 77.77
		if change != nil {
			change(&c)
		}
		require.NoError(t, (&measureOptions{}).writeJSON("results/C-101.json", c))
	}
	mark(nil)
	before, err := os.ReadFile("results/C-101.json")
	require.NoError(t, err)
	got = run(args...)
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stdout, "77.77", "measured already")
	after, err := os.ReadFile("results/C-101.json")
	require.NoError(t, err)
	assert.Equal(t, string(before), string(after))

	for name, again := range map[string]func(){
		"another version of the program": func() { mark(func(c *measurement.Case) { c.Program.Version = "older" }) },
		"another seed":                   func() { mark(func(c *measurement.Case) { c.Program.Seed = 2 }) },
		"another follow-up scan":         func() { mark(func(c *measurement.Case) { c.Inputs.PostSHA256 = "other" }) },
		"another plan": func() {
			mark(nil)
			text, err := os.ReadFile("demo/C-101/case.toml")
			require.NoError(t, err)
			write(t, "demo/C-101/case.toml", string(text)+"# changed\n")
		},
	} {
		again()
		got = run("measure", "--json", "results", "demo/C-101")
		assert.Equal(t, Done, got.status, name)
		assert.NotContains(t, got.stdout, "77.77", name)
		assert.Less(t, *readMeasurement(t, "results/C-101.json").Fixtures[0].Deviation[measurement.Entry], 2.0, name)
	}

	// A file of the same name that is another case's, or no measurement at all,
	// is not written over.
	mark(func(c *measurement.Case) { c.Inputs.PreSHA256 = "other" })
	got = run("measure", "--json", "results", "demo/C-101", "ramp")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "results/C-101.json holds another case of the same name; give each case its own name in case.toml.")
	assert.Equal(t, 77.77, *readMeasurement(t, "results/C-101.json").Fixtures[0].Deviation[measurement.Entry])
	write(t, "results/C-101.json", "{}")
	got = run("measure", "--json", "results", "demo/C-101", "ramp")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "results/C-101.json: it is no measurement of this program (schema \"\", expected \"plumbline/measurement/1\"); move it away or name another folder.")
}

// Figures that cannot be written are still shown, and the status is not the
// input's.
func TestMeasurementThatCannotBeWritten(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "case"))
	write(t, filepath.Join(dir, "a-file"), "")
	t.Chdir(dir)
	got := run("measure", "--json", "a-file/c.json", "case")
	assert.Equal(t, Failed, got.status)
	assert.Contains(t, got.stdout, "Case C-1, placed 2026-03-14")
	assert.Regexp(t, `^plumbline: write a-file/c.json: .*; name a place that can be written\.\n$`, got.stderr)

	got = run("measure", "--json", "a-file/results", "case", "nowhere")
	assert.Equal(t, Failed, got.status)
	assert.Contains(t, got.stderr, "2 of 2 cases could not be measured")
}

func TestAlignmentPicture(t *testing.T) {
	world(t)
	got := run("align", "--picture", "pictures/p.png", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	f, err := os.Open("pictures/p.png")
	require.NoError(t, err)
	defer f.Close()
	img, err := png.Decode(f)
	require.NoError(t, err)
	shades := map[any]bool{}
	for y := range img.Bounds().Dy() {
		for x := range img.Bounds().Dx() {
			shades[img.At(x, y)] = true
		}
	}
	assert.Greater(t, len(shades), 50, "both scans are in it")
}

// The alignment found from the scans comes near the given one, or is doubted.
func TestMeasureByTheScansThemselves(t *testing.T) {
	require.Equal(t, Done, makePhantom().status)
	got := run("measure", "--json", filepath.Join(t.TempDir(), "c.json"), filepath.Join(phantomHome, "C-101"))
	require.Contains(t, []int{Done, InDoubt}, got.status, got.stderr)
	assert.Contains(t, got.stdout, "Scans aligned by: the scans' own voxels")
}

func filesOf(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	require.NoError(t, fs.WalkDir(os.DirFS(dir), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		data, err := os.ReadFile(filepath.Join(dir, path))
		out[path] = string(data)
		return err
	}))
	return out
}

func TestPhantomIsMadeFromItsSeed(t *testing.T) {
	t.Chdir(t.TempDir())
	make := func(seed, dir string) map[string]string {
		got := run("phantom", "--class", "easy", "--voxel", "1", "--field", "20", "--seed", seed, dir)
		require.Equal(t, Done, got.status, got.stderr)
		assert.Equal(t, fmt.Sprintf("made %s; measure it with: plumbline measure %s\n", dir, dir), got.stdout)
		assert.Empty(t, got.stderr)
		return filesOf(t, dir)
	}
	first := make("11", "a")
	assert.Contains(t, first, "case.toml")
	assert.Contains(t, first, "truth.json")
	assert.Contains(t, first, filepath.Join("pre", "IM0001.dcm"))
	assert.Equal(t, first, make("11", "a"), "made again in the same folder")
	other := make("12", "b")
	assert.NotEqual(t, first["truth.json"], other["truth.json"])
	assert.NotEqual(t, first[filepath.Join("post", "IM0005.dcm")], other[filepath.Join("post", "IM0005.dcm")])
}

func TestDemoIsMade(t *testing.T) {
	t.Chdir(t.TempDir())
	got := run("phantom", "--demo", "--voxel", "1.2", "--field", "20", "demo")
	require.Equal(t, Done, got.status, got.stderr)
	made, err := filepath.Glob("demo/*/case.toml")
	require.NoError(t, err)
	assert.Len(t, made, len(phantom.Demo()))
	for _, s := range phantom.Demo() {
		assert.Contains(t, got.stdout, "plumbline measure "+filepath.Join("demo", s.Case)+"\n")
	}
}

// Steps are shown once a command takes longer than a second, and only then.
func TestProgress(t *testing.T) {
	dir := t.TempDir()
	rampCase(t, filepath.Join(dir, "case"))
	t.Chdir(dir)
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	now := env.Now()
	env.Now = func() time.Time { now = now.Add(400 * time.Millisecond); return now }
	require.Equal(t, InDoubt, Run(context.Background(), []string{"measure", "case"}, env))
	assert.Equal(t, "    8 %  reading the follow-up scan\n   15 %  aligning the scans\n   70 %  finding the fixtures\n   90 %  propagating the uncertainty\n", stderr.String())

	stderr.Reset()
	require.Equal(t, InDoubt, Run(context.Background(), []string{"measure", "case", "case"}, env))
	assert.Contains(t, stderr.String(), "   35 %  case 1 of 2: finding the fixtures\n")
	assert.Contains(t, stderr.String(), "   85 %  case 2 of 2: finding the fixtures\n")

	stderr.Reset()
	env.Terminal = true
	require.Equal(t, InDoubt, Run(context.Background(), []string{"measure", "case"}, env))
	assert.Contains(t, stderr.String(), "finding the fixtures")
	assert.NotContains(t, stderr.String(), "\n", "one line, drawn over and taken away")
}

// A step that is at work when the second is over gets its line then.
func TestProgressOfALongStep(t *testing.T) {
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	var ring func()
	cancelled := false
	env.Later = func(d time.Duration, f func()) func() bool {
		assert.Equal(t, patience, d)
		ring = f
		return func() bool { cancelled = true; return true }
	}
	p := newProgress(env)
	p.show("making a case", 0.25)
	assert.Empty(t, stderr.String())
	ring()
	assert.Equal(t, "   25 %  making a case\n", stderr.String())
	p.end()
	assert.True(t, cancelled)
	ring()
	p.show("too late", 1)
	assert.Equal(t, "   25 %  making a case\n", stderr.String())
}

func TestCtrlC(t *testing.T) {
	world(t)
	ctx, stop := context.WithCancel(context.Background())
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)

	// Between two cases: the first one is shown and kept.
	o := env.Now
	calls := 0
	env.Now = func() time.Time {
		if calls++; calls == 3 {
			stop()
		}
		return o()
	}
	status := attend(context.Background(), env, func() error {
		return newRoot(env, []string{"measure", "--json", "results", "demo/C-101", "demo/C-102"}).ExecuteContext(ctx)
	})
	assert.Equal(t, Interrupted, status)
	assert.Equal(t, "plumbline: stopped; what was written is kept.\n", stderr.String())
	assert.Contains(t, stdout.String(), "C-101")
	assert.FileExists(t, "results/C-101.json")
	assert.NoFileExists(t, "results/C-102.json")

	// Work that does not end is left.
	stderr.Reset()
	ended := make(chan struct{})
	defer close(ended)
	status = attend(ctx, env, func() error { <-ended; return nil })
	assert.Equal(t, Interrupted, status)
	assert.Equal(t, "plumbline: stopped; what was written is kept.\n", stderr.String())
}

func offByOne() { panic("off by one") }

func TestFaultOfTheProgram(t *testing.T) {
	var stdout, stderr bytes.Buffer
	status := attend(context.Background(), testEnv(&stdout, &stderr), func() error { panic("off by one") })
	assert.Equal(t, Failed, status)
	assert.Contains(t, stderr.String(), "plumbline: an error inside the program (off by one); nothing was measured. Please report it with the lines below.\n")
	assert.Contains(t, stderr.String(), "cases_test.go")

	// Work that is shared out ends in the same way, and the place is told.
	stderr.Reset()
	status = attend(context.Background(), testEnv(&stdout, &stderr), func() error {
		parallel.For(4, func(int) { offByOne() })
		return nil
	})
	assert.Equal(t, Failed, status)
	assert.Contains(t, stderr.String(), "an error inside the program (off by one)")
	assert.Contains(t, stderr.String(), "cli.offByOne")

	stderr.Reset()
	status = attend(context.Background(), testEnv(&stdout, &stderr), func() error { return errors.New("the disk is full") })
	assert.Equal(t, Failed, status)
	assert.Equal(t, "plumbline: the disk is full.\n", stderr.String())
}
