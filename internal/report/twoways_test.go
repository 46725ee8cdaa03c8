package report

import (
	"testing"

	"github.com/stretchr/testify/assert"

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

// contains reports whether a document has a table of a caption.
func contains(d *Document, caption string) bool {
	for _, b := range d.blocks {
		if t, ok := b.(table); ok && t.Caption == caption {
			return true
		}
	}
	return false
}
