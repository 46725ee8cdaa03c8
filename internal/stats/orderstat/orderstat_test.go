package orderstat

import (
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// TestSelect compares with sorting.
func TestSelect(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x := rapid.SliceOfN(rapid.OneOf(rapid.Float64Range(-5, 5), rapid.SampledFrom([]float64{0, 1, 1, 2})), 1, 60).Draw(t, "x")
		sorted := slices.Sorted(slices.Values(x))
		for k, want := range sorted {
			require.Equal(t, want, Select(x, k))
		}
	})
}

func TestMedians(t *testing.T) {
	assert.Equal(t, 3.0, UpperMedian([]float64{5, 1, 3}))
	assert.Equal(t, 3.0, Median([]float64{5, 1, 3}))
	assert.Equal(t, 4.0, UpperMedian([]float64{5, 1, 4, 2}))
	assert.Equal(t, 3.0, Median([]float64{5, 1, 4, 2}))
	assert.True(t, math.IsNaN(UpperMedian(nil)))
	assert.True(t, math.IsNaN(Median(nil)))
}
