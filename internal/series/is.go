package series

import (
	"bytes"
	"encoding/csv"
	"errors"
	"io"
	"io/fs"
	"slices"

	"plumbline/internal/regularfile"
)

// Is reports whether a text has the beginning of a record in it, as every series
// file does, also one that was edited or cut short.
func Is(in io.Reader) bool {
	kept := 0 // bytes at the end of what was read, which a beginning may reach over
	buffer := make([]byte, block)
	for {
		n, err := in.Read(buffer[kept:])
		n += kept
		if bytes.Contains(buffer[:n], recordStart) {
			return true
		}
		if err != nil {
			return false
		}
		kept = min(n, len(recordStart)-1)
		copy(buffer, buffer[n-kept:n])
	}
}

// IsOther reports whether there is a file at path that nothing can be added to and
// that never was a series.
func IsOther(path string) bool {
	f, err := regularfile.Open(path)
	if err != nil {
		return !errors.Is(err, fs.ErrNotExist)
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return true
	}
	_, _, err = findLastRecord(f, info.Size())
	return err != nil && !Is(f)
}

// IsTable reports whether a text is a table that WriteCSV wrote: all columns in
// their order, and in every row what only the series can say of its case. A table
// that somebody typed rows into is none.
func IsTable(in io.Reader) bool {
	r := csv.NewReader(io.LimitReader(in, maxTable))
	r.ReuseRecord = true
	names := columnNames()
	for first := true; ; first = false {
		cells, err := r.Read()
		switch {
		case err == io.EOF:
			return !first
		case err != nil:
			return false
		case first:
			if !slices.Equal(cells, names) {
				return false
			}
		case cells[slices.Index(names, "seal")] == "":
			return false
		}
	}
}
