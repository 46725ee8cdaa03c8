package page

import (
	"archive/zip"
	"bytes"
	"context"
	"fmt"
	"io"
	"log/slog"
	"math"
	"mime/multipart"
	"net/http"
	"net/http/httptest"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/page/loopback"
	"plumbline/internal/page/practice"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// made is a small demonstration case, made once.
var made = sync.OnceValues(func() (string, error) {
	spec := phantom.Demo()[0]
	for _, c := range []*phantom.Scan{&spec.Pre, &spec.Post} {
		c.Voxel, c.Slice, c.Width, c.Height = 0.5, 0, 50, 40
	}
	folder, err := os.MkdirTemp("", "page")
	if err != nil {
		return "", err
	}
	return folder, phantom.Write(filepath.Join(folder, "made"), spec)
})

func TestMain(m *testing.M) {
	code := m.Run()
	if folder, err := made(); err == nil {
		os.RemoveAll(folder)
	}
	os.Exit(code)
}

func demoCase(t *testing.T) string {
	t.Helper()
	folder, err := made()
	require.NoError(t, err)
	return filepath.Join(folder, "made")
}

// visit is a browser without scripts on a practice folder.
type visit struct {
	t      *testing.T
	page   *Page
	server *httptest.Server
	folder string
	day    atomic.Pointer[time.Time]
}

// on lets the time pass to the morning of a day.
func (v *visit) on(day int, month time.Month) {
	now := time.Date(2026, month, day, 9, 0, 0, 0, time.UTC)
	v.day.Store(&now)
}

func begun(t *testing.T) *visit {
	t.Helper()
	folder := filepath.Join(t.TempDir(), "practice")
	f, err := practice.Open(folder)
	require.NoError(t, err)
	s, err := loopback.Listen(0)
	require.NoError(t, err)
	v := &visit{t: t, folder: folder}
	v.on(1, time.February)
	v.page = New(Options{Folder: f, Presence: s.Presence, Now: func() time.Time { return *v.day.Load() },
		Version: "v0", CheckLine: "check FILE.zip", Log: slog.New(slog.NewTextHandler(io.Discard, nil))})
	v.server = httptest.NewServer(v.page.Handler())
	t.Cleanup(func() {
		v.server.Close()
		require.NoError(t, f.Close())
	})
	return v
}

func (v *visit) answer(res *http.Response, err error) (int, string) {
	v.t.Helper()
	require.NoError(v.t, err)
	defer res.Body.Close()
	body, err := io.ReadAll(res.Body)
	require.NoError(v.t, err)
	return res.StatusCode, string(body)
}

// seen is the mark of the plan that a form at an address was shown beside.
func (v *visit) seen(address string) string {
	name := strings.Split(address+"//", "/")[2]
	c, err := v.page.folder.Case(name)
	if err != nil {
		return ""
	}
	return c.Mark
}

func (v *visit) get(address string) (int, string) {
	v.t.Helper()
	return v.answer(http.Get(v.server.URL + address))
}

func (v *visit) post(address string, fields ...string) (int, string) {
	v.t.Helper()
	form := url.Values{seenField: {v.seen(address)}}
	for i := 0; i < len(fields); i += 2 {
		form.Set(fields[i], fields[i+1])
	}
	return v.answer(http.PostForm(v.server.URL+address, form))
}

// done is post, which has to succeed.
func (v *visit) done(address string, fields ...string) string {
	v.t.Helper()
	status, body := v.post(address, fields...)
	require.Equal(v.t, http.StatusOK, status, body)
	return body
}

// send posts files, each under the name that is given.
func (v *visit) send(address string, fields map[string]string, files map[string][]byte) (int, string) {
	v.t.Helper()
	return v.sendParts(address, fields, files, func(string) string { return "file" })
}

// sendParts posts files, each as the part of the form that belongs to its name.
func (v *visit) sendParts(address string, fields map[string]string, files map[string][]byte, part func(name string) string) (int, string) {
	v.t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	require.NoError(v.t, w.WriteField(seenField, v.seen(address)))
	for name, value := range fields {
		require.NoError(v.t, w.WriteField(name, value))
	}
	for name, data := range files {
		out, err := w.CreateFormFile(part(name), name)
		require.NoError(v.t, err)
		_, err = out.Write(data)
		require.NoError(v.t, err)
	}
	require.NoError(v.t, w.Close())
	return v.answer(http.Post(v.server.URL+address, w.FormDataContentType(), &b))
}

// scanFiles are the files of a scan under names that must not be kept.
func scanFiles(t *testing.T, folder string) map[string][]byte {
	t.Helper()
	entries, err := os.ReadDir(folder)
	require.NoError(t, err)
	out := map[string][]byte{}
	for _, e := range entries {
		data, err := os.ReadFile(filepath.Join(folder, e.Name()))
		require.NoError(t, err)
		out["../../Doe^Jane/"+e.Name()] = data
	}
	return out
}

// text is a point as a form has it.
func text(p geom.Vec) string { return fmt.Sprintf("%.5f,%.5f,%.5f", p.X, p.Y, p.Z) }

// planned is a case up to its confirmed plan, set at the truth's.
func (v *visit) planned() *casefile.Case {
	v.t.Helper()
	truth, err := casefile.ReadPlan(demoCase(v.t))
	require.NoError(v.t, err)
	status, body := v.send("/new", map[string]string{"name": "C-001", "clinician": "clinician-a"}, scanFiles(v.t, filepath.Join(demoCase(v.t), "pre")))
	require.Equal(v.t, http.StatusOK, status, body)
	require.Contains(v.t, body, "19 January 2026")
	v.done("/case/C-001/tooth", "site", "46")
	f := truth.Fixtures[0]
	v.done("/case/C-001/place/46", "entry", text(f.Planned.Entry), "apex", text(f.Planned.Apex), "diameter", "4,8", "length", "12")
	var points []string
	for _, p := range truth.Structures[0].Path[2:6] {
		points = append(points, text(p))
	}
	v.done("/case/C-001/draw", "kind", "nerve", "name", "right nerve canal", "radius", "1.3", "points", strings.Join(points, "\n"))
	v.done("/case/C-001/about", "placed", "2026-02-09", "guidance", "full-guide")
	v.done("/case/C-001/confirm")
	return truth
}

func TestACaseFromScanToPackIsThatOfTheCommandLine(t *testing.T) {
	v := begun(t)
	truth := v.planned()

	c, err := casefile.ReadPlan(filepath.Join(v.folder, "C-001"))
	require.NoError(t, err)
	assert.Less(t, r3.Norm(r3.Sub(truth.Fixtures[0].Planned.Entry, c.Fixtures[0].Planned.Entry)), 0.02)
	assert.Equal(t, []any{casefile.FullGuide, 4.8, 12.0}, []any{c.Fixtures[0].Guidance, c.Fixtures[0].Diameter, c.Fixtures[0].Length})
	assert.Equal(t, "right nerve canal", c.Structures[0].Name)

	assert.Equal(t, []float64{0.3, 0.4}, []float64{c.Fixtures[0].PlanUncertainty, c.Structures[0].DrawnUncertainty})

	_, body := v.get("/case/C-001/seal")
	assert.Contains(t, body, "nerve canal as drawn")
	assert.NotContains(t, body, "-not-checked", "codes are for scripts")
	assert.Contains(t, body, "today, before surgery")
	body = v.done("/case/C-001/seal")
	f, err := series.Read(filepath.Join(v.folder, practice.SeriesFile))
	require.NoError(t, err)
	assert.Contains(t, body, f.Receipt())
	v.done("/case/C-001/seal")

	status, body := v.send("/case/C-001/follow-up", nil, scanFiles(t, filepath.Join(demoCase(t), "post")))
	require.Equal(t, http.StatusOK, status, body)
	v.on(20, time.March)
	v.done("/case/C-001/measure")
	require.Eventually(t, func() bool { return v.page.running("C-001") == nil }, time.Minute, 20*time.Millisecond)
	require.NoError(t, v.page.failed("C-001"))

	// The measurement has the bytes that measure --json writes.
	stored, err := os.ReadFile(filepath.Join(v.folder, "results", "C-001.json"))
	require.NoError(t, err)
	s, err := measure.Case(filepath.Join(v.folder, "C-001"), measure.Options{Version: "v0", Seed: 1, Today: "2026-03-20"})
	require.NoError(t, err)
	var b bytes.Buffer
	require.NoError(t, printable.WriteJSON(&b, s.Result))
	assert.Equal(t, b.String(), string(stored))

	body = v.done("/case/C-001/enter")
	assert.Contains(t, body, "In the series")
	v.done("/case/C-001/enter")
	f, err = series.Read(filepath.Join(v.folder, practice.SeriesFile))
	require.NoError(t, err)
	require.NoError(t, f.Sound())
	require.Len(t, f.Records, 2, "what is there already is not added twice")
	assert.Equal(t, s.Result.Inputs, f.Records[1].Measurement.Inputs)
	with := series.PlanOf(c, s.Result.Inputs.PreSHA256)
	assert.Equal(t, with.SHA256, f.Records[1].Plan.SHA256)
	assert.Equal(t, series.SealKept, series.Summarise(f.Records, "2026-02-20").Cases[0].Seal)

	_, body = v.get("/series")
	assert.Contains(t, body, `href="/case/C-001"`)
	body = v.done("/series/pack")
	assert.Contains(t, body, "review-2026-03-20.zip")
	for _, station := range []string{"scan", "plan", "seal", "follow-up", "result", "report.pdf"} {
		status, body := v.get("/case/C-001/" + station)
		assert.Equal(t, http.StatusOK, status, station)
		assert.NotContains(t, body, "Doe")
	}
	_, err = measurement.Read(filepath.Join(v.folder, "results", "C-001.json"))
	require.NoError(t, err)
}

// What is done a second time shows how sure the hand is, and moves nothing.
func TestASecondTimeShowsTheHand(t *testing.T) {
	v := begun(t)
	v.planned()
	before, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	f := before.Draft.Fixtures[0]
	entry := r3.Add(f.Planned.Entry, geom.Vec{X: 0.6})
	v.done("/case/C-001/place/46?again", "entry", text(entry), "apex", text(f.Planned.Apex), "diameter", "4.8", "length", "12")
	var points []string
	for _, p := range before.Draft.Structures[0].Points {
		points = append(points, text(r3.Add(p, geom.Vec{Z: 1})))
	}
	v.done("/case/C-001/draw?kind=nerve&again", "kind", "nerve", "name", "right nerve canal", "radius", "1.3", "points", strings.Join(points, "\n"))
	after, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	assert.Equal(t, f.Planned, after.Draft.Fixtures[0].Planned)
	assert.Equal(t, before.Draft.Structures[0].Points, after.Draft.Structures[0].Points)
	// Differences of 0.6 mm in one of six coordinates, and Student's factor of 4.5 degrees of
	// freedom over the normal one.
	assert.InDelta(t, 0.6/math.Sqrt(12)*2.66/1.96, after.Draft.Fixtures[0].Uncertainty, 0.01)
	// Four points a millimetre off the line in one of two directions, both ways about, Student's
	// factor of 8, and the radius.
	assert.InDelta(t, math.Hypot(1/math.Sqrt(2*1.8)*2.306/1.96, 0.2), after.Draft.Structures[0].Uncertainty, 0.03)
	assert.True(t, after.Draft.Structures[0].Repeated)
}

// A measurement that is stopped stores nothing.
func TestAStoppedMeasurementStoresNothing(t *testing.T) {
	v := begun(t)
	v.planned()
	status, body := v.send("/case/C-001/follow-up", nil, scanFiles(t, filepath.Join(demoCase(t), "post")))
	require.Equal(t, http.StatusOK, status, body)
	v.page.turn <- struct{}{} // it waits for its turn until it was stopped
	v.done("/case/C-001/measure")
	v.done("/case/C-001/stop")
	<-v.page.turn
	require.Nil(t, v.page.running("C-001"))
	require.ErrorIs(t, v.page.failed("C-001"), errStopped)
	_, body = v.get("/case/C-001/follow-up")
	assert.Contains(t, body, "The measurement was stopped")
	assert.Contains(t, body, `action="measure"`, "it can be measured again")
	v.page.turn <- struct{}{} // it came to its end
	assert.NoDirExists(t, filepath.Join(v.folder, "results"))

	// Another one waits for its turn.
	v.done("/case/C-001/measure")
	require.NotNil(t, v.page.running("C-001"))
	require.NoError(t, v.page.failed("C-001"))
	v.done("/case/C-001/stop")
	<-v.page.turn
}

func TestWhatChangedMeanwhileIsNotOverwritten(t *testing.T) {
	v := begun(t)
	v.planned()
	file := filepath.Join(v.folder, "C-001", casefile.FileName)

	// Two windows on one plan.
	one, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	two, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	d := one.Draft
	d.Placed = "2026-02-10"
	require.NoError(t, one.Save(d))
	d.Placed = "2026-02-11"
	require.ErrorIs(t, two.Save(d), practice.ErrChanged)
	now, err := v.page.folder.Case("C-001")
	require.NoError(t, err)
	assert.Equal(t, "2026-02-10", now.Draft.Placed)

	// Two forms that were shown beside the same plan: the second is shown what the first did.
	for _, form := range [][]string{
		{"/case/C-001/place/46", "entry", "-22,7,-15", "apex", "-22,7,-27", "diameter", "4.1", "length", "12"},
		{"/case/C-001/draw", "kind", "nerve", "name", "right nerve canal", "radius", "2", "points", "1,2,3\n1,2,6\n1,2,9"},
		{"/case/C-001/remove", "structure", "right nerve canal"},
		{"/case/C-001/about", "placed", "2026-03-11"},
		{"/case/C-001/tooth", "site", "45"},
	} {
		status, body := v.post(form[0], append(form[1:], seenField, one.Mark+"x")...)
		assert.Equal(t, http.StatusConflict, status, form[0])
		assert.Contains(t, body, "Surgery on 2026-02-10", form[0])
		assert.Contains(t, body, `name="`+form[1]+`"`, "it can be taken in all the same")
	}
	status, body := v.sendParts("/case/C-001/table", map[string]string{seenField: "", "text": "46;1;2;3;4;5;6"}, nil, nil)
	assert.Equal(t, http.StatusConflict, status)
	assert.Contains(t, body, "changed in another window")
	now, err = v.page.folder.Case("C-001")
	require.NoError(t, err)
	assert.Equal(t, "2026-02-10", now.Draft.Placed)
	assert.Len(t, now.Draft.Fixtures, 1)
	assert.Equal(t, 4.8, now.Draft.Fixtures[0].Diameter)
	assert.Equal(t, 1.3, now.Draft.Structures[0].Radius)

	// A plan that is not the one that was read back is not sealed.
	status, body = v.post("/case/C-001/seal", seenField, one.Mark+"x")
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.Contains(t, body, "nothing was sealed")
	assert.NoFileExists(t, filepath.Join(v.folder, practice.SeriesFile))

	// An editor on the case file.
	before, err := os.ReadFile(file)
	require.NoError(t, err)
	edited := append([]byte("# by hand\n"), before...)
	require.NoError(t, os.WriteFile(file, edited, 0o644))
	status, body = v.post("/case/C-001/tooth", "site", "45")
	assert.Equal(t, http.StatusConflict, status)
	assert.Contains(t, body, "changed by hand")
	status, _ = v.post("/case/C-001/confirm")
	assert.Equal(t, http.StatusConflict, status)
	after, err := os.ReadFile(file)
	require.NoError(t, err)
	assert.Equal(t, string(edited), string(after))

	// A sealed plan.
	require.NoError(t, os.WriteFile(file, before, 0o644))
	v.done("/case/C-001/seal")
	status, body = v.post("/case/C-001/tooth", "site", "45")
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.Contains(t, body, "sealed")
}

func TestNothingOutsideTheFolderIsReached(t *testing.T) {
	v := begun(t)
	outside := t.TempDir()
	require.NoError(t, os.MkdirAll(filepath.Join(outside, "C-9", "pre"), 0o755))
	require.NoError(t, os.WriteFile(filepath.Join(outside, "C-9", casefile.FileName), nil, 0o644))
	require.NoError(t, os.WriteFile(filepath.Join(outside, "series.jsonl"), nil, 0o644))
	require.NoError(t, os.Symlink(filepath.Join(outside, "C-9"), filepath.Join(v.folder, "C-9")))
	require.NoError(t, os.Symlink(filepath.Join(outside, "series.jsonl"), filepath.Join(v.folder, "out.jsonl")))
	require.NoError(t, os.Mkdir(filepath.Join(v.folder, "C-8"), 0o755))
	require.NoError(t, os.Symlink(filepath.Join(demoCase(t), "pre"), filepath.Join(v.folder, "C-8", "pre")))

	_, body := v.get("/")
	assert.NotContains(t, body, "C-9")
	for _, name := range []string{"C-9", "C-8", "..", "..%2f..%2fetc", "%2e%2e", "C-1%2f..%2f..", ".incoming-1", "results", "nul", "C-1%00", `..%5c..`} {
		for _, station := range []string{"scan", "cut?of=pre&at=0,0,0&right=1,0,0&up=0,1,0&w=2&h=2&pixel=1"} {
			status, _ := v.get("/case/" + name + "/" + station)
			assert.Equal(t, http.StatusNotFound, status, name)
		}
	}
	status, _ := v.post("/series/choose", "series", "../out.jsonl")
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	names, err := v.page.folder.Series()
	require.NoError(t, err)
	assert.Empty(t, names)

	for _, name := range []string{"../evil", "a/b", `a\b`, "", ".hidden", "Müller, Hans", "results", "Doe Jane"} {
		status, _ := v.send("/new", map[string]string{"name": name, "clinician": "a"}, scanFiles(t, filepath.Join(demoCase(t), "pre")))
		assert.Equal(t, http.StatusUnprocessableEntity, status, name)
	}
	left, err := filepath.Glob(filepath.Join(v.folder, ".*"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

func TestNamesInAnArchiveLeadNowhere(t *testing.T) {
	v := begun(t)
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for name, data := range scanFiles(t, filepath.Join(demoCase(t), "pre")) {
		w, err := z.Create(name)
		require.NoError(t, err)
		_, err = w.Write(data)
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	status, body := v.send("/new", map[string]string{"name": "C-001", "clinician": "a"}, map[string][]byte{"Doe Jane.zip": b.Bytes()})
	require.Equal(t, http.StatusOK, status, body)
	assert.Contains(t, body, "19 January 2026")
	var found []string
	require.NoError(t, filepath.WalkDir(filepath.Dir(v.folder), func(path string, e os.DirEntry, err error) error {
		if !e.IsDir() {
			found = append(found, filepath.Base(path))
		}
		return err
	}))
	assert.ElementsMatch(t, []string{"pre", "plan-draft.json"}, found)
}

func TestTextIsShownAndNeverRun(t *testing.T) {
	v := begun(t)
	v.planned()
	const script = `"><script>alert(1)</script><img src=x onerror=alert(1)>`
	v.done("/case/C-001/draw", "kind", "root", "name", "root "+script, "radius", "2", "points", "1,2,3\n1,2,6\n1,2,9")
	v.done("/case/C-001/leave-out", "reason", script)
	v.done("/series/remark", "text", script, "by", "mentor-a", "case", "C-001")
	for _, address := range []string{"/", "/series", "/case/C-001/plan", "/case/C-001/follow-up", "/case/C-001/place/46", "/case/C-001/draw?kind=root"} {
		status, body := v.get(address)
		require.Equal(t, http.StatusOK, status, address)
		assert.NotContains(t, body, "<script>alert", address)
		assert.NotContains(t, body, "<img src=x", address)
	}
	theirs, err := os.ReadFile(filepath.Join(v.folder, "my-series.jsonl"))
	require.NoError(t, err)
	status, body := v.send("/review", nil, map[string][]byte{"a.jsonl": theirs})
	require.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "alert(1)")
	assert.NotContains(t, body, "<script>alert")
	assert.NotContains(t, body, "<img src=x")
	for _, field := range [][]string{
		{"/series/remark", "text", "seen", "by", script},
		{"/case/C-001/tooth", "site", script},
		{"/case/C-001/about", "placed", script},
		{"/case/C-001/draw", "kind", script, "name", "x", "radius", "1", "points", ""},
		{"/case/C-001/place/46", "entry", script, "apex", "0,0,0", "diameter", "4", "length", "10"},
		{"/case/" + url.PathEscape(script) + "/confirm"},
		{"/series/choose", "series", script},
	} {
		status, body := v.post(field[0], field[1:]...)
		assert.GreaterOrEqual(t, status, 400, field[0])
		assert.NotContains(t, body, "<script>alert", field[0])
		assert.NotContains(t, body, "<img src=x", field[0])
	}
}

func TestAnUploadIsBounded(t *testing.T) {
	v := begun(t)
	r := httptest.NewRequest(http.MethodPost, "/new", io.LimitReader(endless{}, 1<<20))
	r.Header.Set("Content-Type", "multipart/form-data; boundary=x")
	r.ContentLength = 10 << 30
	w := httptest.NewRecorder()
	v.page.Handler().ServeHTTP(w, r)
	assert.Equal(t, http.StatusRequestEntityTooLarge, w.Code)

	// A table of more than a megabyte.
	v.planned()
	status, _ := v.send("/case/C-001/table", nil, map[string][]byte{"t.csv": bytes.Repeat([]byte("x"), 4<<20)})
	assert.Equal(t, http.StatusRequestEntityTooLarge, status)
	left, err := filepath.Glob(filepath.Join(v.folder, ".*"))
	require.NoError(t, err)
	assert.Empty(t, left)
}

type endless struct{}

func (endless) Read(p []byte) (int, error) { return len(p), nil }

func TestWhatIsNoScanIsRefused(t *testing.T) {
	v := begun(t)
	for name, files := range map[string]map[string][]byte{
		"nothing": {}, "a text": {"a.txt": []byte("hello")}, "an empty file": {"a.dcm": {}},
		"a damaged archive": {"a.zip": []byte("PK\x03\x04 and no more")},
	} {
		status, body := v.send("/new", map[string]string{"name": "C-001", "clinician": "a"}, files)
		assert.Equal(t, http.StatusUnprocessableEntity, status, name)
		assert.Contains(t, body, "Nothing was changed", name)
		assert.NotContains(t, body, ".incoming", name)
	}
	entries, err := os.ReadDir(v.folder)
	require.NoError(t, err)
	assert.Empty(t, entries)
}

// Every address but the style sheets asks for the session's cookie, pictures too.
func TestEveryAddressAsksForTheSecret(t *testing.T) {
	v := begun(t)
	s, err := loopback.Listen(0)
	require.NoError(t, err)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- s.Serve(ctx, v.page.Handler()) }()
	defer func() {
		cancel()
		require.NoError(t, <-ended)
	}()
	host := strings.SplitAfter(s.Address(), "/enter")[0]
	host = strings.TrimSuffix(host, "/enter")
	asked := 0
	for pattern := range v.page.routes() {
		method, path, _ := strings.Cut(pattern, " ")
		path = strings.NewReplacer("{$}", "", "{case}", "C-001", "{site}", "46", "{record}", "0123456789abcdef.zip", "{number}", "1", "{other}", "x").Replace(path)
		r, err := http.NewRequest(method, host+path, nil)
		require.NoError(t, err)
		res, err := http.DefaultClient.Do(r)
		require.NoError(t, err)
		res.Body.Close()
		assert.Equal(t, http.StatusForbidden, res.StatusCode, pattern)
		assert.Contains(t, res.Header.Get("Content-Security-Policy"), "frame-ancestors 'none'", pattern)
		asked++
	}
	assert.Greater(t, asked, 25)
}

func TestCutsThatCannotBeAreRefused(t *testing.T) {
	v := begun(t)
	v.planned()
	const good = "of=pre&at=-22,7,-15&right=1,0,0&up=0,1,0&w=8&h=4&pixel=0.2"
	status, body := v.get("/case/C-001/cut?" + good)
	require.Equal(t, http.StatusOK, status)
	assert.Len(t, body, 2*8*4)
	for _, change := range [][2]string{
		{"of=pre", "of=post"}, {"of=pre", "of=../x"}, {"w=8", "w=100000"}, {"h=4", "h=0"}, {"pixel=0.2", "pixel=NaN"}, {"pixel=0.2", "pixel=1e-9"},
		{"up=0,1,0", "up=1,0,0"}, {"right=1,0,0", "right=2,0,0"}, {"at=-22,7,-15", "at=NaN,0,0"}, {"at=-22,7,-15", "at=1"}, {"at=-22,7,-15", "at=1e300,0,0"},
	} {
		status, _ := v.get("/case/C-001/cut?" + strings.Replace(good, change[0], change[1], 1))
		assert.GreaterOrEqual(t, status, 400, change[1])
		assert.Less(t, status, 500, change[1])
	}
}
