// Command dist makes what is handed to people: an archive for each system, with the
// program, how to begin, the licences of what is in it, its parts as a CycloneDX list, and
// the SHA-256 of every file. The same commit and Go version give the same bytes.
//
//	dist build    the programs of every system, into build/programs
//	dist pack     the archives of what lies there, into build/dist
//
// What is signed with keys of one's own is signed in between; see DEVELOPERS.md.
package main

import (
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"time"
)

// release is what is built, and of when.
type release struct {
	version string    // as the program prints it
	time    time.Time // of the commit; every file carries it
}

// numbers are the release as Windows and macOS compare it: year, month, day and time of day
// of the commit.
func (r release) numbers() [4]uint16 {
	t := r.time
	return [4]uint16{uint16(t.Year()), uint16(t.Month()), uint16(t.Day()), uint16(t.Hour()*100 + t.Minute())}
}

func (r release) number() string {
	n := r.numbers()
	return fmt.Sprintf("%d.%d.%d.%d", n[0], n[1], n[2], n[3])
}

func main() {
	flags := flag.NewFlagSet("dist", flag.ExitOnError)
	version := flags.String("version", "unknown", "the version, as the program prints it")
	folder := flags.String("build", "build", "the folder for what is made")
	flags.Usage = func() { fmt.Fprintln(os.Stderr, "usage: dist [-version V] [-build FOLDER] build|pack") }
	_ = flags.Parse(os.Args[1:]) // it ends the program itself
	made, err := committed()
	if err == nil {
		err = run(release{*version, made}, *folder, flags.Args())
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, "dist:", err)
		os.Exit(1)
	}
}

func run(r release, folder string, args []string) error {
	programs := filepath.Join(folder, "programs")
	switch {
	case len(args) == 1 && args[0] == "build":
		return build(r, programs)
	case len(args) == 1 && args[0] == "pack":
		return pack(r, programs, filepath.Join(folder, "dist"))
	}
	return fmt.Errorf("say build or pack")
}

// committed is when the commit was made that is checked out.
func committed() (time.Time, error) {
	out, err := exec.Command("git", "log", "-1", "--format=%ct").Output()
	if err != nil {
		return time.Time{}, fmt.Errorf("git does not say of when the commit is: %w", err)
	}
	seconds, err := strconv.ParseInt(strings.TrimSpace(string(out)), 10, 64)
	return time.Unix(seconds, 0).UTC(), err
}
