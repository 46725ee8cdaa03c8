//go:build samples

package cli

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"plumbline/internal/phantom"
)

// sampleFolder gets the rendered samples; see make reports.
const sampleFolder = "../../reports"

// sampleSize is the largest sample that is kept with the program, bytes.
const sampleSize = 3 << 20

// runAt is run at a given time, as the program's version "sample".
func runAt(now time.Time, args ...string) outcome {
	var stdout, stderr bytes.Buffer
	env := testEnv(&stdout, &stderr)
	env.Now = func() time.Time { return now }
	env.Version = "sample"
	status := Run(context.Background(), args, env)
	return outcome{stdout.String(), stderr.String(), status}
}

// writePictures takes the README's pictures out of the pages in a folder, each
// known by how its text alternative begins or, where there are several, goes on.
func writePictures(t *testing.T, folder string) {
	t.Helper()
	for _, p := range []struct {
		file, page, begins, holds string
		width                     int // in the README, pixels
	}{
		{"nearest.svg", "C-101.html", "Cut through the follow-up scan at site 46, through the axis of the placed fixture", "", 300},
		{"rulers.svg", "C-101.html", "Fixture at site 46 seen along the planned axis", "", 300},
		{"alignment.svg", "C-101.html", "Alignment check at site 46, along it", "", 300},
		{"learning.svg", "series.html", "Chart of the apex deviation", "", 720},
	} {
		page, err := os.ReadFile(filepath.Join(folder, p.page))
		require.NoError(t, err)
		var found string
		// An outer element ends a line, those in it do not.
		for _, part := range strings.Split(string(page), "</svg>\n") {
			start := strings.Index(part, `<svg viewBox="0 0 `)
			if start < 0 {
				continue
			}
			_, alt, _ := strings.Cut(part[start:], `aria-label="`)
			if alt, _, _ = strings.Cut(alt, `"`); found == "" && strings.HasPrefix(alt, p.begins) && strings.Contains(alt, p.holds) {
				found = part[start:]
			}
		}
		require.NotEmpty(t, found, p.file)
		alone := strings.Replace(found, "<svg ", fmt.Sprintf(`<svg xmlns="http://www.w3.org/2000/svg" width="%d" font-family="sans-serif" style="background:#fff" `, p.width), 1) + "</svg>\n"
		require.NoError(t, os.WriteFile(filepath.Join(folder, p.file), []byte(alone), 0o644))
	}
}

// writeFirstPages sets the first pages of six cases side by side in grey, one for each kind
// of verdict, gravest first. It needs pdftoppm (Debian's poppler-utils) and montage
// (imagemagick).
func writeFirstPages(t *testing.T, folder string) {
	t.Helper()
	good := phantom.Fixture{Entry: [3]float64{0.2, -0.1, 0.1}, Tilt: [2]float64{0.6, -0.5}}
	nerve := regexp.MustCompile("\\[\\[structure\\]\\]\nname   = [^\n]+\nkind   = \"nerve\"\npath[^\n]+\nradius[^\n]+\n")
	var pages []string
	for i, v := range []struct {
		placed phantom.Fixture
		edit   func(string) string
	}{
		{phantom.Fixture{Entry: [3]float64{0.2, 0.1, 3}, Tilt: [2]float64{0.6, -0.5}}, nil},
		{good, func(s string) string {
			return strings.ReplaceAll(s, `kind   = "nerve"`, "kind   = \"nerve\"\nmargin = 3.0")
		}},
		{good, func(s string) string { return strings.Replace(s, "guidance =", "placed_diameter = 3.5\nguidance =", 1) }},
		{phantom.Fixture{Entry: [3]float64{0.1, 2.4, 0.1}}, nil},
		{good, nil},
		{good, func(s string) string { return nerve.ReplaceAllString(s, "") }},
	} {
		s := phantom.Usual("46")
		s.Seed, s.Case, s.Placed, s.Clinician = 1, fmt.Sprintf("V-%d", i+1), "2026-02-09", "clinician-a"
		f := &s.Fixtures[0]
		f.Diameter, f.Length, f.Guidance, f.Entry, f.Tilt = 4.8, 12, "full-guide", v.placed.Entry, v.placed.Tilt
		for _, scan := range []*phantom.Scan{&s.Pre, &s.Post} {
			scan.Width = 60
		}
		require.NoError(t, phantom.Write(s.Case, s))
		if v.edit != nil {
			file := filepath.Join(s.Case, "case.toml")
			text, err := os.ReadFile(file)
			require.NoError(t, err)
			edited := v.edit(string(text))
			require.NotEqual(t, string(text), edited, s.Case)
			require.NoError(t, os.WriteFile(file, []byte(edited), 0o644))
		}
		report := s.Case + ".pdf"
		o := runAt(time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC), "measure", "--report", report, s.Case)
		require.Contains(t, []int{Done, InDoubt}, o.status, o.stderr)
		require.NoError(t, exec.Command("pdftoppm", "-png", "-gray", "-r", "64", "-f", "1", "-l", "1", "-singlefile", report, s.Case).Run())
		pages = append(pages, s.Case+".png")
	}
	arguments := append(pages, "-tile", "3x2", "-geometry", "+6+6", "-background", "#888888", "-colors", "16", filepath.Join(folder, "first-pages.png"))
	require.NoError(t, exec.Command("montage", arguments...).Run())
}

// TestWriteSamples renders the demo's cases and a series of fifty small phantoms
// that is sealed, measured and reviewed through the commands, each on a day that
// fits. It writes them to the folder of samples; the same program writes the same
// bytes.
func TestWriteSamples(t *testing.T) {
	out, err := filepath.Abs(sampleFolder)
	require.NoError(t, err)
	t.Chdir(t.TempDir())
	day := func(date string, later int) time.Time {
		d, err := time.Parse(time.DateOnly, date)
		require.NoError(t, err)
		return d.AddDate(0, 0, later).Add(12 * time.Hour)
	}
	ok := func(o outcome, allowed ...int) {
		t.Helper()
		require.Contains(t, append(allowed, Done), o.status, o.stdout+o.stderr)
	}

	for _, s := range phantom.Demo() {
		require.NoError(t, phantom.Write(s.Case, s))
		for _, ending := range endings[:2] {
			ok(runAt(day(s.Placed, 14), "measure", "--report", filepath.Join(out, s.Case+ending), s.Case), InDoubt)
		}
	}

	writeFirstPages(t, out)

	const leftOut, forgotten, reviewed = 7, 21, 12
	for i, c := range phantom.DemoSeries(52, 1) {
		s := phantom.Usual(c.Site)
		s.Seed, s.Case, s.Placed, s.Clinician = uint64(i+1), c.Case, c.Placed, c.Clinician
		s.Fixtures = []phantom.Fixture{c.Fixture}
		for _, scan := range []*phantom.Scan{&s.Pre, &s.Post} {
			scan.Width, scan.Height = 44, 40
		}
		// The head lies otherwise in every follow-up scan, within what is usual.
		s.Post.Turn.Z = 12 * math.Sin(float64(i))
		s.Post.Turn.X = 8 * math.Cos(float64(2*i))
		require.NoError(t, phantom.Write(c.Case, s))
		ok(runAt(day(c.Placed, -3), "seal", "--series", "series.jsonl", c.Case))
		switch i {
		case leftOut:
			ok(runAt(day(c.Placed, 30), "series", "leave-out", "--case", c.Case, "--reason", "no clinical need for a follow-up scan", "series.jsonl"))
		case forgotten:
		default:
			ok(runAt(day(c.Placed, 10), "measure", "--json", filepath.Join("results", c.Case+".json"), "--series", "series.jsonl", c.Case), InDoubt)
		}
		if i == reviewed {
			ok(runAt(day(c.Placed, 20), "series", "remark", "--case", c.Case, "--by", "mentor-b", "--text", "Looked at together: the flap was raised late, and the guide sat high on the distal side.", "series.jsonl"))
		}
		require.NoError(t, os.RemoveAll(filepath.Join(c.Case, "post")))
		require.NoError(t, os.RemoveAll(filepath.Join(c.Case, "pre")))
		fmt.Println("sample case", i+1)
	}
	end := day("2026-12-31", 0)
	ok(runAt(end, "report", "series.jsonl", filepath.Join(out, "series.html"), filepath.Join(out, "series.pdf")))
	ok(runAt(end, "pack", "--relative-dates", "series.jsonl", "pack.zip"))
	ok(runAt(end, "pack", "--check", "pack.zip"))

	writePictures(t, out)

	files, err := os.ReadDir(out)
	require.NoError(t, err)
	for _, f := range files {
		info, err := f.Info()
		require.NoError(t, err)
		require.Less(t, info.Size(), int64(sampleSize), f.Name())
	}
}
