package report

import (
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
		Deviation: &measurement.Values{
			measurement.Entry: new(0.71), measurement.EntryLateral: new(0.64), measurement.EntryDepth: new(0.3), measurement.EntryMesial: number(0.5), measurement.EntryBuccal: number(-0.4),
			measurement.Apex: new(1.23), measurement.ApexLateral: new(1.2), measurement.ApexDepth: new(-0.28), measurement.ApexMesial: number(-0.9), measurement.ApexBuccal: number(0.79),
			measurement.Angle: new(3.2), measurement.TiltMesial: number(-2.5), measurement.TiltBuccal: number(2),
		},
		Uncertainty: &measurement.Uncertainty{Intervals: measurement.PerFigure[measurement.Interval]{
			measurement.Entry: new(i(0.05, 0.61, 0.81)), measurement.EntryLateral: new(i(0.05, 0.54, 0.74)), measurement.EntryDepth: new(i(0.2, -0.09, 0.69)),
			measurement.EntryMesial: p(i(0.05, 0.4, 0.6)), measurement.EntryBuccal: p(i(0.05, -0.5, -0.3)),
			measurement.Apex: new(i(0.06, 1.11, 1.35)), measurement.ApexLateral: new(i(0.06, 1.08, 1.32)), measurement.ApexDepth: new(i(0.2, -0.67, 0.11)),
			measurement.ApexMesial: p(i(0.05, -1, -0.8)), measurement.ApexBuccal: p(i(0.05, 0.69, 0.89)),
			measurement.Angle: new(i(0.3, 2.6, 3.8)), measurement.TiltMesial: p(i(0.3, -3.1, -1.9)), measurement.TiltBuccal: p(i(0.3, 1.4, 2.6)),
		},
			Floor: measurement.Values{measurement.Entry: new(0.12), measurement.Apex: new(0.15), measurement.Angle: new(0.9)}},
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
		Deviation: &measurement.Values{measurement.Entry: new(0.08), measurement.EntryLateral: new(0.08), measurement.EntryDepth: new(-0.001), measurement.Apex: new(0.4), measurement.ApexLateral: new(0.4), measurement.ApexDepth: new(0.02), measurement.Angle: new(0.7)},
		Uncertainty: &measurement.Uncertainty{Intervals: measurement.PerFigure[measurement.Interval]{
			measurement.Entry: new(i(0.05, 0, 0.18)), measurement.EntryLateral: new(i(0.05, 0, 0.18)), measurement.EntryDepth: new(i(0.1, -0.2, 0.2)),
			measurement.Apex: new(i(0.05, 0.3, 0.5)), measurement.ApexLateral: new(i(0.05, 0.3, 0.5)), measurement.ApexDepth: new(i(0.1, -0.18, 0.22)), measurement.Angle: new(i(0.3, 0, 1.3)),
		},
			Floor: measurement.Values{measurement.Entry: new(0.12), measurement.Apex: new(0.15), measurement.Angle: new(0.9)}},
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

// onTerminal is a document as a terminal of so many columns shows it.
func onTerminal(t *testing.T, d *Document, columns int) string {
	t.Helper()
	var b strings.Builder
	require.NoError(t, d.Text(&b, columns))
	return b.String()
}

func TestFiguresOfOneCase(t *testing.T) {
	c := invented()
	golden(t, "case.txt", onTerminal(t, Figures(&c, Options{}), 0))

	universal := onTerminal(t, Figures(&c, Options{Numbering: tooth.Universal}), 0)
	assert.Contains(t, universal, "Site 19, lower left first molar (universal numbering)")
	assert.Contains(t, universal, "Site 20, lower left second premolar (universal numbering)")
	assert.NotContains(t, universal, "ISO 3950")

	c.Fixtures = c.Fixtures[:2]
	assert.NotContains(t, onTerminal(t, Figures(&c, Options{}), 0), notToBeReliedOn)
}

func TestListOfManyCases(t *testing.T) {
	second := invented()
	second.Case = "C-8"
	second.Fixtures = second.Fixtures[:1]
	second.Alignment.Flags = measurement.Flags{{Code: "alignment-doubtful", Message: "m", Level: measurement.Doubt}}
	cases := []measurement.Case{invented(), second}
	golden(t, "cases.txt", onTerminal(t, CaseList(cases, Options{}), 0))
	universal := onTerminal(t, CaseList(cases, Options{Numbering: tooth.Universal}), 0)
	assert.Contains(t, universal, "sites in universal numbering")
	assert.Contains(t, strings.Join(strings.Fields(universal), " "), "C-7 19 0.71 ± 0.10")
	assert.Empty(t, onTerminal(t, CaseList(nil, Options{}), 0))
}
