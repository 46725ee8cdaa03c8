// Package output writes the files that a user names, and never over what is the
// user's own: an input of the same run, a series, a case file, a DICOM file, or
// any other file that this program did not write as the same kind of output.
//
// A file is known by what it is and not by its name: links, other spellings of a
// path and file systems that do not tell upper from lower case make no
// difference. Files are written by atomicfile. Start with Run.
package output

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"plumbline/internal/atomicfile"
	"plumbline/internal/dicom/element"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/regularfile"
	"plumbline/internal/series"
)

// Kind is a kind of file that the program writes.
type Kind struct {
	Name string // as in "measurement"
	// Own reports whether a file was written by this program as this kind.
	Own func(f *os.File) bool
}

// Run has the inputs and the outputs of one run of the program. The zero value is
// one without inputs.
type Run struct {
	// Overwrite lets an output replace a file that is neither an input nor a
	// series, a case file or a DICOM file.
	Overwrite bool

	inputs  []string
	claimed []claim
}

type claim struct {
	path string // resolved
	kind string
}

// RefusedError says why a file is not written.
type RefusedError struct {
	Path, Kind, Why string
	// Overwritable is whether Run.Overwrite lifts it.
	Overwritable bool
}

func (e *RefusedError) Error() string {
	return fmt.Sprintf("%s %s; name another file for the %s", e.Path, e.Why, e.Kind)
}

// Reads notes inputs: files, or folders with all that is in them. One need not be
// there yet; "" is none.
func (r *Run) Reads(paths ...string) {
	for _, path := range paths {
		if path != "" {
			r.inputs = append(r.inputs, path)
		}
	}
}

// Check reports why an output of a kind must not be written to a path.
//
// Errors: *RefusedError; what the file system says.
func (r *Run) Check(path string, k Kind) error {
	_, err := r.check(path, k)
	return err
}

// Write makes the file at path hold what fill writes, or leaves it as it was.
//
// Errors: those of Check and of atomicfile.Write.
func (r *Run) Write(path string, k Kind, fill func(io.Writer) error) error {
	at, err := r.check(path, k)
	if err != nil {
		return err
	}
	if at == resolvedPath(path) && filepath.Base(at) == filepath.Base(path) {
		at = path // for messages, as the user wrote it
	}
	return atomicfile.Write(at, fill)
}

// check is Check; it gives the path behind all links.
func (r *Run) check(path string, k Kind) (string, error) {
	refuse := func(overwritable bool, format string, args ...any) error {
		return &RefusedError{path, k.Name, fmt.Sprintf(format, args...), overwritable}
	}
	info, err := os.Stat(path)
	there := err == nil
	if err != nil && !errors.Is(err, fs.ErrNotExist) && !isUnderFile(path) {
		return "", err
	}
	if link, err := os.Lstat(path); !there && err == nil && link.Mode()&fs.ModeSymlink != 0 {
		return "", refuse(false, "is a link that leads nowhere")
	}
	at := resolvedPath(path)
	for _, in := range r.inputs {
		switch read, err := os.Stat(in); {
		case err == nil && read.IsDir():
			if within(at, read) {
				return "", refuse(false, "lies in %s, which this command reads and leaves as it is", in)
			}
		case err == nil && there && os.SameFile(read, info), sameName(at, resolvedPath(in)):
			return "", refuse(false, "is what this command reads (%s)", in)
		}
	}
	for _, c := range r.claimed {
		if c.kind != k.Name && sameName(c.path, at) {
			return "", refuse(false, "is the %s of this command already", c.kind)
		}
	}
	r.claimed = append(r.claimed, claim{at, k.Name})
	if !there {
		return at, nil
	}
	if info.IsDir() {
		return "", refuse(false, "is a folder")
	}
	f, err := regularfile.Open(path)
	var other *regularfile.NotRegularError
	if errors.As(err, &other) {
		return "", refuse(false, "is no ordinary file")
	}
	if err != nil {
		return "", err
	}
	defer f.Close()
	if is(f, k.Own) {
		return at, nil
	}
	for _, never := range protected {
		if is(f, never.Own) {
			return "", refuse(false, "is a %s, and none is ever written over", never.Name)
		}
	}
	if !r.Overwrite {
		return "", refuse(true, "is there already, and is no %s that this program wrote", k.Name)
	}
	return at, nil
}

// protected are the kinds that nothing is written over.
var protected = []Kind{
	{"series file", func(f *os.File) bool { return series.Is(f) }},
	{"DICOM file", func(f *os.File) bool { return element.Is(f) }},
	{"case file", func(f *os.File) bool {
		return strings.EqualFold(filepath.Base(f.Name()), casefile.FileName) || casefile.Is(f)
	}},
}

// is asks from the beginning of a file.
func is(f *os.File, own func(*os.File) bool) bool {
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return false
	}
	return own(f)
}

// isUnderFile reports whether a path leads through a file, where only a folder
// can be; making the folder then says so.
func isUnderFile(path string) bool {
	for dir := filepath.Dir(path); ; dir = filepath.Dir(dir) {
		if info, err := os.Stat(dir); err == nil {
			return !info.IsDir()
		}
		if dir == filepath.Dir(dir) {
			return false
		}
	}
}

// resolvedPath is an absolute path without links; the part of it that is not
// there yet stays as it is.
func resolvedPath(path string) string {
	abs, err := filepath.Abs(path)
	if err != nil {
		return path
	}
	rest := ""
	for dir := abs; ; dir = filepath.Dir(dir) {
		if real, err := filepath.EvalSymlinks(dir); err == nil {
			return filepath.Join(real, rest)
		}
		if dir == filepath.Dir(dir) {
			return abs
		}
		rest = filepath.Join(filepath.Base(dir), rest)
	}
}

// sameName reports whether two resolved paths are or would be one file, also
// where the file system does not tell upper from lower case.
func sameName(a, b string) bool {
	if a == b {
		return true
	}
	if !strings.EqualFold(a, b) {
		return false
	}
	x, errX := os.Stat(filepath.Dir(a))
	y, errY := os.Stat(filepath.Dir(b))
	if errX != nil || errY != nil || !os.SameFile(x, y) {
		return false
	}
	// Where the one is there and the other is not, the case of letters counts.
	x, errX = os.Stat(a)
	y, errY = os.Stat(b)
	return errX != nil && errY != nil || errX == nil && errY == nil && os.SameFile(x, y)
}

// within reports whether a resolved path lies in a folder.
func within(path string, folder fs.FileInfo) bool {
	for dir := filepath.Dir(path); ; dir = filepath.Dir(dir) {
		if info, err := os.Stat(dir); err == nil && os.SameFile(info, folder) {
			return true
		}
		if dir == filepath.Dir(dir) {
			return false
		}
	}
}
