package atomicfile

import (
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
)

func names(t *testing.T, dir string) []string {
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	out := []string{}
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

func TestWriteReplacesWholeFilesOnly(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "new folder")
	path := filepath.Join(dir, "größe.json")
	require.NoError(t, WriteBytes(path, []byte("first")))
	require.NoError(t, WriteBytes(path, []byte("second")))
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.Equal(t, "second", string(data))
	require.Equal(t, []string{"größe.json"}, names(t, dir))
}

func TestAFailedWriteLeavesTheOldFileAndNothingElse(t *testing.T) {
	dir := t.TempDir()
	path := filepath.Join(dir, "a.json")
	require.NoError(t, WriteBytes(path, []byte("old")))
	full := errors.New("no space left on device")
	err := Write(path, func(w io.Writer) error {
		_, _ = w.Write(make([]byte, 100000))
		return full
	})
	require.ErrorIs(t, err, full)
	require.ErrorContains(t, err, path)
	data, _ := os.ReadFile(path)
	require.Equal(t, "old", string(data))
	require.Equal(t, []string{"a.json"}, names(t, dir))
}

func TestAFolderThatCannotBeWrittenIsNamed(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	require.NoError(t, os.WriteFile(file, nil, 0o644))
	require.ErrorContains(t, WriteBytes(filepath.Join(file, "a.json"), nil), "a.json")
}

// The test program itself, ended in the midst of a write.
func TestAbandonTakesAwayWhatWasBegun(t *testing.T) {
	if dir := os.Getenv("ABANDON_IN"); dir != "" {
		_ = WriteBytes(filepath.Join(dir, "whole.txt"), []byte("kept"))
		_ = Write(filepath.Join(dir, "half.txt"), func(w io.Writer) error {
			_, err := w.Write(make([]byte, 100000))
			go func() {
				Abandon()
				os.Exit(7)
			}()
			return err
		})
		select {}
	}
	dir := t.TempDir()
	c := exec.Command(os.Args[0], "-test.run", "TestAbandonTakesAwayWhatWasBegun")
	c.Env = append(os.Environ(), "ABANDON_IN="+dir)
	var exit *exec.ExitError
	require.ErrorAs(t, c.Run(), &exit)
	require.Equal(t, 7, exit.ExitCode())
	for _, name := range names(t, dir) {
		require.NotContains(t, name, ".writing-")
	}
	require.Contains(t, names(t, dir), "whole.txt")
}
