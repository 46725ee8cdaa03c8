package series

import (
	"encoding/json"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// fullPlan rests on a canal, a sinus in a file and a planning scan.
func fullPlan(change func(*casefile.Case)) (*Plan, *casefile.Case) {
	two := 2.0
	c := &casefile.Case{PlanSHA256: "p", Clinician: "clinician-a", Placed: "2026-03-03", Frame: casefile.LPS,
		Fixtures: []casefile.Fixture{{Site: tooth.Number(36), Guidance: casefile.FullGuide, Diameter: 4.1, Length: 10,
			Planned: geom.Pose{Entry: geom.Vec{X: 1, Y: 2, Z: 3}, Apex: geom.Vec{X: 1, Y: 2, Z: -7}}}},
		Structures: []casefile.Structure{
			{Name: "canal", Kind: casefile.Nerve, Path: []geom.Vec{{X: 1}, {X: 9}}, Radius: []float64{1.5, 1.5}, Margin: &two},
			{Name: "left sinus", Kind: casefile.Sinus, Surface: "case/sinus.stl"},
		},
		Files: []casefile.File{{What: `the surface of "left sinus"`, Path: "case/sinus.stl", SHA256: "s"}},
	}
	if change != nil {
		c.PlanSHA256 = "edited"
		change(c)
	}
	p := PlanOf(c, "pre")
	return &p, c
}

func TestWhatASealCovers(t *testing.T) {
	three := 3.0
	for name, c := range map[string]struct {
		change func(*casefile.Case)
		pre    string
		seal   Seal
		words  string // in a flag
	}{
		"nothing changed":  {nil, "pre", SealKept, ""},
		"a comment edited": {func(*casefile.Case) {}, "pre", SealKept, "the planned fixtures are the same"},
		"another file":     {func(c *casefile.Case) { c.PlanSHA256, c.Files[0].SHA256 = "p", "t" }, "pre", SealChanged, `the surface of "left sinus" is another file than was sealed`},
		"another margin":   {func(c *casefile.Case) { c.Structures[0].Margin = &three }, "pre", SealChanged, `the margin to "canal" was sealed as 2 mm and measured as 3 mm`},
		"usual margin":     {func(c *casefile.Case) { c.Structures[0].Margin = nil }, "pre", SealChanged, `measured as the usual one`},
		"another path":     {func(c *casefile.Case) { c.Structures[0].Path = []geom.Vec{{X: 1}, {X: 8}} }, "pre", SealChanged, `the centre line or the radius of "canal" is another than was sealed`},
		"another radius":   {func(c *casefile.Case) { c.Structures[0].Radius = []float64{1.5, 1} }, "pre", SealChanged, `the centre line or the radius of "canal" is another than was sealed`},
		"another kind":     {func(c *casefile.Case) { c.Structures[1].Kind = casefile.Cortex }, "pre", SealChanged, `"left sinus" was sealed as kind "sinus" and measured as "cortex"`},
		"taken out": {func(c *casefile.Case) { c.Structures, c.Files = c.Structures[:1], nil }, "pre", SealChanged,
			`"left sinus" was sealed and not measured`},
		"one added": {func(c *casefile.Case) {
			c.Structures = append(c.Structures, casefile.Structure{Name: "root 35", Kind: casefile.Root})
		}, "pre", SealKept, "the planned fixtures are the same"},
		"another planning scan": {nil, "other", SealChanged, "the planning scan is another one than was sealed"},
	} {
		sealed, _ := fullPlan(nil)
		now, _ := fullPlan(c.change)
		m := measured("C", "2026-03-03", now.SHA256, 1)
		m.Measurement.Inputs.PreSHA256 = c.pre
		for _, f := range now.Files {
			m.Measurement.Inputs.Files = append(m.Measurement.Inputs.Files, measurement.File{Name: f.Name, SHA256: f.SHA256})
		}
		for _, with := range []*Plan{now, nil} {
			m.Plan = with
			s := Summarise(chained(t, Record{Kind: Sealed, Case: "C", Time: noon, Plan: sealed}, m), "").Cases[0]
			if with == nil && c.seal == SealChanged && c.change != nil && now.SHA256 != "p" && now.Files != nil {
				continue // what the file held of structures is not known without the plan
			}
			assert.Equal(t, c.seal, s.Seal, name)
			if c.words == "" {
				assert.Empty(t, s.Flags, name)
				continue
			}
			var all []string
			for _, f := range s.Flags {
				all = append(all, f.Message)
			}
			if with != nil || c.seal == SealChanged && now.SHA256 == "p" {
				assert.Contains(t, strings.Join(all, "\n"), c.words, name)
			}
		}
	}
}

// A seal of an earlier version has neither structures nor the planning scan; one
// made before the files were there lacks those.
func TestWhatASealDoesNotCover(t *testing.T) {
	var old Plan
	require.NoError(t, json.Unmarshal([]byte(`{"sha256":"p","clinician":"clinician-a","placed":"2026-03-03","frame":"lps","fixtures":[
		{"site":"36","entry":[1,2,3],"apex":[1,2,-7],"diameter":4.1,"length":10}]}`), &old))
	now, _ := fullPlan(nil)
	early, _ := fullPlan(func(c *casefile.Case) { c.PlanSHA256, c.Files[0].SHA256 = "p", "" })
	early.PreSHA256 = ""
	for _, c := range []struct {
		plan *Plan
		want string
	}{
		{&old, "the seal (record 1) does not cover structures, their surfaces and the planning scan, as it was made by an earlier version of the program"},
		{early, `the seal (record 1) does not cover the surface of "left sinus" and the planning scan`},
	} {
		m := measured("C", "2026-03-03", "p", 1)
		m.Plan = now
		s := Summarise(chained(t, Record{Kind: Sealed, Case: "C", Time: noon, Plan: c.plan}, m), "").Cases[0]
		assert.Equal(t, SealKept, s.Seal)
		require.Len(t, s.Flags, 1)
		assert.Equal(t, "seal-partial", s.Flags[0].Code)
		assert.Equal(t, c.want, s.Flags[0].Message)
		assert.False(t, c.plan.Same(now))
	}
	assert.True(t, now.Same(now))
	assert.Empty(t, now.NotCovered())
}
