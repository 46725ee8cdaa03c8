package wording

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

func number(v float64) *float64 { return &v }

func someFixture() measurement.Fixture {
	i := measurement.Interval{U: 0.05, Low: -0.1, High: 0.4}
	p := &i
	return measurement.Fixture{
		Site: "13",
		Deviation: &measurement.Values{
			measurement.Entry: new(0.71), measurement.EntryLateral: new(0.64), measurement.EntryDepth: new(0.3), measurement.EntryMesial: number(0.5), measurement.EntryBuccal: number(-0.4),
			measurement.Apex: new(1.23), measurement.ApexLateral: new(1.2), measurement.ApexDepth: new(-0.28), measurement.ApexMesial: number(-0.9), measurement.ApexBuccal: number(0.79),
			measurement.Angle: new(0.6), measurement.TiltMesial: number(-0.5), measurement.TiltBuccal: number(0.33),
		},
		Uncertainty: &measurement.Uncertainty{Intervals: measurement.PerFigure[measurement.Interval]{
			measurement.Entry: new(measurement.Interval{U: 0.051, Low: 0.6, High: 0.8}), measurement.EntryLateral: new(i), measurement.EntryDepth: new(i), measurement.EntryMesial: p, measurement.EntryBuccal: p,
			measurement.Apex: new(i), measurement.ApexLateral: new(i), measurement.ApexDepth: new(i), measurement.ApexMesial: p, measurement.ApexBuccal: p, measurement.Angle: new(i), measurement.TiltMesial: p, measurement.TiltBuccal: p,
		},
			Floor: measurement.Values{measurement.Entry: new(0.12), measurement.Apex: new(0.15), measurement.Angle: new(0.9)}},
	}
}

// Every figure of the stored form has its line, in its own words and unit.
func TestFiguresOfAFixture(t *testing.T) {
	lines := Figures(someFixture(), 13)
	var values, intervals []string
	for _, l := range lines {
		values, intervals = append(values, l.Value), append(intervals, l.Interval)
		assert.NotEmpty(t, l.Name)
		assert.NotEmpty(t, l.U)
	}
	assert.Equal(t, []string{
		"0.71 mm", "0.64 mm", "0.30 mm deeper", "0.50 mm mesial", "0.40 mm palatal",
		"1.23 mm", "1.20 mm", "0.28 mm shallower", "0.90 mm distal", "0.79 mm labial",
		"0.6°", "0.5° distal", "0.3° labial",
	}, values)
	assert.Equal(t, "0.60 to 0.80 mm", intervals[0])
	assert.Equal(t, "0.10 mm shallower to 0.40 mm deeper", intervals[2])
	assert.Equal(t, "0.10 mm palatal to 0.40 mm labial", intervals[4])
	assert.Equal(t, "0.1° distal to 0.4° mesial", intervals[11])
	assert.Equal(t, "0.05 mm", lines[0].U)
	assert.Equal(t, "seen from 0.12 mm", lines[0].Note)
	assert.Equal(t, "too small to be seen (seen from 0.9°)", lines[10].Note)
	for i, l := range lines {
		whole := i == 0 || i == 5 || i == 10
		assert.Equal(t, !whole, l.Part, l.Name)
		assert.Equal(t, whole, l.Note != "", l.Name)
	}

	f := someFixture()
	f.Uncertainty.Floor = measurement.Values{measurement.Entry: new(0.72), measurement.Apex: new(1.24), measurement.Angle: new(0.61)}
	assert.Contains(t, Summary(f, 13)[3], " at the entry, at the apex and in the angle, ")

	f = someFixture()
	f.Deviation[measurement.EntryMesial], f.Deviation[measurement.ApexBuccal], f.Deviation[measurement.TiltMesial] = nil, nil, nil
	assert.Len(t, Figures(f, 13), 7, "without directions")
	f.Uncertainty = nil
	for _, l := range Figures(f, 13) {
		assert.Empty(t, l.Interval+l.U+l.Note, "without uncertainty")
	}
	assert.Empty(t, Figures(measurement.Fixture{}, 13))
}

func TestSummaryInSentences(t *testing.T) {
	got := Summary(someFixture(), 13)
	require.Len(t, got, 4)
	assert.Equal(t, "The entry lies 0.71 mm from the plan: 0.30 mm deeper, 0.50 mm mesial and 0.40 mm palatal.", got[0])
	assert.Equal(t, "The apex lies 1.23 mm from the plan: 0.28 mm shallower, 0.90 mm distal and 0.79 mm labial.", got[1])
	assert.Equal(t, "The axis is 0.6° off: the apex tips 0.5° distal and 0.3° labial.", got[2])
	assert.Equal(t, "In this scan a perfectly placed fixture could show as much in the angle, so that this cannot be told from zero.", got[3])

	f := someFixture()
	f.Uncertainty.Floor = measurement.Values{measurement.Entry: new(0.72), measurement.Apex: new(1.24), measurement.Angle: new(0.61)}
	assert.Contains(t, Summary(f, 13)[3], " at the entry, at the apex and in the angle, ")

	f = someFixture()
	f.Deviation[measurement.EntryMesial], f.Deviation[measurement.TiltBuccal], f.Uncertainty = nil, nil, nil
	got = Summary(f, 13)
	require.Len(t, got, 3)
	assert.Equal(t, "The entry lies 0.71 mm from the plan: 0.30 mm deeper.", got[0])
	assert.Equal(t, "The axis is 0.6° off.", got[2])
	assert.Equal(t, []string{"No fixture was found, so there are no figures."}, Summary(measurement.Fixture{}, 13))
}

func TestClearanceLines(t *testing.T) {
	got := ClearanceLines([]measurement.Clearance{
		{Structure: "canal", Kind: "nerve", Planned: 3.104, Achieved: number(2.2), Low: number(1.9), High: number(2.5), Margin: number(2)},
		{Structure: "root", Kind: "root", Planned: -0.2, Achieved: number(-0.5), Low: number(-0.7), High: number(-0.3)},
		{Structure: "sinus", Kind: "sinus", Planned: 1},
	})
	assert.Equal(t, []ClearanceLine{
		{"root", "root", "reaches in by 0.20 mm", "reaches in by 0.50 mm", "0.30 to 0.70 mm inside", "none", "entered, by the plan and transfer"},
		{"canal", "nerve", "3.10 mm", "2.20 mm", "1.90 to 2.50 mm", "2.0 mm", "kept, but not surely"},
		{"sinus", "sinus", "1.00 mm", "not known", "", "none", "not known"},
	}, got)
	assert.Equal(t, "0.30 mm inside to 0.02 mm clear", ClearanceInterval(measurement.Interval{Low: -0.3, High: 0.02}))
}
