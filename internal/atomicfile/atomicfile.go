// Package atomicfile writes whole files so that a name only ever stands for a
// complete file: the bytes go to a temporary name in the same folder, are synced
// to the disk, and take the final name in one step. Start with Write.
package atomicfile

import (
	"bufio"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
)

// begun are the temporary files being written.
var begun = struct {
	sync.Mutex
	names map[string]bool
}{names: map[string]bool{}}

// Abandon takes away what is being written and lets nothing more take a name: for
// a program that ends in the midst of its work. Write does not return after it.
func Abandon() {
	begun.Lock() // for good
	for name := range begun.names {
		os.Remove(name)
	}
}

// Write makes the file at path hold what fill writes, or leaves the path as it
// was. A missing folder is made.
//
// Errors: those of fill and of the file system, with the path.
func Write(path string, fill func(io.Writer) error) (err error) {
	dir := filepath.Dir(path)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	begun.Lock()
	f, err := os.CreateTemp(dir, ".writing-*")
	if err == nil {
		begun.names[f.Name()] = true
	}
	begun.Unlock()
	if err != nil {
		return fmt.Errorf("write %s: %w", path, err)
	}
	defer func() {
		begun.Lock()
		delete(begun.names, f.Name())
		begun.Unlock()
		if err != nil {
			f.Close()
			os.Remove(f.Name())
			err = fmt.Errorf("write %s: %w", path, err)
		}
	}()
	w := bufio.NewWriter(f)
	if err := fill(w); err != nil {
		return err
	}
	if err := w.Flush(); err != nil {
		return err
	}
	// CreateTemp makes files private; a report is meant to be shared.
	if err := f.Chmod(0o644); err != nil {
		return err
	}
	if err := f.Sync(); err != nil {
		return err
	}
	if err := f.Close(); err != nil {
		return err
	}
	begun.Lock()
	err = os.Rename(f.Name(), path)
	begun.Unlock()
	if err != nil {
		return err
	}
	syncFolder(dir)
	return nil
}

// WriteBytes is Write for bytes at hand.
func WriteBytes(path string, data []byte) error {
	return Write(path, func(w io.Writer) error {
		_, err := w.Write(data)
		return err
	})
}

// syncFolder makes the new name itself last. Some systems do not let a folder be
// synced; the file's content is safe there all the same.
func syncFolder(dir string) {
	if d, err := os.Open(dir); err == nil {
		_ = d.Sync()
		d.Close()
	}
}
