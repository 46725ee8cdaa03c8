package dentalarch

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// inOrder is what outOfOrder says of each fixture of a case, with no scan.
func inOrder(c *casefile.Case) []string {
	var out []string
	for i, f := range c.Fixtures {
		s := site{plan: c, view: &view{neighbours: numbered(c, c.Numbering, f.Site.Jaw())}, index: i}
		code := ""
		if flag := s.outOfOrder(); flag != nil {
			code = string(flag.Code)
		}
		out = append(out, code)
	}
	return out
}

// Fixtures at their own teeth's places are in order in both jaws, in heads turned
// and leaning, with teeth some millimetres off their usual places.
func TestRightOrderIsNotDoubted(t *testing.T) {
	for _, h := range []horseshoe{lower(), {front: point{0, -30}, turn: geom.Radians(-25), curve: oval, upper: true}} {
		quadrant := tooth.Number(30)
		if h.upper {
			quadrant = 10
		}
		for place := tooth.Number(2); place <= 6; place++ {
			c := withNeighbours(h, quadrant+place, quadrant+place-1, quadrant+place+1)
			assert.Equal(t, []string{""}, inOrder(c), place)
			for _, by := range []geom.Vec{{X: 1.5, Y: 1.5}, {X: -1.5, Y: 1}, {Y: -2}} {
				d := withNeighbours(h, quadrant+place, quadrant+place-1, quadrant+place+1)
				d.Fixtures[0].Planned.Entry = r3.Add(d.Fixtures[0].Planned.Entry, by)
				assert.Equal(t, []string{""}, inOrder(d), "%d %v", place, by)
			}
		}
		assert.Equal(t, []string{"", "", ""}, inOrder(h.plan(quadrant+4, quadrant+5, quadrant+7)))
	}
	// In a tooth's own socket.
	c := withNeighbours(lower(), 36, 36, 37)
	assert.Equal(t, []string{""}, inOrder(c))
}

func TestExchangedSitesAreADoubt(t *testing.T) {
	c := lower().plan(45, 46)
	c.Fixtures[0].Site, c.Fixtures[1].Site = 46, 45
	assert.Equal(t, []string{"sites-out-of-order", "sites-out-of-order"}, inOrder(c))

	// Over a fixture: 44 and 46 exchanged about 45.
	c = lower().plan(44, 45, 46)
	c.Fixtures[0].Site, c.Fixtures[2].Site = 46, 44
	assert.Equal(t, []string{"sites-out-of-order", "sites-out-of-order", "sites-out-of-order"}, inOrder(c))

	// One fixture beyond a tooth that it should stand before.
	c = withNeighbours(lower(), 37, 36)
	c.Fixtures[0].Site = 35
	assert.Equal(t, []string{"sites-out-of-order"}, inOrder(c))
}

func TestSiteOneToothOffIsADoubt(t *testing.T) {
	// Teeth 34 and 37 stand, 35 and 36 are missing; the fixture is at 36.
	c := withNeighbours(lower(), 36, 34, 37)
	assert.Equal(t, []string{""}, inOrder(c))
	c.Fixtures[0].Site = 35
	assert.Equal(t, []string{"site-at-other-tooth"}, inOrder(c))

	// The number is that of a tooth which stands.
	c = withNeighbours(lower(), 36, 35, 37)
	c.Fixtures[0].Site = 35
	assert.Equal(t, []string{"site-at-other-tooth"}, inOrder(c))
}

// One numbered tooth beside a site tells its number by the distance: one tooth off is a
// notice, since a gap may have closed; two are a doubt.
func TestDistanceFromTheNextTooth(t *testing.T) {
	for _, h := range []horseshoe{lower(), {front: point{0, -30}, turn: geom.Radians(-25), curve: oval, upper: true}} {
		quadrant := tooth.Number(40)
		if h.upper {
			quadrant = 20
		}
		for _, x := range []struct {
			at, beside, named tooth.Number
			says              string
		}{
			{6, 5, 6, ""}, {7, 5, 7, ""}, {6, 4, 6, ""}, {6, 7, 6, ""}, {4, 3, 4, ""},
			{6, 5, 7, "plan-at-other-tooth"}, {6, 4, 5, "plan-at-other-tooth"}, {6, 7, 5, "plan-at-other-tooth"},
			{6, 5, 8, "site-at-other-tooth"}, {4, 3, 6, "site-at-other-tooth"},
			{7, 3, 4, ""}, // a tooth so far away tells nothing
		} {
			c := withNeighbours(h, quadrant+x.at, quadrant+x.beside)
			c.Fixtures[0].Site = quadrant + x.named
			assert.Equal(t, []string{x.says}, inOrder(c), "%v", x)
		}
	}
}

// Phantoms of every class, with the roots beside the fixture numbered, are in order;
// with a site renamed to the tooth beside it, the roots tell it.
func TestPhantomsAreInOrder(t *testing.T) {
	renamed, told := 0, 0
	for _, class := range phantom.Classes {
		for seed := uint64(1); seed <= 5; seed++ {
			s, err := phantom.Random(seed, class)
			require.NoError(t, err)
			truth, err := phantom.TruthOf(s)
			require.NoError(t, err)
			c := &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950}
			for _, f := range truth.Fixtures {
				n, err := tooth.Parse(f.Site, tooth.ISO3950)
				require.NoError(t, err)
				c.Fixtures = append(c.Fixtures, casefile.Fixture{Site: n, Planned: f.Planned})
			}
			for _, b := range truth.Structures {
				if b.Kind == "root" {
					c.Structures = append(c.Structures, casefile.Structure{Name: b.Name, Kind: casefile.Root, Path: b.Path})
				}
			}
			for _, code := range inOrder(c) {
				assert.Empty(t, code, "%s %d", class, seed)
			}
			if p := c.Fixtures[0].Site.Place(); len(c.Structures) > 2 && p > 1 && p < 7 {
				c.Fixtures[0].Site++
				renamed++
				if inOrder(c)[0] != "" {
					told++
				}
			}
		}
	}
	assert.Greater(t, renamed, 20)
	assert.Greater(t, told, renamed*9/10, "of %d", renamed)
}
