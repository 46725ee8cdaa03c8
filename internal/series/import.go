package series

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/evidence"
	"plumbline/internal/measurement"
	"plumbline/internal/parquetfile"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/regularfile"
	"plumbline/internal/tooth"
)

// maxTable, bytes, and maxRows bound an imported table: 100,000 rows of all columns
// have some 40 MB.
const (
	maxTable = 256 << 20
	maxRows  = 1_000_000
)

// leftColumns are derived when a table is written and not read back; a name that
// begins with asidePrefix is the user's own column.
var leftColumns = []string{"jaw", "region", "seal", "record", "reason", "flags"}

const asidePrefix = "x_"

// ReadCSV reads a table of figures measured elsewhere: the columns of Columns in
// any order, of which case, placed (as in 2026-03-14), clinician, site and at
// least one figure must be there. "numbering" is iso3950 (also if empty) or
// universal. Commas or semicolons part the cells; numbers have a decimal point.
// Rows whose status is not "measured" are left aside, as are columns that begin
// with x_.
//
// Errors: *TableError with line and column; nothing is returned then.
func ReadCSV(in io.Reader) ([]Row, error) {
	text, err := io.ReadAll(io.LimitReader(in, maxTable+1))
	if err != nil {
		return nil, err
	}
	if len(text) > maxTable {
		return nil, fmt.Errorf("the table is larger than %d MB", maxTable>>20)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	r := csv.NewReader(bytes.NewReader(text))
	r.ReuseRecord = true
	header, _, _ := bytes.Cut(text, []byte("\n"))
	if bytes.Count(header, []byte(";")) > bytes.Count(header, []byte(",")) {
		r.Comma = ';'
	}
	t := table{at: map[string]int{}}
	names, err := r.Read()
	if err == io.EOF {
		return nil, &TableError{1, "", "the table is empty; its first line must name the columns"}
	}
	if err != nil {
		return nil, csvError(err)
	}
	if err := t.header(names); err != nil {
		return nil, err
	}
	return t.rows(min(bytes.Count(text, []byte("\n")), maxRows), func() error {
		cells, err := r.Read()
		if err == io.EOF {
			return err
		}
		if err != nil {
			return csvError(err)
		}
		t.cells = cells
		t.line, _ = r.FieldPos(0)
		return nil
	})
}

// rows reads the rows of a table; next puts one into t, and gives io.EOF at the end.
func (t *table) rows(expected int, next func() error) ([]Row, error) {
	out := make([]Row, 0, expected)
	lines := make(map[[2]string]int, expected)
	for {
		err := next()
		if err == io.EOF {
			break
		}
		if err != nil {
			return nil, err
		}
		if len(out) == maxRows {
			return nil, t.fail("", "the table has more than %d rows with figures; part it into several", maxRows)
		}
		if s := t.text("status"); s != "" && s != string(StatusMeasured) {
			continue
		}
		row, err := t.row()
		if err != nil {
			return nil, err
		}
		key := [2]string{row.Case, row.Site}
		if at, twice := lines[key]; twice {
			return nil, t.fail("site", "case and site are already on line %d", at)
		}
		lines[key] = t.line
		out = append(out, row)
	}
	if len(out) == 0 {
		return nil, &TableError{max(1, t.line), "", "the table has no row with figures"}
	}
	if err := sameSurgery(out, lines); err != nil {
		return nil, err
	}
	return out, nil
}

// sameSurgery refuses a case whose rows differ in date or clinician.
func sameSurgery(rows []Row, lines map[[2]string]int) error {
	first := map[string]*Row{}
	for i := range rows {
		r := &rows[i]
		f := first[r.Case]
		if f == nil {
			first[r.Case] = r
			continue
		}
		if f.Placed != r.Placed || f.Clinician != r.Clinician {
			return &TableError{lines[[2]string{r.Case, r.Site}], "case", fmt.Sprintf(
				"another date or clinician than the same case has on line %d; a case is one surgery", lines[[2]string{f.Case, f.Site}])}
		}
	}
	return nil
}

func csvError(err error) error {
	var p *csv.ParseError
	if errors.As(err, &p) {
		why := p.Err.Error()
		if errors.Is(p.Err, csv.ErrFieldCount) {
			why = "it has another number of cells than the header"
		}
		return &TableError{p.Line, "", why}
	}
	return err
}

type table struct {
	at      map[string]int
	numbers []numberColumn // that are there
	line    int
	cells   []string
}

// numberColumn is a column of numbers and where each belongs.
type numberColumn struct {
	name string
	at   int
	of   func(*numbers) **float64
}

// numbers are those of a row.
type numbers struct {
	Row
	floors    measurement.Values
	bone      BuccalBone
	clearance [][3]*float64 // planned, achieved, margin; in the order of casefile.Kinds
}

// numberColumns are all columns of numbers that a table can have.
func numberColumns() []numberColumn {
	var out []numberColumn
	add := func(name string, of func(*numbers) **float64) { out = append(out, numberColumn{name: name, of: of}) }
	add("planned_diameter_mm", func(n *numbers) **float64 { return &n.PlannedDiameter })
	add("planned_length_mm", func(n *numbers) **float64 { return &n.PlannedLength })
	for f := range measurement.FigureCount {
		add(f.String(), func(n *numbers) **float64 { return &n.Deviation[f] })
		add("u_"+f.String(), func(n *numbers) **float64 { return &n.U[f] })
	}
	for _, f := range measurement.Floored() {
		add(floorColumn(f), func(n *numbers) **float64 { return &n.floors[f] })
	}
	for k, spec := range casefile.Kinds {
		for i, which := range [3]string{"_planned_mm", "_achieved_mm", "_margin_mm"} {
			add(string(spec.Kind)+which, func(n *numbers) **float64 { return &n.clearance[k][i] })
		}
	}
	add(bonePlanned, func(n *numbers) **float64 { return &n.bone.Planned })
	add(boneAchieved, func(n *numbers) **float64 { return &n.bone.Achieved })
	return out
}

func (t *table) fail(column, format string, args ...any) error {
	return &TableError{t.line, column, fmt.Sprintf(format, args...)}
}

func (t *table) header(names []string) error {
	t.line = 1
	known := columnNames()
	for i, name := range names {
		name = strings.TrimSpace(name)
		if strings.HasPrefix(name, asidePrefix) || slices.Contains(leftColumns, name) {
			continue
		}
		if !slices.Contains(known, name) {
			return t.fail(name, "there is no such column; known are %s; put %s in front of the name of a column that is to be left aside",
				strings.Join(known, ", "), asidePrefix)
		}
		if _, twice := t.at[name]; twice {
			return t.fail(name, "the column comes twice")
		}
		t.at[name] = i
	}
	for _, c := range Columns() {
		if _, there := t.at[c.Name]; c.Needed && !there {
			return t.fail(c.Name, "the column is missing; it is the %s", c.Meaning)
		}
	}
	for _, c := range numberColumns() {
		if i, there := t.at[c.name]; there {
			c.at = i
			t.numbers = append(t.numbers, c)
		}
	}
	return nil
}

func (t *table) text(column string) string {
	i, there := t.at[column]
	if !there {
		return ""
	}
	return t.cell(i)
}

func (t *table) cell(i int) string { return printable.FromCell(strings.TrimSpace(t.cells[i])) }

func (t *table) number(c numberColumn) (*float64, error) {
	s, column := t.cell(c.at), c.name
	if s == "" {
		return nil, nil
	}
	v, err := strconv.ParseFloat(s, 64)
	if err == nil && !math.IsNaN(v) && !math.IsInf(v, 0) {
		return &v, nil
	}
	if strings.Contains(s, ",") {
		return nil, t.fail(column, "%q has a comma; write numbers with a decimal point", s)
	}
	return nil, t.fail(column, "%q is not a number; leave the cell empty where there is none", s)
}

func (t *table) row() (Row, error) {
	r := Row{Case: t.text("case"), Placed: t.text("placed"), Clinician: t.text("clinician"), Guidance: t.text("guidance"), Evidence: t.text("evidence")}
	if r.Evidence != "" && r.Evidence != string(evidence.FollowUpScan) && r.Evidence != string(evidence.SurfaceScan) {
		return Row{}, t.fail("evidence", "%q is neither scan nor surface; leave the cell empty where it is not known", r.Evidence)
	}
	system := tooth.ISO3950
	if s := t.text("numbering"); s != "" {
		system = tooth.System(s)
	}
	site, err := tooth.Parse(t.text("site"), system)
	if err != nil {
		return Row{}, t.fail("site", "%v", err)
	}
	r.Site = site.String()
	if r.Doubt, err = t.truth("doubt"); err != nil {
		return Row{}, err
	}
	if r.Simulated, err = t.truth("simulated"); err != nil {
		return Row{}, err
	}
	n := numbers{Row: r, clearance: make([][3]*float64, len(casefile.Kinds))}
	for _, c := range t.numbers {
		if *c.of(&n), err = t.number(c); err != nil {
			return Row{}, err
		}
	}
	r = n.Row
	if r.Floor, err = t.floor(n.floors); err != nil {
		return Row{}, err
	}
	if r.Bone, err = t.bone(n.bone); err != nil {
		return Row{}, err
	}
	for k, spec := range casefile.Kinds {
		kind := string(spec.Kind)
		planned, achieved, margin := n.clearance[k][0], n.clearance[k][1], n.clearance[k][2]
		if planned != nil {
			r.Clearance = append(r.Clearance, measurement.Clearance{Structure: kind, Kind: kind, Planned: *planned, Achieved: achieved, Margin: margin})
		} else if achieved != nil || margin != nil {
			return Row{}, t.fail(kind+"_planned_mm", "the planned clearance is missing beside the achieved one or the margin")
		}
	}
	if err := r.check(); err != nil {
		return Row{}, t.fail("", "%v", err)
	}
	return r, nil
}

// bone is the least bone to buccal with which of it are bounds; nil where there is none.
func (t *table) bone(b BuccalBone) (*BuccalBone, error) {
	for _, which := range strings.Fields(t.text(boneAtMost)) {
		switch {
		case which == "planned" && b.Planned != nil:
			b.PlannedAtMost = true
		case which == "achieved" && b.Achieved != nil:
			b.AchievedAtMost = true
		default:
			return nil, t.fail(boneAtMost, "%q is neither planned nor achieved with a figure of its own", which)
		}
	}
	if b == (BuccalBone{}) {
		return nil, nil
	}
	return &b, nil
}

// truth reads true or false; an empty cell is false.
func (t *table) truth(column string) (bool, error) {
	switch s := t.text(column); s {
	case "", "false":
		return false, nil
	case "true":
		return true, nil
	default:
		return false, t.fail(column, "%q is not true or false", s)
	}
}

// floor gives the floors of a row, nil where it has none.
func (t *table) floor(v measurement.Values) (*measurement.Values, error) {
	floored, given := measurement.Floored(), 0
	for range v.All() {
		given++
	}
	switch given {
	case 0:
		return nil, nil
	case len(floored):
		return &v, nil
	}
	return nil, t.fail(floorColumn(floored[0]), "all floors come together or not at all")
}

// ImportTable reads a table file, CSV or Parquet by its first bytes, and gives a record for each case, in the order
// of surgery, ready for Append.
func ImportTable(path, now string) ([]Record, error) {
	text, err := regularfile.Read(path, maxTable)
	if err != nil {
		return nil, err
	}
	read := func() ([]Row, error) { return ReadCSV(bytes.NewReader(text)) }
	if bytes.HasPrefix(text, []byte(parquetfile.Mark)) {
		read = func() ([]Row, error) { return ReadParquet(bytes.NewReader(text), int64(len(text))) }
	}
	rows, err := read()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	cases := byCase(rows)
	slices.SortStableFunc(cases, func(a, b []Row) int {
		return cmp.Or(strings.Compare(a[0].Placed, b[0].Placed), strings.Compare(a[0].Case, b[0].Case))
	})
	sum := sha256.Sum256(text)
	source := &Source{File: filepath.Base(path), SHA256: hex.EncodeToString(sum[:])}
	out := make([]Record, len(cases))
	for i, c := range cases {
		out[i] = Record{Kind: Imported, Time: now, Case: c[0].Case, Source: source, Rows: c}
	}
	return out, nil
}

// byCase gives the rows of each case, in the order of their first ones. The rows
// of a case that follow each other are not copied.
func byCase(rows []Row) [][]Row {
	var out [][]Row
	at := map[string]int{}
	for from := 0; from < len(rows); {
		name, to := rows[from].Case, from+1
		for to < len(rows) && rows[to].Case == name {
			to++
		}
		if i, there := at[name]; there {
			out[i] = append(out[i], rows[from:to]...)
		} else {
			at[name] = len(out)
			out = append(out, rows[from:to:to])
		}
		from = to
	}
	return out
}

// Skipped is a file of a folder that is no measurement.
type Skipped struct{ File, Why string }

// ReadMeasurements reads every measurement (.json) in a folder, in the order of
// surgery; JSON files of another schema are skipped and named.
//
// Errors: a file that is broken or that has a case that another file has too.
func ReadMeasurements(folder string) ([]measurement.Case, []Skipped, error) {
	entries, err := os.ReadDir(folder)
	if err != nil {
		return nil, nil, err
	}
	var out []measurement.Case
	var skipped []Skipped
	from := map[string]string{}
	for _, e := range entries {
		if e.IsDir() || !strings.EqualFold(filepath.Ext(e.Name()), ".json") {
			continue
		}
		path := filepath.Join(folder, e.Name())
		m, err := readMeasurement(path)
		if errors.Is(err, measurement.ErrOther) {
			skipped = append(skipped, Skipped{path, err.Error()})
			continue
		}
		if err != nil {
			return nil, nil, err
		}
		if other, twice := from[m.Case]; twice {
			return nil, nil, fmt.Errorf("%s and %s: both are of case %q; keep the one that counts", other, path, m.Case)
		}
		from[m.Case] = path
		out = append(out, *m)
	}
	slices.SortStableFunc(out, func(a, b measurement.Case) int {
		return strings.Compare(a.Placed+"\x00"+a.Case, b.Placed+"\x00"+b.Case)
	})
	return out, skipped, nil
}

// readMeasurement reads a measurement that a series can take.
func readMeasurement(path string) (*measurement.Case, error) {
	m, err := measurement.Read(path)
	if err != nil {
		return nil, err
	}
	if err := checkMeasurement(m); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return m, nil
}
