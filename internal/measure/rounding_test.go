package measure

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/geom"
	"plumbline/internal/geom/geomtest"
)

// Source: JCGM 100:2008, F.2.2.1: rounding to steps of h leaves a standard
// uncertainty of h/√12. Checked by rounding many values as well.
func TestRoundingOfThePlan(t *testing.T) {
	pose := func(x ...float64) geom.Pose {
		return geom.Pose{Entry: geom.Vec{X: x[0], Y: x[1], Z: x[2]}, Apex: geom.Vec{X: x[3], Y: x[4], Z: x[5]}}
	}
	for name, c := range map[string]struct {
		p geom.Pose
		h float64
	}{
		"two decimals":       {pose(-24.10, 11.32, 8.05, -24.62, 12.01, -1.91), 0.01},
		"one, zeros dropped": {pose(-24, 11, 8, -24.6, 12, -2), 0.1},
		"whole":              {pose(1, 2, 3, 4, 5, 6), 1},
		"fifteen":            {pose(1, 2, 3, 4, 5, 1.0/3), 1e-16},
	} {
		cov := rounding(c.p)
		for i := range 6 {
			for j := range 6 {
				want := 0.0
				if i == j {
					want = c.h * c.h / 12
				}
				assert.InDelta(t, want, cov.At(i, j), want*1e-9, name)
			}
		}
	}
	random := rand.New(rand.NewPCG(1, 1))
	const n = 20000
	sample := geomtest.Covariance(n, func() geom.Pose {
		var off [6]float64
		for i := range off {
			x := 40 * random.Float64()
			off[i] = math.Round(x*10)/10 - x
		}
		return pose(off[:]...)
	})
	geomtest.RequireLikeSample(t, rounding(pose(0.1, 0, 0, 0, 0, 0)), sample, n)
}
