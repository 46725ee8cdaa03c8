package series

import (
	"fmt"
	"io"
	"iter"
	"os"
	"strings"

	"plumbline/internal/evidence"
	"plumbline/internal/measurement"
	"plumbline/internal/parquetfile"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
)

// TableSchema names the columns of the table as a Parquet file has them: a later version
// that changes what a column means has another number.
const TableSchema = "plumbline/table/1"

// codeLists are the values of the columns that have few; a list that grows keeps its
// schema, one whose code changes does not.
var codeLists = map[string][]string{
	"numbering":  {"iso3950", "universal"},
	"jaw":        {"upper", "lower"},
	"region":     {"anterior", "posterior"},
	"guidance":   codesOf(casefile.Guidances),
	"evidence":   codesOf([]evidence.Kind{evidence.FollowUpScan, evidence.SurfaceScan}),
	"status":     codesOf([]Status{StatusMeasured, StatusOpen, StatusMissing, StatusLeftOut, StatusWithdrawn, StatusReplaced}),
	"seal":       codesOf([]Seal{SealKept, SealWaiting, SealChanged, SealUnknown, SealLate, SealNone}),
	"verdict":    codesOf([]measurement.VerdictCode{measurement.StructureEntered, measurement.MarginMissed, measurement.InDoubt, measurement.OutsideLimits, measurement.NothingAgainst, measurement.NotChecked}),
	"verdict_by": codesOf([]measurement.Blame{measurement.ByPlan, measurement.ByTransfer, measurement.ByBoth}),
}

func codesOf[T ~string](list []T) []string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = string(x)
	}
	return out
}

// ParquetColumns are the columns of the table with what stands in them.
func ParquetColumns() []parquetfile.Column {
	var out []parquetfile.Column
	for _, c := range Columns() {
		p := parquetfile.Column{Name: c.Name, Kind: parquetfile.Text, Definition: c.Meaning, Codes: codeLists[c.Name]}
		switch {
		case c.Name == "doubt":
			p.Kind = parquetfile.Truth
		case c.Name == "record" || c.Name == "withdrawn_record":
			p.Kind = parquetfile.Whole
		case strings.HasSuffix(c.Name, "_mm"):
			p.Kind, p.Unit = parquetfile.Number, "mm"
		case strings.HasSuffix(c.Name, "_deg"):
			p.Kind, p.Unit = parquetfile.Number, "deg"
		}
		out = append(out, p)
	}
	return out
}

// WriteParquet writes the table as WriteCSV does, as a Parquet file: numbers are numbers,
// what is not there is null, and text stands as it is, without what guards a spreadsheet.
func WriteParquet(w io.Writer, rows []TableRow) error {
	columns := ParquetColumns()
	out, err := parquetfile.NewWriter(w, TableSchema, columns)
	if err != nil {
		return err
	}
	for i := range rows {
		cells := rows[i].cells()
		for k, c := range columns {
			if c.Kind == parquetfile.Text {
				cells[k] = printable.FromCell(cells[k])
			}
		}
		if err := out.Write(cells); err != nil {
			return err
		}
	}
	return out.Close()
}

// ReadParquet reads a table as ReadCSV does, from a Parquet file, whoever wrote it; lines
// are rows, the first of which is 2, as in a CSV file.
//
// Errors: those of ReadCSV; a table of a later schema; a damaged file.
func ReadParquet(r io.ReaderAt, size int64) ([]Row, error) {
	f, err := parquetfile.Open(r, size)
	if err != nil {
		return nil, err
	}
	if err := checkSchema(f); err != nil {
		return nil, err
	}
	t := table{at: map[string]int{}}
	if err := t.header(f.Columns); err != nil {
		return nil, err
	}
	next, stop := iter.Pull2(f.All(f.Columns))
	defer stop()
	t.line = 1
	return t.rows(1024, func() error {
		cells, err, more := next()
		if !more {
			return io.EOF
		}
		t.line++
		t.cells = make([]string, len(cells))
		for i, c := range cells {
			if t.cells[i] = c.String(); c.IsText {
				t.cells[i] = printable.Cell(t.cells[i])
			}
		}
		return err
	})
}

// checkSchema refuses a table that a later version wrote.
func checkSchema(f *parquetfile.File) error {
	if f.Schema == "" || f.Schema == TableSchema {
		return nil
	}
	return fmt.Errorf("its schema is %q, which this version does not read; it reads %q", f.Schema, TableSchema)
}

// IsParquetTable reports whether a file is a table that WriteParquet wrote.
func IsParquetTable(f *os.File) bool {
	info, err := f.Stat()
	if err != nil {
		return false
	}
	p, err := parquetfile.Open(f, info.Size())
	return err == nil && p.Schema == TableSchema
}
