package clearance

import (
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
)

// A draw of an uncertain length may be shorter than the rounding leaves a body: the
// fixture's end is then nearer by what the length lacks.
func TestDrawsOfAnUncertainLength(t *testing.T) {
	place := func(length float64) geom.Pose {
		return geom.Pose{Entry: geom.Vec{Z: 20 - length}, Apex: geom.Vec{Z: 20}}
	}
	all, err := placeAll(Nominal(4.1), []geom.Pose{place(10), place(1.6), place(0.4)})
	require.NoError(t, err)
	for i := range all {
		require.InDelta(t, 3, all[i].SignedDistance(geom.Vec{Z: 23}), 1e-9)
	}
}
