package clearance

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

var volumeGrid volume.Grid

// Beside a plane only the way towards it counts: with 0.2 mm along it, on a gap
// of 0.5 mm, the interval is 0.5 ± 1.96·0.2, the margin of 0.7 mm is breached
// with probability Φ(1) = 0.8413, and the plane touched with Φ(−2.5) = 0.0062.
func TestCoverageOfANormalGap(t *testing.T) {
	rng := rand.New(rand.NewPCG(4, 4))
	draws := make([]geom.Pose, 2000)
	for i := range draws {
		x, y, z := 0.2*rng.NormFloat64(), 0.2*rng.NormFloat64(), 0.2*rng.NormFloat64()
		draws[i] = geom.Pose{Entry: geom.Vec{X: x, Y: y, Z: z}, Apex: geom.Vec{X: x, Y: y, Z: z - 10}}
	}
	s := surface(t, floor(-10.5)...)
	x, err := Distances(Nominal(4), draws, s)
	require.NoError(t, err)
	margin := 0.7
	got, err := Coverage(x, &margin)
	require.NoError(t, err)
	// Three standard errors of each: 0.2/√4000, 0.06·0.2, √(p(1−p)/2000).
	require.InDelta(t, 0.2, got.U, 0.0095)
	require.InDelta(t, 0.5-1.959964*0.2, got.Low, 0.036)
	require.InDelta(t, 0.5+1.959964*0.2, got.High, 0.036)
	require.InDelta(t, 0.8413, *got.Breached, 0.025)
	require.InDelta(t, 0.0062, got.Touched, 0.0053)

	got, err = Coverage(x, nil)
	require.NoError(t, err)
	require.Nil(t, got.Breached)
}

// Another fixture's draws go with the fixture's own: when both move together
// nothing changes.
func TestDrawsThatMoveTogether(t *testing.T) {
	a, b := make([]geom.Pose, 50), make([]geom.Pose, 50)
	for i := range a {
		x, z := math.Sin(float64(i)), math.Cos(float64(i))
		a[i] = geom.Pose{Entry: geom.Vec{X: x, Z: z}, Apex: geom.Vec{X: x, Z: z - 10}}
		b[i] = geom.Pose{Entry: geom.Vec{X: x, Y: 7, Z: z}, Apex: geom.Vec{X: x, Y: 7, Z: z - 10}}
	}
	x, err := Between(Nominal(4), a, Nominal(4), b)
	require.NoError(t, err)
	got, err := Coverage(x, nil)
	require.NoError(t, err)
	require.InDelta(t, 0, got.U, 1e-6)
	require.InDelta(t, 3, got.Low, 1e-6)
	require.Zero(t, got.Touched)
}

// The probe agrees with the full measurement at each of many places that are
// off by some 0.3 mm and two degrees, beside a sinus, in it, and at its edge.
func TestProbeAgainstTheFullMeasurement(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 1))
	s := ball(t, geom.Vec{X: 1, Z: -20}, 9, 60)
	for _, start := range []float64{2.5, 0.3, -1} {
		draws := make([]geom.Pose, 20)
		for i := range draws {
			end := func(z float64) geom.Vec {
				return geom.Vec{X: 0.3 * rng.NormFloat64(), Y: 0.3 * rng.NormFloat64(), Z: z + 0.3*rng.NormFloat64()}
			}
			draws[i] = geom.Pose{Entry: end(start), Apex: end(start - 11)}
		}
		x, err := Distances(Nominal(4), draws, s)
		require.NoError(t, err)
		for i, p := range draws {
			require.InDelta(t, Of(placed(t, Nominal(4), p), s).Distance, x[i], 0.02, "draw %d from %g", i, start)
		}
	}
}

// Draws all over the room are measured on a coarser lattice, in the same memory.
func TestProbeOfWildDraws(t *testing.T) {
	draws := []geom.Pose{{Apex: geom.Vec{Z: -10}}, {Entry: geom.Vec{X: 1000}, Apex: geom.Vec{X: 1000, Z: -10}}}
	x, err := Distances(Nominal(4), draws, ball(t, geom.Vec{Z: -20}, 5, 12))
	require.NoError(t, err)
	require.InDelta(t, 5, x[0], 0.5)
	require.InDelta(t, 993, x[1], 5)
}

func TestDrawsOfNoUse(t *testing.T) {
	_, err := Coverage([]float64{1}, nil)
	require.Error(t, err)
	_, err = Coverage([]float64{1, math.NaN(), 2}, nil)
	require.Error(t, err)
	_, err = Distances(Nominal(4), []geom.Pose{{}}, chain(t, []float64{1}, geom.Vec{}))
	require.ErrorContains(t, err, "draw 1")
}
