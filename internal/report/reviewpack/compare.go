package reviewpack

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"math"
	"slices"
	"strconv"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// measurement reads a packed measurement.
func (a *archive) measurement(name string) (*measurement.Case, error) {
	text, err := a.text(name, mostCase)
	if err != nil {
		return nil, err
	}
	return measurement.Parse(text)
}

// difference words the first place where two JSON texts differ, the packed one and
// the one that the series file gives.
func difference(packed, given []byte) string {
	var a, b any
	if json.Unmarshal(packed, &a) != nil || json.Unmarshal(given, &b) != nil {
		return "it is no JSON"
	}
	at, is, want := firstDifference("", a, b)
	return fmt.Sprintf("%s is %s there and %s in the series file", quoted(at), shown(is), shown(want))
}

// missing stands for a value that is not there.
type missing struct{}

func firstDifference(at string, a, b any) (string, any, any) {
	switch x := a.(type) {
	case map[string]any:
		y, same := b.(map[string]any)
		if !same {
			return at, a, b
		}
		for _, key := range slices.Sorted(maps.Keys(union(x, y))) {
			place := key
			if at != "" {
				place = at + "." + key
			}
			if where, is, want := firstDifference(place, valueOf(x, key), valueOf(y, key)); where != "" {
				return where, is, want
			}
		}
		return "", nil, nil
	case []any:
		y, same := b.([]any)
		if !same || len(x) != len(y) {
			return at, a, b
		}
		for i := range x {
			if where, is, want := firstDifference(fmt.Sprintf("%s[%d]", at, i), x[i], y[i]); where != "" {
				return where, is, want
			}
		}
		return "", nil, nil
	}
	switch b.(type) {
	case map[string]any, []any:
		return at, a, b
	}
	if a == b {
		return "", nil, nil
	}
	return at, a, b
}

func union(a, b map[string]any) map[string]any {
	out := maps.Clone(a)
	maps.Copy(out, b)
	return out
}

func valueOf(in map[string]any, key string) any {
	if v, has := in[key]; has {
		return v
	}
	return missing{}
}

// shown is a JSON value in a message.
func shown(v any) string {
	switch x := v.(type) {
	case missing:
		return "missing"
	case float64:
		return strconv.FormatFloat(x, 'g', -1, 64)
	case []any:
		return fmt.Sprintf("a list of %d", len(x))
	case map[string]any:
		return "an object"
	case string:
		return quoted(x)
	}
	return fmt.Sprint(v) // true, false or null
}

// rounding is how far figures of tables may lie apart that two versions of the
// program write with more or fewer decimals, mm or degrees: half of a hundredth.
const rounding = 0.005

// Bounds of a table that is read.
const (
	mostRows    = 2 * mostFixtures
	mostColumns = 500 // those of this version are some 60
)

// measuredColumns are the columns that follow from the measurement alone.
func measuredColumns() []string {
	var out []string
	for _, c := range series.Columns() {
		if !slices.Contains([]string{"seal", "record", "reason"}, c.Name) {
			out = append(out, c.Name)
		}
	}
	return out
}

// table is a table of fixtures: the place of each column, and the measured
// fixtures' rows by case and site.
type table struct {
	columns map[string]int
	rows    map[string][]string
}

func (t *table) cell(key, column string) (string, bool) {
	at, has := t.columns[column]
	if !has {
		return "", false
	}
	return t.rows[key][at], true
}

// readTable reads the measured rows of a table of fixtures.
func readTable(in io.Reader) (*table, error) {
	r := csv.NewReader(in)
	names, err := r.Read()
	if err != nil {
		return nil, err
	}
	if len(names) > mostColumns {
		return nil, fmt.Errorf("it has more than %d columns", mostColumns)
	}
	t := &table{columns: map[string]int{}, rows: map[string][]string{}}
	for i, name := range names {
		if _, twice := t.columns[name]; twice {
			return nil, errors.New("a column comes twice")
		}
		t.columns[name] = i
	}
	for _, name := range []string{"case", "site", "status"} {
		if _, has := t.columns[name]; !has {
			return nil, fmt.Errorf("it has no column %s", name)
		}
	}
	for n := 0; ; n++ {
		cells, err := r.Read()
		if err == io.EOF {
			return t, nil
		}
		if err != nil {
			return nil, err
		}
		if n == mostRows {
			return nil, fmt.Errorf("it has more than %d rows", mostRows)
		}
		if cells[t.columns["status"]] != string(series.StatusMeasured) {
			continue
		}
		key := cells[t.columns["case"]] + ", site " + cells[t.columns["site"]]
		if _, twice := t.rows[key]; twice {
			return nil, errors.New("a fixture comes twice")
		}
		t.rows[key] = cells
	}
}

// table holds the packed table's measured rows against those that the measurements
// give. A column that another version does not have is left aside.
func (c *checker) table(rows []series.TableRow) {
	if _, has := c.archive.hashes[tableName]; !has {
		c.about(tableName, "is missing")
		return
	}
	in, err := c.archive.members[tableName].Open()
	if err != nil {
		c.about(tableName, "cannot be read: %s", reason(err))
		return
	}
	defer in.Close()
	packed, err := readTable(&guard{in: in, left: mostTable})
	if err != nil {
		c.about(tableName, "cannot be compared: %s", quoted(err.Error()))
		return
	}
	var text bytes.Buffer
	if err := series.WriteCSV(&text, rows); err != nil {
		c.about(tableName, "cannot be made anew: %s", quoted(err.Error()))
		return
	}
	want, err := readTable(&text)
	if err != nil {
		c.about(tableName, "cannot be made anew: %s", quoted(err.Error()))
		return
	}
	for _, key := range sortedNames(packed.rows) {
		if want.rows[key] == nil {
			c.about(tableName, "has the figures of %s, which was not measured", quoted(key))
		}
	}
	for _, key := range sortedNames(want.rows) {
		if packed.rows[key] == nil {
			c.about(tableName, "lacks the figures of %s", quoted(key))
			continue
		}
		for _, column := range measuredColumns() {
			should, _ := want.cell(key, column)
			is, has := packed.cell(key, column)
			if !has && !c.own() || is == should || !c.own() && nearly(is, should) {
				continue
			}
			c.about(tableName, "has %s as %s of %s; the measurement gives %s", quoted(is), column, quoted(key), quoted(should))
		}
	}
	if !c.told[tableName] {
		c.found("the table has the figures of the measurements, %d fixtures", len(want.rows))
	}
}

// nearly reports whether two cells hold one figure, but for rounding.
func nearly(a, b string) bool {
	x, err := strconv.ParseFloat(a, 64)
	y, err2 := strconv.ParseFloat(b, 64)
	return err == nil && err2 == nil && math.Abs(x-y) <= rounding
}
