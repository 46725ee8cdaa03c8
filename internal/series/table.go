package series

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
)

// TableRow is a row of the tidy table: a fixture, or a case without figures
// that was sealed or left out, so that a table never hides one.
type TableRow struct {
	Row
	Status Status `json:"status"`
	Seal   Seal   `json:"seal"`
	Record int    `json:"record,omitempty"` // of the measurement, or of the reason for leaving out
	Reason string `json:"reason,omitempty"`
}

// Table is every case in the order of surgery.
func (s *Summary) Table() []TableRow {
	var out []TableRow
	for i := range s.Cases {
		c := &s.Cases[i]
		t := TableRow{Status: c.Status, Seal: c.Seal, Record: c.Measurement, Reason: c.Reason}
		if c.Status == StatusMeasured {
			for _, r := range c.rows {
				t.Row = r
				out = append(out, t)
			}
			continue
		}
		t.Record = c.LeftOut
		t.Row = Row{Case: c.Case, Placed: c.Placed, Clinician: c.Clinician}
		sites := c.plan
		if n := len(c.Sealed); sites == nil && n > 0 {
			sites = c.plans[c.Sealed[n-1]]
		}
		if sites == nil {
			out = append(out, t)
			continue
		}
		for _, f := range sites.Fixtures {
			t.Site, t.Guidance = f.Site, f.Guidance
			t.PlannedDiameter, t.PlannedLength = positive(f.Diameter), positive(f.Length)
			out = append(out, t)
		}
	}
	return out
}

// Column is a column of the table and what stands in it.
type Column struct {
	Name    string
	Meaning string
	Needed  bool // in a table to be imported
}

// Columns documents the table, in order. An empty cell means that there is no
// such figure.
func Columns() []Column {
	out := []Column{
		{"case", "pseudonym of the case; one surgery", true},
		{"placed", "date of surgery, as in 2026-03-14", true},
		{"clinician", "pseudonym of the clinician", true},
		{"site", "tooth, by the numbering of the next column; a row is one fixture", true},
		{"numbering", "iso3950 (also if empty) or universal; always iso3950 in an export", false},
		{"jaw", "upper or lower; follows from the site, not read back", false},
		{"region", "anterior (canine to canine) or posterior; follows from the site, not read back", false},
		{"guidance", "full-guide, pilot-guide, freehand or navigated", false},
		{"planned_diameter_mm", "of the planned fixture", false},
		{"planned_length_mm", "of the planned fixture", false},
		{"status", "measured, or for a case without figures open (surgery to come), missing (sealed, never measured) or left-out; only measured rows are imported", false},
		{"seal", "kept, waiting, changed, unknown, late or none: what the case's seal is worth; not read back", false},
		{"record", "number of the record in the series file; not read back", false},
		{"reason", "why the case was left out; not read back", false},
		{"doubt", "true where the figures are not to be relied on, else false", false},
		{"flags", "codes of the remarks on the measurement; not read back", false},
	}
	for f := range measurement.FigureCount {
		out = append(out, Column{f.String(), f.Spec().Meaning, false})
	}
	for f := range measurement.FigureCount {
		out = append(out, Column{"u_" + f.String(), "standard uncertainty of " + f.String(), false})
	}
	for _, f := range measurement.Floored() {
		out = append(out, Column{floorColumn(f), "what a perfectly placed fixture would show in this scan at the 95th percentile; all floors come together or not at all", false})
	}
	for _, spec := range casefile.Kinds {
		k := string(spec.Kind)
		of := "the structure of kind " + k + " that was planned nearest"
		out = append(out, Column{k + "_planned_mm", "planned clearance to " + of, false},
			Column{k + "_achieved_mm", "achieved clearance to it; negative = inside", false},
			Column{k + "_margin_mm", "margin asked for at it", false})
	}
	return out
}

// floorColumn is the column of a figure's floor.
func floorColumn(f measurement.Figure) string { return "floor95_" + f.String() }

// columnNames are the names of Columns.
func columnNames() []string {
	var out []string
	for _, c := range Columns() {
		out = append(out, c.Name)
	}
	return out
}

// WriteCSV writes the table: RFC 4180 with line ends of one line feed, comma and
// decimal point, UTF-8 without byte order mark. Text is on one line, and what a
// spreadsheet would run as a formula gets an apostrophe in front, which ReadCSV
// takes off again; see printable.Cell.
func WriteCSV(w io.Writer, rows []TableRow) error {
	out := csv.NewWriter(w)
	if err := out.Write(columnNames()); err != nil {
		return err
	}
	for i := range rows {
		if err := out.Write(rows[i].cells()); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

func (t *TableRow) cells() []string {
	record := ""
	if t.Record > 0 {
		record = strconv.Itoa(t.Record)
	}
	numbering, doubt := "", ""
	if t.Site != "" {
		numbering = "iso3950"
	}
	if t.Status == StatusMeasured {
		doubt = strconv.FormatBool(t.Doubt)
	}
	out := []string{printable.Cell(t.Case), printable.Cell(t.Placed), printable.Cell(t.Clinician), printable.Cell(t.Site), numbering, t.Jaw(), t.Region(), printable.Cell(t.Guidance),
		cell(t.PlannedDiameter), cell(t.PlannedLength), printable.Cell(string(t.Status)), string(t.Seal), record, printable.Cell(t.Reason), doubt,
		printable.Cell(strings.Join(t.Flags, " "))}
	for _, v := range t.Deviation {
		out = append(out, cell(v))
	}
	for _, v := range t.U {
		out = append(out, cell(v))
	}
	floors := t.Floor
	if floors == nil {
		floors = &measurement.Values{}
	}
	for _, f := range measurement.Floored() {
		out = append(out, cell(floors[f]))
	}
	for _, spec := range casefile.Kinds {
		k := string(spec.Kind)
		if c := t.Nearest(k); c != nil {
			out = append(out, cell(&c.Planned), cell(c.Achieved), cell(c.Margin))
		} else {
			out = append(out, "", "", "")
		}
	}
	return out
}

// cell writes a number with all its digits, so that reading gives it back.
func cell(v *float64) string {
	if v == nil {
		return ""
	}
	return strconv.FormatFloat(*v, 'f', -1, 64)
}

// TableError is a fault in a table to be imported.
type TableError struct {
	Line   int    // from 1, the header
	Column string // may be empty
	Why    string
}

func (e *TableError) Error() string {
	if e.Column == "" {
		return fmt.Sprintf("line %d: %s", e.Line, e.Why)
	}
	return fmt.Sprintf("line %d, column %s: %s", e.Line, e.Column, e.Why)
}
