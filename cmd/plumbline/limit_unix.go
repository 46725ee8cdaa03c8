//go:build unix

package main

import (
	"os/signal"
	"syscall"
)

// ignoreFileLimit lets a write beyond a limit on the size of files fail as one
// on a full disk does, instead of ending the program.
func ignoreFileLimit() { signal.Ignore(syscall.SIGXFSZ) }
