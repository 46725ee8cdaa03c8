package measurement

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"maps"
	"reflect"
	"regexp"
	"slices"
	"strings"

	"plumbline/internal/regularfile"
)

// maxFile bounds a stored measurement, bytes; one of 32 fixtures has some 100 kB.
const maxFile = 64 << 20

// ErrOther says that a file is no measurement of this program.
var ErrOther = errors.New("it is no measurement of this program")

// Read reads the measurement in a file.
//
// Errors: that of reading the file; those of Parse, with the file's name.
func Read(path string) (*Case, error) {
	text, err := regularfile.Read(path, maxFile)
	if err != nil {
		return nil, err
	}
	c, err := Parse(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return c, nil
}

// Parse reads a measurement in its stored form.
//
// Errors: ErrOther where the text is JSON of another schema; text that is not
// whole, lacks a number that the stored form always has, or fails Check.
func Parse(text []byte) (*Case, error) {
	var schema struct {
		Schema string `json:"schema"`
	}
	var wrong *json.UnmarshalTypeError
	if err := json.Unmarshal(text, &schema); err != nil && !errors.As(err, &wrong) {
		return nil, fmt.Errorf("it is not whole: %w", err)
	}
	if schema.Schema != Schema {
		return nil, fmt.Errorf("%w (schema %q, expected %q)", ErrOther, schema.Schema, Schema)
	}
	var c Case
	if err := json.Unmarshal(text, &c); err != nil {
		return nil, fmt.Errorf("it is not whole: %w", err)
	}
	if err := Whole[Case](text); err != nil {
		return nil, fmt.Errorf("%w; the file was changed after it was written: measure the case again", err)
	}
	if err := c.Check(); err != nil {
		return nil, err
	}
	return &c, nil
}

// storedStart begins every measurement in its stored form, of any version.
var storedStart = regexp.MustCompile(`^\s*\{\s*"schema"\s*:\s*"plumbline/measurement/`)

// Is reports whether a text begins as a stored measurement does.
func Is(in io.Reader) bool {
	start := make([]byte, 256) // more than the schema takes, with any usual indent
	n, err := io.ReadFull(in, start)
	return (err == nil || err == io.ErrUnexpectedEOF) && storedStart.Match(start[:n])
}

// Whole refuses JSON that lacks a number which the stored form of T always has:
// decoding alone would leave it zero. Empty JSON is whole.
func Whole[T any](text []byte) error {
	if len(text) == 0 {
		return nil
	}
	var raw any
	if err := json.Unmarshal(text, &raw); err != nil {
		return fmt.Errorf("it is not whole: %w", err)
	}
	if at := missing(reflect.TypeFor[T](), raw); at != "" {
		return fmt.Errorf("%s is missing or no number", strings.TrimPrefix(at, "."))
	}
	return nil
}

// Check says what makes a measurement of no use: no fixture, or a site twice.
func (c *Case) Check() error {
	if len(c.Fixtures) == 0 {
		return errors.New("the measurement has no fixture")
	}
	known := map[string]bool{}
	for _, f := range c.Fixtures {
		if known[f.Site] {
			return fmt.Errorf("site %q comes twice", f.Site)
		}
		known[f.Site] = true
	}
	return nil
}

// missing is the path of the first number that the stored form of a type always
// has and raw, what JSON gives for it, has not; "" where all are there.
func missing(t reflect.Type, raw any) string {
	if t.Kind() != reflect.Pointer {
		if own, has := reflect.Zero(t).Interface().(interface{ missing(raw any) string }); has {
			return own.missing(raw)
		}
	}
	switch t.Kind() {
	case reflect.Float64:
		if _, is := raw.(float64); !is {
			return "."
		}
	case reflect.Pointer:
		if raw != nil {
			return missing(t.Elem(), raw)
		}
	case reflect.Slice, reflect.Array:
		list, _ := raw.([]any)
		if t.Kind() == reflect.Array && len(list) != t.Len() {
			return "."
		}
		for i, x := range list {
			if at := missing(t.Elem(), x); at != "" {
				return path(fmt.Sprintf("[%d]", i), at)
			}
		}
	case reflect.Map:
		fields, _ := raw.(map[string]any)
		for _, name := range slices.Sorted(maps.Keys(fields)) {
			if at := missing(t.Elem(), fields[name]); at != "" {
				return path("."+name, at)
			}
		}
	case reflect.Struct:
		fields, _ := raw.(map[string]any)
		for i := range t.NumField() {
			name, options, _ := strings.Cut(t.Field(i).Tag.Get("json"), ",")
			value, there := fields[name]
			if !there && options == "omitempty" {
				continue
			}
			if at := missing(t.Field(i).Type, value); at != "" {
				return path("."+name, at)
			}
		}
	}
	return ""
}

// missing of figures requires all but the directional ones.
func (p PerFigure[T]) missing(raw any) string {
	fields, _ := raw.(map[string]any)
	for f := range FigureCount {
		value, there := fields[f.String()]
		if !there && f.Directional() {
			continue
		}
		if at := missing(reflect.TypeFor[T](), value); at != "" {
			return path("."+f.String(), at)
		}
	}
	return ""
}

func (u Uncertainty) missing(raw any) string {
	if at := u.Intervals.missing(raw); at != "" {
		return at
	}
	fields, _ := raw.(map[string]any)
	floor, _ := fields["floor95"].(map[string]any)
	for _, f := range Floored() {
		if at := missing(reflect.TypeFor[float64](), floor[f.String()]); at != "" {
			return path(".floor95."+f.String(), at)
		}
	}
	if at := missing(reflect.TypeFor[[]Source](), fields["budget"]); at != "" {
		return path(".budget", at)
	}
	return ""
}

// path puts a step before the path of what lies below it.
func path(step, below string) string { return step + strings.TrimSuffix(below, ".") }
