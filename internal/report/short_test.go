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
