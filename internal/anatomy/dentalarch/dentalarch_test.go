package dentalarch

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// horseshoe is a drawn lower jaw: a band of dense tissue 9 mm wide along a
// curve, from 12 mm below z = 0 to 8 mm above, in soft tissue within a round
// field of view amid air.
type horseshoe struct {
	front  point   // foremost point of the curve
	turn   float64 // of the head to the left, radians
	curve  func(x float64) (y, slope float64)
	upper  bool
	centre point   // of the field of view
	field  float64 // its diameter, mm
	noise  float64
	blank  bool // one constant outside the field of view, as scanners write it
}

// catenary is another usual description of the dental arch than the program's
// own: with a width of 50 mm at a depth of 42 mm.
func catenary(x float64) (y, slope float64) {
	const a = 9.86 // a·(cosh(25/a) − 1) = 42
	return a * (math.Cosh(x/a) - 1), math.Sinh(x / a)
}

// oval is half an ellipse.
func oval(x float64) (y, slope float64) {
	x = max(-25.99, min(25.99, x))
	root := math.Sqrt(1 - x*x/26/26)
	return 38 * (1 - root), 38 * x / (26 * 26 * root)
}

// at is the point of the curve at x, and the unit direction from right to left
// there.
func (h horseshoe) at(x float64) (p, along geom.Vec) {
	y, slope := h.curve(x)
	sin, cos := math.Sincos(h.turn)
	long := math.Hypot(1, slope)
	return geom.Vec{X: h.front.x + cos*x - sin*y, Y: h.front.y + sin*x + cos*y},
		geom.Vec{X: (cos - sin*slope) / long, Y: (sin + cos*slope) / long}
}

// atArc is the same by the length along the curve from the front.
func (h horseshoe) atArc(s float64) (p, along geom.Vec) {
	x := 0.0
	for walked := 0.0; walked < math.Abs(s); walked += 0.01 {
		_, slope := h.curve(x)
		x += math.Copysign(0.01/math.Hypot(1, slope), s)
	}
	return h.at(x)
}

// scan draws it with voxels of a millimetre.
func (h horseshoe) scan() *volume.Volume {
	var line []geom.Vec
	for s := -75.0; s <= 75; s++ {
		p, _ := h.atArc(s)
		line = append(line, p)
	}
	const n = 84
	v := &volume.Volume{Grid: volume.Grid{
		Size:   [3]int{n, n, 24},
		Origin: geom.Vec{X: h.centre.x - (n-1)/2.0, Y: h.centre.y - (n-1)/2.0, Z: -14},
		Step:   [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}},
	}}
	rng := rand.New(rand.NewPCG(3, 3))
	plane := make([]float64, n*n)
	for j := range n {
		for i := range n {
			p := v.Patient(float64(i), float64(j), 0)
			beside := math.Inf(1)
			for _, q := range line {
				beside = min(beside, math.Hypot(q.X-p.X, q.Y-p.Y))
			}
			switch {
			case math.Hypot(p.X-h.centre.x, p.Y-h.centre.y) > h.field/2:
				plane[j*n+i] = -1000
			case beside < 4.5:
				plane[j*n+i] = 1200
			}
		}
	}
	for k := range v.Size[2] {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -2000)
		z := v.Patient(0, 0, float64(k)).Z
		if h.upper {
			z = -z
		}
		for _, g := range plane {
			if g > 0 && (z < -12 || z > 8) {
				g = 0
			}
			noise := h.noise * rng.NormFloat64()
			if h.blank && g < 0 {
				noise = 0
			}
			v.Stored = append(v.Stored, uint16(2000+g+noise))
		}
	}
	return v
}

// lower is a jaw that the whole scan shows.
func lower() horseshoe {
	return horseshoe{front: point{1, -26}, turn: geom.Radians(5), curve: catenary, centre: point{0, 2}, field: 80, noise: 150}
}

// plan puts fixtures where the teeth of a jaw usually stand.
func (h horseshoe) plan(sites ...tooth.Number) *casefile.Case {
	c := &casefile.Case{Frame: casefile.LPS, Numbering: tooth.ISO3950}
	for _, n := range sites {
		p, _ := h.atArc(arcOf(n))
		down := geom.Vec{X: 0.5, Y: 1, Z: -10}
		if h.upper {
			down.Z = 10
		}
		c.Fixtures = append(c.Fixtures, casefile.Fixture{Site: n, Planned: geom.Pose{Entry: p, Apex: r3.Add(p, down)}})
	}
	return c
}

// mesial is the true direction of a site.
func (h horseshoe) mesial(n tooth.Number) geom.Vec {
	_, along := h.atArc(arcOf(n))
	if n.Side() == tooth.Left {
		return r3.Scale(-1, along)
	}
	return along
}

func codes(f Finding) []string {
	var out []string
	for _, x := range f.Flags {
		out = append(out, x.Code)
	}
	return out
}

// off is the angle of the found mesial direction to the true one, degrees.
func off(t *testing.T, h horseshoe, f casefile.Fixture, found Finding) float64 {
	require.NotNil(t, found.Directions, "site %s: %+v", f.Site, found.Flags)
	d := found.Directions
	a := f.Planned.Axis()
	require.InDelta(t, 0, r3.Dot(d.Mesial, a), 1e-12)
	require.InDelta(t, 0, r3.Dot(d.Buccal, a), 1e-12)
	require.InDelta(t, 0, r3.Dot(d.Mesial, d.Buccal), 1e-12)
	return across(f.Planned, d.Mesial, h.mesial(f.Site))
}

// The direction at single sites, from the scan alone; only where the band ends
// is 5° too much to promise. The catenary goes on spreading behind the first
// molar, where the program's form does not.
func TestArchInAScan(t *testing.T) {
	for name, curve := range map[string]func(float64) (float64, float64){"catenary": catenary, "oval": oval} {
		for _, upper := range []bool{false, true} {
			h := lower()
			h.curve, h.upper = curve, upper
			v := h.scan()
			sites := []tooth.Number{37, 36, 34, 33, 31, 42, 44, 46}
			if upper {
				sites = []tooth.Number{26, 24, 22, 11, 13, 15, 17}
			}
			view := newView(h.plan(sites[0]), v, sites[0].Jaw())
			view.neighbours = nil
			for _, n := range sites {
				c := h.plan(n)
				found := (&site{plan: c, written: c, pre: v, view: view}).find()
				require.Equal(t, Scan, found.Source)
				angle := off(t, h, c.Fixtures[0], found)
				require.Less(t, angle, 5.0, "%s, site %s", name, n)
				require.Less(t, angle, 3*geom.Degrees(found.Directions.Uncertainty), "%s, site %s", name, n)
				if n.Place() < 7 {
					require.Empty(t, found.Flags, "%s, site %s", name, n)
					// No flag promises that the direction is known as wanted.
					require.LessOrEqual(t, coverage*geom.Degrees(found.Directions.Uncertainty), wanted)
				}
			}
		}
	}
}

// Buccal faces away from the middle of the arch, whatever the quadrant.
func TestBuccalFacesOutwards(t *testing.T) {
	for _, upper := range []bool{false, true} {
		h := lower()
		h.upper = upper
		sites := []tooth.Number{36, 43}
		if upper {
			sites = []tooth.Number{26, 13}
		}
		c := h.plan(sites...)
		tongue, _ := h.at(0)
		tongue.Y += 25
		for i, f := range Find(c, c, h.scan()) {
			require.NotNil(t, f.Directions)
			require.Positive(t, r3.Dot(f.Directions.Buccal, r3.Sub(c.Fixtures[i].Planned.Entry, tongue)), "site %s", sites[i])
		}
	}
}

// A small field shows one side: the direction is found, the side is not checked.
func TestSmallField(t *testing.T) {
	h := lower()
	for _, blank := range []bool{false, true} {
		for _, n := range []tooth.Number{36, 45, 33} {
			at, _ := h.atArc(arcOf(n))
			h.centre, h.field, h.blank = point{at.X, at.Y + 3}, 45, blank
			c := h.plan(n)
			found := Find(c, c, h.scan())[0]
			require.Equal(t, Scan, found.Source)
			require.Equal(t, "side-not-checked", found.Flags[0].Code)
			require.Less(t, off(t, h, c.Fixtures[0], found), 5.0, "site %s", n)
		}
	}
}

// A ridge that the field's edge cuts has one edge, and the field's is none.
func TestRidgeThatTheFieldCuts(t *testing.T) {
	h := lower()
	h.turn, h.blank, h.noise = 0, true, 50
	front, _ := h.at(0)
	h.centre, h.field = point{front.X, front.Y + 38}, 80 // 2 mm of the band's outer half are in the field
	m := densityMap(h.scan(), 0, -1, slabFrom, slabTo)
	require.True(t, math.IsNaN(m.at(front.X, front.Y-5)))
	require.False(t, math.IsNaN(m.at(front.X, front.Y)))
	seen := m.locateRidge(point{front.X, front.Y + 1}, point{0, -1})
	require.Equal(t, halfBandSD, seen.sd)
	require.InDelta(t, 1, seen.off, 1) // a voxel

	whole := lower()
	whole.turn, whole.blank = 0, true
	seen = densityMap(whole.scan(), 0, -1, slabFrom, slabTo).locateRidge(point{front.X, front.Y + 1}, point{0, -1})
	require.Equal(t, ridgeSD, seen.sd)
	require.InDelta(t, 1, seen.off, 1)
}

// What moves the whole ridge moves the direction by as much: marks on another form
// have that form's direction (at the sides, where a millimetre along it matters little);
// few of them leave more to the prior, and more doubt.
func TestDirectionGivenMarks(t *testing.T) {
	f, _ := usual(tooth.Lower)
	other := f
	other.front, other.turn, other.half = point{0.5, -0.3}, geom.Radians(2), f.half+0.5
	line, ridge := f.draw(), other.draw()
	moves := f.moves(line)
	var seen []observation
	for i := 1; i < len(line)-1; i++ {
		n := outwards(line[:], i)
		near, _ := place(ridge[:], geom.Vec{X: line[i].x, Y: line[i].y})
		gap := ridge[formEnd+near].minus(line[i])
		seen = append(seen, observation{i, gap.dot(n), 0.01, moves[i].across, true})
	}
	for _, at := range []int{-40, -30, 25, 35} {
		i := formEnd + at
		near, _ := place(ridge[:], geom.Vec{X: line[i].x, Y: line[i].y})
		u, v := along(line[:], i), along(ridge[:], formEnd+near)
		process := newArcProcess(f, tooth.Lower, moves, float64(i))
		_, slope, variance := process.conditional(seen)
		require.InDelta(t, geom.Degrees(math.Asin(u.y*v.x-u.x*v.y)), geom.Degrees(slope), 0.5, "arc %d", at)
		_, _, more := process.conditional(seen[max(0, i-5) : i+5])
		_, _, most := process.conditional(nil)
		require.Less(t, variance, more)
		require.Less(t, more, most)
	}
}

func TestScanWithoutAnArch(t *testing.T) {
	h := lower()
	h.curve = func(float64) (float64, float64) { return 500, 0 }
	h.noise = 400
	c := lower().plan(36)
	found := Find(c, c, h.scan())[0]
	require.Nil(t, found.Directions)
	require.Equal(t, Unknown, found.Source)
	require.Equal(t, []string{"side-not-checked", "directions-not-known"}, codes(found))

	c.Fixtures[0].Mesial = &geom.Vec{Y: -3}
	found = Find(c, c, h.scan())[0]
	require.Equal(t, Given, found.Source)
	require.Equal(t, []string{"side-not-checked"}, codes(found))
}

// moved carries a plan to other coordinates, as a wrong export would.
func moved(c *casefile.Case, to func(geom.Vec) geom.Vec) *casefile.Case {
	out := *c
	out.Fixtures = slices.Clone(c.Fixtures)
	for i := range out.Fixtures {
		f := &out.Fixtures[i]
		f.Planned = geom.Pose{Entry: to(f.Planned.Entry), Apex: to(f.Planned.Apex)}
		if f.Mesial != nil {
			m := to(*f.Mesial)
			f.Mesial = &m
		}
	}
	out.Structures = slices.Clone(c.Structures)
	for i := range out.Structures {
		s := &out.Structures[i]
		s.Path = slices.Clone(s.Path)
		for k, p := range s.Path {
			s.Path[k] = to(p)
		}
	}
	return &out
}

func mirrored(p geom.Vec) geom.Vec { p.X = -p.X; return p }
func ras(p geom.Vec) geom.Vec      { return geom.Vec{X: -p.X, Y: -p.Y, Z: p.Z} }

// A plan whose numbers are right only in other coordinates is caught, whatever
// else the case gives, and the message says what to change.
func TestPlanInOtherCoordinates(t *testing.T) {
	h := lower()
	v := h.scan()
	for _, n := range []tooth.Number{37, 45} {
		c := h.plan(n)
		m := h.mesial(n)
		c.Fixtures[0].Mesial = &m
		beside := h.plan(n-1, n+1)
		for _, f := range beside.Fixtures {
			c.Structures = append(c.Structures, casefile.Structure{Name: "root " + f.Site.String(), Kind: casefile.Root, Path: []geom.Vec{f.Planned.Entry, f.Planned.Apex}, Radius: []float64{2}})
		}
		require.Empty(t, Find(c, c, v)[0].Flags, "site %s", n)
		for what, to := range map[string]func(geom.Vec) geom.Vec{
			`frame = "ras"`: ras,
			"the sign of the first coordinates changed (left and right exchanged)": mirrored,
		} {
			wrong := moved(c, to)
			found := Find(wrong, wrong, v)[0]
			require.Nil(t, found.Directions, "site %s: %s", n, what)
			require.Equal(t, measurement.Doubt, found.Flags[0].Level)
			require.Contains(t, found.Flags[0].Message, what, "site %s", n)
		}
	}
}

// Front teeth in other coordinates lie where no jaw is.
func TestFrontToothInOtherCoordinates(t *testing.T) {
	h := lower()
	v := h.scan()
	c := moved(h.plan(31), ras)
	found := Find(c, c, v)[0]
	require.Equal(t, []string{"plan-off-ridge"}, codes(found))
	require.Contains(t, found.Flags[0].Message, `with frame = "ras"`)
}

// A case that says RAS and means LPS is told so.
func TestOtherWayRound(t *testing.T) {
	h := lower()
	right := h.plan(36)
	written := *right
	written.Frame = casefile.RAS
	located := moved(right, ras) // what reading the file's numbers as RAS gives
	found := Find(located, &written, h.scan())[0]
	require.Equal(t, []string{"plan-on-other-side"}, codes(found))
	require.Contains(t, found.Flags[0].Message, `with frame = "lps"`)
}

func TestPlanThatPointsTheWrongWay(t *testing.T) {
	h := lower()
	c := h.plan(36)
	p := &c.Fixtures[0].Planned
	p.Entry, p.Apex = p.Apex, p.Entry
	found := Find(c, c, h.scan())[0]
	require.Equal(t, []string{"apex-points-away"}, codes(found))
	require.Equal(t, "site 36: a fixture in the lower jaw has its apex below its platform, but the planned one points the other way; "+
		"either entry and apex are exchanged, or the tooth number is one of the other jaw", found.Flags[0].Message)
}

func TestToothFarFromItsPlace(t *testing.T) {
	h := lower()
	c := h.plan(33)
	c.Fixtures[0].Site = 36
	found := Find(c, c, h.scan())[0]
	require.Equal(t, []string{"plan-at-other-tooth"}, codes(found))
	require.Equal(t, measurement.Notice, found.Flags[0].Level)
	require.NotNil(t, found.Directions)

	// By one tooth, which the whole arch shows.
	for _, by := range []tooth.Number{35, 37} {
		c = h.plan(36)
		require.Empty(t, Find(c, c, h.scan())[0].Flags)
		c.Fixtures[0].Site = by
		require.Equal(t, []string{"plan-at-other-tooth"}, codes(Find(c, c, h.scan())[0]), by)
	}
}

func TestGivenDirectionIsChecked(t *testing.T) {
	h := lower()
	v := h.scan()
	c := h.plan(36)
	for _, x := range []struct {
		turned float64 // degrees from the true direction
		code   string
		level  measurement.Level
	}{{3, "", ""}, {25, "mesial-uncertain", measurement.Notice}, {80, "mesial-contradicted", measurement.Doubt}, {180, "mesial-contradicted", measurement.Doubt}} {
		m := geom.Rotation(geom.Vec{Z: geom.Radians(x.turned)}).Rotate(h.mesial(36))
		c.Fixtures[0].Mesial = &m
		found := Find(c, c, v)[0]
		require.Equal(t, Given, found.Source)
		require.InDelta(t, 0, across(c.Fixtures[0].Planned, m, found.Directions.Mesial), 1e-9)
		if x.code == "" {
			require.Empty(t, found.Flags)
			continue
		}
		require.Equal(t, []string{x.code}, codes(found), "%g°", x.turned)
		require.Equal(t, x.level, found.Flags[0].Level)
	}

	along := r3.Sub(c.Fixtures[0].Planned.Apex, c.Fixtures[0].Planned.Entry)
	c.Fixtures[0].Mesial = &along
	found := Find(c, c, v)[0]
	require.Nil(t, found.Directions)
	require.Contains(t, codes(found), "directions-not-known")
}

// withNeighbours adds roots of other teeth to a plan for one site.
func withNeighbours(h horseshoe, n tooth.Number, beside ...tooth.Number) *casefile.Case {
	c := h.plan(n)
	for _, f := range h.plan(beside...).Fixtures {
		c.Structures = append(c.Structures, casefile.Structure{Name: "tooth " + f.Site.String(), Kind: casefile.Root,
			Path: []geom.Vec{f.Planned.Apex, f.Planned.Entry}, Radius: []float64{2}})
	}
	return c
}

// Where no scan helps the neighbours do, on both sides or on one.
func TestNeighboursAlone(t *testing.T) {
	h := lower()
	empty := h
	empty.curve = func(float64) (float64, float64) { return 500, 0 }
	v := empty.scan()
	for _, x := range [][]tooth.Number{{36, 35, 37}, {45, 44, 46}, {33, 32, 34}, {31, 32, 41, 33, 42}, {36, 34}, {34, 36}, {46, 48}} {
		c := withNeighbours(h, x[0], x[1:]...)
		found := Find(c, c, v)[0]
		require.Equal(t, Neighbours, found.Source)
		require.Less(t, off(t, h, c.Fixtures[0], found), 8.0, "site %s beside %v", x[0], x[1:])
	}
	// Another fixture is a neighbour too; a tooth of the other jaw or far away
	// is none.
	c := h.plan(36, 34)
	require.Equal(t, Neighbours, Find(c, c, v)[0].Source)
	c = withNeighbours(h, 36, 35)
	c.Structures[0].Name = "tooth 25"
	require.Equal(t, Unknown, Find(c, c, v)[0].Source)
	c = withNeighbours(h, 36, 32)
	require.Equal(t, Unknown, Find(c, c, v)[0].Source)

	// All turned half round about the body's axis, there is only the usual
	// direction to tell.
	c = moved(withNeighbours(h, 36, 35, 37), ras)
	found := Find(c, c, v)[0]
	require.Nil(t, found.Directions)
	require.Equal(t, []string{"side-not-checked", "mesial-contradicted"}, codes(found))
}

func TestNeighboursAgainstTheScan(t *testing.T) {
	h := lower()
	v := h.scan()
	c := withNeighbours(h, 36, 35, 37)
	found := Find(c, c, v)[0]
	require.Equal(t, NeighboursAndScan, found.Source)
	require.Empty(t, found.Flags)
	require.Less(t, off(t, h, c.Fixtures[0], found), 5.0)

	c.Structures[0].Name, c.Structures[1].Name = "tooth 37", "tooth 35"
	found = Find(c, c, v)[0]
	require.Nil(t, found.Directions)
	require.Equal(t, []string{"mesial-contradicted"}, codes(found))

	c = withNeighbours(h, 36, 35, 37)
	for i := range c.Structures[0].Path { // the premolar stands far to buccal
		c.Structures[0].Path[i].X += 7
	}
	found = Find(c, c, v)[0]
	require.Equal(t, Neighbours, found.Source)
	require.Equal(t, []string{"mesial-uncertain"}, codes(found))
}

func TestNumberInAName(t *testing.T) {
	for _, x := range []struct {
		name   string
		system tooth.System
		want   tooth.Number
	}{
		{"root 36.2", tooth.ISO3950, 36}, {"36", tooth.ISO3950, 36}, {"tooth 36, root 1 of 2", tooth.ISO3950, 36},
		{"36 mesial, 36 distal", tooth.ISO3950, 36}, {"tooth 19", tooth.Universal, 36},
		{"between 36 and 37", tooth.ISO3950, 0}, {"root 26", tooth.ISO3950, 0}, {"left canal", tooth.ISO3950, 0},
		{"tooth 136", tooth.ISO3950, 0}, {"tooth 36b", tooth.ISO3950, 0}, {"tooth 49", tooth.ISO3950, 0}, {"", tooth.ISO3950, 0},
	} {
		n, ok := NumberIn(x.name, x.system, tooth.Lower)
		require.Equal(t, x.want, n, x.name)
		require.Equal(t, x.want != 0, ok, x.name)
	}
}

// The points of a form are a millimetre apart along it, and mirrored.
func TestDrawnForm(t *testing.T) {
	for _, f := range []form{{half: 24.5, depth: 35.5, bend: 0.5}, {half: 20, depth: 45, bend: 0.8}, {half: 30, depth: 28, bend: 1}, {half: 25, depth: 37, bend: 0.65, splay: 0.15}} {
		line := f.draw()
		require.Equal(t, point{}, line[formEnd])
		for i := 1; i < len(line); i++ {
			require.InDelta(t, formStep, line[i].minus(line[i-1]).norm(), 0.02)
		}
		for i := range line {
			j := len(line) - 1 - i
			require.InDelta(t, -line[i].x, line[j].x, 1e-12)
			require.InDelta(t, line[i].y, line[j].y, 1e-12)
		}
	}
	turned := form{front: point{3, 4}, turn: geom.Radians(10), half: 25, depth: 36, bend: 0.7}.draw()
	t1 := along(turned[:], formEnd)
	require.InDelta(t, 10, geom.Degrees(math.Atan2(t1.y, t1.x)), 1e-6)
	out := outwards(turned[:], formEnd)
	require.Negative(t, out.y, "buccal of the front is anterior")
}

// Teeth stand in order, on their own side.
func TestUsualPlaces(t *testing.T) {
	for _, quadrant := range []int{10, 20, 30, 40} {
		last := 0.0
		for place := 1; place <= 8; place++ {
			n := tooth.Number(quadrant + place)
			require.Equal(t, n.Side() == tooth.Left, arcOf(n) > 0)
			require.Greater(t, math.Abs(arcOf(n)), last)
			require.Less(t, math.Abs(arcOf(n)), float64(formEnd))
			last = math.Abs(arcOf(n))
		}
	}
}

func TestSameInputSameAnswer(t *testing.T) {
	h := lower()
	v := h.scan()
	c := withNeighbours(h, 36, 35, 37)
	require.Equal(t, Find(c, c, v), Find(c, c, v))
	require.IsType(t, &deviation.Directions{}, Find(c, c, v)[0].Directions)
}
