package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

// Every way to be too near, and to be far enough, with what is flagged of it.
func TestBreaches(t *testing.T) {
	mm := func(x float64) *float64 { return &x }
	for _, c := range []struct {
		planned          float64
		achieved, margin *float64
		flags            map[string]string // what each says
	}{
		{planned: 2.5, achieved: mm(2.4), margin: mm(2)},
		{planned: 2.5, achieved: mm(0.4)},
		{planned: 2.5, margin: mm(2)},
		{2.5, mm(1.6), mm(2), map[string]string{"margin-not-kept": "1.60 mm from the canal, less than the margin of 2.0 mm (by the transfer: the plan left 2.50 mm, placing took away 0.90 mm)"}},
		{1.5, mm(1.6), mm(2), map[string]string{
			"margin-not-kept":    "1.60 mm from the canal, less than the margin of 2.0 mm (by the plan: it left 1.50 mm of 2.0 mm, placing gave back 0.10 mm)",
			"margin-not-planned": "the plan itself left 1.50 mm to the canal, less than the margin of 2.0 mm"}},
		{1.5, mm(2.4), mm(2), map[string]string{"margin-not-planned": "the plan itself left 1.50 mm to the canal"}},
		{planned: 1.5, margin: mm(2), flags: map[string]string{"margin-not-planned": "the plan itself left 1.50 mm"}},
		{2.5, mm(-0.3), mm(2), map[string]string{"penetration": "reaches into the canal by 0.30 mm as measured"}},
		{2.5, mm(0), nil, map[string]string{"penetration": "touches or crosses"}},
		{-1, mm(-0.3), nil, map[string]string{"penetration": "(by the plan: it went in by 1.00 mm, placing gave back 0.70 mm)", "margin-not-planned": "the plan itself reaches into the canal by 1.00 mm"}},
	} {
		flags := breaches("36", measurement.Clearance{Structure: "the canal", Planned: c.planned, Achieved: c.achieved, Margin: c.margin})
		require.Len(t, flags, len(c.flags), "%v", c)
		for _, f := range flags {
			require.Contains(t, c.flags, f.Code)
			assert.Equal(t, measurement.Notice, f.Level)
			assert.Contains(t, f.Message, "site 36: ")
			assert.Contains(t, f.Message, c.flags[f.Code])
		}
	}
}
