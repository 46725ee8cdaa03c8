//go:build browser

package page_test

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	view "github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// reports writes reports of every kind into a folder and gives their names: cases with one
// and with two fixtures, one by a surface scan, one of which nothing was checked, and a series
// of fifty.
func reports(t *testing.T, folder string) (names []string) {
	t.Helper()
	write := func(name string, d *report.Document) {
		pdf, err := d.PDF(report.A4)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(filepath.Join(folder, name+".html"), d.HTML(), 0o644))
		require.NoError(t, os.WriteFile(filepath.Join(folder, name+".pdf"), pdf, 0o644))
		names = append(names, name)
	}
	demo := phantom.Demo()
	demo[3].Surface.Alone = true
	for i, name := range map[int]string{0: "one", 2: "two", 3: "surface"} {
		s := demo[i]
		for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
			c.Voxel = 0.5
		}
		made := filepath.Join(folder, s.Case)
		require.NoError(t, phantom.Write(made, s))
		study, err := measure.Case(made, measure.Options{Version: "v0", Seed: 1, Today: "2026-05-01"})
		require.NoError(t, err)
		d, err := report.Case(study, report.Options{})
		require.NoError(t, err)
		write(name, d)
		if name == "one" {
			c := study.Result
			c.Fixtures = []measurement.Fixture{c.Fixtures[0]}
			c.Fixtures[0].Clearance, c.Fixtures[0].Surroundings = nil, nil
			write("not-checked", report.Stored(&c, report.Options{}))
		}
	}
	var records []series.Record
	for _, c := range phantom.DemoSeries(50, 1) {
		records = append(records, series.Record{Kind: series.Measured, Case: c.Case, Time: "2026-11-01T10:00:00Z",
			Measurement: &measurement.Case{Schema: measurement.Schema, Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Simulated: true,
				Fixtures: []measurement.Fixture{{Site: c.Site, Guidance: c.Guidance, Deviation: c.Deviation,
					Planned: measurement.Placement{Diameter: 4.1, Length: 10, Apex: [3]float64{0, 0, 10}}}}}})
	}
	path := filepath.Join(folder, "series.jsonl")
	_, err := series.Append(path, records...)
	require.NoError(t, err)
	f, err := series.Read(path)
	require.NoError(t, err)
	s := series.Summarise(f.Records, "2026-12-31")
	a, err := analysis.Analyse(s.Rows(), analysis.Defaults())
	require.NoError(t, err)
	write("series", report.Series{File: f, Summary: s, Analysis: a, Today: "2026-12-31", Version: "v0"}.Document(report.Options{}))
	return names
}

// looks are the ways in which a report is looked at: a telephone, a computer, and the same
// enlarged to twice its size, which leaves half its width.
var looks = []struct {
	name  string
	width int64
	how   []chromedp.EmulateViewportOption
	dark  bool
}{
	{"390", 390, []chromedp.EmulateViewportOption{chromedp.EmulateMobile, chromedp.EmulateTouch}, false},
	{"390 dark", 390, []chromedp.EmulateViewportOption{chromedp.EmulateMobile, chromedp.EmulateTouch}, true},
	{"1280", 1280, nil, false},
	{"1280 dark", 1280, nil, true},
	{"200 %", 640, []chromedp.EmulateViewportOption{chromedp.EmulateScale(2)}, false},
}

// pageCount finds what a PDF says of the number of its pages.
var pageCount = regexp.MustCompile(`/Type\s*/Pages\b[^>]*/Count (\d+)|/Count (\d+)[^>]*/Type\s*/Pages\b`)

func pagesOf(t *testing.T, pdf []byte) string {
	t.Helper()
	m := pageCount.FindSubmatch(pdf)
	require.NotNil(t, m)
	return string(m[1]) + string(m[2])
}

// No report has a fault that axe-core finds, at any width, light or dark; none asks for
// anything beyond its file; what can be pressed is 24 px wide and high at least (WCAG 2.2,
// 2.5.8); and printed it has as many pages as the PDF.
func TestReportsInTheBrowser(t *testing.T) {
	t.Parallel()
	folder := t.TempDir()
	names := reports(t, folder)
	require.Len(t, names, 5)
	axe := axeSource(t)
	w := blank(t, 1280)
	for _, name := range names {
		w.do(chromedp.Navigate("file://" + filepath.Join(folder, name+".html")))
		for _, look := range looks {
			about := name + " at " + look.name
			w.do(chromedp.EmulateViewport(look.width, 900, look.how...), scheme(look.dark))
			assert.Empty(t, faults(w, axe), about)
			assert.Empty(t, js[[]string](w, `[...document.querySelectorAll("input, button, a, summary")].map(e => [e, e.getBoundingClientRect()]).filter(([e, r]) => r.width < 23.9 || r.height < 23.9).map(([e, r]) => r.width + " x " + r.height + " " + e.outerHTML.slice(0, 120))`), about)
			assert.LessOrEqual(t, js[int64](w, `document.documentElement.scrollWidth`), look.width, "%s runs out of the window", about)
			w.picture("report-" + strings.NewReplacer(" ", "-", "%", "").Replace(about))
		}
		assert.Empty(t, js[[]string](w, `performance.getEntriesByType("resource").map(e => e.name.slice(0, 60))`), name)
		var printed []byte
		w.do(scheme(false), chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
			preferred := true
			r, err := cdp.Call(ctx, t, view.PrintToPDF, view.PrintToPDFParams{PreferCSSPageSize: &preferred})
			printed = r.Data
			return err
		}))
		pdf, err := os.ReadFile(filepath.Join(folder, name+".pdf"))
		require.NoError(t, err)
		assert.Equal(t, pagesOf(t, pdf), pagesOf(t, printed), name)
	}
}

// scheme asks for a light or a dark page.
func scheme(dark bool) chromedp.Action[chromedp.Void] {
	value := map[bool]string{true: "dark", false: "light"}[dark]
	return chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: value}}})
		return err
	})
}

// axeSource is axe-core, which make browser fetches.
func axeSource(t *testing.T) []byte {
	t.Helper()
	file := os.Getenv("AXE")
	if file == "" {
		t.Fatal("AXE names no axe.min.js: run make browser")
	}
	axe, err := os.ReadFile(file)
	require.NoError(t, err)
	return axe
}

// faults are what axe-core (https://github.com/dequelabs/axe-core) finds against WCAG 2.2 A
// and AA and good practice; what is inside a picture is nothing to it.
func faults(w *window, axe []byte) []string {
	w.t.Helper()
	return js[[]string](w, `(async () => { %s; const r = await axe.run({exclude: [["svg[role=img] > *"]]}, {runOnly: ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]});
		return r.violations.flatMap(v => v.nodes.map(n => v.id + ": " + n.html.slice(0, 160) + " " + n.failureSummary.slice(0, 200))) })()`, axe)
}
