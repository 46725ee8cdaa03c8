package series

import (
	"bytes"
	"encoding/json"
	"fmt"
	"time"
)

// Ledger is a series file that records are added to, with what it says so far.
// Start with NewLedger on a file whose chain is Sound.
type Ledger struct {
	Path   string
	Now    time.Time // of the records that are added
	Mended *Dropped  // the unfinished line that adding took off the end, if any

	file    *File
	cases   map[string]*CaseState
	records map[int]*Record
	designs []Designed
}

// NewLedger takes a file as it was read; one that is not on the disk yet has no
// records.
func NewLedger(f *File, now time.Time) *Ledger {
	l := &Ledger{Path: f.Path, Now: now, file: f}
	l.summarise()
	return l
}

func (l *Ledger) summarise() {
	summary := Summarise(l.file.Records, l.Now.Format(time.DateOnly))
	l.designs = summary.Designs
	l.cases, l.records = map[string]*CaseState{}, map[int]*Record{}
	for i := range summary.Cases {
		l.cases[summary.Cases[i].Case] = &summary.Cases[i]
	}
	records := effective(l.file.Records)
	for i := range records {
		l.records[records[i].Number] = &records[i]
	}
}

// Case is what the records say of a case, nil where they do not name it.
func (l *Ledger) Case(name string) *CaseState { return l.cases[name] }

// Record is a record by its number, nil where there is none.
func (l *Ledger) Record(number int) *Record { return l.records[number] }

// Receipt is that of the file as it is now.
func (l *Ledger) Receipt() string { return l.file.Receipt() }

// LastSeal is the last seal of a case that is in force, nil if there is none.
func (l *Ledger) LastSeal(name string) *Record {
	state := l.cases[name]
	if state == nil || len(state.Sealed) == 0 {
		return nil
	}
	return l.records[state.Sealed[len(state.Sealed)-1]]
}

// Add writes records with the time of the ledger, all or none.
//
// Errors: a record that is written as naming a person, since nothing is ever taken out of
// a series file; those of Append.
func (l *Ledger) Add(records ...Record) (Appended, error) {
	for i := range records {
		if what := records[i].NamesPerson(); what != "" {
			return Appended{}, fmt.Errorf("nothing was added, as %s looks like a person's name; give a pseudonym, since nothing is ever taken out of a series file", what)
		}
		records[i].Time = l.Now.Format(time.RFC3339)
	}
	added, err := Append(l.Path, records...)
	if err != nil {
		return added, err
	}
	l.file.Records, l.Mended = append(l.file.Records, records...), added.Mended
	l.summarise()
	return added, nil
}

// OtherCaseError reports that the file has figures of another case under the
// name of one that is to be added.
type OtherCaseError struct {
	Path, Case string
	Record     int // that has the figures
}

func (e *OtherCaseError) Error() string {
	return fmt.Sprintf("%s has other figures of a case named %s (record %d); give each case its own name, or withdraw those first", e.Path, e.Case, e.Record)
}

// Has reports whether the file has the figures of a record already: measured
// from the same inputs by the same program, or imported as the same rows. A
// measurement may replace one of the same planning scan, and a row that was
// imported of the same surgery and clinician; anything else under the same name
// is another case.
//
// Errors: OtherCaseError.
func (l *Ledger) Has(r *Record) (bool, error) {
	state := l.cases[r.Case]
	if state == nil || state.Measurement == 0 {
		return false, nil
	}
	old := l.records[state.Measurement]
	if old == nil {
		return false, nil
	}
	switch {
	case old.Kind == Measured && r.Kind == Measured:
		was, is := old.Measurement, r.Measurement
		if was.Inputs.Same(is.Inputs) && was.Program == is.Program {
			return true, nil
		}
		if was.Inputs.PreSHA256 == is.Inputs.PreSHA256 {
			return false, nil
		}
	case old.Kind == Imported && r.Kind == Imported && sameRows(old.Rows, r.Rows):
		return true, nil
	case old.Kind == Imported && r.Kind == Measured && state.Placed == r.Measurement.Placed && state.Clinician == r.Measurement.Clinician:
		return false, nil
	}
	return false, &OtherCaseError{l.Path, r.Case, old.Number}
}

// Lacking are those of the records that the file does not have.
//
// Errors: OtherCaseError.
func (l *Ledger) Lacking(records []Record) ([]Record, error) {
	out := make([]Record, 0, len(records))
	for i := range records {
		has, err := l.Has(&records[i])
		if err != nil {
			return nil, err
		}
		if !has {
			out = append(out, records[i])
		}
	}
	return out, nil
}

// sameRows reports whether two imports say the same of a case.
func sameRows(a, b []Row) bool {
	x, err := json.Marshal(a)
	if err != nil {
		return false
	}
	y, err := json.Marshal(b)
	return err == nil && bytes.Equal(x, y)
}
