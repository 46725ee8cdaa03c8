package cli

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"

	"plumbline/internal/measurement"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

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
	if f.IsOther() {
		return nil, usage("%s is not a series file; name the file that seal, measure --series or series import made", path)
	}
	return f, nil
}

// openLedger reads a series file to add to it; one that is not there yet is
// empty.
func openLedger(env Env, path string) (*series.Ledger, error) {
	if err := checkPlace(path); err != nil {
		return nil, err
	}
	if _, err := os.Stat(path); errors.Is(err, fs.ErrNotExist) {
		return series.OpenLedger(path, env.Now())
	}
	return openExistingLedger(env, path)
}

// openExistingLedger reads a series file, which has to be there, to add to it.
// Nothing is added to a broken chain.
func openExistingLedger(env Env, path string) (*series.Ledger, error) {
	f, err := openSeries(path)
	if err != nil {
		return nil, err
	}
	l, err := f.Ledger(env.Now())
	if err != nil {
		return nil, &statusError{InDoubt, err}
	}
	return l, nil
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

// add writes records; an error says whose fault it is.
func add(l *series.Ledger, records ...series.Record) (series.Appended, error) {
	added, err := l.Add(records...)
	return added, notAdded(err)
}

// notAdded says whose fault it is that records were not added.
func notAdded(err error) error {
	var path *fs.PathError
	var system syscall.Errno
	switch {
	case err == nil:
		return nil
	case errors.As(err, &path):
		return unwritten(err)
	case errors.Is(err, series.ErrBusy), errors.As(err, &system):
		return err
	}
	return badInput(err)
}

// otherCase says how to go on where a name is another case's.
func otherCase(err error) error {
	var other *series.OtherCaseError
	if !errors.As(err, &other) {
		return err
	}
	return badInput(fmt.Errorf("%w with: plumbline series correct --record %d --withdraw --reason WHY %s", err, other.Record, other.Path))
}

// writeState prints what the records say of a case.
func writeState(out io.Writer, l *series.Ledger, name string) {
	state := l.Case(name)
	if state == nil {
		return
	}
	if state.Status == series.StatusMeasured {
		if words := sealed[state.Seal]; words != "" {
			printable.Fprintf(out, "%s\n", words)
		}
	}
	for _, f := range state.Flags {
		printable.Fprintf(out, "  %s: %s.\n", f.Code, f.Message)
	}
}

// sealed says what the seal of a measured case is worth, where no flag does.
var sealed = map[series.Seal]string{
	series.SealKept: "Its plan was sealed before surgery and is the one that was measured.",
	series.SealNone: "Its plan was not sealed before surgery.",
}

// writeReceipt prints the head of the chain and what to do with it.
func writeReceipt(out io.Writer, l *series.Ledger) {
	if l.Mended != nil {
		printable.Fprintf(out, "What stood behind the last record (%d bytes), as a stopped program or an editor leaves it, was set aside in %s; a record says so.\n",
			l.Mended.Bytes, filepath.Join(filepath.Dir(l.Path), l.Mended.File))
	}
	printable.Fprintf(out, "Receipt %s\nSend this code to your mentor now. Later it proves that nothing up to today was changed.\n", l.Receipt())
}

// entry says how a measured case stands in the series file after it was entered.
type entry struct {
	ledger  *series.Ledger
	name    string
	record  int
	already bool
}

// enter puts a measurement, with the plan that it was made with, into the series
// file unless it is there.
func enter(env Env, path string, m *measurement.Case, with *series.Plan) (*entry, error) {
	l, err := openLedger(env, path)
	if err != nil {
		return nil, err
	}
	r := series.Record{Kind: series.Measured, Case: m.Case, Measurement: m, Plan: with}
	already, err := l.Has(&r)
	if err != nil {
		return nil, otherCase(err)
	}
	if already {
		return &entry{l, m.Case, l.Case(m.Case).Measurement, true}, nil
	}
	added, err := add(l, r)
	return &entry{l, m.Case, added.Last, false}, err
}

// inDoubt reports whether the records put the case in doubt, as where its plan was
// changed after the seal.
func (e *entry) inDoubt() bool {
	state := e.ledger.Case(e.name)
	return state != nil && slices.ContainsFunc(state.Flags, func(f measurement.Flag) bool { return f.Level == measurement.Doubt })
}

func (e *entry) write(out io.Writer) {
	if e.already {
		printable.Fprintf(out, "%s is in %s already, measured from the same inputs by the same program (record %d); nothing was added.\n", e.name, e.ledger.Path, e.record)
	} else {
		printable.Fprintf(out, "%s is record %d of %s.\n", e.name, e.record, e.ledger.Path)
	}
	writeState(out, e.ledger, e.name)
}

// writeEntries prints how cases stand in the series, and the last receipt.
func writeEntries(out io.Writer, entries []*entry) {
	if len(entries) == 0 {
		return
	}
	printable.Fprintf(out, "\n")
	last := entries[len(entries)-1].ledger
	for _, e := range entries {
		e.write(out)
		if last.Mended == nil {
			last.Mended = e.ledger.Mended
		}
	}
	writeReceipt(out, last)
}
