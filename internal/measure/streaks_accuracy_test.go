//go:build accuracy

package measure

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/anatomy/bone"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/volume"
)

var (
	streakedSites = flag.Int("streaked-sites", 18, "sites with metal to simulate, its artefact slice by slice")
	streakedCones = flag.Int("streaked-cones", 3, "the same in a cone beam, each some minutes")
)

// The truth about streaks is the same scan without the metal: what is read in slices with
// metal is what is read there without it, within the interval's half width, and what cannot be
// read is left out.
func TestStreakAccuracy(t *testing.T) {
	for name, render := range map[string]struct {
		sites int
		make  func(phantom.Spec) (*volume.Volume, *phantom.Truth, error)
	}{
		"slice by slice": {*streakedSites, func(s phantom.Spec) (*volume.Volume, *phantom.Truth, error) { return phantom.RenderPost(s, 200) }},
		"in a cone beam": {*streakedCones, func(s phantom.Spec) (*volume.Volume, *phantom.Truth, error) { return phantom.ConeBeam(s, 60) }},
	} {
		t.Run(name, func(t *testing.T) {
			var all, answered, figures, tenth, gross, held float64
			for n := range render.sites {
				spec := metalBeside(n)
				with, bodyWith, ok := readStreaked(t, spec, render.make)
				without, _, also := readStreaked(t, withoutMetal(spec), render.make)
				if !ok || !also {
					continue
				}
				require.Equal(t, len(with.Wall), len(without.Wall))
				compare := func(streaked bool, a, b bone.Distance) {
					if !streaked {
						return
					}
					all++
					if a.Why == bone.NearMetal {
						return
					}
					answered++
					if a.Why != bone.Known {
						return
					}
					figures++
					e := math.Abs(a.Value - b.Value)
					if !(e <= 0.1) || b.Why != bone.Known {
						tenth++
					}
					if !(e <= 0.5) || b.Why != bone.Known {
						gross++
					}
					if e <= (a.High-a.Low)/2 {
						held++
					}
				}
				for i, w := range with.Wall {
					compare(bodyWith.region.Streaked(w.From), w.Distance, without.Wall[i].Distance)
				}
				for i, c := range with.Crest {
					compare(bodyWith.region.Streaked(bodyWith.Entry), c.Distance, without.Crest[i].Distance)
				}
			}
			t.Logf("%.0f of %.0f places in slices with metal are read, %.0f of them to a figure: %.0f off by more than 0.1 mm, %.0f by more than 0.5 mm, %.0f within the interval",
				answered, all, figures, tenth, gross, held)
			assert.GreaterOrEqual(t, answered, 0.2*all)
			assert.LessOrEqual(t, tenth, 0.02*figures)
			assert.Zero(t, gross)
			assert.GreaterOrEqual(t, held, 0.98*figures)
		})
	}
}

// streakedBody is what was read of, in its scan.
type streakedBody struct {
	bone.Body
	region *tissue.Region
}

// readStreaked reads the bone around the first fixture's plan, as the follow-up scan shows it
// without that fixture; ok is false where the site is not read at all.
func readStreaked(t *testing.T, s phantom.Spec, render func(phantom.Spec) (*volume.Volume, *phantom.Truth, error)) (bone.Surroundings, streakedBody, bool) {
	t.Helper()
	v, truth, err := render(s)
	require.NoError(t, err)
	back, f := truth.PostToPre.Inverse(), truth.Fixtures[0]
	b := streakedBody{Body: bone.Body{Pose: back.ApplyPose(f.Planned), Diameter: f.Diameter, Mesial: back.Rotate(f.Mesial), Buccal: back.Rotate(f.Buccal)}}
	var ok bool
	b.region, ok = tissue.Look(v, around(b.Pose))
	if !ok || b.region.Leaks() > 0 {
		return bone.Surroundings{}, b, false
	}
	return bone.Around(b.region, b.Body), b, true
}

// withoutMetal is the same scan without any metal.
func withoutMetal(s phantom.Spec) phantom.Spec {
	s.FarCrown, s.NewCrown = "", ""
	s.Fixtures = append([]phantom.Fixture{}, s.Fixtures...)
	for i := range s.Fixtures {
		s.Fixtures[i].Missing = true
	}
	return s
}

// metalBeside draws a site with metal in the same jaw: crowns anywhere, crowns beside the site,
// or fixtures that stand already, in a head so turned that their slices run through the bone.
func metalBeside(n int) phantom.Spec {
	rng := rand.New(rand.NewPCG(77, uint64(n)))
	uniform := func(a, b float64) float64 { return a + (b-a)*rng.Float64() }
	site := []string{"45", "36", "46", "35", "44", "37", "25", "16", "14", "26", "47", "34"}[rng.IntN(12)]
	s := phantom.Usual(site)
	s.Seed = uint64(1000 + n)
	f := &s.Fixtures[0]
	f.Missing, f.Entry, f.Tilt = true, [3]float64{}, [2]float64{}
	f.Diameter, f.Lean, f.Sink = uniform(3.3, 5), [2]float64{uniform(-5, 5), uniform(-8, 8)}, uniform(-0.3, 1.5)
	number, other := int(site[1]-'0'), map[byte]byte{'1': '2', '2': '1', '3': '4', '4': '3'}[site[0]]
	beside := func(k int) string { return fmt.Sprintf("%c%d", site[0], k) }
	turn := geom.Vec{X: uniform(-25, 25), Y: uniform(-20, 20), Z: uniform(-5, 5)}
	switch n % 3 {
	case 0:
		s.FarCrown = fmt.Sprintf("%c%d", other, 4+rng.IntN(4))
		s.NewCrown = fmt.Sprintf("%c%d", other, 1+rng.IntN(3))
	case 1:
		s.FarCrown = beside(number - 1)
		if number < 7 {
			s.NewCrown = beside(number + 1)
		}
	default:
		g := phantom.UsualFixture(fmt.Sprintf("%c%d", other, number))
		if n%2 == 0 {
			g.Site = beside(number - 1)
		}
		g.Cap, g.CapHeight = phantom.Healing, 3
		s.Fixtures = append(s.Fixtures, g)
		turn = geom.Vec{X: uniform(-8, 8), Y: uniform(-8, 8)}
	}
	p := &s.Post
	p.Voxel, p.Width, p.Height = []float64{0.3, 0.4}[rng.IntN(2)], uniform(58, 68), 44
	p.Blur = uniform(0.9, 1.4)*p.Voxel + 0.1
	p.Streaks, p.Noise = uniform(0.7, 2.5), uniform(30, 75)
	p.Gain, p.Offset, p.Turn = uniform(0.9, 1.1), uniform(-100, 100), turn
	return s
}
