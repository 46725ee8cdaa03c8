package report

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/evidence"
	"plumbline/internal/measurement"
	"plumbline/internal/series/analysis"
)

// What was measured by both records is told with all, also of few cases.
func TestBothRecordsOfASeries(t *testing.T) {
	a := analysis.Analysis{Clinician: "clinician-a", TwoWays: &analysis.TwoWays{Fixtures: 4, Cases: 3, Figures: []analysis.Difference{
		{Figure: measurement.EntryDepth, Mean: 0.2, Low: pt(-0.05), High: pt(0.45)}, {Figure: measurement.Angle, Mean: 0.1}}}}
	shown := twoWaysTable(&a)
	assert.Contains(t, shown.Caption, "4 fixtures in 3 cases")
	assert.Equal(t, []row{{Cells: []string{"Depth at the entry", "0.20 mm", "-0.05 to 0.45 mm"}}, {Cells: []string{"Angular deviation", "0.10°", "needs two cases"}}}, shown.Rows)
	for _, all := range []bool{true, false} {
		d := &Document{}
		d.clinician(&a, all)
		assert.Equal(t, all, contains(d, shown.Caption))
	}
	assert.Empty(t, twoWaysTable(&analysis.Analysis{}).Rows)
}

// A case that was measured by both records, with all that a report can have of each and more
// notes than any case of the demo, takes five pages.
func TestBothRecordsOnFivePages(t *testing.T) {
	s := study(t)
	f := &s.Result.Fixtures[0]
	quality := s.Result.Alignment.Quality
	for i, key := range []string{"disagreement_mm", "head_travel_mm", "coverage_ratio", "runner_up_ratio", "scale_columns_ratio", "scale_slices_ratio"} {
		quality[key] = 0.01 * float64(i)
	}
	for _, name := range []string{"root 34.1", "root 36.2"} {
		f.Clearance = append(f.Clearance, measurement.Clearance{Structure: name, Kind: "root", Planned: 6.2, Achieved: pt(6.1), Low: pt(6), High: pt(6.2), Margin: pt(1.5)})
	}
	f.Surroundings = &measurement.Surroundings{Planned: around(2.2), Achieved: around(1.4)}
	f.Second = &measurement.Second{Evidence: string(evidence.SurfaceScan), Deviation: f.Deviation, Uncertainty: f.Uncertainty, Difference: &measurement.Difference{Entry: 0.04, Apex: 0.04}, Agrees: new(true)}
	note := func(code measurement.Code, message string) {
		f.Flags = append(f.Flags, measurement.Flag{Code: code, Level: measurement.Notice, Message: message})
	}
	note(measurement.CodeSeatOnTrust, "site 36: in the surface scan beside the follow-up scan the depth holds if the scan body was down on its fixture and the fixture is 11.5 mm long; a surface scan shows neither")
	note(measurement.CodePlatformCovered, "site 36: a screw, abutment or crown covers the platform (metal goes 3.6 mm farther), so the platform was worked out from the apex and the known length of 10.0 mm; if that length is wrong, the entry is wrong by as much")
	note(measurement.CodeEvidenceAgrees, "site 36: both lie 0.04 mm apart")
	for _, what := range []string{"left mandibular canal", "root 34.1", "root 36.2"} {
		note("structure-not-shown", `"`+what+`": the planning scan does not show it where it is drawn, or too little of it, so that its place is not checked; look at it in the planning scan, and draw it anew if it lies elsewhere`)
	}
	for _, name := range []string{"blooming and beam hardening", "known length", "alignment", "voxel size", "head motion", "digits of the plan", "length on trust"} {
		f.Uncertainty.Budget = append(f.Uncertainty.Budget, measurement.Source{Name: name, EntryAlong: 0.01})
	}
	for _, name := range []string{"after.stl", "before.stl", "scan-body-36.stl"} {
		s.Result.Inputs.Files = append(s.Result.Inputs.Files, measurement.File{Name: name, SHA256: strings.Repeat("ab", 32)})
	}
	drawn, err := drawScenes(s, Options{})
	require.NoError(t, err)
	drawn.fixtures[0].beside = drawn.fixtures[0].alignment
	d := caseReport(&s.Result, drawn, Options{})
	for _, paper := range []Paper{A4, Letter} {
		pdf, err := d.PDF(paper)
		require.NoError(t, err)
		text := oneLine(pdfText(t, pdf))
		assert.Contains(t, text, "page 5 of 5", paper.Name)
		first, _, _ := strings.Cut(text, "page 2 of")
		assert.Contains(t, first, "Margin missed Site 36: 1.61 mm from left mandibular canal", "the first page stands alone")
		assert.Contains(t, text, "They agree within their uncertainties.")
		assert.NotContains(t, text, "both lie 0.04 mm apart", "what the table says is no note as well")
	}
}

// contains reports whether a document has a table of a caption.
func contains(d *Document, caption string) bool {
	for _, b := range d.blocks {
		if t, ok := b.(table); ok && t.Caption == caption {
			return true
		}
	}
	return false
}
