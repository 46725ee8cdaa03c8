package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/require"
)

// asProgram tells the test's own binary to be the program.
const asProgram = "PLUMBLINE_TEST_AS_PROGRAM"

// home holds what the tests share.
var home string

func TestMain(m *testing.M) {
	if os.Getenv(asProgram) != "" {
		main()
	}
	dir, err := os.MkdirTemp("", "plumbline-")
	if err != nil {
		panic(err)
	}
	home = dir
	status := m.Run()
	os.RemoveAll(home)
	os.Exit(status)
}

// program is the built program with its arguments, ready to be started in a
// folder.
func program(t testing.TB, dir string, args ...string) *exec.Cmd {
	t.Helper()
	own, err := os.Executable()
	require.NoError(t, err)
	c := exec.Command(own, args...)
	c.Dir, c.Env = dir, append(os.Environ(), asProgram+"=1")
	return c
}

// small is a quick phantom whose alignment is given, made once.
var small = sync.OnceValues(func() (string, error) {
	dir := filepath.Join(home, "C-101")
	own, err := os.Executable()
	if err != nil {
		return "", err
	}
	c := exec.Command(own, "phantom", "--seed", "3", "--class", "easy", "--voxel", "0.4", "--field", "24", dir)
	c.Env = append(os.Environ(), asProgram+"=1")
	return dir, c.Run()
})

// addCase puts the small phantom into a folder, as a case of a name.
func addCase(t testing.TB, dir, name string) {
	t.Helper()
	from, err := small()
	require.NoError(t, err)
	require.NoError(t, os.CopyFS(dir, os.DirFS(from)))
	plan, err := os.ReadFile(filepath.Join(dir, "case-matrix.toml"))
	require.NoError(t, err)
	named := regexp.MustCompile(`(?m)^case .*$`).ReplaceAllLiteralString(string(plan), "case = '"+name+"'")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "case.toml"), []byte(named), 0o644))
}

// filesIn lists the files below a folder that are not in demo.
func filesIn(t testing.TB, dir string) []string {
	t.Helper()
	var out []string
	require.NoError(t, filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if name, _ := filepath.Rel(dir, path); !d.IsDir() && !strings.HasPrefix(name, "demo") {
			out = append(out, filepath.ToSlash(name))
		}
		return nil
	}))
	return out
}
