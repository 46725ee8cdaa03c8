package conebeam

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/fixture"
	"plumbline/internal/measurement"
)

func withHand(evidence ...float64) []fixture.Found {
	var out []fixture.Found
	for _, e := range evidence {
		out = append(out, fixture.Found{Present: true, Size: fixture.Size{RightHanded: e}})
	}
	return out
}

func TestThreadsTellAMirrorImage(t *testing.T) {
	for _, right := range [][]fixture.Found{nil, withHand(600), withHand(50, -20), {{Size: fixture.Size{RightHanded: -90}}}} {
		assert.Nil(t, mirrored(right))
	}
	for _, unseen := range [][]fixture.Found{withHand(0), withHand(-20), withHand(20), withHand(30, -20)} {
		f := mirrored(unseen)
		require.NotNil(t, f)
		assert.Equal(t, measurement.CodeMirrorUnclear, f.Code)
		assert.Equal(t, measurement.Notice, f.Level)
	}
	for _, wrong := range [][]fixture.Found{withHand(-60), withHand(-15, -15), withHand(-200, 20)} {
		f := mirrored(wrong)
		require.NotNil(t, f)
		assert.Equal(t, measurement.CodeScansMirrored, f.Code)
		assert.Equal(t, measurement.Doubt, f.Level)
	}
	f := mirrored(withHand(-60, 55))
	require.NotNil(t, f)
	assert.Equal(t, measurement.Notice, f.Level)
}
