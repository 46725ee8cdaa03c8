//go:build accuracy

package cavity

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
)

var sinuses = flag.Int("sinuses", 40, "sinuses to simulate")

// The truth is the sphere's: how far its wall lies from the apex, where it was found, and how
// often that is near enough and within its own interval. Mucosa is thick enough to be seen
// apart, or not; the floor has a cortex, or none. Every fifth is full of fluid.
func TestFloorAccuracy(t *testing.T) {
	for _, class := range []struct {
		from, to   float64 // mucosa, mm
		thin, most float64 // floor, mm
		near       float64
	}{
		{1.5, 5, 0.1, 1, 0.2},
		{0.2, 1.5, 0.1, 1, 0.2},
		{0.2, 5, 0, 0, 0.5},
	} {
		rng := rand.New(rand.NewPCG(25, 1))
		uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
		var off []float64
		var near, covered, seen, full, imagined float64
		for n := range *sinuses {
			s := sinus{radius: uniform(8, 10), mucosa: uniform(class.from, class.to), floor: uniform(class.thin, class.most), filled: n%5 == 4,
				voxel: uniform(0.2, 0.3), noise: uniform(20, 80), marrow: uniform(180, 350), soft: uniform(-60, 20), struts: uniform(40, 100), seed: rng.Uint64()}
			s.blur = s.voxel * uniform(0.85, 1.2)
			s.centre = geom.Vec{X: uniform(-1.5, 1.5), Y: uniform(-3, 3), Z: 10.5 + uniform(0, 4) + s.radius}
			found := find(t, s, upright, 25)
			if s.filled {
				full++
				imagined += float64(len(found))
				continue
			}
			seen++
			if len(found) == 0 {
				continue
			}
			wall, err := clearance.NewSurface(found[0].Wall, false)
			require.NoError(t, err)
			envelope, err := clearance.Nominal(4).Place(upright)
			require.NoError(t, err)
			c := clearance.Of(envelope, wall)
			u := found[0].UAt(c.OnStructure)
			if math.IsInf(u, 1) {
				continue
			}
			e := r3.Norm(r3.Sub(c.OnStructure, s.centre)) - s.radius // + = found too near
			off = append(off, e)
			if math.Abs(e) <= class.near {
				near++
			}
			if math.Abs(e) <= 1.96*u {
				covered++
			}
		}
		n := float64(len(off))
		mean, sd := stat.MeanStdDev(off, nil)
		t.Logf("mucosa of %.1f to %.1f mm, floor of %.1f to %.1f: %.0f of %.0f found, bias %+.3f, SD %.3f mm, %.1f %% within %.1f mm, %.1f %% within their intervals; %.0f of %.0f without air imagined",
			class.from, class.to, class.thin, class.most, n, seen, mean, sd, 100*near/n, class.near, 100*covered/n, imagined, full)
		assert.GreaterOrEqual(t, n, 0.9*seen)
		assert.GreaterOrEqual(t, near, 0.95*n)
		assert.GreaterOrEqual(t, covered, 0.9*n)
		assert.Zero(t, imagined)
	}
}
