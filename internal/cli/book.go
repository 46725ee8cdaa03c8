package cli

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// book is a series file that records are added to, with what it holds.
type book struct {
	path    string
	now     time.Time
	file    *series.File
	summary series.Summary
	cases   map[string]*series.CaseState
	records map[int]*series.Record
	mended  *series.Dropped // what adding took off the end
}

// openSeries reads a series file, whether or not it is as it was written.
func openSeries(path string) (*series.File, error) {
	info, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return nil, badInput(fmt.Errorf("there is no series file %s; seal, measure --series and series import make one", path))
	case err != nil:
		return nil, badInput(err)
	case info.IsDir():
		return nil, usage("%s is a folder; name the series file", path)
	}
	f, err := series.Read(path)
	if err != nil {
		return nil, badInput(err)
	}
	return f, nil
}

// openBook reads a series file to add to it; one that is not there yet is empty
// unless there must be one. Nothing is added to a broken chain.
func openBook(env Env, path string, must bool) (*book, error) {
	b := &book{path: path, now: env.Now(), file: &series.File{Path: path}}
	if !must {
		if err := checkPlace(path); err != nil {
			return nil, err
		}
	}
	if _, err := os.Stat(path); must || !errors.Is(err, fs.ErrNotExist) {
		if b.file, err = openSeries(path); err != nil {
			return nil, err
		}
	}
	if err := b.file.Sound(); err != nil {
		return nil, &statusError{InDoubt, fmt.Errorf("nothing was added, as the file is not as it was written: %w", err)}
	}
	b.sum()
	return b, nil
}

// checkPlace refuses a path at which no series file can be or come to be.
func checkPlace(path string) error {
	if info, err := os.Stat(path); err == nil && info.IsDir() {
		return usage("%s is a folder; name the series file in it, as in %s", path, filepath.Join(path, "my-series.jsonl"))
	}
	folder := filepath.Dir(path)
	if info, err := os.Stat(folder); err != nil || !info.IsDir() {
		return usage("the series file %s cannot be made, as there is no folder %s; make the folder or name another place", path, folder)
	}
	return nil
}

// sum makes out what the records say.
func (b *book) sum() {
	b.summary = series.Summarise(b.file.Records, b.now.Format(time.DateOnly))
	b.cases, b.records = map[string]*series.CaseState{}, map[int]*series.Record{}
	for i := range b.summary.Cases {
		c := &b.summary.Cases[i]
		b.cases[c.Case] = c
	}
	for i := range b.file.Records {
		r := &b.file.Records[i]
		b.records[r.Number] = r
	}
}

// add writes records with the time of the book, and takes them into it.
func (b *book) add(records ...series.Record) (series.Appended, error) {
	for i := range records {
		records[i].Time = b.now.Format(time.RFC3339)
	}
	added, err := series.Append(b.path, records...)
	if err != nil {
		return added, unadded(err)
	}
	b.file.Records, b.mended = append(b.file.Records, records...), added.Mended
	b.sum()
	return added, nil
}

// unadded tells whose fault it is that records could not be added.
func unadded(err error) error {
	var path *fs.PathError
	var system syscall.Errno
	switch {
	case errors.As(err, &path):
		return unwritten(err)
	case errors.Is(err, series.ErrBusy), errors.As(err, &system):
		return err
	}
	return badInput(err)
}

// statusOf is the exit status that an error stands for.
func statusOf(err error) int {
	var s *statusError
	if errors.As(err, &s) {
		return s.status
	}
	return Failed
}

// remarks prints what the records say of a case.
func (b *book) remarks(out io.Writer, name string) {
	state := b.cases[name]
	if state == nil {
		return
	}
	if state.Status == series.StatusMeasured {
		if words := sealed[state.Seal]; words != "" {
			fmt.Fprintln(out, words)
		}
	}
	for _, f := range state.Flags {
		fmt.Fprintf(out, "  %s: %s.\n", f.Code, f.Message)
	}
}

// sealed says what the seal of a measured case is worth, where no flag does.
var sealed = map[series.Seal]string{
	series.SealKept: "Its plan was sealed before surgery and is the one that was measured.",
	series.SealNone: "Its plan was not sealed before surgery.",
}

// receipt prints the head of the chain and what to do with it.
func (b *book) receipt(out io.Writer) {
	if b.mended != nil {
		fmt.Fprintf(out, "An unfinished line of %d bytes at the end of the file, as a stopped program leaves it, was taken off; a record says so.\n", b.mended.Bytes)
	}
	fmt.Fprintf(out, "Receipt %s\nGive it to your mentor now; with it, series check shows later what the file held today.\n", b.file.Receipt())
}

// holds tells whether the file has the figures of a record already. A case of
// the same name that is another one is an error.
func (b *book) holds(r *series.Record) (bool, error) {
	state := b.cases[r.Case]
	if state == nil || state.Measurement == 0 {
		return false, nil
	}
	old := b.records[state.Measurement]
	if old == nil {
		return false, nil
	}
	switch {
	case old.Kind == series.Measured && r.Kind == series.Measured:
		was, is := old.Measurement, r.Measurement
		if was.Inputs.Same(is.Inputs) && was.Program == is.Program {
			return true, nil
		}
		if was.Inputs.PreSHA256 == is.Inputs.PreSHA256 {
			return false, nil
		}
	case old.Kind == series.Imported && r.Kind == series.Imported && sameRows(old.Rows, r.Rows):
		return true, nil
	case old.Kind == series.Imported && r.Kind == series.Measured && state.Placed == r.Measurement.Placed && state.Clinician == r.Measurement.Clinician:
		return false, nil
	}
	return false, badInput(fmt.Errorf("%s has other figures of a case named %s (record %d); give each case its own name, or withdraw those first with: plumbline series correct --record %d --withdraw --reason WHY %s",
		b.path, r.Case, old.Number, old.Number, b.path))
}

// entry says how a measured case stands in the series file after it was entered.
type entry struct {
	book    *book
	name    string
	record  int
	already bool
}

// fresh are those of the records that the file does not have.
func (b *book) fresh(records []series.Record) ([]series.Record, error) {
	var out []series.Record
	for i := range records {
		is, err := b.holds(&records[i])
		if err != nil {
			return nil, err
		}
		if !is {
			out = append(out, records[i])
		}
	}
	return out, nil
}

// sameRows compares what two imports say of a case.
func sameRows(a, b []series.Row) bool {
	x, err := json.Marshal(a)
	if err != nil {
		return false
	}
	y, err := json.Marshal(b)
	return err == nil && bytes.Equal(x, y)
}

// enter puts a measurement into the series file unless it is there.
func enter(env Env, path string, m *measurement.Case) (*entry, error) {
	b, err := openBook(env, path, false)
	if err != nil {
		return nil, err
	}
	r := series.Record{Kind: series.Measured, Case: m.Case, Measurement: m}
	e := &entry{book: b, name: m.Case}
	if e.already, err = b.holds(&r); err != nil {
		return nil, err
	}
	if e.already {
		e.record = b.cases[m.Case].Measurement
		return e, nil
	}
	added, err := b.add(r)
	e.record = added.Last
	return e, err
}

func (e *entry) print(out io.Writer) {
	if e.already {
		fmt.Fprintf(out, "%s is in %s already, measured from the same inputs by the same program (record %d); nothing was added.\n", e.name, e.book.path, e.record)
	} else {
		fmt.Fprintf(out, "%s is record %d of %s.\n", e.name, e.record, e.book.path)
	}
	e.book.remarks(out, e.name)
}

// writeEntries prints how cases stand in the series, and the last receipt.
func writeEntries(out io.Writer, entries []*entry) {
	if len(entries) == 0 {
		return
	}
	fmt.Fprintln(out)
	last := entries[len(entries)-1].book
	for _, e := range entries {
		e.print(out)
		if last.mended == nil {
			last.mended = e.book.mended
		}
	}
	last.receipt(out)
}
