//go:build unix

package main

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"errors"
	"image/png"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// whole tells whether a file is complete, by its kind.
func whole(path string) bool {
	data, err := os.ReadFile(path)
	if err != nil {
		return false
	}
	switch filepath.Ext(path) {
	case ".json":
		return json.Valid(data)
	case ".jsonl":
		return len(data) == 0 || bytes.HasSuffix(data, []byte("}\n"))
	case ".html":
		return bytes.HasSuffix(data, []byte("</html>\n"))
	case ".pdf":
		return bytes.HasSuffix(bytes.TrimSpace(data), []byte("%%EOF"))
	case ".png":
		_, err := png.Decode(bytes.NewReader(data))
		return err == nil
	case ".zip":
		z, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return false
		}
		for _, f := range z.File {
			r, err := f.Open()
			if err != nil {
				return false
			}
			if _, err := io.Copy(io.Discard, r); err != nil {
				return false
			}
		}
		return true
	}
	return bytes.HasSuffix(data, []byte("\n"))
}

// halves lists the files below a folder that have their final name and are not
// whole.
func halves(t testing.TB, dir string) []string {
	t.Helper()
	var out []string
	for _, name := range filesIn(t, dir) {
		if !strings.Contains(name, ".writing-") && !whole(filepath.Join(dir, name)) {
			out = append(out, name)
		}
	}
	return out
}

func TestWholeTellsHalves(t *testing.T) {
	for name, text := range map[string]string{"a.json": "{", "a.jsonl": "{}", "a.html": "<html>", "a.pdf": "%PDF-", "a.png": "", "a.zip": "PK", "a.csv": "case"} {
		path := filepath.Join(t.TempDir(), name)
		require.NoError(t, os.WriteFile(path, []byte(text), 0o644))
		assert.False(t, whole(path), name)
	}
}

// signalled runs the program and sends it a signal after a while; it gives the
// exit status, −1 after a signal that ended it, and how long it ran.
func signalled(t *testing.T, dir string, after time.Duration, s os.Signal, args ...string) (int, string, time.Duration) {
	t.Helper()
	c := program(t, dir, args...)
	var said bytes.Buffer
	c.Stderr = &said
	began := time.Now()
	require.NoError(t, c.Start())
	timer := time.AfterFunc(after, func() { _ = c.Process.Signal(s) })
	defer timer.Stop()
	var exit *exec.ExitError
	if err := c.Wait(); err != nil && !errors.As(err, &exit) {
		t.Fatal(err)
	}
	return c.ProcessState.ExitCode(), said.String(), time.Since(began)
}

// Stopped at any moment, by Ctrl-C, a polite end or a hard one, nothing half
// done has a final name, and the series goes on where it was.
func TestStoppedAtAnyMoment(t *testing.T) {
	dir := t.TempDir()
	addCase(t, filepath.Join(dir, "demo", "C-101"), "C-101")
	args := []string{"measure", "--json", "out/c.json", "--report", "out/c.html", "--series", "s.jsonl", "demo/C-101"}
	status, said, all := signalled(t, dir, time.Hour, os.Interrupt, args...)
	require.Zero(t, status, said)
	require.True(t, whole(filepath.Join(dir, "out", "c.html")))
	moments := 3
	if testing.Short() {
		moments = 1
	}
	for _, s := range []os.Signal{os.Interrupt, syscall.SIGTERM, syscall.SIGKILL} {
		for i := range moments {
			// A machine that has become quicker may be done before: sooner, then.
			for after := all * time.Duration(2*i+1) / time.Duration(2*moments); !stopped(t, dir, after, s, args...); after /= 2 {
			}
		}
	}
}

// stopped runs a measurement from nothing, stops it after a while and holds what
// it left to the promise; false where it was done before.
func stopped(t *testing.T, dir string, after time.Duration, s os.Signal, args ...string) bool {
	t.Helper()
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "out")))
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "s.jsonl")))
	status, said, _ := signalled(t, dir, after, s, args...)
	assert.Empty(t, halves(t, dir), "%v after %v", s, after)
	if _, err := os.Stat(filepath.Join(dir, "s.jsonl")); err == nil {
		out, err := program(t, dir, "series", "check", "s.jsonl").CombinedOutput()
		assert.NoError(t, err, "%s", out)
	}
	// −1: ended by the signal itself, which a program just started does not wait for yet.
	if s != syscall.SIGKILL && status > 0 {
		assert.Equal(t, 130, status, "%v after %v: %s", s, after, said)
		assert.True(t, strings.HasSuffix(said, "plumbline: stopped; what was written is kept.\n"), said)
		for _, name := range filesIn(t, dir) {
			assert.NotContains(t, name, ".writing-", "what was begun is taken away")
		}
	}
	return status != 0
}

// outputs are commands that write a file each, and the file.
func outputs(t *testing.T, dir string) map[string][]string {
	t.Helper()
	addCase(t, filepath.Join(dir, "demo", "C-101"), "C-101")
	for _, args := range [][]string{{"measure", "--json", "c.json", "--series", "s.jsonl", "demo/C-101"}} {
		out, err := program(t, dir, args...).CombinedOutput()
		require.NoError(t, err, "%s", out)
	}
	require.NoError(t, os.Mkdir(filepath.Join(dir, "out"), 0o755))
	return map[string][]string{
		"out/c.json":        {"measure", "--json", "out/c.json", "demo/C-101"},
		"out/c.html":        {"report", "c.json", "out/c.html"},
		"out/c.pdf":         {"report", "c.json", "out/c.pdf"},
		"out/c.dcm":         {"report", "c.json", "out/c.dcm"},
		"out/p.png":         {"align", "--picture", "out/p.png", "demo/C-101"},
		"out/t.csv":         {"series", "export", "--csv", "out/t.csv", "s.jsonl"},
		"out/s.jsonl":       {"seal", "--series", "out/s.jsonl", "demo/C-101"},
		"out/r.zip":         {"pack", "s.jsonl", "out/r.zip"},
		"out/w.jsonl":       {"series", "remark", "--by", "mentor-a", "--text", strings.Repeat("long ", 700), "--into", "out/w.jsonl"},
		"out/new/case.toml": {"phantom", "--voxel", "1.2", "--field", "20", "out/new"},
	}
}

// A full disk: the shell limits the size of a file, and every kind of output is
// told to have failed, by its name, and is not there.
func TestFullDisk(t *testing.T) {
	dir := t.TempDir()
	own, err := os.Executable()
	require.NoError(t, err)
	for file, args := range outputs(t, dir) {
		c := exec.Command("sh", append([]string{"-c", `ulimit -f 1; exec "$@"`, "sh", own}, args...)...)
		c.Dir, c.Env = dir, append(os.Environ(), asProgram+"=1")
		var said bytes.Buffer
		c.Stderr = &said
		_ = c.Run()
		assert.Equal(t, 1, c.ProcessState.ExitCode(), "%s: %s", file, said.String())
		assert.Contains(t, said.String(), "file too large", file)
		assert.Regexp(t, `^(  .*\n)*plumbline: .*\.\n$`, said.String(), "one sentence")
		if file == "out/s.jsonl" {
			assert.True(t, whole(filepath.Join(dir, file)), "a record is there whole or not at all")
			continue
		}
		assert.NoFileExists(t, filepath.Join(dir, file))
	}
	assert.Empty(t, halves(t, filepath.Join(dir, "out")))
	for _, name := range filesIn(t, dir) {
		assert.NotContains(t, name, ".writing-", "what was begun is taken away")
	}
}

// A folder that must not be written to: told, and left as it is.
func TestReadOnlyFolder(t *testing.T) {
	dir := t.TempDir()
	// The superuser may write anywhere, so the program runs as nobody then.
	for at := dir; strings.HasPrefix(at, os.TempDir()+string(os.PathSeparator)); at = filepath.Dir(at) {
		require.NoError(t, os.Chmod(at, 0o755))
	}
	own, err := os.Executable()
	require.NoError(t, err)
	binary := filepath.Join(dir, "plumbline")
	data, err := os.ReadFile(own)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(binary, data, 0o755))
	lines := outputs(t, dir)
	require.NoError(t, os.Chmod(filepath.Join(dir, "out"), 0o555))
	for file, args := range lines {
		c := exec.Command(binary, args...)
		c.Dir, c.Env = dir, append(os.Environ(), asProgram+"=1")
		if os.Getuid() == 0 {
			const nobody = 65534
			c.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
		}
		var said bytes.Buffer
		c.Stderr = &said
		_ = c.Run()
		assert.Equal(t, 1, c.ProcessState.ExitCode(), "%s: %s", file, said.String())
		assert.Contains(t, said.String(), "permission denied", file)
		assert.Regexp(t, `^(  .*\n)*plumbline: .*\.\n$`, said.String(), "one sentence")
	}
	assert.Empty(t, filesIn(t, filepath.Join(dir, "out")))
}

// Names with spaces and letters of any script.
func TestNamesOfFolders(t *testing.T) {
	for _, name := range []string{"mit Leerzeichen & Zähnen", "歯 حالة"} {
		dir := filepath.Join(t.TempDir(), name)
		addCase(t, filepath.Join(dir, "demo", name), name)
		for _, args := range [][]string{
			{"measure", "--json", filepath.Join(name, name+".json"), "--report", name + ".pdf", "--series", name + ".jsonl", filepath.Join("demo", name)},
			{"report", filepath.Join(name, name+".json"), name + ".html", name + ".dcm"},
			{"pack", name + ".jsonl", name + ".zip"},
			{"pack", "--check", name + ".zip"},
			{"scan", filepath.Join(dir, "demo", name, "post")},
		} {
			out, err := program(t, dir, args...).CombinedOutput()
			require.NoError(t, err, "%v\n%s", args, out)
		}
		for _, ending := range []string{".pdf", ".html", ".dcm", ".zip"} {
			assert.FileExists(t, filepath.Join(dir, name+ending))
		}
	}
}
