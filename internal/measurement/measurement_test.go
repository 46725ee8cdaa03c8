package measurement

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// filled sets every field of a value: pointers to zeros, lists to one element.
func filled(v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		filled(v.Elem())
	case reflect.Array:
		for i := range v.Len() {
			filled(v.Index(i))
		}
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		filled(v.Index(0))
	case reflect.Map:
		v.Set(reflect.ValueOf(map[string]float64{"some_mm": 1}))
	case reflect.Struct:
		for i := range v.NumField() {
			filled(v.Field(i))
		}
	case reflect.String:
		v.SetString("x")
	case reflect.Bool:
		v.SetBool(true)
	}
}

// paths lists the fields of a JSON value, as in fixtures[].deviation.entry_mm.
func paths(v any, at string, into map[string]bool) {
	switch v := v.(type) {
	case map[string]any:
		for name, field := range v {
			paths(field, strings.TrimPrefix(at+"."+name, "."), into)
		}
	case []any:
		into[at] = true
		for _, e := range v {
			if _, number := e.(float64); !number {
				paths(e, at+"[]", into)
			}
		}
	default:
		into[at] = true
	}
}

func pathsOf(t *testing.T, data []byte) []string {
	var v any
	require.NoError(t, json.Unmarshal(data, &v))
	found := map[string]bool{}
	paths(v, "", found)
	return slices.Sorted(maps.Keys(found))
}

// The stored form has exactly the documented fields (testdata/format.json is the
// documented example) and these further ones.
func TestFieldsAreTheDocumentedOnes(t *testing.T) {
	documented, err := os.ReadFile("testdata/format.json")
	require.NoError(t, err)
	var c Case
	filled(reflect.ValueOf(&c).Elem())
	for f := range FigureCount {
		if !f.Floored() {
			c.Fixtures[0].Uncertainty.Floor[f] = nil
			c.Fixtures[0].Second.Uncertainty.Floor[f] = nil
		}
	}
	data, err := json.Marshal(c)
	require.NoError(t, err)

	want := pathsOf(t, documented)
	// The example has the interval of one figure; every figure of a deviation has
	// the like.
	for _, figure := range pathsOf(t, documented) {
		if name, ok := strings.CutPrefix(figure, "fixtures[].deviation."); ok {
			for _, part := range []string{"u", "low95", "high95"} {
				want = append(want, "fixtures[].uncertainty."+name+"."+part)
			}
		}
	}
	for _, flags := range []string{"flags", "alignment.flags", "fixtures[].flags"} {
		for _, part := range []string{"code", "message", "level"} {
			want = append(want, flags+"[]."+part)
		}
	}
	want = append(want, "program.seed", "inputs.pre_sha256", "inputs.post_sha256", "inputs.pre_date", "inputs.post_date", "inputs.pre_frame", "inputs.files", "inputs.files[].name", "inputs.files[].sha256", "inputs.files[].site", "inputs.files[].fit_residual_mm",
		"alignment.quality.some_mm", "alignment.found_post_to_pre", "fixtures[].uncertainty.budget",
		"fixtures[].clearance[].breach_probability", "fixtures[].clearance[].margin_source",
		"fixtures[].clearance[].found", "fixtures[].clearance[].air_planned_mm", "fixtures[].clearance[].air_achieved_mm",
		"fixtures[].length_seen", "fixtures[].length_found_mm.value", "fixtures[].length_found_mm.u")
	for _, part := range []string{"name", "entry_along_mm", "entry_across_mm", "apex_along_mm", "apex_across_mm", "angle_deg"} {
		want = append(want, "fixtures[].uncertainty.budget[]."+part)
	}
	want = append(want, "fixtures[].clearance[].share.plan_mm", "fixtures[].clearance[].share.transfer_mm")
	for _, of := range []string{"planned", "achieved"} {
		at := "fixtures[].surroundings." + of
		want = append(want, at+".apical_mm", at+".wall", at+".crest")
		for _, list := range []string{".wall[]", ".crest[]", ".apical"} {
			want = append(want, at+list+".low95_mm", at+list+".high95_mm", at+list+".why")
		}
		for _, list := range []string{".wall[]", ".apical"} {
			want = append(want, at+list+".first.what", at+list+".first.mm")
		}
		want = append(want, at+".wall[].depth_mm", at+".wall[].direction", at+".wall[].bone_mm", at+".wall[].resolved", at+".crest[].direction", at+".crest[].crest_mm")
	}
	for _, of := range []string{"", "fixtures[]."} {
		for _, part := range []string{"code", "by", "doubt", "message", "not_checked", "not_checked[]"} {
			want = append(want, of+"verdict."+part)
		}
	}
	// A second record's figures are those of the first.
	for _, path := range slices.Clone(want) {
		for _, part := range []string{"achieved.", "deviation.", "uncertainty."} {
			if rest, ok := strings.CutPrefix(path, "fixtures[]."); ok && strings.HasPrefix(rest, part) {
				want = append(want, "fixtures[].second."+rest)
			}
		}
	}
	want = append(want, "simulated", "fixtures[].evidence", "fixtures[].second.evidence", "fixtures[].second.agrees",
		"fixtures[].second.uncertainty.budget", "fixtures[].second.difference.entry_mm", "fixtures[].second.difference.apex_mm", "fixtures[].second.difference.angle_deg")
	slices.Sort(want)
	assert.Equal(t, slices.Compact(want), pathsOf(t, data))
}

// The documented example is read without a field left over.
func TestDocumentedExampleIsRead(t *testing.T) {
	data, err := os.ReadFile("testdata/format.json")
	require.NoError(t, err)
	in := json.NewDecoder(bytes.NewReader(data))
	in.DisallowUnknownFields()
	var c Case
	require.NoError(t, in.Decode(&c))
	assert.Equal(t, Schema, c.Schema)
	assert.Equal(t, "36", c.Fixtures[0].Site)
	assert.Equal(t, 2.0, *c.Fixtures[0].Clearance[0].Margin)
	assert.Equal(t, 4.1, c.Fixtures[0].Achieved.Diameter)
	assert.False(t, c.InDoubt())
}

// What could not be had is left out, never zero and never null; flags are a list
// in any case.
func TestMissingFiguresAreLeftOut(t *testing.T) {
	data, err := json.Marshal(Case{Fixtures: []Fixture{{Site: "36"}}})
	require.NoError(t, err)
	assert.NotContains(t, string(data), "null")
	assert.Equal(t, 3, strings.Count(string(data), `"flags":[]`))
	got := pathsOf(t, data)
	for _, name := range []string{"achieved", "deviation", "uncertainty", "clearance", "quality", "guidance"} {
		for _, path := range got {
			assert.NotContains(t, path, name)
		}
	}

	// A fixture whose mesial direction is not known.
	var d Values
	for f := range FigureCount {
		if !f.Directional() {
			d[f] = new(0.0)
		}
	}
	data, err = json.Marshal(Fixture{Deviation: &d, Uncertainty: &Uncertainty{}, Clearance: []Clearance{{}}})
	require.NoError(t, err)
	for _, name := range []string{"mesial", "buccal", "achieved_mm", "low95_mm", "high95_mm", "margin_mm"} {
		assert.NotContains(t, string(data), name)
	}
	// Those that are there stay when they are zero.
	for _, name := range []string{"entry_mm", "entry_lateral_mm", "entry_depth_mm", "apex_mm", "apex_lateral_mm", "apex_depth_mm", "angle_deg"} {
		assert.Contains(t, string(data), fmt.Sprintf("%q:0", name))
	}
	data, err = json.Marshal(Values{EntryMesial: new(0.0)})
	require.NoError(t, err)
	assert.Contains(t, string(data), `"entry_mesial_mm":0`)
	assert.NotContains(t, string(data), "entry_buccal_mm")
}

func TestStoredFormRoundTrips(t *testing.T) {
	number := rapid.Float64Range(-1e6, 1e6)
	rapid.Check(t, func(t *rapid.T) {
		some := func() *float64 {
			if rapid.Bool().Draw(t, "there") {
				v := number.Draw(t, "v")
				return &v
			}
			return nil
		}
		c := Case{
			Schema: Schema, Case: rapid.String().Draw(t, "case"), Program: Program{Seed: rapid.Uint64().Draw(t, "seed")},
			Alignment: Alignment{Quality: map[string]float64{"x_mm": number.Draw(t, "q")}},
			Fixtures: []Fixture{{
				Deviation: &Values{Entry: some(), EntryMesial: some(), TiltBuccal: some()},
				Uncertainty: &Uncertainty{
					Intervals: PerFigure[Interval]{Apex: {number.Draw(t, "u"), number.Draw(t, "low"), number.Draw(t, "high")}},
					Floor:     Values{Angle: some()}, Budget: []Source{{Name: "a", Angle: number.Draw(t, "source")}}},
				Clearance: []Clearance{{Structure: rapid.String().Draw(t, "structure"), Achieved: some(), Low: some(), Margin: some()}},
				Flags:     Flags{{Code: "a", Message: rapid.String().Draw(t, "message"), Level: Notice}},
			}},
		}
		for i := range c.Alignment.PostToPre {
			c.Alignment.PostToPre[i] = number.Draw(t, "m")
		}
		data, err := json.Marshal(c)
		require.NoError(t, err)
		var back Case
		require.NoError(t, json.Unmarshal(data, &back))
		require.Equal(t, c, back)
		again, err := json.Marshal(back)
		require.NoError(t, err)
		require.Equal(t, data, again)
	})
}

func TestNoFlagsAreOneThing(t *testing.T) {
	for _, text := range []string{"[]", "null"} {
		f := Flags{{Code: "left over"}}
		require.NoError(t, json.Unmarshal([]byte(text), &f))
		assert.Nil(t, f)
	}
	var f Flags
	assert.Error(t, json.Unmarshal([]byte(`{"code": "a"}`), &f), "not a list")
}

// Messages stay readable where the encoder around them does not escape.
func TestMessagesKeepTheirSigns(t *testing.T) {
	var b strings.Builder
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	require.NoError(t, enc.Encode(Case{Flags: Flags{{Code: "a", Message: "gap > 0.4 mm & more"}}}))
	assert.Contains(t, b.String(), "gap > 0.4 mm & more")
	data, err := json.Marshal(Flags{{Message: "<b>"}})
	require.NoError(t, err)
	assert.NotContains(t, string(data), "<b>")
}

func TestDoubtAnywhereMakesTheCaseDoubtful(t *testing.T) {
	notice, doubt := Flag{Code: "a", Level: Notice}, Flag{Code: "b", Level: Doubt}
	base := func() *Case {
		return &Case{
			Flags: Flags{notice}, Alignment: Alignment{Flags: Flags{notice}},
			Fixtures: []Fixture{{Flags: Flags{notice}}, {Flags: Flags{notice}}},
		}
	}
	assert.False(t, (&Case{}).InDoubt())
	assert.False(t, base().InDoubt())
	for name, spoil := range map[string]func(c *Case){
		"case":           func(c *Case) { c.Flags = append(c.Flags, doubt) },
		"alignment":      func(c *Case) { c.Alignment.Flags = append(c.Alignment.Flags, doubt) },
		"second fixture": func(c *Case) { c.Fixtures[1].Flags = append(c.Fixtures[1].Flags, doubt) },
	} {
		c := base()
		spoil(c)
		assert.True(t, c.InDoubt(), name)
	}
}

func TestSameInputs(t *testing.T) {
	one, other := 0.1, 0.1
	a := Inputs{PlanSHA256: "p", PreSHA256: "a", Files: []File{{Name: "f.stl", SHA256: "s", ResidualMM: &one}}}
	b := a
	b.Files = []File{{Name: "f.stl", SHA256: "s", ResidualMM: &other}}
	assert.True(t, a.Same(b))
	b.Files[0].SHA256 = "t"
	assert.False(t, a.Same(b))
	b.Files = nil
	assert.False(t, a.Same(b))
	b = a
	b.PostSHA256 = "c"
	assert.False(t, a.Same(b))
}
