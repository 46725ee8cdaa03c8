//go:build browser

package page_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/page"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// The course up to the seal by keys alone, but for the choice of files, which is the
// browser's own window.
func TestTheCourseByKeys(t *testing.T) {
	t.Parallel()
	made := page.DemoCase(t)
	truth, err := casefile.ReadPlan(made)
	require.NoError(t, err)
	folder := filepath.Join(t.TempDir(), "practice")
	w := see(t, folder, 1280)
	w.give(`input[name=file]`, filepath.Join(made, "pre"))
	w.pressed(`form[data-upload] button.main`)
	w.pressed(`main a.button`)
	w.pressed(`.tooth-46`)
	w.pressed(`.ways a.button`)
	w.settled()

	// The mark is moved over the level cut, a millimetre a press, and set.
	entry := truth.Fixtures[0].Planned.Entry
	w.tab(`.hung input[type=range]`)
	w.steps(kb.ArrowRight, kb.ArrowLeft, 2*js[float64](w, `(() => { const b = document.activeElement; return %g - b.value })()`, entry.Z))
	w.tab(`.handle`)
	off := js[[2]float64](w, `document.querySelector(".hung:not([hidden]) .cut").cut.on([%g, %g, %g]).slice(0, 2)`, entry.X, entry.Y, entry.Z)
	w.steps(kb.ArrowRight, kb.ArrowLeft, off[0])
	w.steps(kb.ArrowUp, kb.ArrowDown, off[1])
	w.keys(kb.Enter)
	w.settled()
	// The apex is tilted by two tenths.
	w.tab(`.hung .handle + .handle`)
	before := w.end(1)
	w.steps(kb.ArrowRight, kb.ArrowLeft, 2)
	assert.NotEqual(t, before, w.end(1))
	w.pressed(`#keep button.main`)

	w.pressed(`a[href="draw?kind=nerve"]`)
	w.settled()
	for n := range 3 {
		w.tab(`.hung .handle`)
		w.keys(kb.Enter)
		w.tab(`.hung input[type=range]`)
		w.steps(kb.ArrowRight, kb.ArrowLeft, 4)
		assert.Equal(t, n+1, js[int](w, `document.querySelectorAll("#points li").length`))
	}
	w.pressed(`#keep button.main`)
	w.tab(`input[name=placed]`)
	w.keys("02092026")
	w.pressed(`#when button`)
	w.pressed(`button.main`)

	c, err := casefile.ReadPlan(filepath.Join(folder, "C-001"))
	require.NoError(t, err)
	assert.Equal(t, "2026-02-09", c.Placed)
	assert.Less(t, r3.Norm(r3.Sub(c.Fixtures[0].Planned.Entry, entry)), 1.0)
	if js[bool](w, `Boolean(document.querySelector("textarea[name=despite]"))`) {
		w.tab(`textarea[name=despite]`)
		w.keys("a trial")
	}
	w.pressed(`form button.main`)
	f, err := series.Read(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	assert.Len(t, f.Records, 1)
}

// steps presses one of two keys a number of times.
func (w *window) steps(forward, back string, n float64) {
	w.t.Helper()
	key := forward
	if n < 0 {
		key, n = back, -n
	}
	for range int(n + .5) {
		w.keys(key)
	}
}

// The course up to the seal by touch, on a telephone's width.
func TestTheCourseByTouch(t *testing.T) {
	t.Parallel()
	made := page.DemoCase(t)
	truth, err := casefile.ReadPlan(made)
	require.NoError(t, err)
	folder := filepath.Join(t.TempDir(), "practice")
	w := see(t, folder, 390)
	w.give(`input[name=file]`, filepath.Join(made, "pre"))
	w.tap(`form[data-upload] button.main`)
	w.settled()
	w.tap(`main a.button`)
	w.tap(`.tooth-46`)
	w.tap(`.ways a.button`)
	w.settled()
	want := truth.Fixtures[0].Planned
	w.bar(0, want.Entry.Z)
	x, y := w.at(0, three(want.Entry))
	w.touch([2]float64{x, y})
	w.settled()
	for range 2 {
		for cut := range 2 {
			x, y := w.at(cut, w.end(1))
			toX, toY := w.at(cut, three(want.Apex))
			w.touch([2]float64{x, y}, [2]float64{(x + toX) / 2, (y + toY) / 2}, [2]float64{toX, toY})
			w.settled()
		}
	}
	w.tap(`#keep button.main`)
	w.tap(`a[href="draw?kind=nerve"]`)
	w.settled()
	for _, along := range []float64{-6, 0, 6} {
		w.bar(0, along)
		p, ok := w.crossing(truth.Structures[0].Path)
		require.True(t, ok)
		x, y := w.at(0, three(p))
		w.touch([2]float64{x, y})
		w.settled()
	}
	// The scan shows it between the points; it is looked at and taken.
	w.tap(`#keep button[name=find]`)
	w.settled()
	assert.Contains(t, w.says("main"), "Followed in the planning scan")
	w.picture("found-390")
	w.tap(`main a.button.main`)
	w.do(chromedp.SetValue(`input[name=placed]`, "2026-12-09"))
	w.tap(`#when button`)
	w.tap(`button.main`)
	w.tap(`form button.main`)

	c, err := casefile.ReadPlan(filepath.Join(folder, "C-001"))
	require.NoError(t, err)
	assert.Less(t, r3.Norm(r3.Sub(c.Fixtures[0].Planned.Entry, want.Entry)), 0.5)
	assert.Less(t, geomAngle(c.Fixtures[0].Planned.Axis(), want.Axis()), 3.0)
	assert.Len(t, c.Structures, 1)
	wide := js[float64](w, `document.documentElement.scrollWidth`)
	assert.LessOrEqual(t, wide, 390.0, "the page does not run out of the window")
}

// settle is how long a place stands still before it is touched.
const settle = 60 * time.Millisecond

func geomAngle(u, v geom.Vec) float64 { return geom.Degrees(geom.Angle(u, v)) }

// measured is a practice folder with a case that is measured and one that is planned, and
// the addresses of their stations.
func measured(t *testing.T) (folder string, addresses []string) {
	t.Helper()
	made := page.DemoCase(t)
	folder = filepath.Join(t.TempDir(), "practice")
	require.NoError(t, os.CopyFS(filepath.Join(folder, "C-101"), os.DirFS(made)))
	c, err := measure.Case(made, measure.Options{Version: "v0", Seed: 1, Today: "2026-03-20"})
	require.NoError(t, err)
	require.NoError(t, os.MkdirAll(filepath.Join(folder, "results"), 0o755))
	var b bytes.Buffer
	require.NoError(t, printable.WriteJSON(&b, c.Result))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "results", "C-101.json"), b.Bytes(), 0o644))
	l, err := series.OpenLedger(filepath.Join(folder, "my-series.jsonl"), time.Date(2026, 3, 20, 9, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	_, err = l.Add(append(earlier(), series.Record{Kind: series.Measured, Case: "C-101", Measurement: &c.Result})...)
	require.NoError(t, err)
	_, err = l.Add(series.Record{Kind: series.Correction, Corrects: 3, Withdraw: true, Reason: "a copy of another case", Author: "clinician-a"})
	require.NoError(t, err)

	const sent = "0123456789abcdef.jsonl"
	text, err := os.ReadFile(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	require.NoError(t, os.Mkdir(filepath.Join(folder, "received"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(folder, "received", sent), text, 0o644))
	addresses = append(addresses, "/review", "/review/"+sent, "/review/"+sent+"/case/1", "/review/"+sent+"/clinician/1")

	drafted(t, made, folder, "C-102")
	// A planned case whose follow-up is to come.
	waiting := filepath.Join(folder, "C-103")
	require.NoError(t, os.CopyFS(filepath.Join(waiting, "pre"), os.DirFS(filepath.Join(made, "pre"))))
	plan, err := os.ReadFile(filepath.Join(made, casefile.FileName))
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(waiting, casefile.FileName), plan, 0o644))
	addresses = append(addresses, "/case/C-103/follow-up")
	for _, name := range []string{"C-101", "C-102"} {
		for _, station := range []string{"scan", "plan", "seal", "follow-up", "result"} {
			addresses = append(addresses, "/case/"+name+"/"+station)
		}
	}
	return folder, append(addresses, "/case/C-102/place/46", "/case/C-102/draw?kind=nerve", "/case/C-102/found")
}

// No view has a fault that axe-core finds (https://github.com/dequelabs/axe-core; WCAG 2.2
// A and AA).
func TestEveryViewPassesAxe(t *testing.T) {
	t.Parallel()
	axe := axeSource(t)
	folder, names := measured(t)
	names = append(names, "/", "/series", "/series/design", "/words", "/demo", "/nowhere")
	for _, width := range []int64{390, 1280} {
		t.Run(fmt.Sprint(width), func(t *testing.T) {
			t.Parallel()
			w := see(t, folder, width)
			for _, address := range names {
				js[bool](w, `window.old = true`)
				js[bool](w, `(() => { location.assign(%q); return true })()`, address)
				w.next()
				if js[bool](w, `Boolean(document.getElementById("data"))`) {
					w.settled()
				}
				w.picture(fmt.Sprintf("view-%d%s", width, strings.NewReplacer("/", "-", "?", "-").Replace(address)))
				if address == "/series" && width == 1280 {
					w.readme("series", ".report > h2", 760)
				}
				assert.Empty(t, faults(w, axe), "%s at %d", address, width)
				assert.Empty(t, js[[]string](w, `document.documentElement.scrollWidth <= %d ? [] : [...document.querySelectorAll("body *")].filter(e => e.getBoundingClientRect().right > %d).map(e => e.outerHTML.slice(0, 120))`, width, width),
					"%s runs out of the window", address)
			}
		})
	}
}

// earlier are records of an invented clinician's cases: measured ones, of which some missed a
// margin, and one that was left out.
func earlier() []series.Record {
	var out []series.Record
	for i, c := range phantom.DemoSeries(24, 1) {
		f := measurement.Fixture{Site: c.Site, Guidance: c.Guidance, Deviation: c.Deviation, Planned: measurement.Placement{Diameter: c.Diameter, Length: c.Length}}
		achieved, margin := 1.4+float64(i%7)*0.4, 2.0
		f.Clearance = []measurement.Clearance{{Structure: "nerve canal", Kind: string(casefile.Nerve), Planned: 2.4, Achieved: &achieved, Margin: &margin}}
		out = append(out, series.Record{Kind: series.Measured, Case: c.Case, Measurement: &measurement.Case{Schema: measurement.Schema, Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Simulated: true, Fixtures: []measurement.Fixture{f}}})
	}
	return append(out, series.Record{Kind: series.LeftOut, Case: "S-900", Reason: "no clinical need for a scan"})
}
