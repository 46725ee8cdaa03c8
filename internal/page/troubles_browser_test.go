//go:build browser

package page_test

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/page"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

// What goes wrong while somebody works: two tabs, a program that is killed, a measurement
// that is stopped, a disk that is full.

// says is the text of what a selector names.
func (w *window) says(selector string) string {
	w.t.Helper()
	return js[string](w, `document.querySelector(%q)?.innerText ?? ""`, selector)
}

// contents is a file's text.
func contents(t *testing.T, path ...string) string {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(path...))
	require.NoError(t, err)
	return string(data)
}

// Two tabs on one case and one series: nothing is lost, and what the one changed is shown to
// the other and not overwritten.
func TestBrowserWithTwoTabs(t *testing.T) {
	t.Parallel()
	made := page.DemoCase(t)
	folder := filepath.Join(t.TempDir(), "practice")
	drafted(t, made, folder, "C-102")
	one := see(t, folder, 1280)
	two := one.another()
	two.host = one.host
	draft := func() string { return contents(t, folder, "C-102", "plan-draft.json") }

	for _, w := range []*window{one, two} {
		w.to("/case/C-102/place/46")
		w.settled()
	}
	two.tab(`.hung .handle`)
	two.steps(kb.ArrowRight, kb.ArrowLeft, 3)
	theirs := two.end(0)
	two.press(`#keep button.main`)
	kept := draft()
	one.tab(`.hung .handle`)
	one.steps(kb.ArrowUp, kb.ArrowDown, 5)
	mine := one.end(0)
	require.NotEqual(t, theirs, mine)
	one.press(`#keep button.main`)
	assert.Contains(t, one.says("main"), "The plan was changed meanwhile")
	assert.Contains(t, one.says("main"), "12.0 mm long, set by hand")
	assert.Equal(t, kept, draft(), "nothing is overwritten")
	one.picture("changed")
	// What the hand did is not lost either.
	one.press(`main form button`)
	assert.Contains(t, one.says("h1"), "The plan")
	now := js[[3]float64](one, `(async () => JSON.parse(new DOMParser().parseFromString(await (await fetch("place/46")).text(), "text/html").getElementById("data").textContent).Entry)()`)
	assert.InDeltaSlice(t, mine[:], now[:], 0.006, "to a hundredth of a millimetre")

	// A plan that was read back and then changed is not sealed.
	one.press(`button.main`)
	assert.Contains(t, one.says("main"), "Is this your plan?")
	two.to("/case/C-102/plan")
	two.do(chromedp.SetValue(`input[name=placed]`, "2026-12-26"))
	two.press(`#when button`)
	two.press(`button.main`)
	if js[bool](one, `Boolean(document.querySelector("textarea[name=despite]"))`) {
		one.do(chromedp.SetValue(`textarea[name=despite]`, "a trial"))
	}
	one.press(`main form button.main`)
	assert.Contains(t, one.says("main"), "nothing was sealed")
	assert.NoFileExists(t, filepath.Join(folder, "my-series.jsonl"))
	one.press(`main a.button`)
	assert.Contains(t, one.says("main"), "2026-12-26")

	// An editor on the case file while the plan is open.
	two.to("/case/C-102/plan")
	file := filepath.Join(folder, "C-102", casefile.FileName)
	edited := "# by hand\n" + contents(t, file)
	require.NoError(t, os.WriteFile(file, []byte(edited), 0o644))
	two.press(`#when button`)
	assert.Contains(t, two.says("main"), "changed")
	two.to("/case/C-102/plan")
	assert.Contains(t, two.says("main"), "written or changed by hand")
	assert.Equal(t, edited, contents(t, file))

	// Both say something of the series at once.
	one.to("/case/C-102/seal")
	if js[bool](one, `Boolean(document.querySelector("textarea[name=despite]"))`) {
		one.do(chromedp.SetValue(`textarea[name=despite]`, "a trial"))
	}
	one.press(`main form button.main`)
	for _, w := range []*window{one, two} {
		w.to("/series")
		w.do(chromedp.SetValue(`input[name=by]`, "mentor-a"), chromedp.SetValue(`form[action="/series/remark"] textarea`, "seen"))
	}
	for _, w := range []*window{one, two} {
		js[bool](w, `window.old = true`)
		js[bool](w, `(() => { document.querySelector('form[action="/series/remark"]').requestSubmit(); return true })()`)
	}
	one.next()
	two.next()
	f, err := series.Read(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	assert.Len(t, f.Records, 3)
}

// program is plumbline itself, on a folder.
type program struct {
	address string
	*exec.Cmd
}

// started starts the program, with a limit on the size of files where blocks are given.
func started(t *testing.T, binary, folder, blocks string) *program {
	t.Helper()
	p := &program{Cmd: exec.Command(binary, "open", "--no-browser", folder)}
	if blocks != "" {
		p.Cmd = exec.Command("sh", "-c", `ulimit -f "$0"; exec "$@"`, blocks, binary, "open", "--no-browser", folder)
	}
	p.Stderr = os.Stderr
	out, err := p.StdoutPipe()
	require.NoError(t, err)
	require.NoError(t, p.Start())
	t.Cleanup(p.kill)
	for lines := bufio.NewScanner(out); p.address == "" && lines.Scan(); {
		if line := strings.TrimSpace(lines.Text()); strings.HasPrefix(line, "http://") {
			p.address = line
		}
	}
	require.NotEmpty(t, p.address)
	return p
}

// kill ends the program without a word to it.
func (p *program) kill() {
	_ = p.Process.Kill()
	_ = p.Wait()
}

func built(t *testing.T) string {
	t.Helper()
	binary := filepath.Join(t.TempDir(), "plumbline")
	out, err := exec.Command("go", "build", "-o", binary, "plumbline/cmd/plumbline").CombinedOutput()
	require.NoError(t, err, "%s", out)
	return binary
}

// A program that is killed while the page is open: the page says so in words, what stands in
// it stays, and what was acknowledged is there when the program is started again.
func TestBrowserAndAKilledProgram(t *testing.T) {
	t.Parallel()
	binary := built(t)
	made := page.DemoCase(t)
	folder := filepath.Join(t.TempDir(), "practice")
	p := started(t, binary, folder, "")
	w := blank(t, 1280)
	w.enter(p.address)
	w.give(`input[name=file]`, filepath.Join(made, "pre"))
	w.press(`form[data-upload] button.main`)
	w.settled()
	w.press(`main a.button`)
	w.press(`.tooth-46`)
	p.kill()
	p = started(t, binary, folder, "")
	w.enter(p.address)
	assert.Contains(t, w.says("main"), "C-001")
	w.to("/case/C-001/place/46")
	w.settled()
	w.do(chromedp.MouseClickXY(640, 600))
	w.settled()
	set := w.end(0)
	p.kill()
	w.do(chromedp.Click(`#keep button.main`, chromedp.NodeVisible))
	w.until(`!document.querySelector(".gone").hidden`)
	assert.Contains(t, w.says(".gone"), "plumbline has ended")
	assert.Equal(t, set, w.end(0), "what was set is still there to be seen")
	w.picture("killed")

	// Killed right after a seal, and while it measures.
	sealable := filepath.Join(folder, "C-101")
	require.NoError(t, os.CopyFS(sealable, os.DirFS(made)))
	p = started(t, binary, folder, "")
	w.enter(p.address)
	w.to("/case/C-101/seal")
	w.press(`main form button.main`)
	assert.Contains(t, w.says("main"), "Receipt")
	p.kill()
	f, err := series.Read(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	p = started(t, binary, folder, "")
	w.enter(p.address)
	w.to("/case/C-101/seal")
	assert.Contains(t, w.says(".receipt"), f.Receipt())
	w.to("/case/C-101/follow-up")
	w.press(`form[action=measure] button`)
	w.until(`/reading|aligning|finding/i.test(document.getElementById("step").innerText)`)
	p.kill()
	w.until(`!document.querySelector(".gone").hidden`)
	left, err := filepath.Glob(filepath.Join(folder, "results", "*.json"))
	require.NoError(t, err)
	assert.Empty(t, left, "half a measurement is none")
	p = started(t, binary, folder, "")
	w.enter(p.address)
	w.to("/case/C-101/follow-up")
	w.press(`form[action=measure] button`)
	w.do(chromedp.WaitVisible(`.report h1`))
	_, err = measurement.Read(filepath.Join(folder, "results", "C-101.json"))
	require.NoError(t, err)
}

// A measurement that is stopped stores nothing, and the case can be measured again at once.
func TestBrowserStopsAMeasurement(t *testing.T) {
	t.Parallel()
	made := page.DemoCase(t)
	folder := filepath.Join(t.TempDir(), "practice")
	require.NoError(t, os.CopyFS(filepath.Join(folder, "C-101"), os.DirFS(made)))
	w := see(t, folder, 1280)
	w.to("/case/C-101/follow-up")
	w.press(`form[action=measure] button`)
	w.press(`form[action=stop] button`)
	assert.Contains(t, w.says("main"), "The measurement was stopped; nothing was stored")
	w.picture("stopped")
	assert.NoDirExists(t, filepath.Join(folder, "results"))
	w.press(`form[action=measure] button`)
	w.do(chromedp.WaitVisible(`.report h1`))
	assert.FileExists(t, filepath.Join(folder, "results", "C-101.json"))
}

// A full disk: each step says so, what was there stays as it was, and nothing half done is
// left. A limit on the size of files stands for the disk, as in cmd/plumbline.
func TestBrowserOnAFullDisk(t *testing.T) {
	t.Parallel()
	binary := built(t)
	made := page.DemoCase(t)
	folder := filepath.Join(t.TempDir(), "practice")
	drafted(t, made, folder, "C-102")
	require.NoError(t, os.CopyFS(filepath.Join(folder, "C-101"), os.DirFS(made)))
	before := contents(t, folder, "C-102", "plan-draft.json")
	const block = "1" // of 512 or 1024 bytes, as the shell has it
	p := started(t, binary, folder, block)
	w := blank(t, 1280)
	w.enter(p.address)
	const words = "The disk did not take it"

	w.give(`input[name=file]`, filepath.Join(made, "pre"))
	w.do(chromedp.Click(`form[data-upload] button.main`, chromedp.NodeVisible))
	w.until(`/disk/.test(document.querySelector(".chosen").innerText)`)
	w.picture("full")

	w.to("/case/C-102/draw?kind=nerve")
	w.settled()
	for n := range 12 {
		w.bar(0, float64(n))
		w.click(0, w.middle(0))
	}
	w.press(`#keep button.main`)
	assert.Contains(t, w.says("main"), words)
	assert.Equal(t, before, contents(t, folder, "C-102", "plan-draft.json"))

	w.to("/case/C-101/seal")
	w.press(`main form button.main`)
	assert.Contains(t, w.says("main"), words)
	w.to("/case/C-101/follow-up")
	w.press(`form[action=measure] button`)
	w.until(`!document.getElementById("progress") && document.readyState === "complete"`)
	assert.Contains(t, w.says("main"), words)
	p.kill()

	assert.NoDirExists(t, filepath.Join(folder, "C-103"))
	for _, pattern := range []string{".*", "*/.*", "results/*"} {
		left, err := filepath.Glob(filepath.Join(folder, pattern))
		require.NoError(t, err)
		assert.Empty(t, left, pattern)
	}
	// There is room again.
	p = started(t, binary, folder, "")
	w.enter(p.address)
	w.to("/case/C-101/seal")
	w.press(`main form button.main`)
	assert.Contains(t, w.says("main"), "Receipt")
	f, err := series.Read(filepath.Join(folder, "my-series.jsonl"))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	assert.Len(t, f.Records, 1)
}

// middle is the point of the patient in the middle of the n-th cut.
func (w *window) middle(n int) [3]float64 {
	w.t.Helper()
	return js[[3]float64](w, `[...document.querySelectorAll(".hung:not([hidden]) .cut")][%d].cut.plane.at`, n)
}

// drafted is a case in a folder whose fixture is set and whose plan is not confirmed.
func drafted(t *testing.T, made, folder, name string) {
	t.Helper()
	draft := filepath.Join(folder, name)
	require.NoError(t, os.CopyFS(filepath.Join(draft, "pre"), os.DirFS(filepath.Join(made, "pre"))))
	require.NoError(t, os.WriteFile(filepath.Join(draft, "plan-draft.json"), []byte(`{"clinician": "a", "placed": "2026-12-24", "fixtures": [{"site": 46, "diameter": 4.8, "source": "by-hand",
		"planned": {"Entry": {"X": -22.7, "Y": 7, "Z": -15}, "Apex": {"X": -22.7, "Y": 7, "Z": -27}}}]}`), 0o644))
}
