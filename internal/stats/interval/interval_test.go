package interval

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Newcombe 1998, table I, method 3, to its four digits; the rows for 50 cases
// are from the formula with scipy 1.10.1's normal quantile.
func TestWilson(t *testing.T) {
	for _, c := range []struct {
		successes, n int
		low, high    float64
	}{
		{81, 263, .2553, .3662}, {15, 148, .0624, .1605}, {0, 20, 0, .1611}, {1, 29, .0061, .1718},
		{0, 10, 0, .2775}, {10, 10, .7225, 1},
		{40, 50, .66963, .88756}, {45, 50, .78640, .95652}, {48, 50, .86540, .98896}, {50, 50, .92865, 1},
	} {
		low, high, err := Wilson(c.successes, c.n, .95)
		require.NoError(t, err)
		assert.InDelta(t, c.low, low, 5.1e-5, c)
		assert.InDelta(t, c.high, high, 5.1e-5, c)
		// Failures mirror successes.
		l, h, err := Wilson(c.n-c.successes, c.n, .95)
		require.NoError(t, err)
		assert.InDelta(t, 1-high, l, 1e-12)
		assert.InDelta(t, 1-low, h, 1e-12)
	}
}

func TestRefusals(t *testing.T) {
	for _, c := range [][2]int{{0, 0}, {-1, 5}, {6, 5}} {
		_, _, err := Wilson(c[0], c[1], .95)
		assert.Error(t, err)
	}
	for _, confidence := range []float64{0, 1, math.NaN()} {
		_, _, err := Wilson(1, 2, confidence)
		assert.Error(t, err)
	}
}
