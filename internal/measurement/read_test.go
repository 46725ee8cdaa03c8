package measurement

import (
	"encoding/json"
	"errors"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// stored is a measurement with every field there, as JSON gives it.
func stored(t *testing.T) map[string]any {
	t.Helper()
	var c Case
	filled(reflect.ValueOf(&c).Elem())
	c.Schema = Schema
	floor := &c.Fixtures[0].Uncertainty.Floor
	for f := range FigureCount {
		if !f.Floored() {
			floor[f] = nil
			c.Fixtures[0].Second.Uncertainty.Floor[f] = nil
		}
	}
	text, err := json.Marshal(c)
	require.NoError(t, err)
	var raw map[string]any
	require.NoError(t, json.Unmarshal(text, &raw))
	return raw
}

func parse(t *testing.T, raw any) (*Case, error) {
	t.Helper()
	text, err := json.Marshal(raw)
	require.NoError(t, err)
	return Parse(text)
}

// each visits every number of a JSON value with what takes it away and what puts
// it back.
func each(v any, at string, visit func(path string, set func(any), remove func(), restore func())) {
	switch v := v.(type) {
	case map[string]any:
		for _, name := range slices.Sorted(maps.Keys(v)) {
			field := v[name]
			if _, number := field.(float64); number {
				visit(at+"."+name, func(x any) { v[name] = x }, func() { delete(v, name) }, func() { v[name] = field })
			}
			each(field, at+"."+name, visit)
		}
	case []any:
		for _, e := range v {
			each(e, at, visit)
		}
	}
}

// The numbers that may be left out, by definition of the stored form: those of
// which it says so, the directional figures, and the program's seed, which
// measures nothing. All others are told from zero.
func TestAMissingNumberIsNotZero(t *testing.T) {
	mayBeMissing := func(path string) bool {
		name := path[strings.LastIndex(path, ".")+1:]
		switch name {
		case "seed", "fit_residual_mm", "achieved_mm", "low95_mm", "high95_mm", "margin_mm", "breach_probability", "plan_mm", "transfer_mm", "some_mm",
			"bone_mm", "crest_mm", "apical_mm", "air_planned_mm", "air_achieved_mm":
			return true
		}
		return strings.Contains(name, "mesial") || strings.Contains(name, "buccal")
	}
	raw := stored(t)
	_, err := parse(t, raw)
	require.NoError(t, err)
	required := 0
	each(raw, "", func(path string, set func(any), remove, restore func()) {
		remove()
		_, err := parse(t, raw)
		if mayBeMissing(path) {
			assert.NoError(t, err, path)
			restore()
			return
		}
		required++
		assert.ErrorContains(t, err, path[strings.LastIndex(path, ".")+1:]+" is missing or no number", path)
		set(nil)
		_, err = parse(t, raw)
		assert.ErrorContains(t, err, "is missing or no number", path)
		restore()
	})
	// 7 figures, their 21 interval ends, 3 floors, 5 of a source, 4 sizes, 2 of the
	// length found, 1 planned clearance, and the 18 interval ends of directional figures;
	// of a second record the figures, intervals, floors, source and 2 sizes, and 3 differences;
	// of planned and achieved surroundings a depth and what comes first, beside and beyond.
	assert.Equal(t, 7+21+3+5+4+2+1+18+7+21+3+5+18+2+3+2*3, required)

	place := raw["fixtures"].([]any)[0].(map[string]any)["planned"].(map[string]any)
	place["entry"] = []any{1.0, 2.0}
	_, err = parse(t, raw)
	assert.EqualError(t, err, "fixtures[0].planned.entry is missing or no number; the file was changed after it was written: measure the case again")
	delete(raw["fixtures"].([]any)[0].(map[string]any), "planned")
	_, err = parse(t, raw)
	assert.ErrorContains(t, err, "fixtures[0].planned.entry is missing")
}

func TestFilesThatAreNoMeasurement(t *testing.T) {
	for text, want := range map[string]string{
		"":                          "it is not whole",
		"%PDF-1.7":                  "it is not whole",
		`{"schema": "` + Schema:     "it is not whole",
		`[1, 2]`:                    "it is no measurement of this program",
		`{}`:                        `it is no measurement of this program (schema "", expected "plumbline/measurement/1")`,
		`{"schema": 1}`:             "it is no measurement of this program",
		`{"schema": "something/1"}`: `it is no measurement of this program (schema "something/1", expected "plumbline/measurement/1")`,
		`{"schema": "` + Schema + `", "case": 7}`: "it is not whole",
	} {
		c, err := Parse([]byte(text))
		assert.ErrorContains(t, err, want, text)
		assert.Nil(t, c, text)
		assert.Equal(t, strings.Contains(want, "no measurement"), errors.Is(err, ErrOther), text)
	}
	raw := stored(t)
	raw["fixtures"] = append(raw["fixtures"].([]any), raw["fixtures"].([]any)[0])
	_, err := parse(t, raw)
	assert.EqualError(t, err, `site "x" comes twice`)
	raw["fixtures"] = []any{}
	_, err = parse(t, raw)
	assert.EqualError(t, err, "the measurement has no fixture")
}

func TestErrorsOfReadNameTheFile(t *testing.T) {
	file := filepath.Join(t.TempDir(), "c.json")
	_, err := Read(file)
	require.ErrorIs(t, err, os.ErrNotExist)
	require.NoError(t, os.WriteFile(file, []byte("{}"), 0o600))
	_, err = Read(file)
	assert.ErrorIs(t, err, ErrOther)
	assert.ErrorContains(t, err, file+": ")
}
