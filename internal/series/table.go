package series

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"

	"plumbline/internal/casefile"
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

// structureKinds have three columns each, for the structure planned nearest.
var structureKinds = []casefile.Kind{casefile.Nerve, casefile.Sinus, casefile.Root, casefile.FixtureBody, casefile.Cortex, casefile.OtherStructure}

// The columns of the table in front of the figures and behind them.
var (
	leadColumns = []string{"case", "placed", "clinician", "site", "numbering", "jaw", "region", "guidance",
		"planned_diameter_mm", "planned_length_mm", "status", "seal", "record", "reason", "doubt", "flags"}
	floorColumns = []string{"floor95_entry_mm", "floor95_apex_mm", "floor95_angle_deg"}
)

// Columns are the table's columns in order. An empty cell means that there is
// no such figure. u_… is the standard uncertainty; floor95_… the deviation that
// a perfectly placed fixture would show in this scan at the 95th percentile;
// NAME_planned_mm, NAME_achieved_mm and NAME_margin_mm belong to the structure
// of that kind that was planned nearest.
func Columns() []string {
	out := append([]string(nil), leadColumns...)
	out = append(out, figureNames[:]...)
	for _, name := range figureNames {
		out = append(out, "u_"+name)
	}
	out = append(out, floorColumns...)
	for _, k := range structureKinds {
		out = append(out, string(k)+"_planned_mm", string(k)+"_achieved_mm", string(k)+"_margin_mm")
	}
	return out
}

// WriteCSV writes the table: RFC 4180 with line ends of one line feed, comma and
// decimal point, UTF-8 without byte order mark. Text that a spreadsheet would
// run as a formula gets an apostrophe in front, which ReadCSV takes off again.
func WriteCSV(w io.Writer, rows []TableRow) error {
	out := csv.NewWriter(w)
	if err := out.Write(Columns()); err != nil {
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
	out := []string{guard(t.Case), t.Placed, guard(t.Clinician), guard(t.Site), numbering, t.Jaw(), t.Region(), guard(t.Guidance),
		cell(t.PlannedDiameter), cell(t.PlannedLength), string(t.Status), string(t.Seal), record, guard(t.Reason), doubt,
		guard(strings.Join(t.Flags, " "))}
	for _, v := range t.Deviation {
		out = append(out, cell(v))
	}
	for _, v := range t.U {
		out = append(out, cell(v))
	}
	if t.Floor == nil {
		out = append(out, "", "", "")
	} else {
		out = append(out, cell(&t.Floor.Entry), cell(&t.Floor.Apex), cell(&t.Floor.Angle))
	}
	for _, k := range structureKinds {
		if c := t.Nearest(string(k)); c != nil {
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

// formulaStarts are the characters with which spreadsheets begin a formula or
// skip to one, and the apostrophe that guards against them.
const formulaStarts = "=+-@\t\r\n'"

func guard(s string) string {
	if s != "" && strings.ContainsRune(formulaStarts, rune(s[0])) {
		return "'" + s
	}
	return s
}

func unguard(s string) string {
	if len(s) > 1 && s[0] == '\'' && strings.ContainsRune(formulaStarts, rune(s[1])) {
		return s[1:]
	}
	return s
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
