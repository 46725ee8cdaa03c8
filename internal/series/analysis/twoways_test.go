package analysis

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

func measuredTwice(name string, first, second float64) series.Row {
	r := series.Row{Case: name}
	r.Deviation[measurement.EntryDepth] = &first
	var other measurement.Values
	other[measurement.EntryDepth] = &second
	r.Second = &other
	return r
}

// Differences 0.1, 0.2 and 0.3 of three cases: mean 0.2, standard deviation 0.1, and
// t(0.975; 2) = 4.303 (NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2), so that
// half the interval is 4.303·0.1/√3 = 0.2484. Two fixtures of a case count as their mean.
func TestTwoWays(t *testing.T) {
	assert.Nil(t, twoWays([]series.Row{{Case: "C-0"}}))
	got := twoWays([]series.Row{{Case: "C-0"}, measuredTwice("C-1", 0.5, 0.6), measuredTwice("C-2", -0.1, 0.0), measuredTwice("C-2", 0.2, 0.5), measuredTwice("C-3", 0, 0.3)})
	require.NotNil(t, got)
	assert.Equal(t, 4, got.Fixtures)
	assert.Equal(t, 3, got.Cases)
	require.Len(t, got.Figures, 1)
	d := got.Figures[0]
	assert.Equal(t, measurement.EntryDepth, d.Figure)
	assert.InDelta(t, 0.2, d.Mean, 1e-12)
	assert.InDelta(t, 0.2-0.2484, *d.Low, 1e-4)
	assert.InDelta(t, 0.2+0.2484, *d.High, 1e-4)
	one := twoWays([]series.Row{measuredTwice("C-1", 0.5, 0.6)})
	assert.Nil(t, one.Figures[0].Low, "one case has no interval")
}
