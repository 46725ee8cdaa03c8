//go:build accuracy

package bone

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/geom"
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
		{0.2, 0.45, math.Inf(1), math.Inf(1), 0, 0.02, 0, 1},
		{0.5, 1, 0.1, 0.25, 0.4, 1, 0.92, 0.99},
		{1, 2.2, 0.05, 0.15, 0.9, 1, 0.92, 0.99},
	} {
		t.Run(fmt.Sprintf("%.2f to %.2f mm", class.from, class.to), func(t *testing.T) {
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
			t.Logf("%.0f of %.0f rays resolved, bias %+.3f, SD %.3f mm, %.1f %% covered, %.0f off by more than 0.5 mm; %.0f of %.0f perforations found, %.0f of %.0f imagined; %.0f of %.0f bounds wrong",
				n, all, mean, sd, 100*covered/n, gross, found, perforated, imagined, intact, wrong, bounds)
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
		})
	}
}

// observed is one reading beside its truth.
type observed struct {
	wall  Wall
	truth float64
}

// readRidge renders a random ridge and reads the bone in it; directions along the ridge,
// where no surface is within reach, are left out.
func readRidge(t *testing.T, rng *rand.Rand, shell float64) (out []observed) {
	t.Helper()
	r, b, own := randomRidge(rng, shell)
	region := look(t, r, b, own)
	back := r.place.Inverse()
	for _, w := range Around(region, b).Wall {
		const beside = 1.5 // what is found near the ends of the search may lie beyond them
		truth := r.truth(back.Apply(w.From), back.Rotate(w.Along), -b.Diameter/2-beside, Reach+beside)
		if math.IsNaN(truth) {
			require.NotEqual(t, Known, w.Why, "no surface is there")
			continue
		}
		out = append(out, observed{w, truth})
	}
	return out
}

// randomRidge draws a jaw, a scan and a fixture in it.
func randomRidge(rng *rand.Rand, shell float64) (ridge, Body, geom.Pose) {
	uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	r := ridge{
		crest: uniform(2.8, 4.2), base: uniform(4, 6), deep: uniform(16, 22), shell: shell,
		voxel: uniform(0.2, 0.3), noise: uniform(20, 100), struts: uniform(40, 120),
		cortex: uniform(1200, 1700), soft: uniform(-120, 80), seed: rng.Uint64(),
	}
	r.blur = r.voxel * uniform(0.85, 1.2)
	r.place = geom.Rotation(geom.Vec{X: uniform(-0.3, 0.3), Y: uniform(-0.3, 0.3), Z: uniform(-3, 3)})
	r.place.T = geom.Vec{X: uniform(-20, 20), Y: uniform(-20, 20), Z: uniform(-20, 20)}
	entry := geom.Vec{X: uniform(-1.2, 1.2), Z: uniform(-1.2, 0.2)}
	if rng.IntN(2) == 0 { // too far to buccal
		entry.X += 2
	}
	length := uniform(8, 12)
	axis := r3.Unit(geom.Vec{X: uniform(-0.2, 0.2), Y: uniform(-0.1, 0.1), Z: -1})
	own := geom.Pose{Entry: entry, Apex: r3.Add(entry, r3.Scale(length, axis))}
	b := Body{Pose: r.place.ApplyPose(own), Diameter: uniform(3.3, 4.8),
		Mesial: r.place.Rotate(geom.Vec{Y: 1}), Buccal: r.place.Rotate(geom.Vec{X: 1})}
	return r, b, own
}
