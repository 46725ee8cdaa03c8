package analysis

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

func near(kind string, planned, achieved, margin float64) measurement.Clearance {
	return measurement.Clearance{Structure: kind, Kind: kind, Planned: planned, Achieved: &achieved, Margin: &margin}
}

// Counted by hand from the rows below.
func TestBreachesAreCounted(t *testing.T) {
	row := func(status series.Status, site string, doubt bool, list ...measurement.Clearance) series.TableRow {
		entry := 0.5
		return series.TableRow{Status: status, Row: series.Row{Site: site, Doubt: doubt, Clearance: list, Deviation: measurement.Values{measurement.Entry: &entry}}}
	}
	b := CountBreaches([]series.TableRow{
		row(series.StatusMeasured, "36", false, near("nerve", 3, 2.5, 2), near("root", 3, 3, 1.5)),                             // nothing
		row(series.StatusMeasured, "36", false, near("nerve", 3, -0.2, 2), near("root", 3, 1, 1.5)),                            // nerve entered by transfer, root missed by transfer
		row(series.StatusMeasured, "36", true, near("nerve", 1.5, 1.8, 2), near("root", 1, 0.5, 1.5), near("root", 3, 3, 1.5)), // nerve by plan, root by both; in doubt
		row(series.StatusMeasured, "26", false, near("root", 3, 1.4, 1.5)),                                                     // root by transfer; sinus not checked
		row(series.StatusMeasured, "11", false),                                                                                // no structure
		row(series.StatusWithdrawn, "46", false, near("nerve", 3, -1, 2)),
		row(series.StatusReplaced, "46", false, near("nerve", 3, 1, 2)),
		{Status: series.StatusMissing, Row: series.Row{Site: "45"}},
	})
	assert.Equal(t, 5, b.Fixtures)
	assert.Equal(t, 1, b.Entered)
	assert.Equal(t, 3, b.Missed)
	assert.Equal(t, 1, b.InDoubt)
	assert.Equal(t, 2, b.NotChecked)
	assert.Equal(t, []KindBreach{
		{Kind: "nerve", Fixtures: 3, Entered: Shares{1, 0, 1}, Missed: Shares{1, 1, 0}},
		{Kind: "root", Fixtures: 4, Missed: Shares{3, 1, 3}},
	}, b.Kinds)
	assert.Equal(t, &AsideBreach{Fixtures: 2, Entered: 1, Missed: 1}, b.Aside)
	assert.Equal(t, "Structures entered: at 1 of 5 fixtures (nerve 1: 0 by the plan, 1 by the transfer). "+
		"Margins missed: at 3 of 5 fixtures (nerve 1: 1 by the plan, 0 by the transfer; root 3: 1 by the plan, 3 by the transfer). "+
		"With figures in doubt among these: 1. "+
		"Not checked: 2 of 5. Near their sites no structure was given, or not the one that is due behind the canines: the nerve in the lower jaw, the sinus in the upper. "+
		"Not counted, as their figures were withdrawn, replaced or left out: 2 fixtures, at 1 of them a structure entered, at 1 a margin missed.", b.Words)

	assert.Equal(t, "No fixture is measured, so there are no breaches to count.", CountBreaches(nil).Words)
	assert.Contains(t, CountBreaches([]series.TableRow{row(series.StatusMeasured, "11", false)}).Words, "Not checked: no structure was given for any of 1 fixture,")
}

// The least of the fixtures that have both; a bound is told as such, and what stands above the
// crest all around does not count.
func TestBuccalBoneOverTheSeries(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	around := func(list ...measurement.Wall) *measurement.Around { return &measurement.Around{Wall: list} }
	wall := func(depth float64, direction string, bone float64) measurement.Wall {
		return measurement.Wall{Depth: depth, Direction: direction, Bone: mm(bone), High: mm(bone + 0.1), Resolved: true}
	}
	in := wall(1, "lingual", 0.1)
	outside := measurement.Wall{Depth: 3, Direction: "buccal", Why: "not-in-bone"}
	placed := &measurement.Placement{Diameter: 4}
	fixture := func(site string, planned, achieved *measurement.Around) measurement.Fixture {
		return measurement.Fixture{Site: site, Planned: *placed, Achieved: placed, Surroundings: &measurement.Surroundings{Planned: planned, Achieved: achieved}}
	}
	m := measurement.Case{Fixtures: []measurement.Fixture{
		fixture("36", around(wall(1, "buccal", 1.5), wall(3, "buccal", 1.2), in), around(wall(1, "buccal", -0.3), in)),
		fixture("46", around(wall(1, "buccal", 2)), around(wall(1, "buccal", 2.5), measurement.Wall{Depth: 3, Direction: "buccal", High: mm(0.6)})),
		fixture("45", around(wall(1, "buccal", 0.2)), nil),
		fixture("35", around(wall(1, "buccal", 2.2)), around(wall(1, "buccal", 1.9), measurement.Wall{Depth: 3, Direction: "buccal", First: &measurement.Obstacle{What: "root"}})),
		fixture("34", around(wall(1, "buccal", 3)), around(wall(1, "buccal", -0.5), wall(3, "buccal", 2.8))), // above the crest at 1 mm
		fixture("43", around(wall(1, "buccal", 2.1), measurement.Wall{Depth: 3, Direction: "buccal", Low: mm(12), Why: "far"}), around(wall(1, "buccal", 1.8), measurement.Wall{Depth: 3, Direction: "buccal", Why: "metal"})),
		fixture("44", around(wall(3, "buccal", 1.4)), around(outside, wall(3, "lingual", 3))),
	}}
	var rows []series.TableRow
	for _, r := range series.RowsOf(&m) {
		rows = append(rows, series.TableRow{Status: series.StatusMeasured, Row: r})
	}
	b := CountBreaches(rows)
	assert.Equal(t, &LeastBone{Fixtures: 6, Planned: BoneSpread{Least: 1.2, Median: 2.05}, Achieved: BoneSpread{Least: -2, Median: 1.2, Outside: 2, AtMost: 3}}, b.Bone)
	assert.Contains(t, b.Words, "of 6 fixtures, in the planning scan: the least is 1.2 mm as planned and -2.0 mm as placed, the median 2.0 and 1.2 mm. The wall lies outside the bone at 0 as planned and at 2 as placed. Of these, 0 as planned and 3 as placed are but bounds: there may be less bone.")
	var lost []float64
	for i := range rows {
		if l := rows[i].BoneLost(); l != nil {
			lost = append(lost, *l)
		}
	}
	assert.InDeltaSlice(t, []float64{1.5, 0.3, 0.2}, lost, 1e-9, "bounds are not subtracted")
}

// What is lost of the bone to buccal is a margin of its own.
func TestMarginTowardsTheCheekPlate(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	rows := hand{spread: steady(.5), u: .05}.cases(60, 4)
	for i := range rows {
		l := 0.3 + 0.1*float64(i%7)
		rows[i].Bone = &series.BuccalBone{Planned: mm(2), Achieved: mm(2 - l), AchievedAtMost: i%10 == 0}
	}
	a := analyse(t, rows, Defaults())
	m := a.Margins[len(a.Margins)-1]
	assert.Equal(t, "buccal-bone", m.Kind)
	assert.Equal(t, 54, m.Lost.N)
	assert.InDelta(t, 0.6, m.Lost.Mean, 0.02)
	assert.Greater(t, *m.Bound.Upper, 0.85)
	assert.Contains(t, m.Words, "Towards the cheek-side surface of the bone: of your next 20 fixtures about one may lose more than ")
	assert.Contains(t, m.Words, "On average 0.6 mm are lost (95 % of such means: 0.5 to 0.6 mm).")
}
