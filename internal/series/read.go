package series

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"plumbline/internal/regularfile"
)

// File is what was read from a series file.
type File struct {
	Path       string
	Records    []Record // those that could be read, in the order of the file
	Faults     []Fault
	Unfinished *Unfinished

	other bool // it has text, and none of a record
}

// Fault is a place where the chain or a record is not as it was written.
type Fault struct {
	Line    int    `json:"line"` // from 1
	Code    string `json:"code"`
	Message string `json:"message"`
}

// The codes of faults.
const (
	FaultEdited  = "record-edited"  // the line does not match its hash
	FaultRemoved = "record-removed" // records are missing before the line
	FaultMoved   = "record-moved"   // the line stands at another place than it was written for
	FaultContent = "record-invalid" // the line is as written and makes no sense
)

// Unfinished is what stands behind the last whole record and its line end: a line
// that a kill, a full disk or an edit left without its end, whose record was never
// acknowledged unless a receipt says so, or what an editor wrote there.
type Unfinished struct {
	Line     int  `json:"line"`
	Bytes    int  `json:"bytes"`           // of the line, or of what an editor wrote
	Complete bool `json:"complete"`        // the line has a whole record, which counts
	Stray    int  `json:"stray,omitempty"` // bytes in place of the line end behind it
	Blank    bool `json:"blank,omitempty"` // empty lines only
}

// Edited reports whether another program wrote it: no writer of records leaves
// anything behind a whole one.
func (u *Unfinished) Edited() bool { return u != nil && (u.Stray > 0 || u.Blank) }

func (u Unfinished) String() string {
	const setAside = "the next record that is written sets it aside in a file beside this one and says so"
	switch {
	case u.Complete && u.Stray > 0:
		return fmt.Sprintf("line %d has its record whole, which counts, but in place of the line end stands something else (%d bytes): the file was opened and saved by another program; %s", u.Line, u.Stray, setAside)
	case u.Complete:
		return fmt.Sprintf("line %d lacks its line end; its record is whole and counts", u.Line)
	case u.Blank:
		return fmt.Sprintf("from line %d on there are only empty lines (%d bytes) behind the last record: the file was opened and saved by another program; %s", u.Line, u.Bytes, setAside)
	}
	return fmt.Sprintf("line %d, the last, is unfinished (%d bytes), as after a kill, a full disk or an edit; it counts as no record, and %s", u.Line, u.Bytes, setAside)
}

// maxLine bounds a line; a measurement of 32 fixtures has some 100 kB.
const maxLine = 16 << 20

// settle is how long Read waits before it looks again at a file with an
// unfinished line, which another program may just be writing.
const settle = 50 * time.Millisecond

// Read reads a series file. Faults in it are in File.Faults; the error is for a
// file that cannot be read at all.
func Read(path string) (*File, error) {
	f, err := readOnce(path)
	if err == nil && f.Unfinished != nil {
		time.Sleep(settle)
		return readOnce(path)
	}
	return f, err
}

func readOnce(path string) (*File, error) {
	f, err := regularfile.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	out, err := Parse(f)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	out.Path = path
	return out, nil
}

// Parse reads a series from its text.
func Parse(r io.Reader) (*File, error) {
	p := parser{file: &File{}, before: noRecord, known: map[string]int{}}
	begun, some := false, false
	in := bufio.NewReaderSize(r, 1<<16)
	for {
		line, err := readLine(in)
		if err != nil && err != io.EOF {
			return nil, fmt.Errorf("line %d: %w", p.line+1, err)
		}
		begun, some = begun || bytes.Contains(line, recordStart), some || !isBlank(line)
		if err == io.EOF {
			p.readUnfinished(line)
			p.nameFaults()
			p.joinSaved()
			p.file.other = some && !begun && len(p.known) == 0
			return p.file, nil
		}
		p.addLine(line)
	}
}

var errLongLine = errors.New("it is longer than any record; this is not a series file")

// readLine gives a line without its end; with io.EOF what stands after the last
// line end.
func readLine(in *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := in.ReadSlice('\n')
		line = append(line, part...)
		if len(line) > maxLine {
			return nil, errLongLine
		}
		if err == nil {
			return line[:len(line)-1], nil
		}
		if err != bufio.ErrBufferFull {
			return line, err
		}
	}
}

// IsOther reports whether the file has something in it and nothing that a record begins
// with, so that it never was a series.
func (f *File) IsOther() bool { return f.other }

type parser struct {
	file   *File
	line   int
	before string         // hash of the record before; empty if it cannot be known
	number int            // of the record before
	known  map[string]int // hash to line
	breaks []chainBreak
	saved  []savedLine

	blank, blankFrom int // bytes of the empty lines just read, and the first of them
}

// chainBreak is a record whose "before" is not the hash of the record before it.
type chainBreak struct {
	line, number, after int
	before              string
}

func (p *parser) fault(code, format string, args ...any) {
	p.file.Faults = append(p.file.Faults, Fault{p.line, code, fmt.Sprintf(format, args...)})
}

// addLine reads a line that ends.
func (p *parser) addLine(line []byte) {
	p.line++
	if isBlank(line) {
		if p.blank == 0 {
			p.blankFrom = p.line
		}
		p.blank += len(line) + 1
		return
	}
	p.passBlank()
	r, err := decode(line)
	if err == nil || r.Hash != "" {
		p.addRecord(r, err)
		return
	}
	parts := pieces(line)
	if !slices.ContainsFunc(parts, func(x piece) bool { return x.whole }) {
		p.fault(FaultEdited, "line %d was edited, where record %d stood: %v", p.line, p.number+1, err)
		// What stood here cannot be known, so neither can its hash.
		p.before, p.number = "", p.number+1
		return
	}
	p.edited(line, parts)
	p.addRecords(line, parts)
}

// isBlank reports whether a text has nothing to be seen.
func isBlank(text []byte) bool { return len(bytes.Trim(text, " \t\r\n")) == 0 }

// passBlank tells of empty lines once it is known that something follows them.
func (p *parser) passBlank() {
	if p.blank > 0 {
		p.file.Faults = append(p.file.Faults, Fault{p.blankFrom, FaultEdited, fmt.Sprintf(
			"line %d is empty: the file was opened and saved by a text editor; restore a copy that was not", p.blankFrom)})
	}
	p.blank = 0
}

// edited tells of a line that has more than one whole record.
func (p *parser) edited(line []byte, parts []piece) {
	p.saved = append(p.saved, savedLine{p.line, stray(line, parts)})
}

// savedLine is a line that another program wrote anew, with its records whole.
type savedLine struct {
	line int
	what string
}

// joinSaved tells once of all lines that were written anew when the file was saved.
func (p *parser) joinSaved() {
	if len(p.saved) == 0 {
		return
	}
	first, more := p.saved[0], ""
	switch n := len(p.saved) - 1; {
	case n == 1:
		more = ", and one more line was changed"
	case n > 1:
		more = fmt.Sprintf(", and %d more lines were changed", n)
	}
	p.file.Faults = append(p.file.Faults, Fault{first.line, FaultEdited, fmt.Sprintf("line %d %s", first.line, first.what) + more +
		": the file was opened and saved by another program; its records are whole and count, but nothing is added to the file: restore a copy that was not"})
	slices.SortStableFunc(p.file.Faults, func(a, b Fault) int { return a.Line - b.Line })
}

// stray says what a line has besides its records.
func stray(line []byte, parts []piece) string {
	first, last := parts[0], parts[len(parts)-1]
	switch {
	case bytes.HasPrefix(line, []byte(byteOrderMark)):
		return "begins with a byte order mark, as a text editor writes it"
	case first.whole && !last.whole && len(parts) == 2 && string(line[last.start:]) == "\r":
		return "ends as a text editor of another system writes it"
	case len(parts) > 2 || first.whole && last.whole:
		return "has more than one record, or something between them"
	}
	return "has something besides its record"
}

const byteOrderMark = "\ufeff"

// addRecords takes the whole records of a line.
func (p *parser) addRecords(line []byte, parts []piece) {
	for _, x := range parts {
		if x.whole {
			p.addRecord(decode(line[x.start:x.end]))
		}
	}
}

func (p *parser) addRecord(r Record, err error) {
	if p.before != "" && (r.Before != p.before || r.Number != p.number+1) {
		p.breaks = append(p.breaks, chainBreak{p.line, r.Number, p.number, r.Before})
	}
	if p.before == "" && r.Number != p.number+1 {
		p.breaks = append(p.breaks, chainBreak{p.line, r.Number, p.number, r.Before})
	}
	p.before, p.number = r.Hash, r.Number
	p.known[r.Hash] = p.line
	if err != nil {
		p.fault(FaultContent, "line %d, record %d: %v", p.line, r.Number, err)
		return
	}
	r.line = p.line
	p.file.Records = append(p.file.Records, r)
}

// readUnfinished reads what follows the last line end.
func (p *parser) readUnfinished(line []byte) {
	if isBlank(line) {
		if n := p.blank + len(line); n > 0 {
			at := p.blankFrom
			if p.blank == 0 {
				at = p.line + 1
			}
			p.file.Unfinished = &Unfinished{Line: at, Bytes: n, Blank: true}
		}
		return
	}
	p.line++
	u := &Unfinished{Line: p.line, Bytes: len(line)}
	p.file.Unfinished = u
	r, err := decode(line)
	if r.Hash != "" {
		p.passBlank()
		u.Complete = true
		p.addRecord(r, err)
		return
	}
	parts := pieces(line)
	n := len(parts)
	switch {
	case !slices.ContainsFunc(parts, func(x piece) bool { return x.whole }):
		if p.blank > 0 {
			u.Line, u.Bytes = p.blankFrom, p.blank+len(line)
		}
		return
	case n == 2 && parts[0].whole && !parts[1].whole:
		u.Complete, u.Stray = true, parts[1].end-parts[1].start
	default:
		u.Complete = parts[n-1].whole
		p.edited(line, parts)
	}
	p.passBlank()
	p.addRecords(line, parts)
}

// nameFaults distinguishes removed records from moved ones, once all lines are known.
func (p *parser) nameFaults() {
	for _, b := range p.breaks {
		p.line = b.line
		at, there := p.known[b.before]
		switch {
		case there && at != b.line-1:
			p.fault(FaultMoved, "line %d, record %d, was written after the record that now stands on line %d: records were moved", b.line, b.number, at)
		case b.number > b.after+1:
			if b.after+1 == b.number-1 {
				p.fault(FaultRemoved, "record %d is missing before line %d", b.after+1, b.line)
				continue
			}
			p.fault(FaultRemoved, "records %d to %d are missing before line %d", b.after+1, b.number-1, b.line)
		case b.number <= b.after:
			p.fault(FaultMoved, "line %d holds record %d after record %d: records were moved or copied", b.line, b.number, b.after)
		default:
			p.fault(FaultRemoved, "the record before line %d, record %d, is another one than when it was written: the file was written anew from there", b.line, b.number)
		}
	}
}

// Receipt is the head of the chain as a short code; empty for an empty series.
func (f *File) Receipt() string {
	if len(f.Records) == 0 {
		return ""
	}
	last := f.Records[len(f.Records)-1]
	return receiptOf(last.Number, last.Hash)
}

// Sound is the first fault as an error, or nil.
func (f *File) Sound() error {
	if len(f.Faults) == 0 {
		return nil
	}
	more := ""
	if n := len(f.Faults) - 1; n > 0 {
		more = fmt.Sprintf(" (and %d more)", n)
	}
	return fmt.Errorf("%s: %s%s; look at it with series check and go on from an unchanged copy", f.Path, f.Faults[0].Message, more)
}
