package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

// Every way to be too near, and to be far enough, with what is said of it.
func TestBreach(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	for _, c := range []struct {
		planned          float64
		achieved, margin *float64
		code, says       string
	}{
		{planned: 2.5, achieved: mm(2.4), margin: mm(2)},
		{planned: 2.5, achieved: mm(0.4)},
		{planned: 2.5, margin: mm(2)},
		{2.5, mm(1.6), mm(2), "margin-not-kept", "1.6 mm to the canal, less than the margin of 2.0 mm"},
		{1.5, mm(1.6), mm(2), "margin-not-kept", "1.6 mm to the canal"},
		{1.5, mm(2.4), mm(2), "margin-not-planned", "the plan left 1.5 mm to the canal, less than the margin of 2.0 mm"},
		{planned: 1.5, margin: mm(2), code: "margin-not-planned", says: "the plan left 1.5 mm"},
		{2.5, mm(-0.3), mm(2), "penetration", "reaches into the canal by 0.3 mm"},
		{planned: 2.5, achieved: mm(0), code: "penetration", says: "touches or crosses"},
	} {
		f := breach("36", measurement.Clearance{Structure: "the canal", Planned: c.planned, Achieved: c.achieved, Margin: c.margin})
		if c.code == "" {
			assert.Nil(t, f)
			continue
		}
		require.NotNil(t, f, c.says)
		assert.Equal(t, c.code, f.Code)
		assert.Equal(t, measurement.Notice, f.Level)
		assert.Contains(t, f.Message, c.says)
	}
}
