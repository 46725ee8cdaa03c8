// Package pseudonym sees to it that a case names nobody: what is stored of it is held
// against whom the scans' headers name.
//
// Start with Check. Headers are compared in memory; neither they nor the text that
// names somebody get into a message.
//
// Limits: a header without names, or one that says that it was de-identified, shows
// nothing; initials and short numbers pass. A code of letters and digits in the header
// may be a pseudonym already, and is a remark only.
package pseudonym

import (
	"fmt"
	"path/filepath"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// Error reports a text of a case that names the person whom a scan's header names.
// It shows neither the text nor the header.
type Error struct {
	File  string // the case file, "" before there is one
	Field string // in words
	What  string // what it names, as in "the patient's name"
}

func (e *Error) Error() string {
	where := e.Field
	if e.File != "" {
		where = e.File + ": " + where
	}
	return fmt.Sprintf("%s: it is or contains %s as the scan's header has it; give a pseudonym, since it stands in every record and report", where, e.What)
}

// Check compares the texts of a case that are stored with whom the scans' headers
// name. The flags are notices of codes that may be pseudonyms already.
//
// Errors: Error.
func Check(c *casefile.Case, headers ...scan.Identity) ([]measurement.Flag, error) {
	var out []measurement.Flag
	for _, id := range headers {
		for _, t := range storedTexts(c) {
			var common func(string) bool
			if t.anatomy {
				common = casefile.IsAnatomy
			}
			what, certain := id.NamedIn(t.text, common)
			switch {
			case certain:
				return nil, &Error{c.File, t.field, what}
			case what != "":
				out = append(out, measurement.Flag{Code: measurement.CodeNameInHeader, Level: measurement.Notice,
					Message: fmt.Sprintf("%s: it is or contains %s as the scan's header has it, which is right only if the scan was exported under a pseudonym; else rename it, since it stands in every record and report", t.field, what)})
			}
		}
	}
	return out, nil
}

// storedText is a text of a case file that goes into records and reports.
type storedText struct {
	field, text string
	anatomy     bool // words of anatomy stand in it, which are surnames too
}

func storedTexts(c *casefile.Case) []storedText {
	out := []storedText{{"case", c.Name, false}, {"clinician", c.Clinician, false}}
	for i, s := range c.Structures {
		out = append(out, storedText{fmt.Sprintf("structure %d, name", i+1), s.Name, true})
	}
	for _, f := range c.Files {
		name := filepath.Base(f.Path)
		out = append(out, storedText{"the file name of " + f.What, name, true})
	}
	return out
}
