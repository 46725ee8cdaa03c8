// Package parquetfile writes and reads flat tables as Parquet files, which any engine for
// large tables reads.
//
// Conventions: every column is optional, and a value that is not there is null, never zero.
// There are no lists. What a table is says its schema's name, what stands in a column its
// unit and definition: both are in the file's key-value metadata, under SchemaKey and
// ColumnsKey, the latter as JSON. Start with Write and Open.
//
// Limits: text, 64-bit numbers, whole numbers and truth values.
package parquetfile

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"math"
	"reflect"
	"strconv"
	"strings"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/format"
)

// Keys of the file's metadata.
const (
	SchemaKey  = "plumbline.schema"
	ColumnsKey = "plumbline.columns"
)

// Kind is what the values of a column are.
type Kind string

// The kinds.
const (
	Text   Kind = "text"
	Number Kind = "number" // 64-bit floating point
	Whole  Kind = "whole"  // 64-bit integer
	Truth  Kind = "truth"
)

// types are the Go types of the kinds.
var types = map[Kind]reflect.Type{Text: reflect.TypeFor[*string](), Number: reflect.TypeFor[*float64](), Whole: reflect.TypeFor[*int64](), Truth: reflect.TypeFor[*bool]()}

// Column is a column and what is said of it in the file.
type Column struct {
	Name       string   `json:"name"`
	Kind       Kind     `json:"kind"`
	Unit       string   `json:"unit,omitempty"`
	Definition string   `json:"definition,omitempty"`
	Codes      []string `json:"codes,omitempty"` // the values that it can have, where these are few
}

// rowGroup is how many rows are compressed together: an engine reads that many at a time.
const rowGroup = 100_000

// Writer writes rows to a file.
type Writer struct {
	columns []Column
	out     *parquet.GenericWriter[any]
	row     parquet.Row
}

// NewWriter begins a file of a schema; Close ends it.
//
// Errors: a column of no kind; what JSON cannot write.
func NewWriter(w io.Writer, schema string, columns []Column) (*Writer, error) {
	said, err := json.Marshal(columns)
	if err != nil {
		return nil, err
	}
	fields := make([]reflect.StructField, len(columns))
	for i, c := range columns {
		t, ok := types[c.Kind]
		if !ok {
			return nil, fmt.Errorf("column %s is of no kind (%q)", c.Name, c.Kind)
		}
		tag := c.Name + ",optional"
		if c.Kind == Text {
			tag += ",dict"
		}
		fields[i] = reflect.StructField{Name: "C" + strconv.Itoa(i), Type: t, Tag: reflect.StructTag("parquet:" + strconv.Quote(tag))}
	}
	s := parquet.SchemaOf(reflect.New(reflect.StructOf(fields)).Interface())
	return &Writer{columns: columns, row: make(parquet.Row, len(columns)), out: parquet.NewGenericWriter[any](w, s,
		parquet.Compression(&parquet.Snappy), parquet.MaxRowsPerRowGroup(rowGroup), parquet.CreatedBy("plumbline", schema, ""),
		parquet.KeyValueMetadata(SchemaKey, schema), parquet.KeyValueMetadata(ColumnsKey, string(said)))}, nil
}

// Write adds a row of cells as text, "" where there is no value.
//
// Errors: a cell that is no value of its column's kind; what writing gives.
func (w *Writer) Write(cells []string) error {
	for i, c := range w.columns {
		v, err := value(c.Kind, cells[i])
		if err != nil {
			return fmt.Errorf("column %s: %w", c.Name, err)
		}
		level := 1
		if v.IsNull() {
			level = 0
		}
		w.row[i] = v.Level(0, level, i)
	}
	_, err := w.out.WriteRows([]parquet.Row{w.row})
	return err
}

// Close ends the file.
func (w *Writer) Close() error { return w.out.Close() }

func value(k Kind, cell string) (parquet.Value, error) {
	if cell == "" {
		return parquet.Value{}, nil
	}
	switch k {
	case Number:
		x, err := strconv.ParseFloat(cell, 64)
		return parquet.DoubleValue(x), err
	case Whole:
		n, err := strconv.ParseInt(cell, 10, 64)
		return parquet.Int64Value(n), err
	case Truth:
		b, err := strconv.ParseBool(cell)
		return parquet.BooleanValue(b), err
	}
	return parquet.ByteArrayValue([]byte(cell)), nil
}

// File is a file that is read.
type File struct {
	Schema  string   // "" of a file that this package did not write
	Columns []string // names, in order
	file    *parquet.File
}

// Mark begins and ends every Parquet file.
const Mark = "PAR1"

// Open reads what a file says of itself.
//
// Errors: a file that is no flat Parquet table, damaged, or compressed in another way than
// Snappy.
func Open(r io.ReaderAt, size int64) (f *File, err error) {
	defer damaged(&err)
	if err := fits(r, size); err != nil {
		return nil, err
	}
	p, err := parquet.OpenFile(r, size, parquet.SkipBloomFilters(true), parquet.SkipPageIndex(true))
	if err != nil {
		return nil, fmt.Errorf("it is no Parquet file, or damaged: %w", err)
	}
	if err := readable(r, size, p.Metadata()); err != nil {
		return nil, err
	}
	f = &File{file: p}
	f.Schema, _ = p.Lookup(SchemaKey)
	for _, path := range p.Schema().Columns() {
		leaf, ok := p.Schema().Lookup(path...)
		if !ok || len(path) != 1 || leaf.MaxRepetitionLevel > 0 {
			return nil, fmt.Errorf("the column %q is nested; a flat table is read", path)
		}
		f.Columns = append(f.Columns, path[0])
	}
	return f, nil
}

// readable refuses what is compressed in another way than Snappy: of those, damaged bytes
// can ask for any amount of memory before it shows. The pages are held against the file.
func readable(r io.ReaderAt, size int64, m *format.FileMetaData) error {
	for _, g := range m.RowGroups {
		for _, c := range g.Columns {
			if k := c.MetaData.Codec; k != format.Uncompressed && k != format.Snappy {
				return fmt.Errorf("the column %q is compressed with %s; write the table with Snappy, or without compression", strings.Join(c.MetaData.PathInSchema, "."), k)
			}
			if err := pagesFit(r, size, &c.MetaData); err != nil {
				return err
			}
		}
	}
	return nil
}

// damaged makes an error of a panic of the reader, which a damaged file can cause.
func damaged(err *error) {
	if r := recover(); r != nil {
		*err = fmt.Errorf("the Parquet file is damaged (%v)", r)
	}
}

// batch is how many rows are read at once.
const batch = 1024

// Cell is a value of a row: a text or a number, null where neither is there.
type Cell struct {
	There  bool
	Text   []byte  // of a text; it holds until the next row
	Number float64 // of a number, a whole number or a truth value, 1 for true
	IsText bool
	whole  bool
	truth  bool
}

// String is the cell as text, as CSV has it.
func (c Cell) String() string {
	switch {
	case !c.There:
		return ""
	case c.IsText:
		return string(c.Text)
	case c.truth:
		return strconv.FormatBool(c.Number != 0)
	case c.whole:
		return strconv.FormatInt(int64(c.Number), 10)
	}
	return strconv.FormatFloat(c.Number, 'f', -1, 64)
}

// Rows gives each row's cells of the named columns; a column that the file has not is
// always null. The rows are read as a stream, some thousands at a time.
//
// Errors: a damaged file; that of each.
func (f *File) Rows(names []string, each func(cells []Cell) error) (err error) {
	defer damaged(&err)
	at := make([]int, len(names))
	for i, name := range names {
		at[i] = -1
		for k, c := range f.Columns {
			if c == name {
				at[i] = k
			}
		}
	}
	for _, group := range f.file.RowGroups() {
		if err := rows(group, at, each); err != nil {
			return err
		}
	}
	return nil
}

// All is Rows as a sequence; an error ends it.
func (f *File) All(names []string) iter.Seq2[[]Cell, error] {
	return func(yield func([]Cell, error) bool) {
		stopped := errors.New("stopped")
		err := f.Rows(names, func(cells []Cell) error {
			if !yield(cells, nil) {
				return stopped
			}
			return nil
		})
		if err != nil && err != stopped {
			yield(nil, err)
		}
	}
}

// column reads one column of a row group.
type column struct {
	values parquet.ValueReader
	pages  parquet.Pages
	buffer [batch]parquet.Value
	cells  []parquet.Value // of buffer, not taken yet
}

func (c *column) next() (parquet.Value, error) {
	for len(c.cells) == 0 {
		if c.values != nil {
			n, err := c.values.ReadValues(c.buffer[:])
			c.cells = c.buffer[:n]
			if n > 0 {
				break
			}
			if err != nil && err != io.EOF {
				return parquet.Value{}, err
			}
		}
		page, err := c.pages.ReadPage()
		if err != nil {
			return parquet.Value{}, err
		}
		c.values = page.Values()
	}
	v := c.cells[0]
	c.cells = c.cells[1:]
	return v, nil
}

func rows(group parquet.RowGroup, at []int, each func(cells []Cell) error) error {
	chunks := group.ColumnChunks()
	columns := make([]*column, len(at))
	for i, k := range at {
		if k >= 0 {
			columns[i] = &column{pages: chunks[k].Pages()}
			defer columns[i].pages.Close()
		}
	}
	cells := make([]Cell, len(at))
	for range group.NumRows() {
		for i, c := range columns {
			cells[i] = Cell{}
			if c == nil {
				continue
			}
			v, err := c.next()
			if err != nil {
				return fmt.Errorf("the Parquet file is damaged: %w", err)
			}
			cells[i] = cell(v)
		}
		if err := each(cells); err != nil {
			return err
		}
	}
	return nil
}

func cell(v parquet.Value) Cell {
	if v.IsNull() {
		return Cell{}
	}
	c := Cell{There: true}
	switch v.Kind() {
	case parquet.Boolean:
		c.truth = true
		if v.Boolean() {
			c.Number = 1
		}
	case parquet.Int32:
		c.Number, c.whole = float64(v.Int32()), true
	case parquet.Int64:
		c.Number, c.whole = float64(v.Int64()), true
	case parquet.Float:
		c.Number = float64(v.Float())
	case parquet.Double:
		c.Number = v.Double()
	default:
		c.IsText, c.Text = true, v.ByteArray()
	}
	// A number that is none counts as none.
	if math.IsNaN(c.Number) {
		return Cell{}
	}
	return c
}
