package series

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"time"

	"plumbline/internal/atomicfile"
	"plumbline/internal/regularfile"
)

// RemarkSchema names the form of a remark in a file of its own.
const RemarkSchema = "plumbline/remark/1"

// Loose is a remark in a file of its own, written where the series itself is not at
// hand. Its line carries its own hash.
type Loose struct {
	Schema string `json:"schema"`
	Time   string `json:"time"`
	Case   string `json:"case,omitempty"` // empty for one on the whole series
	Author string `json:"author"`
	Text   string `json:"text"`
	Seen   string `json:"seen,omitempty"` // receipt of the copy of the series that the author had

	Hash string `json:"-"`
}

// Taken says where a remark was written that came in a file of its own.
type Taken struct {
	File   string `json:"file"`   // name without folder
	SHA256 string `json:"sha256"` // of the remark's line
	Time   string `json:"time"`
	Seen   string `json:"seen,omitempty"`
}

// mostRemarks bounds a file of remarks, bytes.
const mostRemarks = 4 << 20

// looseStart begins every remark in a file of its own.
var looseStart = []byte(`{"schema":"` + RemarkSchema + `"`)

// IsRemarks reports whether a file begins as a file of remarks does.
func IsRemarks(path string) bool {
	f, err := regularfile.Open(path)
	if err != nil {
		return false
	}
	defer f.Close()
	start := make([]byte, len(looseStart))
	n, _ := f.Read(start)
	return bytes.Equal(start[:n], looseStart)
}

// AppendRemark adds a remark to a file of remarks, which is made if there is none. The
// file is written whole or not at all.
//
// Errors: a remark that makes no sense; a file that is there and is no file of
// remarks, or one that was edited; what the disk says.
func AppendRemark(path string, r Loose) (Loose, error) {
	r.Schema = RemarkSchema
	as := r.record()
	if err := as.validate(); err != nil {
		return r, err
	}
	old, err := regularfile.Read(path, mostRemarks)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return r, err
	default:
		if _, err := parseRemarks(old); err != nil {
			return r, fmt.Errorf("%s: nothing was added: %w", path, err)
		}
	}
	body, err := json.Marshal(r)
	if err != nil {
		return r, err
	}
	line, hash := sealed(body)
	r.Hash = hash
	return r, atomicfile.WriteBytes(path, append(append(old, line...), '\n'))
}

// ReadRemarks reads a file of remarks.
//
// Errors: a file that cannot be read; a line that is no remark or is not as it was
// written, with its number.
func ReadRemarks(path string) ([]Loose, error) {
	text, err := regularfile.Read(path, mostRemarks)
	if err != nil {
		return nil, err
	}
	out, err := parseRemarks(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return out, nil
}

func parseRemarks(text []byte) ([]Loose, error) {
	if !bytes.HasPrefix(text, looseStart) {
		return nil, errors.New("it is no file of remarks; name one that was written as such")
	}
	if !bytes.HasSuffix(text, []byte("\n")) {
		return nil, errors.New("its end was cut off; ask for it again")
	}
	var out []Loose
	for i, line := range bytes.Split(bytes.TrimSuffix(text, []byte("\n")), []byte("\n")) {
		hash, err := unsealed(line)
		if err != nil {
			return nil, fmt.Errorf("line %d was edited since it was written: %w; ask for the file again", i+1, err)
		}
		var r Loose
		if err := json.Unmarshal(line, &r); err != nil || r.Schema != RemarkSchema {
			return nil, fmt.Errorf("line %d is no remark of the form %s", i+1, RemarkSchema)
		}
		r.Hash = hash
		as := r.record()
		if err := as.validate(); err != nil {
			return nil, fmt.Errorf("line %d: %w", i+1, err)
		}
		out = append(out, r)
	}
	return out, nil
}

// record is the remark as it would stand in a series.
func (r *Loose) record() Record {
	return Record{Kind: Remark, Time: r.Time, Case: r.Case, Author: r.Author, Text: r.Text}
}

// TakeRemarks are the records for remarks of a file that the series lacks.
//
// Errors: a remark on a case that the series does not know.
func (l *Ledger) TakeRemarks(path string, remarks []Loose) ([]Record, error) {
	has := map[string]bool{}
	for i := range l.file.Records {
		for r := &l.file.Records[i]; r != nil; r = r.inner() {
			if r.Taken != nil {
				has[r.Taken.SHA256] = true
			}
		}
	}
	var out []Record
	for _, x := range remarks {
		if has[x.Hash] {
			continue
		}
		has[x.Hash] = true
		if x.Case != "" && l.Case(x.Case) == nil {
			return nil, fmt.Errorf("%s has a remark on a case %s, which %s does not know; nothing was taken", path, x.Case, l.Path)
		}
		r := x.record()
		r.Taken = &Taken{File: filepath.Base(path), SHA256: x.Hash, Time: x.Time, Seen: x.Seen}
		out = append(out, r)
	}
	return out, nil
}

// Holds reports whether a receipt was given for this file, or for a copy that was
// joined to it, as it stands.
func (l *Ledger) Holds(receipt string) bool {
	v, err := l.file.Check(receipt)
	return err == nil && v.Held != nil && v.Held.Same
}

// File is what the ledger was read from, with what was added.
func (l *Ledger) File() *File { return l.file }

// valid checks where a taken remark says that it comes from.
func (t *Taken) valid() error {
	if _, err := time.Parse(time.RFC3339, t.Time); err != nil {
		return fmt.Errorf("time %q: expected one as in 2026-03-14T09:30:00+01:00", t.Time)
	}
	if len(t.SHA256) != hashLen {
		return errors.New("the hash of a remark that was taken in is missing")
	}
	return checkText(t.File, false)
}
