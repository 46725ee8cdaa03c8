package series

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"plumbline/internal/regularfile"
)

// Appended says what Append wrote.
type Appended struct {
	First, Last int    // numbers of the records
	Receipt     string // of the new head
	Mended      *Dropped
}

// ErrBusy means that another program kept the file locked.
var ErrBusy = errors.New("another program is writing to it; try again when that has ended")

// appending is held while records are written.
var appending sync.RWMutex

// Finish waits until the records that are being written are on the disk, and lets no more
// be written: for a program that ends in the midst of its work. Append does not return
// after it.
func Finish() { appending.Lock() } // for good

const (
	lockWait  = 10 * time.Second
	lockRetry = 5 * time.Millisecond
)

// Append writes records at the end of the file, all or none, and returns when
// they are on the disk; it makes the file if there is none. Schema, Number,
// Before and Hash are set here, in the caller's records too. What stands behind
// the last whole record, such as a line that an earlier writer left unfinished, is
// set aside in a file beside this one, and a record of kind Mended, with the time
// of the first record given, says so.
//
// Errors: ErrBusy; a record that makes no sense; a last record that does not
// match its hash, to which nothing must be added; or what the disk says, and
// then nothing was added.
//
// One writer at a time holds a lock of the operating system, which ends with its
// process.
func Append(path string, records ...Record) (Appended, error) {
	if len(records) == 0 {
		return Appended{}, errors.New("there is no record to write")
	}
	for i := range records {
		if err := records[i].validate(); err != nil {
			return Appended{}, fmt.Errorf("record of kind %q: %w", records[i].Kind, err)
		}
	}
	if err := regularfile.Check(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return Appended{}, err
	}
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return Appended{}, err
	}
	defer f.Close()
	if err := waitForLock(f); err != nil {
		return Appended{}, fmt.Errorf("%s: %w", path, err)
	}
	defer unlock(f)
	appending.RLock()
	defer appending.RUnlock()
	info, err := f.Stat()
	if err != nil {
		return Appended{}, err
	}
	out, err := appendTo(f, info.Size(), records, func(text []byte) (string, error) { return setAside(path, text) })
	if err != nil {
		return Appended{}, fmt.Errorf("%s: %w", path, err)
	}
	if info.Size() == 0 {
		if err := syncFolder(filepath.Dir(path)); err != nil {
			return Appended{}, fmt.Errorf("%s: %w", path, err)
		}
	}
	return out, nil
}

func waitForLock(f *os.File) error {
	for waited := time.Duration(0); ; waited += lockRetry {
		switch err := lock(f); {
		case err == nil:
			return nil
		case !errors.Is(err, errLocked):
			return fmt.Errorf("it cannot be locked against other programs: %w", err)
		case waited >= lockWait:
			return ErrBusy
		}
		time.Sleep(lockRetry)
	}
}

var errLocked = errors.New("locked")

// storage is what appending needs of a file.
type storage interface {
	io.ReaderAt
	io.WriterAt
	Truncate(size int64) error
	Sync() error
}

// appendTo is Append on an open file; setAside keeps what is taken off its end and
// gives the name that it is kept under.
func appendTo(f storage, size int64, records []Record, setAside func([]byte) (string, error)) (Appended, error) {
	head, end, err := findLastRecord(f, size)
	if err != nil {
		return Appended{}, err
	}
	if err := checkCorrections(f, end, records); err != nil {
		return Appended{}, err
	}
	dropped, err := takeOff(f, end, size, setAside)
	if err != nil {
		return Appended{}, err
	}
	var lines [][]byte
	if head.lacksEnd {
		lines = append(lines, nil)
	}
	if dropped != nil {
		mend := []Record{{Kind: Mended, Time: records[0].Time, Dropped: dropped}}
		if err := head.encode(&lines, mend); err != nil {
			return Appended{}, err
		}
	}
	if err := head.encode(&lines, records); err != nil {
		return Appended{}, err
	}
	if err := writeLines(f, end, size, lines); err != nil {
		return Appended{}, err
	}
	return Appended{
		First: records[0].Number, Last: head.number,
		Receipt: receiptOf(head.number, head.hash), Mended: dropped,
	}, nil
}

// lastRecord is the end of the chain.
type lastRecord struct {
	number   int
	hash     string
	lacksEnd bool
}

// encode adds the lines of records that follow, without their ends.
func (h *lastRecord) encode(lines *[][]byte, records []Record) error {
	*lines = slices.Grow(*lines, len(records))
	for i := range records {
		r := &records[i]
		r.Schema, r.Number, r.Before = Schema, h.number+1, h.hash
		line, err := r.encode()
		if err != nil {
			return fmt.Errorf("record of kind %q: %w", r.Kind, err)
		}
		if len(line) >= maxLine {
			return fmt.Errorf("record of kind %q: it is longer than %d bytes", r.Kind, maxLine)
		}
		// What cannot be read again would end the series.
		if r.Measurement != nil {
			if _, err := decode(line); err != nil {
				return fmt.Errorf("record of kind %q cannot be read again: %w", r.Kind, err)
			}
		}
		*lines = append(*lines, line)
		h.number, h.hash = r.Number, r.Hash
	}
	return nil
}

// findLastRecord reads the last record. end is where the next line belongs: what stands
// from there on is no record.
func findLastRecord(f io.ReaderAt, size int64) (h lastRecord, end int64, err error) {
	h = lastRecord{hash: noRecord}
	if size == 0 {
		return h, 0, nil
	}
	seen, err := trimBlank(f, size)
	if err != nil {
		return h, 0, err
	}
	if seen == 0 {
		return h, 0, errOtherFile
	}
	line, err := lastLine(f, seen)
	if err != nil {
		return h, 0, err
	}
	behind := make([]byte, min(size-seen, maxLine))
	if _, err := f.ReadAt(behind, seen); err != nil {
		return h, 0, err
	}
	ended := bytes.IndexByte(behind, '\n')
	start := seen - int64(len(line))
	r, err := decode(line)
	parts := []piece{{0, len(line), true}}
	if r.Hash == "" {
		parts = pieces(line)
	}
	switch whole := slices.ContainsFunc(parts, func(x piece) bool { return x.whole }); {
	case r.Hash != "" && ended == 0 && err == nil:
		return lastRecord{r.Number, r.Hash, false}, seen + 1, nil
	case ended >= 0, whole && !(parts[0].whole && len(parts) <= 2):
		if err == nil {
			err = errLayout
		}
		return h, 0, fmt.Errorf("nothing was added, as the last record is not as it was written (%w); look at the file with series check and go on from an unchanged copy", err)
	case whole:
		if r.Hash == "" {
			r, err = decode(line[:parts[0].end])
		}
		return lastRecord{r.Number, r.Hash, true}, start + int64(parts[0].end), err
	case start == 0 && !isRecordPrefix(line):
		return h, 0, errOtherFile
	}
	// An unfinished line behind the record that is the head.
	return findLastRecord(f, start)
}

var errOtherFile = errors.New("nothing was added, as it is not a series file; name another one")

// trimBlank is where the last byte ends, before size, that is to be seen.
func trimBlank(f io.ReaderAt, size int64) (int64, error) {
	for at := size; at > 0; {
		n := min(at, block)
		part := make([]byte, n)
		if _, err := f.ReadAt(part, at-n); err != nil {
			return 0, err
		}
		if kept := len(bytes.TrimRight(part, " \t\r\n")); kept > 0 {
			return at - n + int64(kept), nil
		}
		at -= n
	}
	return 0, nil
}

// block is how much is written at once, and read when a file is read from its end, bytes.
const block = 1 << 15

// isRecordPrefix reports whether an unfinished first line is what a writer left of a record:
// its beginning, or the zeros of a file that grew before it was filled. Anything
// else is somebody's other file, and nothing of it must be taken off.
func isRecordPrefix(line []byte) bool {
	return bytes.HasPrefix(line, recordStart[:min(len(line), len(recordStart))]) || len(bytes.Trim(line, "\x00")) == 0
}

// lastLine is what stands between the last line end before size and size.
func lastLine(f io.ReaderAt, size int64) ([]byte, error) {
	var line []byte
	for at := size; at > 0; {
		n := min(at, block)
		at -= n
		part := make([]byte, n, int(n)+len(line))
		if _, err := f.ReadAt(part, at); err != nil {
			return nil, err
		}
		i := bytes.LastIndexByte(part, '\n')
		line = append(part[i+1:], line...)
		if i >= 0 {
			break
		}
		if len(line) > maxLine {
			return nil, errLongLine
		}
	}
	return line, nil
}

// checkCorrections holds corrections against the records they name.
func checkCorrections(f io.ReaderAt, end int64, records []Record) error {
	needed := false
	for _, r := range records {
		needed = needed || r.Kind == Correction
	}
	if !needed {
		return nil
	}
	file, err := Parse(io.NewSectionReader(f, 0, end))
	if err != nil {
		return err
	}
	if len(file.Faults) > 0 {
		return fmt.Errorf("nothing was added: %s", file.Faults[0].Message)
	}
	for i := range records {
		if records[i].Kind != Correction {
			continue
		}
		if err := records[i].checkCorrection(effective(file.Records)); err != nil {
			return err
		}
	}
	return nil
}

// writeLines writes lines at end, over anything unfinished up to size, and syncs them;
// on failure the file is as long as before the unfinished part.
func writeLines(f storage, end, size int64, lines [][]byte) error {
	if size > end {
		if err := f.Truncate(end); err != nil {
			return err
		}
	}
	text := bufio.NewWriterSize(io.NewOffsetWriter(f, end), block)
	for _, line := range lines {
		text.Write(line)
		text.WriteByte('\n')
	}
	err := text.Flush() // that of the first write that failed
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		return nil
	}
	if back := f.Truncate(end); back != nil {
		return fmt.Errorf("nothing was added: %w (and the unfinished line could not be taken off: %w; the next writer does)", err, back)
	}
	// Without this a crash could bring the refused records back; they are not
	// acknowledged, so a failure changes nothing for the caller.
	_ = f.Sync()
	return fmt.Errorf("nothing was added: %w", err)
}
