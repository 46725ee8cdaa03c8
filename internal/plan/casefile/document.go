package casefile

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
	"unicode"

	toml "github.com/pelletier/go-toml/v2"

	"plumbline/internal/geom"
)

// document is a case file on its way from TOML to Case. The first fault found
// stays; what is read after it is thrown away.
type document struct {
	file  string
	lines lines
	err   *Error
}

func (d *document) fail(key, field, format string, args ...any) {
	if d.err == nil {
		d.err = &Error{File: d.file, Line: d.lines.line(key), Field: field, Message: fmt.Sprintf(format, args...)}
	}
}

// table is one TOML table with its place, as a path for lines and in words.
type table struct {
	d      *document
	path   string
	words  string
	values map[string]any
}

func (t table) key(key string) string { return join(t.path, key) }

func (t table) field(key string) string {
	if t.words == "" {
		return key
	}
	return t.words + ", " + key
}

func (t table) fail(key, format string, args ...any) {
	t.d.fail(t.key(key), t.field(key), format, args...)
}

func (t table) has(key string) bool { return t.values[key] != nil }

// allow refuses every key that is not listed.
func (t table) allow(keys ...string) {
	var unknown []string
	for key := range t.values {
		if !slices.Contains(keys, key) {
			unknown = append(unknown, key)
		}
	}
	if len(unknown) == 0 {
		return
	}
	slices.SortFunc(unknown, func(a, b string) int {
		if n := t.d.lines.line(t.key(a)) - t.d.lines.line(t.key(b)); n != 0 {
			return n
		}
		return strings.Compare(a, b)
	})
	t.d.fail(t.key(unknown[0]), t.words, "unknown field %q; the fields here are %s", unknown[0], strings.Join(keys, ", "))
}

// require refuses a table that lacks a key.
func (t table) require(key, example string) bool {
	if t.has(key) {
		return true
	}
	t.fail(key, "it is missing; write for example %s", example)
	return false
}

// text reads a string fit for a table cell: not blank, one line, at most 100
// characters.
func (t table) text(key, example string) string {
	v, ok := t.values[key]
	if !ok {
		return ""
	}
	s, ok := v.(string)
	switch {
	case !ok:
		t.fail(key, "expected text in quotes, as in %s; found %s", example, typeName(v))
	case strings.TrimSpace(s) == "":
		t.fail(key, "it is empty; write for example %s", example)
	case strings.TrimSpace(s) != s:
		t.fail(key, "it begins or ends with a space; write for example %s", example)
	case len([]rune(s)) > 100:
		t.fail(key, "it is longer than 100 characters; write for example %s", example)
	case strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }):
		t.fail(key, "it has a character that cannot be printed; write for example %s", example)
	default:
		return s
	}
	return ""
}

// pseudonym is a text that is not a person's name as scans write it. The value
// never goes into a message.
func (t table) pseudonym(key, example string) string {
	s := t.text(key, example)
	if LooksLikeName(s) {
		t.fail(key, "it looks like a person's name; write a pseudonym, as in %s", example)
		return ""
	}
	return s
}

// choice reads a text that must be one of a few.
func choice[T ~string](t table, key string, allowed ...T) T {
	quoted := make([]string, len(allowed))
	for i, a := range allowed {
		quoted[i] = fmt.Sprintf("%q", string(a))
	}
	list := strings.Join(quoted[:len(quoted)-1], ", ") + " or " + quoted[len(quoted)-1]
	s := T(t.text(key, key+" = "+quoted[0]))
	if s != "" && !slices.Contains(allowed, s) {
		t.fail(key, "%q is not known; expected %s", string(s), list)
		return ""
	}
	return s
}

// number reads a finite number within low to high, mm.
func (t table) number(key string, low, high float64) float64 {
	v, ok := t.values[key]
	if !ok {
		return 0
	}
	x, ok := t.d.finite(t.key(key), t.field(key), v)
	if ok && (x < low || x > high) {
		hint := ""
		for _, u := range mistakenUnits {
			if made := x * u.MM; x > 0 && made >= low && made <= high {
				hint = fmt.Sprintf("; if it is in %s, write %.4g", u.Name, made)
				break
			}
		}
		t.fail(key, "it is %g mm; expected %g to %g mm%s", x, low, high, hint)
	}
	return x
}

// boolean reads true or false.
func (t table) boolean(key string) bool {
	v, ok := t.values[key]
	if !ok {
		return false
	}
	b, ok := v.(bool)
	if !ok {
		t.fail(key, "expected true or false without quotes; found %s", typeName(v))
	}
	return b
}

// date reads a day, written without quotes.
func (t table) date(key string) string {
	v, ok := t.values[key]
	if !ok {
		return ""
	}
	day, ok := v.(toml.LocalDate)
	if !ok {
		t.fail(key, "expected a date without quotes or time, as in %s = 2026-03-14; found %s", key, typeName(v))
		return ""
	}
	if day.Year < firstYear || day.Year > lastYear {
		t.fail(key, "the year is %d; expected %d to %d", day.Year, firstYear, lastYear)
		return ""
	}
	return day.String()
}

// Cone-beam scanners for the jaws came in the late 1990s (from memory); a date
// outside this range is a slip of the pen.
const firstYear, lastYear = 1990, 2099

// maxCoordinate bounds a coordinate, mm. Patient coordinates stay within a
// scanner's table, some 2 m; ten times that is a wrong unit or a typing error.
const maxCoordinate = 20000

// point reads [x, y, z] in mm.
func (t table) point(key string) geom.Vec {
	v, ok := t.values[key]
	if !ok {
		return geom.Vec{}
	}
	return t.d.point(t.key(key), t.field(key), v)
}

func (d *document) point(key, field string, v any) geom.Vec {
	x, ok := d.numbers(key, field, v)
	if !ok {
		return geom.Vec{}
	}
	if len(x) != 3 {
		hint := ""
		if len(x) == 6 {
			hint = "; with decimal commas? write 24.2 and not 24,2"
		}
		d.fail(key, field, "expected three numbers [x, y, z] in mm; found %d%s", len(x), hint)
		return geom.Vec{}
	}
	for _, c := range x {
		if math.Abs(c) > maxCoordinate {
			d.fail(key, field, "a coordinate is %g mm; expected at most ±%d mm: is it in micrometres?", c, maxCoordinate)
			return geom.Vec{}
		}
	}
	return geom.Vec{X: x[0], Y: x[1], Z: x[2]}
}

// numbers reads a list of finite numbers.
func (d *document) numbers(key, field string, v any) ([]float64, bool) {
	list, ok := v.([]any)
	if !ok {
		d.fail(key, field, "expected a list of numbers in square brackets; found %s", typeName(v))
		return nil, false
	}
	x := make([]float64, len(list))
	for i, e := range list {
		if x[i], ok = d.finite(indexed(key, i), fmt.Sprintf("%s, number %d", field, i+1), e); !ok {
			return nil, false
		}
	}
	return x, true
}

func (d *document) finite(key, field string, v any) (float64, bool) {
	x := 0.0
	switch n := v.(type) {
	case int64:
		x = float64(n)
	case float64:
		x = n
	default:
		d.fail(key, field, "expected a number without quotes; found %s", typeName(v))
		return 0, false
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		d.fail(key, field, "it is %g; expected a finite number", x)
		return 0, false
	}
	return x, true
}

// table reads [key].
func (t table) table(key string) (table, bool) {
	sub := table{d: t.d, path: t.key(key), words: t.field(key)}
	v, ok := t.values[key]
	if !ok {
		return sub, false
	}
	if sub.values, ok = v.(map[string]any); !ok {
		t.fail(key, "expected one table headed [%s]; found %s", key, typeName(v))
	}
	return sub, ok
}

// tables reads a list of tables, and names each by words.
func (t table) tables(key, header string, most int, words func(int) string) []table {
	v, ok := t.values[key]
	if !ok {
		return nil
	}
	list, ok := v.([]any)
	if !ok {
		t.fail(key, "expected %s; found %s", header, typeName(v))
		return nil
	}
	if len(list) > most {
		t.d.fail(indexed(t.key(key), most), key, "there are %d of them; at most %d are read: keep those of this surgery", len(list), most)
		return nil
	}
	tables := make([]table, 0, len(list))
	for i, e := range list {
		values, ok := e.(map[string]any)
		at := indexed(t.key(key), i)
		if !ok {
			t.d.fail(at, words(i), "expected %s; found %s", header, typeName(e))
			return nil
		}
		tables = append(tables, table{d: t.d, path: at, words: words(i), values: values})
	}
	return tables
}

// typeName says what a TOML value is, in words.
func typeName(v any) string {
	switch v.(type) {
	case string:
		return "text in quotes"
	case int64, float64:
		return "a number"
	case bool:
		return "true or false"
	case []any:
		return "a list"
	case map[string]any:
		return "a single table"
	case toml.LocalDate:
		return "a date"
	case toml.LocalDateTime, toml.LocalTime, time.Time:
		return "a time"
	}
	return "something else"
}
