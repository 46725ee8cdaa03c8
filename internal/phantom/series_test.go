package phantom

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/measurement"
)

func TestDemoSeriesLearns(t *testing.T) {
	long := DemoSeries(50, 4)
	require.Len(t, long, 50)
	require.Equal(t, long[:20], DemoSeries(20, 4))
	require.NotEqual(t, long[0], DemoSeries(1, 5)[0])
	require.Equal(t, "S-050", long[49].Case)
	require.Less(t, long[49].Placed, "2027")
	for i, c := range long {
		require.NoError(t, c.Fixture.check())
		require.InDelta(t, r3.Norm(r3.Sub(c.Achieved.Entry, c.Planned.Entry)), *c.Deviation[measurement.Entry], 1e-9)
		require.InDelta(t, r3.Dot(r3.Sub(c.Achieved.Apex, c.Planned.Apex), c.Mesial), *c.Deviation[measurement.ApexMesial], 1e-9)
		if i > 0 {
			require.Greater(t, c.Placed, long[i-1].Placed)
		}
	}
	require.Empty(t, DemoSeries(0, 4))
}

// Over many series the second moments are the stated ones: three components of
// the stated spread, and the habit.
func TestDemoSeriesHasTheStatedSpread(t *testing.T) {
	ratio := func(cases []SeriesCase, from int) (sum float64) {
		for i, c := range cases {
			entry := lastEntry + (firstEntry-lastEntry)*math.Exp(-float64(from+i)/learningCases)
			sum += *c.Deviation[measurement.Entry] * *c.Deviation[measurement.Entry] / (3*entry*entry + habitDistal*habitDistal + habitDeep*habitDeep)
		}
		return sum
	}
	var early, late float64
	for seed := range uint64(12) {
		s := DemoSeries(85, seed)
		early += ratio(s[:5], 0)
		late += ratio(s[60:], 60)
	}
	// The relative standard error of a mean of m sums of three squares is
	// √(2/3m): 0.105 for 60 and 0.047 for 300; here three of them.
	require.InDelta(t, 1, early/60, 0.32)
	require.InDelta(t, 1, late/300, 0.15)
}
