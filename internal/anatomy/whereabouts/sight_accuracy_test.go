//go:build accuracy

package whereabouts

import (
	"flag"
	"math"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

var sightSeeds = flag.Int("sights", 4, "how many phantoms of each class")

// Roots, canals and sinuses of synthetic scans: none is doubted where it lies, and of
// those moved across their course by 1, 2 and 4 mm most are. The contrasts are those
// that sight.go names.
func TestSightAccuracy(t *testing.T) {
	type count struct{ all, doubted, noticed int }
	said := map[casefile.Kind]map[float64]*count{}
	least, most, higher := map[casefile.Kind]float64{}, map[casefile.Kind]float64{}, map[casefile.Kind]float64{}
	for _, class := range []phantom.Class{phantom.Everyday, phantom.Easy, phantom.Coarse, phantom.Crowned, phantom.ToothlessRidge, phantom.Neighbour, phantom.Touching} {
		for seed := range *sightSeeds {
			s, err := phantom.Random(uint64(40_000+seed), class)
			require.NoError(t, err)
			// The follow-up scan is not looked at.
			s.Post.Width, s.Post.Height, s.Post.Voxel, s.Post.Slice, s.Post.Streaks = 20, 20, 1, 0, 0
			s.Pre.Voxel, s.Pre.Slice, s.Pre.Width = max(0.4, s.Pre.Voxel), 0, 50
			p, err := phantom.Render(s)
			require.NoError(t, err)
			f := p.Truth.Fixtures[0]
			site, err := tooth.Parse(f.Site, tooth.ISO3950)
			require.NoError(t, err)
			plan := &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950, Fixtures: []casefile.Fixture{{Site: site, Planned: f.Planned}}}
			for i, b := range p.Truth.Structures {
				kind := casefile.Kind(b.Kind)
				if kind != casefile.Root && kind != casefile.Nerve {
					continue
				}
				radius := b.Radius
				if len(radius) == 1 {
					radius = slices.Repeat(radius, len(b.Path))
				}
				body := Line(b.Path, radius)
				plan.Structures = []casefile.Structure{{Name: "it", Kind: kind}}
				j := newJudge(plan, plan, []Body{body}, p.Pre)
				truth := j.sight(kind, body)
				if !truth.probed {
					continue
				}
				if said[kind] == nil {
					said[kind] = map[float64]*count{}
					least[kind], most[kind] = math.Inf(1), math.Inf(-1)
				}
				least[kind], most[kind], higher[kind] = min(least[kind], truth.drawn), max(most[kind], truth.drawn), max(higher[kind], truth.gain)
				for _, by := range []float64{0, 1, 2, 4} {
					n := said[kind][by]
					if n == nil {
						n = &count{}
						said[kind][by] = n
					}
					sin, cos := math.Sincos(2.4 * float64(i+7*seed)) // the golden angle
					along := r3.Sub(b.Path[len(b.Path)-1], b.Path[0])
					e1, e2 := geom.Perpendicular(r3.Unit(along))
					to := moved(body, r3.Scale(by, r3.Add(r3.Scale(cos, e1), r3.Scale(sin, e2))))
					to.Radius = radius
					n.all++
					switch flags := Check(plan, plan, []Body{to}, p.Pre); {
					case len(flags) == 0:
					case flags[0].Level == "doubt":
						n.doubted++
					default:
						n.noticed++
					}
				}
			}
		}
	}
	for kind, moved := range said {
		t.Logf("%s: contrast %.2f to %.2f, at most %.2f higher elsewhere", kind, least[kind], most[kind], higher[kind])
		for _, by := range []float64{0, 1, 2, 4} {
			t.Logf("%s moved by %.0f mm: %d, %d doubted, %d noticed", kind, by, moved[by].all, moved[by].doubted, moved[by].noticed)
		}
		assert.Zero(t, moved[0].doubted, kind)
		assert.Greater(t, moved[2].doubted+moved[2].noticed, moved[2].all*8/10, kind)
	}
}
