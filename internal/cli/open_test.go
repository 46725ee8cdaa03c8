package cli

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// opened runs open until its address is printed, and then ends it.
func opened(t *testing.T, mouse bool, args ...string) (int, string) {
	t.Helper()
	t.Setenv("BROWSER", "true") // a command that does nothing
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var out, errs bytes.Buffer
	said := &watched{to: &out, word: "http://127.0.0.1:", then: cancel}
	status := Run(ctx, args, Env{Stdout: said, Stderr: &errs, Now: time.Now, Version: "v0", Mouse: mouse,
		Later: func(d time.Duration, f func()) func() bool { return time.AfterFunc(d, f).Stop }})
	return status, out.String() + errs.String()
}

// watched calls then when a word was written.
type watched struct {
	to   *bytes.Buffer
	word string
	then func()
}

func (w *watched) Write(p []byte) (int, error) {
	n, err := w.to.Write(p)
	if bytes.Contains(w.to.Bytes(), []byte(w.word)) {
		w.then()
	}
	return n, err
}

func TestOpenShowsAFolderUntilItIsEnded(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "cases")
	status, out := opened(t, false, "open", folder)
	assert.Equal(t, Done, status, out)
	assert.Contains(t, out, folder)
	assert.DirExists(t, folder)

	home := t.TempDir()
	t.Setenv("HOME", home)
	t.Setenv("USERPROFILE", home)
	status, out = opened(t, true)
	assert.Equal(t, Done, status, out)
	assert.Contains(t, out, "closing it ends the program")
	assert.DirExists(t, filepath.Join(home, "Documents", "plumbline"))

	dropped := t.TempDir()
	status, out = opened(t, true, dropped)
	assert.Equal(t, Done, status, out)
	assert.Contains(t, out, dropped)

	file := filepath.Join(dropped, "a.txt")
	assert.NoError(t, os.WriteFile(file, nil, 0o644))
	status, out = opened(t, false, "open", file)
	assert.Equal(t, BadInput, status)
	assert.Contains(t, out, "is a file")
	status, out = opened(t, false, "open", "--port", "70000", folder)
	assert.Equal(t, BadInput, status)
	assert.Contains(t, out, "expected 0 to 65535")
}

// What is there of the demo stays as it is; what is missing is made, and nothing beside
// files that are somebody's.
func TestDemoIsMadeOnceAndShown(t *testing.T) {
	folder := filepath.Join(t.TempDir(), "demo")
	got := run("phantom", "--demo", "--voxel", "1.2", "--field", "20", folder)
	require.Equal(t, Done, got.status, got.stderr)
	require.NoError(t, os.Remove(filepath.Join(folder, demoSeries)))
	edited := filepath.Join(folder, "C-101", "case.toml")
	write(t, edited, "# worked on")
	status, out := opened(t, false, "demo", "--no-browser", folder)
	assert.Equal(t, Done, status, out)
	assert.Contains(t, out, folder)
	assert.NotContains(t, out, "being made")
	text, err := os.ReadFile(edited)
	require.NoError(t, err)
	assert.Equal(t, "# worked on", string(text))
	assert.FileExists(t, filepath.Join(folder, demoSeries))

	mine := t.TempDir()
	write(t, filepath.Join(mine, "letter.txt"), "mine")
	status, out = opened(t, false, "demo", "--no-browser", mine)
	assert.Equal(t, BadInput, status)
	assert.Contains(t, out, "files that are not the demo's")
	left, err := os.ReadDir(mine)
	require.NoError(t, err)
	assert.Len(t, left, 1)
}
