// Package series keeps a clinician's cases on one append-only text file, a
// record a line, in which a removed, edited or reordered record is found.
//
// Each line is a JSON object that carries the SHA-256 of the record before it
// ("before") and, last, its own ("hash", over the bytes of the line in front of
// it); the first record's "before" is 64 zeros. A line is never changed:
// a later record corrects it. Start with Read, Append and Check; Summarise says
// what the records mean case by case, and Rows gives the tidy table.
//
// Conventions: lengths are mm, angles degrees, coordinates patient LPS of the
// planning scan. Times are RFC 3339, given by the caller. A figure that could
// not be had is absent, never zero.
//
// Limits: see CannotProve. Locks need a file system that honours them.
package series

import (
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"plumbline/internal/measurement"
)

// Schema names the form of a record; a reader refuses another one.
const Schema = "plumbline/series/1"

// CannotProve is what a chain of hashes leaves open, for those who rely on it.
const CannotProve = "The chain shows that no record was edited, removed or moved since it was written, " +
	"but somebody who holds the file can write it anew from any record on, or cut records off its end; " +
	"only a receipt given away at the time shows that. " + neverShown

// BrokenProves is what a broken chain leaves open.
const BrokenProves = "A broken chain shows that the file is not as the program wrote it, and does not show who changed it, when or why: " +
	"a text editor that saves the file breaks it as well as somebody who rewrites a figure. " +
	"What stands before the first fault is as it was written, and for what comes after it only an unchanged copy speaks. " + neverShown

// neverShown is what no chain shows.
const neverShown = "It cannot show who wrote a record, that the computer's clock was right, that a surgery was sealed at all, " +
	"or that the scans are those of the patient."

// Kind says what a record is.
type Kind string

// The kinds of records.
const (
	Sealed     Kind = "sealed"     // a plan, before surgery
	Measured   Kind = "measured"   // the measurement of a case
	Imported   Kind = "imported"   // figures of a case from a table
	LeftOut    Kind = "left-out"   // a case that is not measured, with the reason
	Correction Kind = "correction" // replaces or withdraws an earlier record
	Remark     Kind = "remark"     // a reviewer's words
	Mended     Kind = "mended"     // what was no record was taken off the end
	Joined     Kind = "joined"     // a record of another copy of this series, as it stands there
	Fixed      Kind = "fixed"      // a design for the cases to come
)

// Record is one line of the file. Append sets Schema, Number, Before and Hash.
type Record struct {
	Schema string `json:"schema"`
	Number int    `json:"record"` // from 1
	Time   string `json:"time"`
	Kind   Kind   `json:"kind"`
	Case   string `json:"case,omitempty"` // pseudonym; every kind but a remark, a correction, a mending and a design has one

	Plan        *Plan             `json:"plan,omitempty"`
	Measurement *measurement.Case `json:"measurement,omitempty"`
	Rows        []Row             `json:"rows,omitempty"`   // of an import, all of one case
	Source      *Source           `json:"source,omitempty"` // of an import, or the copy that a joined record stands in

	Corrects int    `json:"corrects,omitempty"` // number of the record that a correction is about
	Withdraw bool   `json:"withdraw,omitempty"` // the corrected record no longer counts
	Reason   string `json:"reason,omitempty"`   // why left out or corrected
	Author   string `json:"author,omitempty"`   // of a remark or a correction, pseudonym or role
	Text     string `json:"text,omitempty"`     // of a remark
	Taken    *Taken `json:"taken,omitempty"`    // where a remark was written that came in a file of its own

	Copy string `json:"copy,omitempty"` // the line of a joined record

	Dropped *Dropped `json:"dropped,omitempty"`
	Design  *Design  `json:"design,omitempty"`

	Before string `json:"before"`
	Hash   string `json:"-"`

	line   int     // where it was read
	joined *Record // that brought it from another copy
}

// Source says where an import came from.
type Source struct {
	File   string `json:"file"` // name without folder
	SHA256 string `json:"sha256"`
}

// Dropped is what a mending took off the end: what a kill or a full disk left of
// a record that was never acknowledged, or what another program wrote behind the
// last record. The bytes are kept in a file beside the series.
type Dropped struct {
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"`
	File   string `json:"file,omitempty"` // name without folder
}

// maxText bounds a remark or a reason, in characters: a page, not a book.
const maxText = 4000

// validate checks what one record says by itself.
func (r *Record) validate() error {
	if _, err := time.Parse(time.RFC3339, r.Time); err != nil {
		return fmt.Errorf("time %q: expected one as in 2026-03-14T09:30:00+01:00", r.Time)
	}
	for what, text := range map[string]string{"reason": r.Reason, "text": r.Text, "author": r.Author} {
		if err := checkText(text, true); err != nil {
			return fmt.Errorf("%s: %w", what, err)
		}
	}
	needsCase := false
	var missing string
	switch r.Kind {
	case Sealed:
		needsCase = true
		if r.Plan == nil || r.Plan.SHA256 == "" || len(r.Plan.Fixtures) == 0 {
			missing = "a plan with its hash and its fixtures"
		}
	case Measured:
		needsCase = true
		if r.Measurement == nil {
			missing = "a measurement"
		}
	case Imported:
		needsCase = true
		if len(r.Rows) == 0 || r.Source == nil {
			missing = "rows and their source"
		}
	case LeftOut:
		needsCase = true
		if r.Reason == "" {
			missing = "a reason"
		}
	case Correction:
		missing = r.correctionLacks()
	case Remark:
		if r.Text == "" || r.Author == "" {
			missing = "a text and its author"
		}
		if r.Taken != nil {
			if err := r.Taken.valid(); err != nil {
				return err
			}
		}
	case Mended:
		if r.Dropped == nil {
			missing = "what was dropped"
		}
	case Fixed:
		if r.Design == nil {
			missing = "a design"
		} else if err := r.Design.Check(); err != nil {
			return fmt.Errorf("design: %w", err)
		}
	case Joined:
		if r.inner() == nil || r.Source == nil {
			missing = "a whole record of another copy, and that copy's name and hash"
		}
	default:
		return fmt.Errorf("kind %q is not known to this version of the program", r.Kind)
	}
	if missing != "" {
		return fmt.Errorf("a record of kind %q needs %s", r.Kind, missing)
	}
	if needsCase && r.Case == "" {
		return fmt.Errorf("a record of kind %q needs a case", r.Kind)
	}
	if r.Case != "" {
		if err := checkName(r.Case); err != nil {
			return fmt.Errorf("case: %w", err)
		}
	}
	return r.checkFigures()
}

func (r *Record) correctionLacks() string {
	given := 0
	for _, is := range []bool{r.Withdraw, r.Measurement != nil, len(r.Rows) > 0, r.Text != ""} {
		if is {
			given++
		}
	}
	switch {
	case r.Corrects < 1:
		return "the number of the record that it corrects"
	case r.Reason == "":
		return "a reason"
	case given != 1:
		return "either to withdraw the record or one thing to put in its place"
	}
	return ""
}

func (r *Record) checkFigures() error {
	if m := r.Measurement; m != nil {
		if err := checkMeasurement(m); err != nil {
			return err
		}
		if r.Kind == Measured && m.Case != r.Case {
			return fmt.Errorf("the measurement is of case %q, the record of %q", m.Case, r.Case)
		}
	}
	for i := range r.Rows {
		if err := r.Rows[i].check(); err != nil {
			return fmt.Errorf("row %d: %w", i+1, err)
		}
		if r.Kind == Imported && r.Rows[i].Case != r.Case {
			return fmt.Errorf("row %d is of case %q, the record of %q", i+1, r.Rows[i].Case, r.Case)
		}
	}
	return nil
}

// checkName refuses what no pseudonym has. The value stays out of the message,
// as it may be a patient's name.
func checkName(s string) error {
	if s == "" {
		return fmt.Errorf("it is empty; write a pseudonym, as in C-007")
	}
	if strings.Contains(s, "^") {
		return fmt.Errorf("it looks like a person's name from a scan; write a pseudonym, as in C-007")
	}
	if utf8.RuneCountInString(s) > 100 {
		return fmt.Errorf("it is longer than 100 characters; write a pseudonym, as in C-007")
	}
	return checkText(s, false)
}

func checkText(s string, lines bool) error {
	if !utf8.ValidString(s) {
		return fmt.Errorf("it is not UTF-8 text")
	}
	if utf8.RuneCountInString(s) > maxText {
		return fmt.Errorf("it is longer than %d characters", maxText)
	}
	for _, c := range s {
		if unicode.IsControl(c) && !(lines && (c == '\n' || c == '\t')) {
			return fmt.Errorf("it has a character that cannot be printed (U+%04X)", c)
		}
	}
	return nil
}

func checkDate(s string) error {
	if _, err := time.Parse(time.DateOnly, s); err != nil {
		return fmt.Errorf("date of surgery %q: expected one as in 2026-03-14", s)
	}
	return nil
}

func checkMeasurement(m *measurement.Case) error {
	if m.Schema != measurement.Schema {
		return fmt.Errorf("schema %q: expected %q", m.Schema, measurement.Schema)
	}
	if err := checkName(m.Case); err != nil {
		return fmt.Errorf("case: %w", err)
	}
	if err := checkName(m.Clinician); err != nil {
		return fmt.Errorf("clinician: %w", err)
	}
	if err := checkDate(m.Placed); err != nil {
		return err
	}
	return m.Check()
}
