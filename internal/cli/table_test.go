package cli

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

func number(v float64) *float64 { return &v }

// invented is a case with every kind of line: a fixture with all figures and
// clearances of every verdict, one without directions, one that is not there.
func invented() measurement.Case {
	i := func(u, low, high float64) measurement.Interval {
		return measurement.Interval{U: u, Low: low, High: high}
	}
	p := func(i measurement.Interval) *measurement.Interval { return &i }
	full := measurement.Fixture{
		Site: "36", Guidance: "full-guide", Planned: measurement.Placement{Diameter: 4.1, Length: 10},
		Achieved: &measurement.Placement{Diameter: 4.1, Length: 10},
		Deviation: &measurement.Deviation{
			Entry: 0.71, EntryLateral: 0.64, EntryDepth: 0.3, EntryMesial: number(0.5), EntryBuccal: number(-0.4),
			Apex: 1.23, ApexLateral: 1.2, ApexDepth: -0.28, ApexMesial: number(-0.9), ApexBuccal: number(0.79),
			Angle: 3.2, TiltMesial: number(-2.5), TiltBuccal: number(2),
		},
		Uncertainty: &measurement.Uncertainty{
			Entry: i(0.05, 0.61, 0.81), EntryLateral: i(0.05, 0.54, 0.74), EntryDepth: i(0.2, -0.09, 0.69),
			EntryMesial: p(i(0.05, 0.4, 0.6)), EntryBuccal: p(i(0.05, -0.5, -0.3)),
			Apex: i(0.06, 1.11, 1.35), ApexLateral: i(0.06, 1.08, 1.32), ApexDepth: i(0.2, -0.67, 0.11),
			ApexMesial: p(i(0.05, -1, -0.8)), ApexBuccal: p(i(0.05, 0.69, 0.89)),
			Angle: i(0.3, 2.6, 3.8), TiltMesial: p(i(0.3, -3.1, -1.9)), TiltBuccal: p(i(0.3, 1.4, 2.6)),
			Floor: measurement.Floor{Entry: 0.12, Apex: 0.15, Angle: 0.9},
		},
		Clearance: []measurement.Clearance{
			{Structure: "left mandibular canal", Kind: "nerve", Planned: 3.1, Achieved: number(2.21), Low: number(1.9), High: number(2.5), Margin: number(2)},
			{Structure: "root 35.1", Kind: "root", Planned: 1.8, Achieved: number(1.2), Low: number(1.1), High: number(1.3), Margin: number(1.5)},
			{Structure: "root 37.1", Kind: "root", Planned: 2, Achieved: number(-0.15), Low: number(-0.3), High: number(0.02), Margin: number(1.5)},
			{Structure: "lower border", Kind: "cortex", Planned: 6, Achieved: number(5.5), Low: number(5.3), High: number(5.7)},
		},
	}
	plain := measurement.Fixture{
		Site: "35", Planned: measurement.Placement{Diameter: 3.5, Length: 12},
		Achieved:  &measurement.Placement{Diameter: 3.5, Length: 12},
		Deviation: &measurement.Deviation{Entry: 0.08, EntryLateral: 0.08, EntryDepth: -0.001, Apex: 0.4, ApexLateral: 0.4, ApexDepth: 0.02, Angle: 0.7},
		Uncertainty: &measurement.Uncertainty{
			Entry: i(0.05, 0, 0.18), EntryLateral: i(0.05, 0, 0.18), EntryDepth: i(0.1, -0.2, 0.2),
			Apex: i(0.05, 0.3, 0.5), ApexLateral: i(0.05, 0.3, 0.5), ApexDepth: i(0.1, -0.18, 0.22), Angle: i(0.3, 0, 1.3),
			Floor: measurement.Floor{Entry: 0.12, Apex: 0.15, Angle: 0.9},
		},
		Clearance: []measurement.Clearance{{Structure: "left mandibular canal", Kind: "nerve", Planned: 4}},
		Flags:     measurement.Flags{{Code: "directions-not-known", Message: "site 35: the mesial direction is not known", Level: measurement.Notice}},
	}
	missing := measurement.Fixture{
		Site: "34", Planned: measurement.Placement{Diameter: 4.1, Length: 10},
		Flags: measurement.Flags{{Code: "metal-not-found", Message: "site 34: no metal within reach of the plan.", Level: measurement.Doubt}},
	}
	return measurement.Case{
		Schema: measurement.Schema, Case: "C-7", Placed: "2026-03-14", Clinician: "clinician-a",
		Alignment: measurement.Alignment{Method: "scans", Flags: measurement.Flags{{Code: "other-jaw", Message: "the other jaw moved", Level: measurement.Notice}}},
		Fixtures:  []measurement.Fixture{full, plain, missing},
		Flags:     measurement.Flags{{Code: "left-out", Message: "planning scan: one slice was left out", Level: measurement.Notice}},
	}
}

func text(t *testing.T, print func(b *bytes.Buffer) error) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, print(&b))
	return b.String()
}

func TestTableOfOneCase(t *testing.T) {
	got := text(t, func(b *bytes.Buffer) error { return writeCase(b, invented(), tooth.ISO3950) })
	golden(t, ".", "case.txt", got)

	universal := text(t, func(b *bytes.Buffer) error { return writeCase(b, invented(), tooth.Universal) })
	assert.Contains(t, universal, "Site 19 (universal, lower left first molar)")
	assert.Contains(t, universal, "Site 20 (universal, lower left second premolar)")
	assert.NotContains(t, universal, "ISO 3950")

	trusted := invented()
	trusted.Fixtures = trusted.Fixtures[:2]
	assert.NotContains(t, text(t, func(b *bytes.Buffer) error { return writeCase(b, trusted, tooth.ISO3950) }), "not to be relied on")
}

func TestTableOfManyCases(t *testing.T) {
	second := invented()
	second.Case = "C-8"
	second.Fixtures = second.Fixtures[:1]
	second.Alignment.Flags = measurement.Flags{{Code: "alignment-doubtful", Message: "m", Level: measurement.Doubt}}
	cases := []measurement.Case{invented(), second}
	golden(t, ".", "cases.txt", text(t, func(b *bytes.Buffer) error { return writeCases(b, cases, tooth.ISO3950) }))
	universal := text(t, func(b *bytes.Buffer) error { return writeCases(b, cases, tooth.Universal) })
	assert.Contains(t, universal, "site (universal)")
	assert.Contains(t, strings.Join(strings.Fields(universal), " "), "C-7 2026-03-14 19 0.71 ± 0.10")
	assert.Empty(t, text(t, func(b *bytes.Buffer) error { return writeCases(b, nil, tooth.ISO3950) }))
}

func TestFileNamesOfCases(t *testing.T) {
	for name, want := range map[string]string{
		"C-7":         "C-7",
		"a/b\\c":      "a_b_c",
		"../../etc":   "_.._etc",
		`<>:"|?*`:     "_______",
		"tab\there":   "tab_here",
		" spaced . ":  "spaced",
		"Fälle ж 日":   "Fälle ж 日",
		"..":          "_",
		"nul":         "_nul",
		"Com1.left":   "_Com1.left",
		"Console":     "Console",
		"con\x00trol": "con_trol",
	} {
		assert.Equal(t, want, fileName(name), name)
	}
}
