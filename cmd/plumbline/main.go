// Command plumbline measures how far placed dental fixtures lie from their plan.
package main

import (
	"context"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"
	"time"

	"golang.org/x/term"

	"plumbline/internal/atomicfile"
	"plumbline/internal/cli"
	"plumbline/internal/series"
)

// version is set when the program is built by make, from the commit.
var version = ""

func main() {
	if info, ok := debug.ReadBuildInfo(); ok && version == "" {
		version = info.Main.Version // from the commit too, where go has it
	}
	if os.Getenv("GOGC") == "" {
		// Most of what is alive are two scans' voxels: a third as much again in garbage is
		// enough, where the usual allowance would double them.
		debug.SetGCPercent(33)
	}
	ignoreFileLimit()
	program, err := os.Executable()
	bundled := err == nil && inBundle(program)
	if err == nil && passedOn(program, os.Args[1:]) {
		os.Exit(cli.Done)
	}
	var stderr io.Writer = os.Stderr
	var said strings.Builder
	if bundled {
		stderr = io.MultiWriter(os.Stderr, &said)
	}
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	info, err := os.Stderr.Stat()
	status := cli.Run(ctx, os.Args[1:], cli.Env{
		Stdout: os.Stdout, Stderr: stderr, Now: time.Now, Version: version,
		Width: columns(os.Stdout), StderrWidth: columns(os.Stderr),
		Later:    func(d time.Duration, f func()) func() bool { return time.AfterFunc(d, f).Stop },
		Mouse:    byMouse(os.Args[1:], os.Getenv),
		Terminal: err == nil && info.Mode()&os.ModeCharDevice != 0,
	})
	stop()
	// After Ctrl-C work may still go on.
	series.Finish()
	atomicfile.Abandon()
	if bundled && status != cli.Done && !term.IsTerminal(int(os.Stderr.Fd())) {
		alert(said.String())
	}
	os.Exit(status)
}

// columns is how wide a terminal is; 0 for what is none.
func columns(f *os.File) int {
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil {
		return 0
	}
	return width
}
