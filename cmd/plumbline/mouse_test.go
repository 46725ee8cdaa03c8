package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func TestAnApplicationsFolderIsKnown(t *testing.T) {
	assert.True(t, inBundle("/Applications/Plumbline.app/Contents/MacOS/plumbline"))
	assert.False(t, inBundle("/usr/local/bin/plumbline"))
	assert.False(t, inBundle("/Applications/Plumbline.app/plumbline"))
	assert.False(t, passedOn("/usr/local/bin/plumbline", nil))
	assert.False(t, passedOn("/A.app/Contents/MacOS/plumbline", []string{"version"}))
}

// In an application's folder the program without arguments ends at once, and another goes on
// that shows the cases.
func TestAnApplicationIsOpenedAnew(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a link to a program needs rights there")
	}
	dir := t.TempDir()
	own, err := os.Executable()
	require.NoError(t, err)
	bundle := filepath.Join(dir, "Plumbline.app", "Contents", "MacOS")
	require.NoError(t, os.MkdirAll(bundle, 0o755))
	program := filepath.Join(bundle, "plumbline")
	require.NoError(t, os.Link(own, program), "a copy of the program")
	opened := filepath.Join(dir, "opened")
	browser := filepath.Join(dir, "browser")
	require.NoError(t, os.WriteFile(browser, []byte("#!/bin/sh\necho \"$1\" > '"+opened+".part' && mv '"+opened+".part' '"+opened+"'\nkill $PPID\n"), 0o755))
	c := exec.Command(program)
	c.Dir, c.Env = dir, append(os.Environ(), asProgram+"=1", "HOME="+dir, "BROWSER="+browser)
	out, err := c.CombinedOutput()
	require.NoError(t, err, string(out))
	require.Eventually(t, func() bool { _, err := os.Stat(opened); return err == nil }, time.Minute, 50*time.Millisecond)
	address, err := os.ReadFile(opened)
	require.NoError(t, err)
	assert.Contains(t, string(address), "http://127.0.0.1:")
	assert.DirExists(t, filepath.Join(dir, "Documents", "plumbline"))
}

func TestAMouseOpensOnADesktopOnly(t *testing.T) {
	none := func(string) string { return "" }
	assert.False(t, byMouse(nil, none))
	assert.False(t, byMouse([]string{"version"}, func(string) string { return ":0" }))
}
