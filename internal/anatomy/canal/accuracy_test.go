//go:build accuracy

package canal

import (
	"flag"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

var canals = flag.Int("canals", 40, "canals to simulate of each kind")

// The truth is the body's own: how far the line lies from the canal's middle, in how many
// bodies it leaves it by more than half a millimetre, and how often the canal's surface
// towards one side lies within its interval. Where there is no wall, or no canal, it is
// bridged or refused.
func TestCanalAccuracy(t *testing.T) {
	for _, kind := range []struct {
		name          string
		change        func(*body)
		found, strays float64 // least share found, most share that strays
	}{
		{"corticated", func(*body) {}, 0.9, 0.05},
		{"a faint wall", func(b *body) { b.cover = 0.3 }, 0, 0.05},
		{"a third of the wall missing", func(b *body) { b.open = 0.33 }, 0, 0.05},
		{"no wall", func(b *body) { b.cover = 0 }, 0, 0.1},
		{"neither wall nor nerve over 5 mm", func(b *body) { b.bare = [2]float64{-2.5, 2.5} }, 0, 0.1},
		{"no canal", func(b *body) { b.bare = [2]float64{-99, 99} }, 0, 0.05},
	} {
		t.Run(kind.name, func(t *testing.T) {
			rng := rand.New(rand.NewPCG(21, 1))
			var off, radius []float64
			var found, strays, covered, bridged, length float64
			refused := map[string]int{}
			for range *canals {
				b := randomBody(rng)
				kind.change(&b)
				l, err := Find(b.render(), b.ends(rng, 0.4))
				if err != nil {
					refused[err.Error()]++
					continue
				}
				found++
				all, without := l.Length()
				length, bridged = length+all, bridged+without
				most := 0.0
				for i, p := range l.Points {
					d := b.off(p)
					most = max(most, r3.Norm(d)-1.96*max(0, l.U[i]-sectionU)) // a bridge says how unsure it is
					off, radius = append(off, r3.Norm(d)), append(radius, l.Radius[i]-b.radius)
					if math.Abs(d.X+l.Radius[i]-b.radius) <= 1.96*l.U[i] {
						covered++
					}
				}
				if most > 0.5 {
					strays++
				}
			}
			n := float64(len(off))
			slices.Sort(off)
			slices.Sort(radius)
			at := func(list []float64, share float64) float64 {
				if len(list) == 0 {
					return math.NaN()
				}
				return list[int(share*float64(len(list)-1))]
			}
			t.Logf("%.0f of %d found, %.0f of %.0f mm bridged, %.0f stray; off by %.2f (median), %.2f (95 %%), %.2f mm (most); radius by %+.2f (%+.2f to %+.2f); %.1f %% of %.0f within their intervals; refused: %v",
				found, *canals, bridged, length, strays, at(off, 0.5), at(off, 0.95), at(off, 1), at(radius, 0.5), at(radius, 0.025), at(radius, 0.975), 100*covered/n, n, refused)
			assert.GreaterOrEqual(t, found, kind.found*float64(*canals))
			assert.LessOrEqual(t, strays, kind.strays*float64(*canals))
			if kind.found > 0 {
				assert.LessOrEqual(t, at(off, 0.95), 0.5)
				assert.GreaterOrEqual(t, covered, 0.9*n)
			}
		})
	}
}

// randomBody draws a body of a jaw.
func randomBody(rng *rand.Rand) body {
	uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	b := body{
		half: uniform(4.5, 7), below: uniform(4, 9),
		sway: [2]float64{uniform(0.3, 1.8), uniform(0.3, 2.5)}, wave: [2]float64{uniform(40, 70), uniform(40, 70)},
		phase: [2]float64{uniform(0, 6), uniform(0, 6)}, rise: uniform(-0.15, 0.15),
		radius: uniform(1, 1.7), wall: uniform(0.3, 0.7), cover: 1,
		voxel: uniform(0.2, 0.4), noise: uniform(20, 100),
		marrow: uniform(150, 350), nerve: uniform(-20, 120), struts: uniform(40, 120), seed: rng.Uint64(),
	}
	b.blur = b.voxel * uniform(0.85, 1.2)
	b.place = geom.Rotation(geom.Vec{X: uniform(-0.15, 0.15), Y: uniform(-3, 3), Z: uniform(-0.15, 0.15)})
	for range 12 {
		v := ball{centre: geom.Vec{X: uniform(-4, 4), Y: uniform(-16, 16), Z: uniform(-4, 10)}, radius: uniform(0.6, 1.6), grey: uniform(-100, 1000)}
		if d := r3.Norm(r3.Sub(v.centre, b.at(b.nearest(v.centre)))); d > v.radius+b.radius+b.wall {
			b.voids = append(b.voids, v)
		}
	}
	return b
}
