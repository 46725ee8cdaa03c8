package series

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"time"
)

// BrokenError says that a series file is not as it was written, so that nothing is added.
type BrokenError struct{ Fault error }

func (e *BrokenError) Error() string {
	return fmt.Sprintf("nothing was added, as the file is not as it was written: %v", e.Fault)
}

func (e *BrokenError) Unwrap() error { return e.Fault }

// OpenLedger reads a series file to add to it; one that is not there yet is empty.
//
// Errors: *BrokenError; those of Read.
func OpenLedger(path string, now time.Time) (*Ledger, error) {
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return NewLedger(&File{Path: path}, now), nil
	}
	f, err := Read(path)
	if err != nil {
		return nil, err
	}
	return f.Ledger(now)
}

// Ledger is the file to add to.
//
// Errors: *BrokenError.
func (f *File) Ledger(now time.Time) (*Ledger, error) {
	if err := f.Sound(); err != nil {
		return nil, &BrokenError{err}
	}
	return NewLedger(f, now), nil
}
