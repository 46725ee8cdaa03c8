package page

import (
	"bytes"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/report"
	"plumbline/internal/report/reviewpack"
	"plumbline/internal/series"
)

// somebodys is a series file of two cases, of which the second entered the canal.
func somebodys(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "theirs.jsonl")
	l, err := series.OpenLedger(path, time.Date(2026, 4, 1, 9, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	for i, name := range []string{"X-1", "X-2"} {
		distance, margin, planned, off := 2.5-3*float64(i), 2.0, 2.6, 0.6
		var deviation measurement.Values
		for f := range deviation {
			deviation[f] = &off
		}
		_, err := l.Add(series.Record{Kind: series.Measured, Case: name, Measurement: &measurement.Case{
			Schema: measurement.Schema, Case: name, Placed: "2026-03-0" + string(rune('1'+i)), Clinician: "clinician-b",
			Fixtures: []measurement.Fixture{{
				Site: "46", Planned: measurement.Placement{Apex: [3]float64{0, 0, -10}, Diameter: 4, Length: 10},
				Deviation: &deviation,
				Clearance: []measurement.Clearance{{Structure: "right canal", Kind: "nerve", Planned: planned, Achieved: &distance, Margin: &margin}},
			}},
		}})
		require.NoError(t, err)
	}
	return path
}

// A mentor opens a pack: the gravest case stands first, the digest is held against it, and
// the mentor's words go into a file that the owner of the series takes in.
func TestAReviewer(t *testing.T) {
	theirs := somebodys(t)
	made, err := reviewpack.Make(theirs, reviewpack.Options{Today: "2026-04-02", Version: "v0", Paper: report.A4, CheckLine: "check FILE.zip"})
	require.NoError(t, err)
	var pack bytes.Buffer
	require.NoError(t, reviewpack.Write(&pack, made))

	v := begun(t)
	v.on(3, time.April)
	status, body := v.send("/review", nil, map[string][]byte{"Doe Jane.zip": pack.Bytes()})
	require.Equal(t, http.StatusOK, status, body)
	assert.NotContains(t, body, "Doe")
	assert.Contains(t, body, "It belongs together as it was written")
	entered, other := strings.Index(body, ">X-2</a>"), strings.Index(body, ">X-1</a>")
	require.Positive(t, entered)
	assert.Less(t, entered, other, "the gravest case stands first")
	assert.Contains(t, body, "What it cannot show")

	kept, err := v.page.folder.AllKept()
	require.NoError(t, err)
	require.Len(t, kept, 1)
	address := "/review/" + kept[0].Name
	for given, want := range map[string]string{
		reviewpack.Digest(made): "This is the pack that the digest was given for.",
		strings.Repeat("0", 64): "It does not fit",
	} {
		_, body = v.get(address + "?given=" + given)
		assert.Contains(t, body, want)
	}
	status, body = v.get(address + "/case/2")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "X-2")
	status, _ = v.get(address + "/case/3")
	assert.Equal(t, http.StatusNotFound, status)
	status, body = v.get(address + "/clinician/1")
	assert.Equal(t, http.StatusOK, status)
	assert.Contains(t, body, "clinician-b")
	status, _ = v.get(address + "/clinician/2")
	assert.Equal(t, http.StatusNotFound, status)
	status, _ = v.get("/review")
	assert.Equal(t, http.StatusOK, status)

	body = v.done(address+"/remark", "case", "X-2", "by", "mentor-a", "text", "look at the drill's stop")
	assert.Contains(t, body, "mentor-a, on X-2: look at the drill")
	status, _ = v.post(address+"/remark", "case", "X-9", "by", "mentor-a", "text", "seen")
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	status, words := v.get(address + "/remarks")
	require.Equal(t, http.StatusOK, status)
	names, err := v.page.folder.Series()
	require.NoError(t, err)
	assert.Empty(t, names, "a file of remarks is no series")
	after, err := os.ReadFile(kept[0].Path)
	require.NoError(t, err)
	assert.Equal(t, pack.Bytes(), after, "what was sent is as it came")

	// The owner takes the words in, once.
	owner := begun(t)
	owner.on(4, time.April)
	text, err := os.ReadFile(theirs)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(filepath.Join(owner.folder, "theirs.jsonl"), text, 0o644))
	for range 2 {
		status, body = owner.send("/series/take", nil, map[string][]byte{"remarks.jsonl": []byte(words)})
		require.Equal(t, http.StatusOK, status, body)
	}
	f, err := series.Read(filepath.Join(owner.folder, "theirs.jsonl"))
	require.NoError(t, err)
	require.Len(t, f.Records, 3)
	assert.Equal(t, "look at the drill's stop", f.Records[2].Text)
	require.NoError(t, f.Sound())
	// A copy that lacks nothing adds nothing; one of another series is refused.
	status, _ = owner.send("/series/take", nil, map[string][]byte{"a.jsonl": text})
	assert.Equal(t, http.StatusOK, status)
	other2, err := os.ReadFile(somebodysElse(t))
	require.NoError(t, err)
	status, body = owner.send("/series/take", nil, map[string][]byte{"a.jsonl": other2})
	assert.Equal(t, http.StatusUnprocessableEntity, status)
	assert.NotContains(t, body, ".incoming")
}

// somebodysElse is the beginning of another series.
func somebodysElse(t *testing.T) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "other.jsonl")
	l, err := series.OpenLedger(path, time.Date(2026, 5, 1, 9, 0, 0, 0, time.UTC))
	require.NoError(t, err)
	_, err = l.Add(series.Record{Kind: series.Remark, Author: "a", Text: "another"})
	require.NoError(t, err)
	return path
}

// An edited series file is told as that before anything else; what is no record is refused.
func TestAReviewerIsToldOfAnEditedFile(t *testing.T) {
	text, err := os.ReadFile(somebodys(t))
	require.NoError(t, err)
	v := begun(t)
	v.on(3, time.April)
	status, body := v.send("/review", nil, map[string][]byte{"a.jsonl": bytes.Replace(text, []byte("2.5"), []byte("9.5"), 1)})
	require.Equal(t, http.StatusOK, status, body)
	assert.Contains(t, body, "It is not as it was written")
	for _, files := range []map[string][]byte{{}, {"a.txt": []byte("hello")}, {"a.zip": []byte("PK\x03\x04")}, {"a.jsonl": []byte(`{"schema":"plumbline/remark/1"}`)}} {
		status, body = v.send("/review", nil, files)
		assert.Equal(t, http.StatusUnprocessableEntity, status)
		assert.NotContains(t, body, ".incoming")
	}
	for _, name := range []string{"..%2fseries.jsonl", "x.zip", "0123456789abcdef.zip", "0123456789ABCDEF.zip"} {
		status, _ = v.get("/review/" + name)
		assert.Equal(t, http.StatusNotFound, status, name)
	}
}
