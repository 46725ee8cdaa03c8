// Package regularfile opens the files that a user names for reading: ordinary
// ones only. A named pipe would make the program wait for ever, and a device or a
// socket has no end. Start with Open or Read.
package regularfile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
)

// ErrLarge says that a file is larger than Read was told to take.
var ErrLarge = errors.New("the file is too large")

// NotRegularError says that a path leads to something that cannot be read as a
// file from its beginning to its end.
type NotRegularError struct {
	Path string
	Mode fs.FileMode
}

func (e *NotRegularError) Error() string {
	return fmt.Sprintf("%s is %s, and only ordinary files are read; copy its content into a file and name that", e.Path, kind(e.Mode))
}

func kind(m fs.FileMode) string {
	switch {
	case m.IsDir():
		return "a folder"
	case m&fs.ModeNamedPipe != 0:
		return "a named pipe"
	case m&fs.ModeSocket != 0:
		return "a socket"
	case m&fs.ModeDevice != 0:
		return "a device"
	}
	return "no ordinary file"
}

// Check reports what is at a path, links followed, as an error unless it is an
// ordinary file; it does not open it.
//
// Errors: *NotRegularError; what the file system says, fs.ErrNotExist among it.
func Check(path string) error {
	info, err := os.Stat(path)
	if err == nil && !info.Mode().IsRegular() {
		err = &NotRegularError{path, info.Mode()}
	}
	return err
}

// Open opens an ordinary file for reading.
//
// Errors: those of Check and of opening.
func Open(path string) (*os.File, error) {
	if err := Check(path); err != nil {
		return nil, err
	}
	return os.Open(path)
}

// Read reads an ordinary file of at most so many bytes.
//
// Errors: those of Open and of reading; ErrLarge.
func Read(path string, most int64) ([]byte, error) {
	f, err := Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	data, err := io.ReadAll(io.LimitReader(f, most+1))
	if err != nil {
		return nil, err
	}
	if int64(len(data)) > most {
		return nil, fmt.Errorf("%s: %w: it has more than %d MiB", path, ErrLarge, most>>20)
	}
	return data, nil
}
