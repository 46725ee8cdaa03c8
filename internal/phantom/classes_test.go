package phantom

import (
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/volume"
)

// view is a rendered part of one scan with grey values before gain and offset,
// to be asked at places of the jaw's frame.
type view struct {
	t      *testing.T
	c      Scan
	toScan geom.Rigid
	*volume.Field
}

// at is the grey value at a place of the jaw.
func (v *view) at(p geom.Vec) float64 {
	g := v.Sample(v.toScan.Apply(p))
	require.False(v.t, math.IsNaN(g), "outside the rendered part")
	return (g - v.c.Offset) / v.c.Gain
}

// see renders what lies within radius mm of a place of the jaw.
func see(t *testing.T, sc *scene, plans []frame, post bool, radius float64, places ...geom.Vec) *view {
	c := sc.spec.Pre
	if post {
		c = sc.spec.Post
	}
	v := &view{t: t, c: c, toScan: jawToScan(c)}
	grid := sc.scanGrid(c, plans)
	var points []geom.Vec
	for _, p := range places {
		points = append(points, v.toScan.Apply(p))
		require.True(t, grid.Contains(v.toScan.Apply(p)))
	}
	lo, hi := grid.Box(radius, points...)
	part := sc.render(c, grid, post, lo, hi)
	v.Field = part.Region([3]int{}, part.Size)
	return v
}

// onFixture is a place in a fixture's own frame: x mesial, z apical.
func (sc *scene) onFixture(plans []frame, i int, x, z float64) geom.Vec {
	at := achievedFrame(plans[i], sc.spec.Fixtures[i])
	return at.toJaw(geom.Vec{X: x, Z: z})
}

// Where grey values part: titanium's lie above 6000, cobalt-chromium's above
// 12000, enamel's at 2900; noise has a standard deviation of 110 at most.
const (
	titaniumFrom = 6000
	castFrom     = 12000
	noMetalTo    = 4000
)

func TestEachClassShowsWhatItsNameSays(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	require.Len(t, Classes, 12)
	for _, class := range Classes {
		t.Run(string(class), func(t *testing.T) {
			s, err := Random(3, class)
			require.NoError(t, err)
			s.Pre.Streaks, s.Post.Streaks = 0, 0
			sc, plans, err := newScene(s)
			require.NoError(t, err)
			sc.addAnatomy()
			f := s.Fixtures[0]
			wall := f.Diameter/2 - 0.35
			places := []geom.Vec{}
			for i := range s.Fixtures {
				places = append(places, sc.onFixture(plans, i, 0, -1), sc.onFixture(plans, i, 0, s.Fixtures[i].Length))
			}
			v := see(t, sc, plans, true, 2.5, places...)
			solid := float64(titaniumFrom)
			if s.Post.Clip12 {
				solid = (greyTop12-s.Post.Offset)/s.Post.Gain - 1
			}
			require.Greater(t, v.at(sc.onFixture(plans, 0, 0, 0.8*f.Length)), solid, "solid below the bore")

			switch class {
			case Easy:
				require.Equal(t, NoCap, f.Cap)
				require.LessOrEqual(t, s.Post.Noise, 25.0)
				require.Less(t, v.at(sc.onFixture(plans, 0, 0, -1)), float64(noMetalTo))
				require.Less(t, v.at(sc.onFixture(plans, 0, wall, -1)), float64(noMetalTo))
			case Everyday:
				require.Contains(t, []float64{0.2, 0.25, 0.3}, s.Post.Voxel)
			case Covered:
				require.NotEqual(t, NoCap, f.Cap)
				require.Greater(t, v.at(sc.onFixture(plans, 0, wall-0.2, -f.CapHeight/2)), 0.6*titaniumFrom)
			case Touching:
				require.NotEqual(t, NoTouch, s.Touch)
				// 0.6 mm into the foreign metal, past the point of contact.
				x, z := f.Diameter/2+0.6, 0.5
				if s.Touch == TouchPost {
					z = 0.55 * f.Length
				}
				if f.Site[1] == '1' {
					x = -x
				}
				require.Greater(t, v.at(sc.onFixture(plans, 0, x, z)), float64(castFrom))
				require.Less(t, v.at(sc.onFixture(plans, 0, -x, z)), float64(noMetalTo))
			case Neighbour:
				require.Len(t, s.Fixtures, 2)
				require.Greater(t, v.at(sc.onFixture(plans, 1, 0, 0.8*s.Fixtures[1].Length)), float64(titaniumFrom))
				truth := sc.truth(plans)
				last := truth.Fixtures[0].Clearance[len(truth.Fixtures[0].Clearance)-1]
				require.InDelta(t, s.Fixtures[1].Gap, last.CylinderPlanned, 1e-3)
				require.True(t, last.CylinderPlanned >= 1.7 && last.CylinderPlanned <= 2.5)
				a, b := sc.onFixture(plans, 0, 0, 3), sc.onFixture(plans, 1, 0, 3)
				u := (f.Diameter/2 + last.CylinderPlanned/2) / r3.Norm(r3.Sub(b, a))
				require.Less(t, v.at(r3.Add(a, r3.Scale(u, r3.Sub(b, a)))), float64(titaniumFrom), "a gap between them")
			case Saturated:
				top := 0
				for _, g := range v.Grey {
					require.LessOrEqual(t, g, float32(greyTop12))
					if g == greyTop12 {
						top++
					}
				}
				require.Greater(t, float64(top)*math.Pow(s.Post.Voxel, 3), 0.5*math.Pi*wall*wall*f.Length, "most of the metal")
			case Coarse:
				require.Equal(t, [3]float64{0.4, 0.4, 0.4}, v.Spacing())
			case Fine:
				require.InDeltaSlice(t, []float64{0.15, 0.15, 0.15}, spacing(v.Grid), 1e-12)
				require.GreaterOrEqual(t, s.Post.Noise, 60.0)
			case SmallField:
				require.LessOrEqual(t, s.Post.Width, 50.0)
				grid := sc.scanGrid(s.Post, plans)
				for _, p := range places {
					q := r3.Sub(v.toScan.Apply(p), grid.Centre())
					require.Less(t, math.Hypot(q.X, q.Y), s.Post.Width/2-5, "the fixture is well inside")
				}
			case ToothlessRidge:
				require.Empty(t, sc.own.teeth)
				beside := sc.own.shapes[besides(f.Site)]
				crown := beside.toJaw(geom.Vec{Z: -beside.height / 2})
				require.Less(t, see(t, sc, plans, false, 1.5, crown).at(crown), 600.0, "no crown where a tooth would be")
			case Moved:
				still := s
				still.Post.Motion = 0
				was, _, err := newScene(still)
				require.NoError(t, err)
				was.addAnatomy()
				require.Less(t, steepest(v), 0.93*steepest(see(t, was, plans, true, 2.5, places...)), "edges are drawn out")
			case Crowned:
				require.NotEmpty(t, s.FarCrown)
				tooth := sc.own.shapes[s.FarCrown]
				side := tooth.toJaw(geom.Vec{X: tooth.md/2 - 0.55, Z: -tooth.height / 2})
				for _, post := range []bool{false, true} {
					require.Greater(t, see(t, sc, plans, post, 1.5, side).at(side), float64(castFrom), "post %v", post)
				}
			}
			if class != ToothlessRidge {
				require.NotEmpty(t, sc.own.teeth)
			}
		})
	}
}

func spacing(g volume.Grid) []float64 { s := g.Spacing(); return s[:] }

// besides is a site next to another one, away from the midline unless it is the
// last.
func besides(site string) string {
	if site[1] >= '7' {
		return site[:1] + string(site[1]-1)
	}
	return site[:1] + string(site[1]+1)
}

// steepest is the mean square of grey steps between neighbours along columns:
// metal's edges outweigh everything else.
func steepest(v *view) float64 {
	sum := 0.0
	for i := 1; i < len(v.Grey); i++ {
		if i%v.Size[0] != 0 {
			d := float64(v.Grey[i] - v.Grey[i-1])
			sum += d * d
		}
	}
	return sum
}

// Metal far off darkens and brightens the fixture's surroundings.
func TestStreaksOfAFarCrownCrossTheFixture(t *testing.T) {
	s := small("36")
	s.FarCrown = "34"
	s.Post.Noise, s.Post.Voxel = 0, 0.6
	with, _, err := RenderPost(s, 4)
	require.NoError(t, err)
	s.FarCrown, s.NewCrown = "", ""
	without, _, err := RenderPost(s, 4)
	require.NoError(t, err)
	s.Post.Streaks = 0
	none, _, err := RenderPost(s, 4)
	require.NoError(t, err)
	rms := func(a, b *volume.Volume) float64 {
		square := 0.0
		for i := range a.Stored {
			d := float64(a.Stored[i]) - float64(b.Stored[i])
			square += d * d
		}
		return math.Sqrt(square / float64(len(a.Stored)))
	}
	require.Greater(t, rms(with, without), 50.0)
	require.Greater(t, rms(without, none), 50.0, "the fixture's own")
}

func TestWhatChangesBetweenTheScans(t *testing.T) {
	base := small("46")
	base.Pre.Noise, base.Post.Noise, base.Pre.Streaks, base.Post.Streaks = 0, 0, 0, 0
	scenes := func(change func(*Spec)) (*scene, []frame) {
		s := base
		s.Fixtures = append([]Fixture(nil), base.Fixtures...)
		change(&s)
		sc, plans, err := newScene(s)
		require.NoError(t, err)
		sc.addAnatomy()
		return sc, plans
	}

	sc, plans := scenes(func(s *Spec) { s.Before, s.Fixtures[0].Missing = Tooth, true })
	crown := sc.own.shapes["46"].toJaw(geom.Vec{X: 3, Z: -4})
	require.Greater(t, see(t, sc, plans, false, 2, crown).at(crown), 1200.0, "a tooth before")
	require.Less(t, see(t, sc, plans, true, 2, crown).at(crown), 300.0, "and none after")
	core := sc.onFixture(plans, 0, 0, 8)
	require.Less(t, see(t, sc, plans, true, 2, core).at(core), float64(noMetalTo), "nor the missing fixture")
	truth := sc.truth(plans)
	require.Nil(t, truth.Fixtures[0].Deviation)
	for _, c := range truth.Fixtures[0].Clearance {
		require.Nil(t, c.Achieved)
		require.Nil(t, c.CylinderAchieved)
	}

	sc, plans = scenes(func(s *Spec) { s.Before = Socket })
	root := sc.own.shapes["46"].roots[0]
	inside := r3.Add(root.a, r3.Scale(0.6, r3.Sub(root.b, root.a)))
	require.Less(t, see(t, sc, plans, false, 2, inside).at(inside), 400.0, "an empty socket")

	sc, plans = scenes(func(s *Spec) { s.Graft = true })
	var largest granule
	for _, g := range sc.own.granule {
		if g.radius > largest.radius {
			largest = g
		}
	}
	before, after := see(t, sc, plans, false, 2, largest.centre), see(t, sc, plans, true, 2, largest.centre)
	require.Greater(t, after.at(largest.centre), before.at(largest.centre)+150, "granules after only")

	sc, plans = scenes(func(s *Spec) { s.NewCrown = "45" })
	tooth := sc.own.shapes["45"]
	side := tooth.toJaw(geom.Vec{X: tooth.md/2 - 0.55, Z: -tooth.height / 2})
	require.Less(t, see(t, sc, plans, false, 2, side).at(side), float64(noMetalTo))
	require.Greater(t, see(t, sc, plans, true, 2, side).at(side), float64(castFrom))
}

func TestEveryDrawnCaseIsSound(t *testing.T) {
	names := map[string]bool{}
	for _, class := range Classes {
		for seed := range uint64(300) {
			s, err := Random(seed, class)
			require.NoError(t, err)
			require.NoError(t, s.Check(), "%s %d", class, seed)
			again, err := Random(seed, class)
			require.NoError(t, err)
			require.Equal(t, s, again)
			require.False(t, names[s.Case], s.Case)
			names[s.Case] = true
		}
	}
	_, err := Random(1, "strange")
	require.ErrorContains(t, err, `class "strange": expected one of [easy usual`)
}

func TestASpecThatCannotBeIsRefused(t *testing.T) {
	for _, c := range []struct {
		change func(*Spec)
		want   string
	}{
		{func(s *Spec) { s.Fixtures = nil }, "fixtures: there are none, expected at least one"},
		{func(s *Spec) { s.Fixtures[0].Site = "49" }, `fixture 1: site "49": expected a tooth from 11 to 48 (ISO 3950)`},
		{func(s *Spec) { s.Fixtures = append(s.Fixtures, UsualFixture("16")) }, "fixture 2: site 16 is in the other jaw than site 46; a case has one jaw"},
		{func(s *Spec) { s.Fixtures = append(s.Fixtures, UsualFixture("46")) }, "fixture 2: site 46 is also the site of fixture 1; each site can have one"},
		{func(s *Spec) { s.Fixtures[0].Diameter = math.NaN() }, "fixture 1: diameter is NaN mm, expected 2 to 8 mm"},
		{func(s *Spec) { s.Fixtures[0].Guidance = "magic" }, `fixture 1: guidance "magic": expected full-guide, pilot-guide, freehand or navigated`},
		{func(s *Spec) { s.Placed = "14.3.2026" }, `placed "14.3.2026": expected a date such as 2026-01-15`},
		{func(s *Spec) { s.Post.Voxel = 0 }, "follow-up scan: voxel is 0 mm, expected 0.05 to 2 mm"},
		{func(s *Spec) { s.Touch, s.Fixtures[0].Missing = TouchPost, true }, `touch "post": the first fixture is missing, so nothing can touch it`},
		{func(s *Spec) { s.FarCrown = "46" }, "crown at site 46: a fixture is planned there"},
		{func(s *Spec) { s.NewCrown = "16" }, "crown at site 16: it is in the other jaw than the fixtures"},
	} {
		s := Usual("46")
		c.change(&s)
		_, err := TruthOf(s)
		require.EqualError(t, err, c.want)
	}
}

func TestTheDemosCases(t *testing.T) {
	seen := map[string]bool{}
	kinds := map[string]bool{}
	for _, s := range Demo() {
		require.False(t, seen[s.Case])
		seen[s.Case] = true
		require.True(t, strings.HasPrefix(s.Placed, "2026-"))
		truth, err := TruthOf(s)
		require.NoError(t, err)
		for _, f := range truth.Fixtures {
			require.InDelta(t, 1, *f.Deviation[measurement.Entry], 0.4)
			require.InDelta(t, 1, *f.Deviation[measurement.Apex], 0.6)
			require.True(t, *f.Deviation[measurement.Angle] > 1.5 && *f.Deviation[measurement.Angle] < 4.5)
			for _, c := range f.Clearance {
				if c.Achieved != nil && *c.Achieved < 4.2 {
					kinds[c.Kind] = true
				}
			}
		}
	}
	require.Len(t, seen, 4)
	require.Equal(t, map[string]bool{"nerve": true, "sinus": true, "root": true, "fixture": true}, kinds)
}
