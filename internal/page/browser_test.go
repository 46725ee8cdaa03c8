//go:build browser

package page_test

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"log/slog"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/input"
	view "github.com/chromedp/cdproto/page"
	"github.com/chromedp/cdproto/runtime"
	"github.com/chromedp/chromedp"
	"github.com/chromedp/chromedp/kb"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/page"
	"plumbline/internal/page/loopback"
	"plumbline/internal/page/practice"
)

// window is a browser's window on a practice folder.
type window struct {
	t      *testing.T
	ctx    context.Context
	folder string
	host   string
}

// pictures, where the environment names a folder, takes a picture of every view.
var pictures = os.Getenv("PLUMBLINE_PICTURES")

// readme, where the environment names a folder, takes the README's pictures of the page.
var readme = os.Getenv("PLUMBLINE_README")

// serve shows a practice folder and gives the address to enter by.
func serve(t *testing.T, folder string) string {
	t.Helper()
	f, err := practice.Open(folder)
	require.NoError(t, err)
	s, err := loopback.Listen(0)
	require.NoError(t, err)
	p := page.New(page.Options{Folder: f, Presence: s.Presence, Now: time.Now, Version: "v0", CheckLine: "check FILE.zip",
		Demo: func() (string, error) { return "", errors.New("no demo here") }, Log: slog.New(slog.NewTextHandler(os.Stderr, nil))})
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, p.Handler()) }()
	t.Cleanup(func() {
		cancel()
		require.NoError(t, <-ended)
		require.NoError(t, f.Close())
	})
	return s.Address()
}

// chromium is the browser's program; the tests of the browser fail without it.
func chromium(t *testing.T) string {
	t.Helper()
	for _, name := range []string{"chromium", "chromium-browser", "google-chrome"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	t.Fatal("there is no Chromium: install Debian's package chromium")
	return ""
}

// see opens a window of a width on a folder.
func see(t *testing.T, folder string, width int64) *window {
	t.Helper()
	w := blank(t, width)
	w.folder = folder
	w.enter(serve(t, folder))
	return w
}

// blank is a browser's window on nothing.
func blank(t *testing.T, width int64) *window {
	t.Helper()
	options := append(chromedp.DefaultExecAllocatorOptions[:], chromedp.ExecPath(chromium(t)), chromedp.NoSandbox, chromedp.WindowSize(int(width), 900))
	allocator, stop := chromedp.NewExecAllocator(context.Background(), options...)
	t.Cleanup(stop)
	ctx, end := chromedp.NewContext(allocator)
	t.Cleanup(end)
	ctx, late := context.WithTimeout(ctx, 8*time.Minute)
	t.Cleanup(late)
	return tab(t, ctx, width)
}

// another is another tab of the same browser, which has its cookies.
func (w *window) another() *window {
	w.t.Helper()
	ctx, end := chromedp.NewContext(w.ctx)
	w.t.Cleanup(end)
	other := tab(w.t, ctx, 1280)
	other.folder = w.folder
	return other
}

// tab makes a window's view of a context of its own.
func tab(t *testing.T, ctx context.Context, width int64) *window {
	t.Helper()
	w := &window{t: t, ctx: ctx}
	telephone := []chromedp.EmulateViewportOption{}
	if width < 600 {
		telephone = append(telephone, chromedp.EmulateMobile, chromedp.EmulateTouch)
	}
	w.do(chromedp.EmulateViewport(width, 900, telephone...))
	failures := chromedp.Events(ctx, runtime.ExceptionThrown)
	go func() {
		for e, err := range failures {
			if err != nil {
				return
			}
			t.Errorf("a script failed: %s %+v", e.ExceptionDetails.Text, e.ExceptionDetails.Exception)
		}
	}()
	return w
}

// enter comes in by the address with the secret.
func (w *window) enter(address string) {
	w.t.Helper()
	at, err := url.Parse(address)
	require.NoError(w.t, err)
	w.host = "http://" + at.Host
	w.do(chromedp.Navigate(address))
	w.until(`location.pathname === "/" && document.readyState === "complete"`)
}

// to goes to an address of the page.
func (w *window) to(address string) {
	w.t.Helper()
	w.do(chromedp.Navigate(w.host+address), chromedp.WaitVisible("main h1"))
}

func (w *window) do(actions ...chromedp.Action[chromedp.Void]) {
	w.t.Helper()
	for _, a := range actions {
		err := chromedp.Do(w.ctx, a)
		// The scripts put another picture in the place of what was just found.
		for tries := 0; err != nil && strings.Contains(err.Error(), "Could not find node") && tries < 5; tries++ {
			err = chromedp.Do(w.ctx, a)
		}
		require.NoError(w.t, err)
	}
}

// js gives what an expression is.
func js[T any](w *window, expression string, args ...any) T {
	w.t.Helper()
	out, err := chromedp.Run(w.ctx, chromedp.Evaluate[T](fmt.Sprintf(expression, args...), chromedp.EvalAwaitPromise))
	require.NoError(w.t, err)
	return out
}

// picture keeps a picture of the whole view, where somebody asked for it.
func (w *window) picture(name string) {
	w.t.Helper()
	if pictures == "" {
		return
	}
	w.do(chromedp.Sleep(300 * time.Millisecond))
	png, err := chromedp.Run(w.ctx, chromedp.FullScreenshot(100))
	require.NoError(w.t, err)
	require.NoError(w.t, os.MkdirAll(pictures, 0o755))
	require.NoError(w.t, os.WriteFile(filepath.Join(pictures, name+".png"), png, 0o644))
}

// readme keeps a small picture of a part of the view for the README, where the environment
// asks for it: from the top of what a selector names on, so many pixels high.
func (w *window) readme(name, selector string, height float64) {
	w.t.Helper()
	if readme == "" {
		return
	}
	const width, scale, over = 1280, 0.6, 16
	top := js[float64](w, `document.querySelector(%q).getBoundingClientRect().top + scrollY`, selector) - over
	var shot []byte
	w.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		beyond := true
		r, err := cdp.Call(ctx, t, view.CaptureScreenshot, view.CaptureScreenshotParams{CaptureBeyondViewport: &beyond, Clip: &view.Viewport{Y: top, Width: width, Height: height, Scale: scale}})
		shot = r.Data
		return err
	}))
	in, err := png.Decode(bytes.NewReader(shot))
	require.NoError(w.t, err)
	// Few colours make a small file: greys, and those of the plan, the fixture and links.
	inks := color.Palette{color.RGBA{0xfb, 0xf9, 0xf4, 255}, color.RGBA{0xe9, 0xe4, 0xd8, 255}, color.RGBA{0x16, 0x20, 0x2a, 255}, color.RGBA{0xff, 0xc2, 0x0a, 255}, color.RGBA{0xb0, 0x86, 0x10, 255}, color.RGBA{0x8f, 0xd0, 0xff, 255}, color.RGBA{0x0b, 0x4f, 0x8a, 255}, color.RGBA{0x8a, 0x52, 0, 255}}
	for level := 0; level < 256; level += 12 {
		inks = append(inks, color.Gray{uint8(level)})
	}
	out := image.NewPaletted(in.Bounds(), inks)
	draw.Draw(out, out.Bounds(), in, in.Bounds().Min, draw.Src)
	var b bytes.Buffer
	require.NoError(w.t, (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, out))
	const most = 60_000 // bytes
	assert.LessOrEqual(w.t, b.Len(), most, name)
	require.NoError(w.t, os.MkdirAll(readme, 0o755))
	require.NoError(w.t, os.WriteFile(filepath.Join(readme, name+".png"), b.Bytes(), 0o644))
}

// press clicks what can be seen and waits for the next view.
func (w *window) press(selector string) {
	w.t.Helper()
	w.hit(selector, func() { w.do(chromedp.Click(selector, chromedp.NodeVisible)) })
}

// hit does what clicks an element and waits for the next view. On a page that moved meanwhile
// the pointer misses, as a person's does; then it is done again.
func (w *window) hit(selector string, click func()) {
	w.t.Helper()
	js[bool](w, `window.old = true`)
	js[bool](w, `(document.querySelector(%q).addEventListener("click", () => { window.hit = true }, {capture: true}), true)`, selector)
	for range 5 {
		click()
		for began := time.Now(); time.Since(began) < 2*time.Second; time.Sleep(settle) {
			// While one view gives way to another there is nothing to ask: it was hit.
			if ok, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool](`!window.old || window.hit === true`)); err != nil || ok {
				w.next()
				return
			}
		}
	}
	w.t.Fatalf("%s was missed each time", selector)
}

// next waits until another view is there.
func (w *window) next() {
	w.t.Helper()
	w.until(`!window.old && document.readyState === "complete"`)
}

// until waits for what an expression says.
func (w *window) until(expression string) {
	w.t.Helper()
	const most = 2 * time.Minute // of a busy computer
	for began := time.Now(); time.Since(began) < most; time.Sleep(20 * time.Millisecond) {
		// While one view gives way to another there is nothing to ask.
		if ok, err := chromedp.Run(w.ctx, chromedp.Evaluate[bool](expression)); err == nil && ok {
			return
		}
	}
	w.t.Fatalf("it did not come: %s; what is there: %s", expression, js[string](w, `location.href + "\n" + document.querySelector("main").innerText`))
}

// give chooses the files of a folder in a form.
func (w *window) give(selector, folder string) {
	w.t.Helper()
	found, err := filepath.Glob(filepath.Join(folder, "*"))
	require.NoError(w.t, err)
	require.NotEmpty(w.t, found)
	w.do(chromedp.SetUploadFiles(selector, found))
}

// at is where a point of the patient lies on the n-th cut of the view, in the window.
func (w *window) at(n int, p [3]float64) (x, y float64) {
	w.t.Helper()
	text, err := json.Marshal(p)
	require.NoError(w.t, err)
	js[bool](w, `(() => { [...document.querySelectorAll(".hung:not([hidden]) .cut")][%d].scrollIntoView({block: "center"}); return true })()`, n)
	at := js[[2]float64](w, `(() => {
		const box = [...document.querySelectorAll(".hung:not([hidden]) .cut")][%d], cut = box.cut, [x, y] = cut.on(%s);
		const r = box.querySelector("canvas").getBoundingClientRect();
		return [r.left + r.width * (.5 + x / cut.width), r.top + r.height * (.5 - y / cut.height)];
	})()`, n, text)
	return at[0], at[1]
}

// click clicks at a point of the patient.
func (w *window) click(n int, p [3]float64) {
	w.t.Helper()
	x, y := w.at(n, p)
	w.do(chromedp.MouseClickXY(x, y))
}

// drag drags from one place of the window to another.
func (w *window) drag(x, y, toX, toY float64) {
	w.t.Helper()
	w.do(chromedp.MouseEvent(chromedp.MousePressed, x, y, chromedp.ButtonLeft, chromedp.ClickCount(1)),
		chromedp.MouseEvent(chromedp.MouseMoved, (x+toX)/2, (y+toY)/2, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseMoved, toX, toY, chromedp.ButtonLeft),
		chromedp.MouseEvent(chromedp.MouseReleased, toX, toY, chromedp.ButtonLeft, chromedp.ClickCount(1)))
}

// bar moves the bar under the n-th cut.
func (w *window) bar(n int, value float64) {
	w.t.Helper()
	js[bool](w, `(() => { const bar = [...document.querySelectorAll(".hung:not([hidden]) input[type=range]")][%d]; bar.value = %g; bar.dispatchEvent(new Event("input")); return true })()`, n, value)
	w.settled()
}

// settled waits until every cut is shown.
func (w *window) settled() {
	w.t.Helper()
	w.until(`(cuts => cuts.length > 0 && cuts.every(c => "shown" in c.dataset))([...document.querySelectorAll(".hung:not([hidden]) .cut")])`)
}

// keys types keys by their names.
func (w *window) keys(keys string) {
	w.t.Helper()
	w.do(chromedp.KeyEvent(keys))
}

// tab goes by the tabulator key to what a selector names.
func (w *window) tab(selector string) {
	w.t.Helper()
	const most = 150
	for range most {
		w.keys(kb.Tab)
		if js[bool](w, `document.activeElement.matches(%q)`, selector) {
			return
		}
	}
	w.t.Fatalf("the tabulator key does not come to %s", selector)
}

// pressed goes to a button or a link by the tabulator key and presses it.
func (w *window) pressed(selector string) {
	w.t.Helper()
	w.tab(selector)
	js[bool](w, `window.old = true`)
	w.keys(kb.Enter)
	w.next()
}

// touch touches the window along a way.
func (w *window) touch(way ...[2]float64) {
	w.t.Helper()
	for i, at := range way {
		kind := input.DispatchTouchEventTypeTouchMove
		if i == 0 {
			kind = input.DispatchTouchEventTypeTouchStart
		}
		w.touchEvent(kind, &input.TouchPoint{X: at[0], Y: at[1]})
	}
	w.touchEvent(input.DispatchTouchEventTypeTouchEnd)
}

func (w *window) touchEvent(kind input.DispatchTouchEventType, points ...*input.TouchPoint) {
	w.t.Helper()
	w.do(chromedp.Func(func(ctx context.Context, t *chromedp.Target) error {
		_, err := cdp.Call(ctx, t, input.DispatchTouchEvent, input.DispatchTouchEventParams{Type: kind, TouchPoints: points})
		return err
	}))
}

// tap touches what a selector names and waits for the next view.
func (w *window) tap(selector string) {
	w.t.Helper()
	w.hit(selector, func() {
		// Pictures that come in late move what is below them: wait until the place stands still.
		var at, last [2]float64
		for range 40 {
			at = js[[2]float64](w, `(() => { const e = document.querySelector(%q); e.scrollIntoView({block: "center", behavior: "instant"}); const r = e.getBoundingClientRect(); return [r.left + r.width / 2, r.top + r.height / 2] })()`, selector)
			if at == last {
				break
			}
			last = at
			w.do(chromedp.Sleep(settle))
		}
		w.touch(at)
	})
}
