package measurement

import (
	"encoding/json"
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every figure has a whole row: names that are told apart and end in the unit, a
// whole of the same kind, and words.
func TestTableOfFiguresIsWhole(t *testing.T) {
	names := map[string]bool{}
	for f := range FigureCount {
		s := f.Spec()
		assert.False(t, names[s.Name], "%s comes twice", s.Name)
		names[s.Name] = true
		assert.True(t, strings.HasSuffix(s.Name, "_"+string(s.Unit)), s.Name)
		assert.Contains(t, []Unit{MM, Degrees}, s.Unit, s.Name)
		for _, words := range []string{s.Label, s.Title, s.Meaning} {
			assert.NotEmpty(t, words, s.Name)
		}
		assert.Equal(t, s.Whole, s.Whole.Spec().Whole, "%s: the whole is no component itself", s.Name)
		assert.Equal(t, s.Unit, s.Whole.Unit(), s.Name)
		assert.Equal(t, s.Sign.Plus == "", s.Sign.Minus == "", s.Name)
		assert.False(t, f.Signed() && f.Floored(), "%s: a floor is of a norm", s.Name)
		found, err := ParseFigure(s.Name)
		require.NoError(t, err)
		assert.Equal(t, f, found)
	}
	_, err := ParseFigure("entry_cm")
	assert.EqualError(t, err, `figure "entry_cm" is not known`)

	// Wholes and their components are all figures, each once.
	seen := map[Figure]int{}
	for _, whole := range Wholes() {
		seen[whole]++
		for _, part := range whole.Components() {
			seen[part]++
		}
	}
	assert.Len(t, seen, int(FigureCount))
	assert.Equal(t, []Figure{Entry, Apex, Angle}, Wholes())
	assert.Equal(t, []Figure{Entry, Apex, Angle}, Floored())
	assert.Equal(t, []Figure{TiltMesial, TiltBuccal}, Angle.Components())
}

// spelled counts how often the file spells a figure's stored name out: as a
// string by itself, or as the name of a field.
func spelled(file *ast.File) map[string]int {
	out := map[string]int{}
	ast.Inspect(file, func(n ast.Node) bool {
		lit, is := n.(*ast.BasicLit)
		if !is || lit.Kind != token.STRING {
			return true
		}
		text, err := strconv.Unquote(lit.Value)
		if err != nil {
			return true
		}
		if name, _, _ := strings.Cut(reflect.StructTag(text).Get("json"), ","); name != "" {
			text = name
		}
		if _, err := ParseFigure(text); err == nil {
			out[text]++
		}
		return true
	})
	return out
}

// The stored name of a figure is spelled out in its row of the table and nowhere
// else in the program, so that every package takes it from there. Exempt are
// fields that are about other things than the deviations of a fixture.
func TestNamesStandInTheTableAlone(t *testing.T) {
	exempt := map[string]map[string]int{
		// The angle's part of an uncertainty budget, and how far two poses are apart: three
		// figures by choice.
		"measurement/measurement.go": {"entry_mm": 1, "apex_mm": 1, "angle_deg": 2},
		// The limits of a success and the means of a group: three figures by choice.
		"anatomy/severity/severity.go": {"entry_mm": 1, "apex_mm": 1, "angle_deg": 1},
		"series/analysis/outcomes.go":  {"entry_mm": 1, "apex_mm": 1, "angle_deg": 1},
	}
	files, table := 0, map[string]int{}
	require.NoError(t, filepath.WalkDir("..", func(path string, _ fs.DirEntry, err error) error {
		if err != nil || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return err
		}
		file, err := parser.ParseFile(token.NewFileSet(), path, nil, 0)
		if err != nil {
			return err
		}
		files++
		name := strings.TrimPrefix(filepath.ToSlash(path), "../")
		if name == "measurement/figure.go" {
			table = spelled(file)
			return nil
		}
		want := exempt[name]
		if want == nil {
			want = map[string]int{}
		}
		assert.Equal(t, want, spelled(file), "%s: take the name from measurement.Figure", name)
		return nil
	}))
	require.Greater(t, files, 100, "the program was found")
	assert.Len(t, table, int(FigureCount))
	for name, n := range table {
		assert.Equal(t, 1, n, name)
	}

	control, err := parser.ParseFile(token.NewFileSet(), "", "package p\nvar a = \"entry_mm\"\ntype b struct { c int `json:\"apex_mm,omitempty\"` }", 0)
	require.NoError(t, err)
	assert.Equal(t, map[string]int{"entry_mm": 1, "apex_mm": 1}, spelled(control))
}

// A figure that is missing in a file, or null, is absent and not zero.
func TestMissingFiguresAreAbsentWhenRead(t *testing.T) {
	var f Fixture
	require.NoError(t, json.Unmarshal([]byte(`{"deviation": {"apex_mm": 0, "angle_deg": null},
		"uncertainty": {"apex_mm": {"u": 1, "low95": 2, "high95": 3}, "floor95": {"apex_mm": 0.5}, "budget": null}}`), &f))
	assert.Equal(t, Values{Apex: new(0.0)}, *f.Deviation)
	assert.Equal(t, Uncertainty{Intervals: PerFigure[Interval]{Apex: {1, 2, 3}}, Floor: Values{Apex: new(0.5)}}, *f.Uncertainty)

	for text, want := range map[string]string{
		`{"deviation": {"entry_cm": 1, "apex_cm": 1}}`: `figure "apex_cm" is not known`,
		`{"uncertainty": {"entry_cm": {"u": 1}}}`:      `figure "entry_cm" is not known`,
		`{"deviation": {"entry_mm": "x"}}`:             "cannot unmarshal string",
		`{"uncertainty": {"floor95": 1}}`:              "cannot unmarshal number",
		`{"deviation": [1]}`:                           "cannot unmarshal array",
	} {
		assert.ErrorContains(t, json.Unmarshal([]byte(text), &f), want)
	}
}

// Figures by name, also as the keys of an object.
func TestFigureIsStoredByName(t *testing.T) {
	data, err := json.Marshal(map[Figure]Figure{Entry: TiltBuccal})
	require.NoError(t, err)
	assert.Equal(t, `{"entry_mm":"tilt_buccal_deg"}`, string(data))
	var back map[Figure]Figure
	require.NoError(t, json.Unmarshal(data, &back))
	assert.Equal(t, map[Figure]Figure{Entry: TiltBuccal}, back)
	assert.Error(t, json.Unmarshal([]byte(`{"entry_cm":"angle_deg"}`), &back))
}
