package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"

	"github.com/inconshreveable/mousetrap"
	"golang.org/x/term"
)

// byMouse reports whether the program was opened with the mouse: on Windows, or on a desktop
// that gave it no terminal and said nothing behind its name. environment is os.Getenv.
func byMouse(args []string, environment func(string) string) bool {
	if mousetrap.StartedByExplorer() {
		return true
	}
	desktop := environment("DISPLAY") != "" || environment("WAYLAND_DISPLAY") != ""
	for _, f := range []*os.File{os.Stdin, os.Stdout, os.Stderr} {
		desktop = desktop && !term.IsTerminal(int(f.Fd()))
	}
	return desktop && len(args) == 0
}

// inBundle reports whether a program lies in an application's folder of macOS, as what the
// Finder opens does.
func inBundle(program string) bool {
	return strings.HasSuffix(filepath.ToSlash(filepath.Dir(program)), ".app/Contents/MacOS")
}

// passedOn starts the program anew to show the cases, and reports whether this one can end:
// macOS takes an application that still runs for open already, and a second double-click
// would then do nothing.
func passedOn(program string, args []string) bool {
	if !inBundle(program) || len(args) > 0 {
		return false
	}
	return exec.Command(program, "open").Start() == nil
}

// alert shows why the program ended to somebody who has no window in which it could be
// printed. text goes as an argument, not as a part of the script.
func alert(text string) {
	const script = `on run said
display alert "plumbline has ended" message (item 1 of said)
end run`
	_ = exec.Command("/usr/bin/osascript", "-e", script, text).Run() // where even that fails nothing is left to do
}
