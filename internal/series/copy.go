package series

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"path/filepath"
	"slices"

	"plumbline/internal/regularfile"
)

// Copy is another copy of a series, which may have grown apart from this one.
type Copy struct {
	Name    string // of its file, without folder
	SHA256  string // of the file
	Common  int    // records that both begin with
	Ours    []Record
	Theirs  []Record // beyond the common ones, without those that this one has taken already
	Already int      // of theirs beyond the common ones that this one has taken

	lines map[string]string // by hash
}

// ErrOtherSeries says that two files share no record.
var ErrOtherSeries = errors.New("it is another series, not a copy of this one: not even the first record is the same")

// mostCopy bounds a copy that is read, bytes.
const mostCopy = 64 << 20

// ReadCopy reads another copy of a series and compares it with ours.
//
// Errors: a file that cannot be read, is no series or is not as it was written;
// ErrOtherSeries.
func ReadCopy(path string, ours *File) (*Copy, error) {
	text, err := regularfile.Read(path, mostCopy)
	if err != nil {
		return nil, err
	}
	theirs, err := Parse(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	theirs.Path = path
	if err := theirs.Sound(); err != nil {
		return nil, err
	}
	sum := sha256.Sum256(text)
	c := &Copy{Name: filepath.Base(path), SHA256: hex.EncodeToString(sum[:]), lines: map[string]string{}}
	for c.Common < min(len(ours.Records), len(theirs.Records)) && ours.Records[c.Common].Hash == theirs.Records[c.Common].Hash {
		c.Common++
	}
	if c.Common == 0 {
		return nil, fmt.Errorf("%s: %w", path, ErrOtherSeries)
	}
	c.Ours = ours.Records[c.Common:]
	taken := known(ours.Records)
	for _, r := range theirs.Records[c.Common:] {
		if _, has := taken[r.Hash]; has {
			c.Already++
			continue
		}
		c.Theirs = append(c.Theirs, r)
	}
	for _, line := range bytes.Split(text, []byte("\n")) {
		if r, err := decode(line); err == nil {
			c.lines[r.Hash] = string(line)
		}
	}
	return c, nil
}

// Records are what joins the copy to this series: a record of kind Joined for each
// record that this one lacks, with its line as it stands in the copy.
func (c *Copy) Records() []Record {
	var out []Record
	for _, r := range c.Theirs {
		out = append(out, Record{Kind: Joined, Case: r.Case, Copy: c.lines[r.Hash], Source: &Source{File: c.Name, SHA256: c.SHA256}})
	}
	return out
}

// link is a record that a file holds, as it was written, and the number under which
// it counts in the file.
type link struct {
	record *Record
	number int
}

// known are all records of a file by their hashes, with those that came with copies.
func known(records []Record) map[string]link {
	out := make(map[string]link, len(records))
	for i := range records {
		r := &records[i]
		out[r.Hash] = link{r, r.Number}
		for inner := r.inner(); inner != nil; inner = inner.inner() {
			out[inner.Hash] = link{inner, r.Number}
		}
	}
	return out
}

// inner is the record that came with a copy, nil where this is none of the kind.
func (r *Record) inner() *Record {
	if r.Kind != Joined {
		return nil
	}
	inner, err := decode([]byte(r.Copy))
	if err != nil {
		return nil
	}
	return &inner
}

// effective are the records with those that came with copies in place of what
// joined them, under the numbers of this file. What they correct is named by its
// number in this file, too.
func effective(records []Record) []Record {
	if !slices.ContainsFunc(records, func(r Record) bool { return r.Kind == Joined }) {
		return records
	}
	links := known(records)
	out := slices.Clone(records)
	for i := range out {
		joined := &records[i]
		inner := joined.inner()
		if inner == nil {
			continue
		}
		for next := inner.inner(); next != nil; next = inner.inner() {
			inner = next
		}
		r := *inner
		if r.Corrects != 0 {
			r.Corrects = numberHere(links, inner, r.Corrects)
		}
		r.Number, r.line, r.joined = joined.Number, joined.line, joined
		out[i] = r
	}
	return out
}

// numberHere is the number in this file of the record that a copy's record calls by a
// number of the copy's: it is found along the copy's own chain. 0 where it is not here.
func numberHere(links map[string]link, from *Record, number int) int {
	for at := links[from.Before]; at.record != nil; at = links[at.record.Before] {
		if at.record.Number == number {
			return at.number
		}
	}
	return 0
}

// complete reports whether a record's whole chain, up to the first record, is here.
func complete(links map[string]link, r *Record) bool {
	for r.Before != noRecord {
		before := links[r.Before]
		if before.record == nil || before.record.Number != r.Number-1 {
			return false
		}
		r = before.record
	}
	return true
}

// heldByCopy is what a receipt proves that was given for a copy joined to this file;
// nil where it was given for none.
func (f *File) heldByCopy(number int, symbols string) *Held {
	links := known(f.Records)
	for i := range f.Records {
		for inner := f.Records[i].inner(); inner != nil; inner = inner.inner() {
			prefix, err := hashPrefix(inner.Hash)
			if inner.Number != number || err != nil || prefix != symbols {
				continue
			}
			h := &Held{Records: number, Same: len(f.Faults) == 0 && complete(links, inner)}
			h.Message = fmt.Sprintf("it was given for another copy of this series, whose record %d came here as record %d; ", number, f.Records[i].Number)
			if h.Same {
				h.Message += fmt.Sprintf("all %d records that the copy held then are here, unchanged", number)
			} else {
				h.Message += "not all that the copy held then is here"
			}
			return h
		}
	}
	return nil
}
