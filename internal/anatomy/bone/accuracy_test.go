//go:build accuracy

package bone

import (
	"flag"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/stat"
)

var ridges = flag.Int("ridges", 40, "jaws to simulate for each class of thickness")

// The truth is the ridge's own. Plates of a millimetre and more, of half to one, and of less,
// which must not pass for resolved; the intervals are 95 % ones.
func TestBoneAccuracy(t *testing.T) {
	for _, class := range []struct {
		from, to       float64 // of the cortex, mm
		bias, sd       float64 // allowed, mm
		least, most    float64 // share that is resolved
		covers, coverA float64 // bounds of the coverage
	}{
		{0.2, 0.45, math.Inf(1), math.Inf(1), 0, 0.1, 0, 1},
		{0.5, 1, 0.1, 0.25, 0.4, 1, 0.92, 1},
		{1, 2.2, 0.05, 0.15, 0.9, 1, 0.92, 0.99},
	} {
		rng := rand.New(rand.NewPCG(20, uint64(100*class.from)))
		var off []float64
		var all, covered, gross, perforated, found, intact, imagined, bounds, wrong float64
		for range *ridges {
			for _, o := range readRidge(t, rng, class.from+(class.to-class.from)*rng.Float64()) {
				all++
				surely := o.wall.Why == NotInBone || o.wall.High < 0
				switch {
				case o.truth <= -0.5:
					perforated++
					if surely {
						found++
					}
				case o.truth > 0:
					intact++
					if surely {
						imagined++
					}
				}
				if o.wall.Why == TooThin {
					bounds++
					if o.wall.High < o.truth {
						wrong++
					}
				}
				if o.wall.Why != Known {
					continue
				}
				e := o.wall.Value - o.truth
				if math.Abs(e) > 0.5 {
					gross++
					continue
				}
				if o.wall.Low <= o.truth && o.truth <= o.wall.High {
					covered++
				}
				off = append(off, e)
			}
		}
		n := float64(len(off))
		mean, sd := stat.MeanStdDev(off, nil)
		t.Logf("cortex %.2f to %.2f mm: %.0f of %.0f rays resolved, bias %+.3f, SD %.3f mm, %.1f %% covered, %.0f off by more than 0.5 mm; %.0f of %.0f perforations found, %.0f of %.0f imagined; %.0f of %.0f bounds wrong",
			class.from, class.to, n, all, mean, sd, 100*covered/n, gross, found, perforated, imagined, intact, wrong, bounds)
		assert.GreaterOrEqual(t, n, class.least*all)
		assert.LessOrEqual(t, n, class.most*all)
		assert.LessOrEqual(t, gross, 0.01*all)
		assert.LessOrEqual(t, imagined, 0.02*intact)
		assert.GreaterOrEqual(t, found, 0.95*perforated)
		assert.LessOrEqual(t, wrong, 0.05*bounds)
		if n > 0.1*all {
			assert.InDelta(t, 0, mean, class.bias)
			assert.LessOrEqual(t, sd, class.sd)
			assert.GreaterOrEqual(t, covered, class.covers*n)
			assert.LessOrEqual(t, covered, class.coverA*n)
		}
	}
}
