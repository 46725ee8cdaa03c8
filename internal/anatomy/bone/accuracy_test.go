//go:build accuracy

package bone

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
)

var ridges = flag.Int("ridges", 60, "jaws to simulate for each class of thickness")

func TestBoneAccuracy(t *testing.T) {
	const seed = 20
	for _, class := range []struct{ from, to float64 }{{0.2, 0.45}, {0.5, 1}, {1, 2.2}} {
		rng := rand.New(rand.NewPCG(seed, uint64(100*class.from)))
		var off, z []float64
		seen, resolved, covered := 0, 0, 0
		gross, perforations, found, intact, imagined, missing, badHigh := 0, 0, 0, 0, 0, 0, 0
		why := map[Why]int{}
		for range *ridges {
			r, b, own := randomRidge(rng, class.from+(class.to-class.from)*rng.Float64())
			v := r.render(r3.Scale(0.5, r3.Add(own.Entry, own.Apex)), 18)
			region, ok := tissue.Look(v, tissue.Around{Poses: []geom.Pose{b.Pose}, Radius: 15, Above: 12, Beyond: 13})
			require.True(t, ok)
			if class.from < 0.3 {
			}
			s := newReader(region, b)
			back := r.place.Inverse()
			got := Around(region, b)
			for _, w := range got.Wall {
				from := r3.Add(b.Entry, r3.Add(r3.Scale(w.Depth, s.axis), r3.Scale(b.Diameter/2, s.out[w.Direction])))
				truth := r.truth(back.Apply(from), back.Rotate(s.out[w.Direction]), -b.Diameter/2, Reach)
				if math.IsNaN(truth) {
					if w.Why == Known {
						missing++
					}
					continue
				}
				seen++
				why[w.Why]++
				if w.Why == TooThin && w.High < truth {
					badHigh++
				}
				switch {
				case truth <= -0.5:
					perforations++
					if w.Why == Known && w.Value < 0 || w.Why == TooThin && w.High < 0.0 || w.Why == NotInBone {
						found++
					}
				case truth > 0:
					intact++
					if w.Why == Known && w.Value < 0 && w.High < 0 || w.Why == NotInBone {
						imagined++
					}
				}
				if w.Why != Known {
					continue
				}
				resolved++
				e := w.Value - truth
				if math.Abs(e) > 0.5 {
					gross++
					continue
				}
				if w.Low <= truth && truth <= w.High {
					covered++
				}
				off, z = append(off, e), append(z, e/((w.High-w.Value)/1.96))
			}
		}
		m, sd := stat.MeanStdDev(off, nil)
		mz, sz := stat.MeanStdDev(z, nil)
		fmt.Printf("shell %.2f-%.2f: %d rays, %d resolved, bias %+.3f, SD %.3f, covered %.3f, z %.2f ± %.2f, gross %d, perforations %d found %d, intact %d imagined %d, no truth but value %d, bound wrong %d, %v\n", class.from, class.to, seen, resolved, m, sd,
			float64(covered)/float64(max(1, len(off))), mz, sz, gross, perforations, found, intact, imagined, missing, badHigh, why)
	}
}
