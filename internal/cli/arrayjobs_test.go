package cli

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// The scripts for many cases are shell that can be read, and a task is done once: the second
// time it leaves the measurement alone, and a case that fails says so.
func TestArrayJobs(t *testing.T) {
	sh, err := exec.LookPath("sh")
	if err != nil {
		t.Skip("no shell")
	}
	folder, err := filepath.Abs(filepath.Join("..", "..", "testdata", "arrayjobs"))
	require.NoError(t, err)
	scripts, err := filepath.Glob(filepath.Join(folder, "*.sh"))
	require.NoError(t, err)
	require.Len(t, scripts, 3)
	for _, s := range scripts {
		out, err := exec.Command(sh, "-n", s).CombinedOutput()
		require.NoError(t, err, "%s: %s", s, out)
	}
	job, err := os.ReadFile(filepath.Join(folder, "indexedjob.yaml"))
	require.NoError(t, err)
	assert.NotContains(t, string(job), "\t", "YAML has no tabs")
	assert.Contains(t, string(job), "completionMode: Indexed")

	dir := t.TempDir()
	write := func(name, text string) {
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o700))
	}
	write("cases.txt", "one\ntwo\nbad\n")
	// In place of the program: it counts its runs, and fails as plumbline does.
	write("program", "#!/bin/sh\necho run >>runs\ncase $4 in bad) exit 2;; two) echo '{}' >\"$3\"; exit 3;; *) echo '{}' >\"$3\";; esac\n")
	require.NoError(t, os.Mkdir(filepath.Join(dir, "results"), 0o700))
	task := func(number string) error {
		c := exec.Command(sh, filepath.Join(folder, "task.sh"), "cases.txt", number, "results")
		c.Dir, c.Env = dir, append(os.Environ(), "PLUMBLINE=./program")
		return c.Run()
	}
	for range 2 {
		assert.NoError(t, task("1"))
		assert.NoError(t, task("2"), "in doubt is a result")
	}
	runs, err := os.ReadFile(filepath.Join(dir, "runs"))
	require.NoError(t, err)
	assert.Equal(t, "run\nrun\n", string(runs))
	assert.Error(t, task("3"))
	assert.Error(t, task("4"), "no such line")
	assert.NoFileExists(t, filepath.Join(dir, "results", "3.json"))

	// With GNU parallel, where it is installed: all at once, and the same again does nothing.
	if out, err := exec.Command("parallel", "--version").Output(); err != nil || !strings.HasPrefix(string(out), "GNU parallel") {
		t.Log("not tried: GNU parallel is not installed")
		return
	}
	require.NoError(t, os.Remove(filepath.Join(dir, "runs")))
	for range 2 {
		c := exec.Command(sh, filepath.Join(folder, "parallel.sh"), "cases.txt", "together")
		c.Dir, c.Env = dir, append(os.Environ(), "PLUMBLINE=./program", "HOME="+dir)
		out, err := c.CombinedOutput()
		var failed *exec.ExitError
		require.ErrorAs(t, err, &failed, string(out))
		assert.Equal(t, 1, failed.ExitCode(), "as many as failed: the bad case alone")
	}
	for _, name := range []string{"1.json", "2.json"} {
		assert.FileExists(t, filepath.Join(dir, "together", name))
	}
	runs, err = os.ReadFile(filepath.Join(dir, "runs"))
	require.NoError(t, err)
	assert.Equal(t, strings.Repeat("run\n", 4), string(runs), "three cases, and the bad one once more")
}
