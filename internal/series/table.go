package series

import (
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
)

// TableRow is a row of the tidy table: a fixture, or a case without figures
// that was sealed or left out, so that a table never hides one. Withdrawn and
// replaced figures have rows of their own behind those that count.
type TableRow struct {
	Row
	Status    Status      `json:"status"`
	Seal      Seal        `json:"seal"`
	Record    int         `json:"record,omitempty"`    // that the row comes from
	Reason    string      `json:"reason,omitempty"`    // why left out or withdrawn, or what replaced it
	Withdrawn *Withdrawal `json:"withdrawn,omitempty"` // of a withdrawn row
}

// Table is every case in the order of surgery.
func (s *Summary) Table() []TableRow {
	var out []TableRow
	for i := range s.Cases {
		out = append(out, s.Cases[i].table()...)
	}
	return out
}

// Simulated reports whether the figures or the plan of any case are those of a phantom.
func (s *Summary) Simulated() bool {
	return slices.ContainsFunc(s.Table(), func(r TableRow) bool { return r.Simulated })
}

// table has the rows of one case: those in force, then what was withdrawn, then
// what was replaced.
func (c *CaseState) table() []TableRow {
	var out []TableRow
	figures := func(t TableRow, rows []Row) {
		for _, r := range rows {
			t.Row = r
			out = append(out, t)
		}
	}
	planned := func(t TableRow, p *Plan) {
		t.Row = Row{Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Simulated: p != nil && p.Simulated}
		if p == nil {
			out = append(out, t)
			return
		}
		for _, f := range p.Fixtures {
			t.Site, t.Guidance = f.Site, f.Guidance
			t.PlannedDiameter, t.PlannedLength = positive(f.Diameter), positive(f.Length)
			out = append(out, t)
		}
	}
	switch c.Status {
	case StatusMeasured:
		figures(TableRow{Status: c.Status, Seal: c.Seal, Record: c.Measurement, Reason: c.Reason}, c.rows)
	case StatusWithdrawn: // below
	default:
		plan := c.plan
		if n := len(c.Sealed); plan == nil && n > 0 {
			plan = c.plans[c.Sealed[n-1]]
		}
		t := TableRow{Status: c.Status, Seal: c.Seal, Record: c.LeftOut, Reason: c.Reason}
		if c.Measurement != 0 {
			figures(t, c.rows)
		} else {
			planned(t, plan)
		}
	}
	for i := range c.Withdrawn {
		w := &c.Withdrawn[i]
		t := TableRow{Status: StatusWithdrawn, Seal: c.Seal, Record: w.Record, Reason: w.Reason, Withdrawn: w}
		if len(w.rows) > 0 {
			figures(t, w.rows)
			continue
		}
		planned(t, w.plan)
	}
	for i := range c.Earlier {
		e := &c.Earlier[i]
		figures(TableRow{Status: StatusReplaced, Seal: c.Seal, Record: e.Record, Reason: e.Changed}, e.rows)
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
		{"evidence", "what shows the placed fixture: scan (follow-up scan) or surface (surface scan with a scan body); empty where that is not stated", false},
		{"simulated", "true where nobody was operated on, else false or empty", false},
		{"planned_diameter_mm", "of the planned fixture", false},
		{"planned_length_mm", "of the planned fixture", false},
		{"status", "measured; for a case without figures open (surgery to come), missing (sealed, never measured) or left-out; withdrawn for what no longer counts, replaced for a measurement that another took the place of; only measured rows are imported", false},
		{"seal", "kept, waiting, changed, unknown, late or none: what the case's seal is worth; not read back", false},
		{"record", "number of the record in the series file; not read back", false},
		{"reason", "why the case was left out or the record withdrawn, or what the next measurement changed; not read back", false},
		{"withdrawn_record", "number of the record that withdraws this one; not read back", false},
		{"withdrawn_time", "when it was withdrawn; not read back", false},
		{"withdrawn_by", "pseudonym of who withdrew it, where that was given; not read back", false},
		{"verdict", "the gravest of structure-entered, margin-missed, doubt, outside-limits, nothing-against-it and not-checked; empty without figures; not read back", false},
		{"verdict_by", "plan, transfer, or plan and transfer: whose a structure entered or a margin missed is; not read back", false},
		{"not_checked", "kind of structure that is due at the site and was not given; not read back", false},
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
	return append(out,
		Column{bonePlanned, "least bone to buccal of the planned fixture's wall, in the planning scan; negative = outside", false},
		Column{boneAchieved, "the same of the placed fixture", false},
		Column{boneAtMost, "planned, achieved, or both with a space between: which of the two is but a bound, as at some depth the plate is too thin for the scan, could not be read, or the axis lies outside the bone", false})
}

// The columns of the least bone to buccal.
const (
	bonePlanned  = "buccal_bone_planned_mm"
	boneAchieved = "buccal_bone_achieved_mm"
	boneAtMost   = "buccal_bone_at_most"
)

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
	simulated := ""
	if t.Simulated {
		simulated = "true"
	}
	var withdrawn, verdict [3]string
	if t.Judged() {
		doubt = strconv.FormatBool(t.Doubt)
		v := t.Verdict()
		verdict = [3]string{string(v.Code), string(v.By), strings.Join(v.NotChecked, " ")}
	}
	if w := t.Withdrawn; w != nil {
		withdrawn = [3]string{strconv.Itoa(w.By), w.When, printable.Cell(w.Author)}
	}
	out := []string{printable.Cell(t.Case), printable.Cell(t.Placed), printable.Cell(t.Clinician), printable.Cell(t.Site), numbering, t.Jaw(), t.Region(), printable.Cell(t.Guidance), printable.Cell(t.Evidence), simulated,
		cell(t.PlannedDiameter), cell(t.PlannedLength), printable.Cell(string(t.Status)), string(t.Seal), record, printable.Cell(t.Reason),
		withdrawn[0], withdrawn[1], withdrawn[2], verdict[0], verdict[1], verdict[2], doubt,
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
	return append(out, t.Bone.cells()...)
}

// cells are those of the columns of the bone to buccal.
func (b *BuccalBone) cells() []string {
	if b == nil {
		return []string{"", "", ""}
	}
	var bounds []string
	if b.PlannedAtMost {
		bounds = append(bounds, "planned")
	}
	if b.AchievedAtMost {
		bounds = append(bounds, "achieved")
	}
	return []string{cell(b.Planned), cell(b.Achieved), strings.Join(bounds, " ")}
}

// Judged reports whether there is something to give a verdict on: a measured fixture.
func (t *TableRow) Judged() bool { return t.Status == StatusMeasured || t.hasFigures() }

// hasFigures reports whether there is a deviation or a clearance.
func (r *Row) hasFigures() bool {
	return r.Deviation != measurement.Values{} || len(r.Clearance) > 0
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
