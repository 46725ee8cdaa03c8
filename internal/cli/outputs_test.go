package cli

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"image"
	"image/png"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// writing is a command that writes a file or adds to one.
type writing struct {
	command string
	ending  string                       // that the file's name must have
	line    func(target string) []string // as a user types it
	lifts   bool                         // has --overwrite
}

// writers are all commands that write, with each of their outputs.
var writers = []writing{
	{command: "measure", line: func(f string) []string { return []string{"measure", "--json", f, "case"} }, lifts: true},
	{command: "measure", ending: ".html", line: func(f string) []string { return []string{"measure", "--report", f, "case"} }, lifts: true},
	{command: "measure", ending: ".pdf", line: func(f string) []string { return []string{"measure", "--report", f, "case"} }, lifts: true},
	{command: "measure", ending: ".dcm", line: func(f string) []string { return []string{"measure", "--report", f, "case"} }, lifts: true},
	{command: "measure", line: func(f string) []string { return []string{"measure", "--series", f, "case"} }},
	{command: "align", line: func(f string) []string { return []string{"align", "--picture", f, "case"} }, lifts: true},
	{command: "report", ending: ".html", line: func(f string) []string { return []string{"report", "m.json", f} }, lifts: true},
	{command: "report", ending: ".pdf", line: func(f string) []string { return []string{"report", "--clinician", "clinician-a", "s.jsonl", f} }, lifts: true},
	{command: "report", ending: ".dcm", line: func(f string) []string { return []string{"report", "m.json", f} }, lifts: true},
	{command: "report", ending: ".dcm", line: func(f string) []string { return []string{"report", "--as", "sr", "m.json", f} }, lifts: true},
	{command: "series export", line: func(f string) []string { return []string{"series", "export", "--csv", f, "s.jsonl"} }, lifts: true},
	{command: "series export", ending: ".parquet", line: func(f string) []string { return []string{"series", "export", "--table", f, "s.jsonl"} }, lifts: true},
	{command: "pool", line: func(f string) []string { return []string{"pool", "--aggregates", f, "table.csv"} }, lifts: true},
	{command: "pack", ending: ".zip", line: func(f string) []string { return []string{"pack", "s.jsonl", f} }, lifts: true},
	{command: "seal", line: func(f string) []string { return []string{"seal", "--series", f, "case"} }},
	{command: "anatomy", ending: ".html", line: func(f string) []string { return []string{"anatomy", "--report", f, "case"} }, lifts: true},
	{command: "anatomy", line: func(f string) []string { return []string{"anatomy", "--write", "--series", f, "case"} }},
	{command: "series import", line: func(f string) []string { return []string{"series", "import", "past.csv", f} }},
	{command: "series design", line: func(f string) []string { return []string{"series", "design", "--clinician", "clinician-z", f} }},
	{command: "series leave-out", line: func(f string) []string {
		return []string{"series", "leave-out", "--case", "C-9", "--reason", "moved", f}
	}},
	{command: "series remark", line: func(f string) []string {
		return []string{"series", "remark", "--by", "mentor-a", "--text", "seen", f}
	}},
	{command: "series remark", line: func(f string) []string {
		return []string{"series", "remark", "--by", "mentor-a", "--text", "seen", "--into", f}
	}},
	{command: "series take", line: func(f string) []string { return []string{"series", "take", "remarks.jsonl", f} }},
	{command: "series correct", line: func(f string) []string {
		return []string{"series", "correct", "--record", "1", "--withdraw", "--reason", "typing", f}
	}},
	{command: "case", line: func(f string) []string { return []string{"case", "--into", f, "past.csv"} }},
	{command: "phantom", line: func(f string) []string { return []string{"phantom", f} }},
}

// printers are the commands that only print; what the shell does with it is not
// theirs.
var printers = []string{"series", "series check", "series show", "scan", "completion", "version", "help"}

func TestEveryCommandIsAWriterOrAPrinter(t *testing.T) {
	known := map[string]bool{}
	for _, name := range printers {
		known[name] = true
	}
	for _, w := range writers {
		known[w.command] = true
	}
	known["open"] = true // names no output: package page tests what its folder is kept from
	known["demo"] = true // as open; what it refuses to make the demo over has a test of its own
	for _, c := range everyCommand() {
		assert.True(t, known[strings.Join(words(c), " ")], "%s: what does it write?", c.CommandPath())
	}
}

// snapshot is what a folder holds: the hash of each file, and each link and folder.
func snapshot(t *testing.T, dir string) map[string]string {
	t.Helper()
	out := map[string]string{}
	require.NoError(t, filepath.WalkDir(dir, func(path string, e fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		text := e.Type().String()
		if e.Type().IsRegular() {
			data, err := os.ReadFile(path)
			if err != nil {
				return err
			}
			sum := sha256.Sum256(data)
			text += string(sum[:])
		}
		out[path] = text
		return nil
	}))
	return out
}

// usersWorld is a folder with a case, a series, a measurement, and files of the
// user's own.
func usersWorld(t *testing.T) {
	t.Helper()
	dir := t.TempDir()
	t.Chdir(dir)
	rampCase(t, "case")
	rampCase(t, "other", `"C-1"`, `"C-2"`)
	write(t, "past.csv", past())
	require.Contains(t, []int{Done, InDoubt}, run("measure", "--json", "m.json", "--series", "s.jsonl", "case").status)
	require.Equal(t, Done, run("seal", "--series", "s.jsonl", "other").status)
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	require.Equal(t, Done, run("series", "export", "--csv", "table.csv", "s.jsonl").status)
	require.Equal(t, Done, run("seal", "--series", "elsewhere.jsonl", "other").status)
	require.Equal(t, Done, run("series", "remark", "--into", "remarks.jsonl", "--by", "mentor-a", "--text", "seen").status)
	write(t, "notes", "my own words")
	write(t, "own.json", `{"schema":"mine"}`)
	write(t, "own.html", "<!DOCTYPE html><html><head><title>mine</title></head></html>")
	write(t, "own.pdf", "%PDF-1.4\n% mine")
	write(t, "own.csv", "case,placed,clinician,site,entry_mm\nC-1,2026-03-14,a,36,1\n")
	var b bytes.Buffer
	require.NoError(t, png.Encode(&b, image.NewGray(image.Rect(0, 0, 2, 2))))
	write(t, "own.png", b.String())
	b.Reset()
	z := zip.NewWriter(&b)
	_, err := z.Create("manifest.json")
	require.NoError(t, err)
	require.NoError(t, z.Close())
	write(t, "own.zip", b.String())
}

// What a user has is never written over, whatever command is aimed at it by
// mistake, under whatever name, and the inputs, series, case files and scans not
// even by --overwrite.
func TestNothingOfTheUsersIsOverwritten(t *testing.T) {
	usersWorld(t)
	never := []string{"case/case.toml", "case/pre/IM0003.dcm", "case/post/IM0001.dcm", "s.jsonl", "elsewhere.jsonl",
		"other/case.toml", "other/pre/IM0001.dcm", "case/../s.jsonl", "./case/pre/../case.toml", "case/pre/new", "case", "case/pre"}
	asked := []string{"notes", "own.json", "own.html", "own.pdf", "own.csv", "own.png", "own.zip"}
	// links has each under another name, with the ending that a command wants.
	links := func(t *testing.T, target, ending string) []string {
		hard, soft := "hard"+ending, "soft"+ending
		require.NoError(t, os.RemoveAll(hard))
		require.NoError(t, os.RemoveAll(soft))
		require.NoError(t, os.Symlink(target, soft))
		out := []string{soft}
		if info, err := os.Stat(target); err == nil && info.Mode().IsRegular() {
			require.NoError(t, os.Link(target, hard))
			out = append(out, hard)
		}
		if ending == "" || strings.HasSuffix(target, ending) {
			out = append(out, target)
		}
		return out
	}
	for _, w := range writers {
		for i, target := range append(never, asked...) {
			appends := !w.lifts
			for _, name := range links(t, target, w.ending) {
				if appends && strings.HasSuffix(target, ".jsonl") && w.command != "case" && w.command != "phantom" {
					continue // a series file to add to
				}
				if reads := w.lifts && (w.command == "measure" || w.command == "align" || w.command == "anatomy"); target == "case/pre/new" && !reads {
					continue // a new file beside scans that the command does not read
				}
				if w.command == "measure" && target == "case" {
					continue // a folder of measurements
				}
				lines := [][]string{w.line(name)}
				if w.lifts && i < len(never) {
					lines = append(lines, append(w.line(name), "--overwrite"))
				}
				for _, line := range lines {
					before := snapshot(t, ".")
					got := run(line...)
					assert.Contains(t, []int{Failed, BadInput, InDoubt}, got.status, "%s\n%s%s", quoted(line), got.stdout, got.stderr)
					assert.NotEmpty(t, got.stderr, quoted(line))
					assert.NotContains(t, got.stderr, "inside the program")
					assert.True(t, maps.Equal(before, snapshot(t, ".")), "%s (%s) changed a file", quoted(line), target)
					if w.lifts {
						assert.Equal(t, BadInput, got.status, got.stderr)
					}
				}
			}
		}
	}
}

// What the program wrote itself it writes again without being asked, and another
// file of the user only when it is told to.
func TestOwnOutputsAreWrittenAgain(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	usersWorld(t)
	for _, w := range writers {
		if !w.lifts {
			continue
		}
		name := "out/again" + w.ending
		require.NoError(t, os.RemoveAll("out"))
		line := w.line(name)
		fine := []int{Done, InDoubt}
		got := run(line...)
		require.Contains(t, fine, got.status, quoted(line)+got.stderr)
		first := readAll(t, name)
		got = run(line...)
		require.Contains(t, fine, got.status, quoted(line)+got.stderr)
		assert.Equal(t, first, readAll(t, name), quoted(line))

		write(t, name, "my own words")
		got = run(line...)
		assert.Equal(t, BadInput, got.status, quoted(line))
		assert.Contains(t, got.stderr, "is there already")
		assert.Contains(t, got.stderr, "or replace it with --overwrite")
		assert.Equal(t, "my own words", readAll(t, name))
		got = run(append(line, "--overwrite")...)
		assert.Contains(t, fine, got.status, got.stderr)
		assert.Equal(t, first, readAll(t, name), quoted(line))

		// Through a link it is the file that is written, and the link stays.
		require.NoError(t, os.Rename(name, "out/there"))
		require.NoError(t, os.Symlink("there", name))
		require.Contains(t, fine, run(line...).status, quoted(line))
		info, err := os.Lstat(name)
		require.NoError(t, err)
		assert.NotZero(t, info.Mode()&fs.ModeSymlink)
		require.NoError(t, os.Remove("out/there"))
		got = run(line...)
		assert.Equal(t, BadInput, got.status)
		assert.Contains(t, got.stderr, "is a link that leads nowhere")
	}
}

// Two outputs of one run do not take each other's place.
func TestTwoOutputsOfOneName(t *testing.T) {
	usersWorld(t)
	for _, line := range [][]string{
		{"measure", "--json", "a.html", "--report", "a.html", "case"},
		{"measure", "--json", "new.jsonl", "--series", "./new.jsonl", "case"},
		{"report", "m.json", "a.html", "m.json"},
	} {
		before := snapshot(t, ".")
		got := run(line...)
		assert.Equal(t, BadInput, got.status, quoted(line))
		assert.Equal(t, before, snapshot(t, "."), quoted(line))
	}
}

// A table that was exported and then added to by hand is the user's own.
func TestAnEditedExportIsTheUsersOwn(t *testing.T) {
	t.Chdir(seriesWorld(t))
	require.Equal(t, Done, run("series", "import", "past.csv", "s.jsonl").status)
	require.Equal(t, Done, run("series", "export", "--csv", "table.csv", "s.jsonl").status)
	table := readAll(t, "table.csv")
	header, rest, _ := strings.Cut(table, "\n")
	row := make([]string, strings.Count(header, ",")+1)
	copy(row, []string{"P-99", "2025-12-11", "clinician-a", "36"})
	write(t, "table.csv", header+"\n"+rest+strings.Join(row, ",")+"\n")
	got := run("series", "export", "--csv", "table.csv", "s.jsonl")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "table.csv is there already, and is no table that this program wrote; name another file for the table, or replace it with --overwrite")
}
