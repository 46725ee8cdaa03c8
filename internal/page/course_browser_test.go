//go:build browser

package page_test

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/page"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

func three(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// A new user's course from the planning scan to the series, by mouse alone.
func TestTheCourseByMouse(t *testing.T) {
	t.Parallel()
	made := page.DemoCase(t)
	truth, err := casefile.ReadPlan(made)
	require.NoError(t, err)
	folder := filepath.Join(t.TempDir(), "practice")
	w := see(t, folder, 1280)
	w.picture("1-cases-empty")
	// What a new user has to decide between the double-click and the result; no figure among it
	// that does not stand in the plan.
	var decided []string
	decide := func(what string) { decided = append(decided, what) }

	// Scan.
	decide("which planning scan")
	decide("what the case and oneself are called: as proposed")
	w.give(`input[name=file]`, filepath.Join(made, "pre"))
	w.press(`form[data-upload] button.main`)
	w.settled()
	w.picture("2-scan")
	w.press(`main a.button`)

	// Plan: tooth, fixture by hand, canal, day.
	w.picture("3-plan-empty")
	decide("which tooth")
	w.press(`.tooth-46`)
	decide("how the plan comes in: set by hand")
	w.press(`.site a.button`)
	w.settled()
	w.picture("4-place-first")
	want := truth.Fixtures[0].Planned
	decide("where the fixture is, how long and how wide")
	w.bar(0, want.Entry.Z)
	w.click(0, three(want.Entry))
	w.settled()
	w.do(chromedp.SetValue(`#diameter`, "4.8"))
	js[bool](w, `(() => { const l = document.getElementById("length"); l.value = 12; return l.dispatchEvent(new Event("change")) })()`)
	w.settled()
	// The apex is dragged to where it belongs, once in each of the plumb cuts.
	for range 2 {
		for cut := range 2 {
			x, y := w.at(cut, w.end(1))
			toX, toY := w.at(cut, three(want.Apex))
			w.drag(x, y, toX, toY)
			w.settled()
		}
	}
	w.picture("5-place")
	w.readme("plan", "h1", 790)
	w.press(`#keep button.main`)
	decide("where the canal runs")
	w.press(`a[href="draw?kind=nerve"]`)
	w.settled()
	w.picture("6-draw-empty")
	canal := truth.Structures[0].Path
	for _, along := range []float64{-8, -4, 0, 4, 8} {
		w.bar(0, along)
		if p, ok := w.crossing(canal); ok {
			w.click(0, three(p))
			w.settled()
		}
	}
	w.picture("7-draw")
	w.press(`#keep button.main`)
	decide("the day of surgery, and how the drills are guided")
	w.do(chromedp.SetValue(`input[name=placed]`, "2026-02-09"), chromedp.SetValue(`select[name=guidance]`, "full-guide"))
	w.press(`#when button`)
	w.picture("8-plan")
	w.press(`button.main`)

	// Seal.
	decide("whether what is read back is the plan")
	w.picture("9-seal")
	assert.Contains(t, w.says("main"), "sealed late", "its day of surgery is past")
	w.press(`form button.main`)
	w.picture("10-sealed")
	w.press(`.receipt a.button`)

	// Follow-up and result.
	decide("which follow-up scan")
	decide("to measure")
	w.picture("11-follow-up-empty")
	w.give(`input[name=file]`, filepath.Join(made, "post"))
	w.press(`form[data-upload] button.main`)
	w.picture("12-follow-up")
	w.press(`form button.main`)
	w.picture("13-measuring")
	w.do(chromedp.WaitVisible(`.report h1`))
	w.settled()
	w.picture("14-result")
	w.readme("result", "#cuts", 600)
	assert.LessOrEqual(t, len(decided), 12, decided)
	t.Logf("%d decisions: %s", len(decided), strings.Join(decided, "; "))
	w.press(`.actions button.main`)
	w.picture("15-entered")
	w.press(`.cord .series`)
	w.picture("16-series")

	// What is there is what the command line would have written.
	names, err := filepath.Glob(filepath.Join(folder, "C-*"))
	require.NoError(t, err)
	require.Equal(t, []string{filepath.Join(folder, "C-001")}, names)
	c, err := casefile.Read(names[0])
	require.NoError(t, err)
	assert.Less(t, r3.Norm(r3.Sub(c.Fixtures[0].Planned.Entry, want.Entry)), 0.3)
	assert.Less(t, r3.Norm(r3.Sub(c.Fixtures[0].Planned.Apex, want.Apex)), 0.5)
	assert.Equal(t, 12.0, c.Fixtures[0].Length)
	m, err := measurement.Read(filepath.Join(folder, "results", "C-001.json"))
	require.NoError(t, err)
	require.NotNil(t, m.Fixtures[0].Deviation)
	f, err := series.Read(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	require.Len(t, f.Records, 2)
	assert.Equal(t, []series.Kind{series.Sealed, series.Measured}, []series.Kind{f.Records[0].Kind, f.Records[1].Kind})
	left, err := filepath.Glob(filepath.Join(folder, ".*"))
	require.NoError(t, err)
	assert.Empty(t, left, "nothing is left of what was taken in")
	_, err = os.Stat(filepath.Join(folder, "C-001", "pre"))
	require.NoError(t, err)
}

// end is the platform (0) or the apex (1) as it is set now.
func (w *window) end(n int) [3]float64 {
	w.t.Helper()
	return js[[3]float64](w, `document.getElementById("keep").elements[%q].value.split(",").map(Number)`, [2]string{"entry", "apex"}[n])
}

// crossing is where a line passes the first cut that is shown.
func (w *window) crossing(line []geom.Vec) (geom.Vec, bool) {
	w.t.Helper()
	off := func(p geom.Vec) float64 {
		return js[float64](w, `document.querySelector(".hung .cut").cut.on([%g, %g, %g])[2]`, p.X, p.Y, p.Z)
	}
	for i := 1; i < len(line); i++ {
		a, b := off(line[i-1]), off(line[i])
		if a*b <= 0 && a != b {
			return r3.Add(line[i-1], r3.Scale(a/(a-b), r3.Sub(line[i], line[i-1]))), true
		}
	}
	return geom.Vec{}, false
}
