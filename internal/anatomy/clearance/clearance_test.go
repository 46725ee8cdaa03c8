package clearance

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/trimesh"
)

func chain(t require.TestingT, radius []float64, points ...geom.Vec) *Chain {
	c, err := NewChain(points, radius)
	require.NoError(t, err)
	return c
}

func surface(t require.TestingT, corners ...geom.Vec) *Surface {
	s, err := NewSurface(mesh(corners), false)
	require.NoError(t, err)
	return s
}

// mesh joins equal corners of triangles.
func mesh(corners []geom.Vec) *trimesh.Mesh {
	m := &trimesh.Mesh{}
	known := map[geom.Vec]int32{}
	for i := 0; i < len(corners); i += 3 {
		var tri [3]int32
		for k := range 3 {
			c := corners[i+k]
			if _, ok := known[c]; !ok {
				known[c] = int32(len(m.Vertices))
				m.Vertices = append(m.Vertices, c)
			}
			tri[k] = known[c]
		}
		m.Triangles = append(m.Triangles, tri)
	}
	return m
}

// box has the corners of the triangles of an upright box, facing outwards.
func box(low, high geom.Vec) []geom.Vec {
	v := func(i int) geom.Vec {
		p := low
		if i&1 != 0 {
			p.X = high.X
		}
		if i&2 != 0 {
			p.Y = high.Y
		}
		if i&4 != 0 {
			p.Z = high.Z
		}
		return p
	}
	var out []geom.Vec
	for _, q := range [][4]int{{0, 2, 3, 1}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 6, 7, 3}, {0, 4, 6, 2}, {1, 3, 7, 5}} {
		out = append(out, v(q[0]), v(q[1]), v(q[2]), v(q[0]), v(q[2]), v(q[3]))
	}
	return out
}

// floor is a big box below z.
func floor(z float64) []geom.Vec {
	return box(geom.Vec{X: -40, Y: -40, Z: z - 40}, geom.Vec{X: 40, Y: 40, Z: z})
}

func TestCentreLinesByHand(t *testing.T) {
	e := placed(t, Shape{Diameter: 4, Taper: 1, Round: 0.5}, down)
	for _, c := range []struct {
		name string
		s    *Chain
		want float64
	}{
		{"parallel root", chain(t, []float64{1.5}, geom.Vec{X: 6, Z: 2}, geom.Vec{X: 6, Z: -20}), 6 - 2 - 1.5},
		{"canal across, ahead of the apex", chain(t, []float64{1}, geom.Vec{X: -30, Z: -14}, geom.Vec{X: 30, Z: -14}), 4 - 1},
		{"canal across, beside", chain(t, []float64{1}, geom.Vec{X: -30, Y: 5, Z: -6}, geom.Vec{X: 30, Y: 5, Z: -6}), 5 - 2 - 1},
		{"ball off the rounded edge", chain(t, []float64{1}, geom.Vec{X: 4.5, Z: -13.5}), 5 - 0.5 - 1},
		{"tapering root", chain(t, []float64{2, 1}, geom.Vec{X: 6}, geom.Vec{X: 6, Z: -10}), 6 - 2 - 2},
		{"bend nearest", chain(t, []float64{1}, geom.Vec{X: 20, Z: -5}, geom.Vec{X: 5, Z: -5}, geom.Vec{X: 20, Z: -9}), 5 - 2 - 1},
		{"grazed canal", chain(t, []float64{1.5}, geom.Vec{X: -30, Z: -11}, geom.Vec{X: 30, Z: -11}), 1 - 1.5},
		{"pierced canal", chain(t, []float64{1.5}, geom.Vec{X: -30, Z: -6}, geom.Vec{X: 30, Z: -6}), -1.5},
		{"ball inside", chain(t, []float64{0.5}, geom.Vec{Z: -5}), -0.5},
		{"line without a radius", chain(t, []float64{0}, geom.Vec{X: 3, Z: -5}, geom.Vec{X: 9, Z: -5}), 1},
		{"segment without a length", chain(t, []float64{1}, geom.Vec{X: 5, Z: -5}, geom.Vec{X: 5, Z: -5}), 5 - 2 - 1},
	} {
		require.InDelta(t, c.want, Of(e, c.s).Distance, 1e-9, c.name)
	}
	near := Of(e, chain(t, []float64{1.5}, geom.Vec{X: 6, Z: -5}))
	require.InDelta(t, 0, r3.Norm(r3.Sub(near.OnFixture, geom.Vec{X: 2, Z: -5})), 1e-9)
	require.InDelta(t, 0, r3.Norm(r3.Sub(near.OnStructure, geom.Vec{X: 4.5, Z: -5})), 1e-9)
}

func TestCentreLinesOfNoUse(t *testing.T) {
	for _, c := range []struct {
		points []geom.Vec
		radius []float64
	}{
		{nil, []float64{1}}, {[]geom.Vec{{}, {X: 1}, {X: 2}}, []float64{1, 2}},
		{[]geom.Vec{{}}, []float64{-1}}, {[]geom.Vec{{}}, []float64{math.NaN()}},
		{[]geom.Vec{{X: math.Inf(1)}}, []float64{1}}, {[]geom.Vec{{}}, nil},
	} {
		_, err := NewChain(c.points, c.radius)
		require.Error(t, err)
	}
}

func TestFixturesByHand(t *testing.T) {
	s := Shape{Diameter: 4, Taper: 1, Round: 0.5}
	e := placed(t, s, down)
	at := func(entry, apex geom.Vec) Envelope { return placed(t, s, geom.Pose{Entry: entry, Apex: apex}) }
	for _, c := range []struct {
		name string
		s    Envelope
		want float64
	}{
		{"parallel", at(geom.Vec{X: 6, Z: 1}, geom.Vec{X: 6, Z: -9}), 2},
		{"end to end", at(geom.Vec{Z: -21}, geom.Vec{Z: -13}), 3},
		{"crossing at right angles", at(geom.Vec{X: -5, Y: 7, Z: -5}, geom.Vec{X: 5, Y: 7, Z: -5}), 3},
		{"rounded edge against rim, diagonally", at(geom.Vec{X: 6.5, Z: -12.5}, geom.Vec{X: 6.5, Z: -22.5}), math.Hypot(3, 3) - 0.5},
		{"touching", at(geom.Vec{X: 4}, geom.Vec{X: 4, Z: -10}), 0},
		{"overlapping by a millimetre", at(geom.Vec{X: 3}, geom.Vec{X: 3, Z: -10}), -1},
		{"in the same place", e, -2},
	} {
		tolerance := 1e-7
		if c.want <= 0 {
			tolerance = depthTolerance
		}
		require.InDelta(t, c.want, Of(e, c.s).Distance, tolerance, c.name)
	}
}

func TestSurfacesByHand(t *testing.T) {
	e := placed(t, Shape{Diameter: 4, Taper: 1, Round: 0.5}, down)
	tilted := placed(t, Shape{Diameter: 4, Taper: 1}, geom.Rotation(geom.Vec{Y: geom.Radians(20)}).ApplyPose(down))
	// The lowest point of a tilted cylinder with a flat end.
	low := -10*math.Cos(geom.Radians(20)) - 2*math.Sin(geom.Radians(20))
	inward := floor(-9)
	for i := 0; i < len(inward); i += 3 {
		inward[i], inward[i+1] = inward[i+1], inward[i]
	}
	for _, c := range []struct {
		name string
		e    Envelope
		s    *Surface
		want float64
	}{
		{"over a floor", e, surface(t, floor(-12.5)...), 2.5},
		{"into a floor, flat on flat", e, surface(t, floor(-9)...), -1},
		{"tilted into a floor that is inside out", tilted, surface(t, inward...), low + 9},
		{"tilted over a floor", tilted, surface(t, floor(low-0.75)...), 0.75},
		{"tilted into a floor", tilted, surface(t, floor(low+0.75)...), -0.75},
		{"off a box's corner, diagonally", e, surface(t, box(geom.Vec{X: 4.5, Y: -3, Z: -20}, geom.Vec{X: 9, Y: 3, Z: -13.5})...), 5 - 0.5},
		{"all inside a box", e, surface(t, box(geom.Vec{X: -10, Y: -10, Z: -13}, geom.Vec{X: 10, Y: 10, Z: 4})...), -8.5},
		{"around a box", e, surface(t, box(geom.Vec{X: -0.5, Y: -0.5, Z: -6}, geom.Vec{X: 0.5, Y: 0.5, Z: -5})...), -0.5},
		{"pierced by a beam", e, surface(t, box(geom.Vec{X: -20, Y: -0.5, Z: -6}, geom.Vec{X: 20, Y: 0.5, Z: -5})...), -0.5},
	} {
		got := Of(c.e, c.s)
		tolerance := 1e-7
		if c.want < 0 {
			tolerance = depthTolerance
		}
		require.True(t, c.s.Closed())
		require.False(t, got.Crossed)
		require.InDelta(t, c.want, got.Distance, tolerance, c.name)
		require.InDelta(t, math.Abs(c.want), r3.Norm(r3.Sub(got.OnFixture, got.OnStructure)), tolerance, c.name)
	}
}

// An open surface has no inside: where it runs through the envelope, that is
// all that can be said.
func TestOpenSurface(t *testing.T) {
	e := placed(t, Shape{Diameter: 4, Taper: 1}, down)
	sheet := func(z float64) *Surface {
		return surface(t, geom.Vec{X: -40, Y: -40, Z: z}, geom.Vec{X: 40, Y: -40, Z: z}, geom.Vec{Y: 60, Z: z})
	}
	over := Of(e, sheet(-11.5))
	require.InDelta(t, 1.5, over.Distance, 1e-7)
	require.False(t, over.Crossed)
	through := Of(e, sheet(-9))
	require.Zero(t, through.Distance)
	require.True(t, through.Crossed)
	require.False(t, sheet(0).Closed())

	// A cortical plate is a sheet even where its mesh is closed.
	plate, err := NewSurface(mesh(box(geom.Vec{X: -10, Y: -10, Z: -13}, geom.Vec{X: 10, Y: 10, Z: 4})), true)
	require.NoError(t, err)
	require.InDelta(t, 3, Of(e, plate).Distance, 1e-7)
	_, err = NewSurface(&trimesh.Mesh{}, false)
	require.Error(t, err)
}

// numbers reads a frozen table: a word and numbers a line.
func numbers(t *testing.T, name string, row func(kind string, take func(n int) []float64, line string)) {
	f, err := os.Open(filepath.Join("testdata", name))
	require.NoError(t, err)
	defer f.Close()
	for lines := bufio.NewScanner(f); lines.Scan(); {
		if strings.HasPrefix(lines.Text(), "#") {
			continue
		}
		words := strings.Split(lines.Text(), ",")
		var x []float64
		for _, w := range words[1:] {
			v, err := strconv.ParseFloat(w, 64)
			require.NoError(t, err)
			x = append(x, v)
		}
		row(words[0], func(n int) []float64 {
			head := x[:n]
			x = x[n:]
			return head
		}, lines.Text())
		require.Empty(t, x, lines.Text())
	}
}

// Distances as a k-d tree over dense samples of both surfaces gives them;
// testdata/sampled.py made them.
func TestAgainstDenseSampling(t *testing.T) {
	seen := map[string]int{}
	numbers(t, "sampled.csv", func(kind string, take func(int) []float64, line string) {
		point := func() geom.Vec { p := take(3); return geom.Vec{X: p[0], Y: p[1], Z: p[2]} }
		fixture := func() Envelope {
			p := geom.Pose{Entry: point(), Apex: point()}
			s := take(3)
			return placed(t, Shape{Diameter: s[0], Taper: s[1], Round: s[2]}, p)
		}
		e, want := fixture(), take(1)[0]
		var other Structure
		switch kind {
		case "chain":
			points := []geom.Vec{point(), point(), point()}
			other = chain(t, take(3), points...)
		case "triangle":
			other = surface(t, point(), point(), point())
		case "fixture":
			other = fixture()
		}
		seen[kind]++
		// Two samples 0.05 mm apart at worst lie 0.035 mm beside the nearest
		// points: 0.05²/0.63 mm at the nearest pair of all.
		require.InDelta(t, want, Of(e, other).Distance, 0.005, line)
	})
	require.Equal(t, map[string]int{"chain": 6, "triangle": 6, "fixture": 6}, seen)
}

// Depths, closed surfaces, and bodies in the same place or one inside the other,
// as dense samples and a k-d tree give them; testdata/overlaps.py made them.
func TestOverlapsAgainstDenseSampling(t *testing.T) {
	seen := map[string]int{}
	numbers(t, "overlaps.csv", func(kind string, take func(int) []float64, line string) {
		point := func() geom.Vec { p := take(3); return geom.Vec{X: p[0], Y: p[1], Z: p[2]} }
		fixture := func() Envelope {
			p := geom.Pose{Entry: point(), Apex: point()}
			s := take(2)
			return placed(t, Shape{Diameter: s[0], Taper: 1, Round: s[1]}, p)
		}
		e, want := fixture(), take(1)[0]
		var other Structure
		switch kind {
		case "chain":
			points := []geom.Vec{point(), point(), point()}
			other = chain(t, take(3), points...)
		case "ellipsoid":
			radii := point()
			other = ellipsoid(t, point(), radii, 24)
		case "fixture":
			other = fixture()
		}
		seen[kind]++
		require.InDelta(t, want, Of(e, other).Distance, 0.01, line)
	})
	require.Equal(t, map[string]int{"chain": 5, "ellipsoid": 6, "fixture": 6}, seen)
}

// One fixture over a canal and between two roots, with the distances that an
// independent scan simulator states for a flat-ended cylinder, to 0.001 mm.
func TestAgainstAnIndependentSimulator(t *testing.T) {
	e := placed(t, Shape{Diameter: 5, Taper: 1}, geom.Pose{
		Entry: geom.Vec{X: -24.21728, Y: -2.97395, Z: 3.98421}, Apex: geom.Vec{X: -23.73575, Y: -1.56738, Z: -8.9305}})
	canal := chain(t, []float64{1.585},
		geom.Vec{X: -22.50860, Y: -10.82671, Z: -12.88867}, geom.Vec{X: -23.88510, Y: -6.56116, Z: -12.91632},
		geom.Vec{X: -24.89270, Y: -2.23126, Z: -12.91628}, geom.Vec{X: -25.55971, Y: 2.13181, Z: -12.87108},
		geom.Vec{X: -25.90573, Y: 6.50244, Z: -12.76560})
	require.InDelta(t, 2.115, Of(e, canal).Distance, 0.001)
	require.InDelta(t, 3.244, Of(e, chain(t, []float64{2.401, 0.926},
		geom.Vec{X: -26.46235, Y: 4.88336, Z: 4.07459}, geom.Vec{X: -26.90169, Y: 5.45654, Z: -6.41828})).Distance, 0.001)
	require.InDelta(t, 3.514, Of(e, chain(t, []float64{3.103, 0.790},
		geom.Vec{X: -20.94963, Y: -11.44472, Z: 4.37238}, geom.Vec{X: -20.48828, Y: -11.78302, Z: -9.35367})).Distance, 0.001)
}

// structures draws one of each kind near a fixture; move carries it away.
func structures(t *rapid.T, near geom.Vec) []func(geom.Rigid) Structure {
	spot := func(name string) geom.Vec { return r3.Add(near, vector(12).Draw(t, name)) }
	line := []geom.Vec{spot("line 1"), spot("line 2"), spot("line 3")}
	radius := []float64{1, rapid.Float64Range(0, 2).Draw(t, "radius"), 1.5}
	low := spot("box")
	sides := box(low, r3.Add(low, geom.Vec{X: 3, Y: 5, Z: 4}))
	other := envelope(t, "other")
	shift := r3.Sub(spot("other"), other.pose.Entry)
	pose := geom.Pose{Entry: r3.Add(other.pose.Entry, shift), Apex: r3.Add(other.pose.Apex, shift)}
	size := shape(t, "other")
	moved := func(m geom.Rigid, points []geom.Vec) []geom.Vec {
		out := make([]geom.Vec, len(points))
		for i, p := range points {
			out[i] = m.Apply(p)
		}
		return out
	}
	return []func(geom.Rigid) Structure{
		func(m geom.Rigid) Structure { return chain(t, radius, moved(m, line)...) },
		func(m geom.Rigid) Structure { return surface(t, moved(m, sides)...) },
		func(m geom.Rigid) Structure { return surface(t, moved(m, sides[3:])...) },
		func(m geom.Rigid) Structure { return placed(t, size, m.ApplyPose(pose)) },
	}
}

func TestMovingEverythingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, p := shape(t, "fixture"), motion(t, "fixture").ApplyPose(down)
		m := motion(t, "all")
		for i, at := range structures(t, p.Entry) {
			here, there := Of(placed(t, s, p), at(geom.Identity())), Of(placed(t, s, m.ApplyPose(p)), at(m))
			tolerance := 1e-6
			switch {
			case i == 0:
			case here.Distance < 2*depthTolerance:
				tolerance = 2 * depthTolerance
			}
			require.InDelta(t, here.Distance, there.Distance, tolerance, "structure %d", i)
			require.Equal(t, here.Crossed, there.Crossed)
		}
	})
}

// A fixture that moves by a step changes no clearance by more than the step,
// its own points on both surfaces are as far apart as it says, and no point of
// its surface is nearer.
func TestClearanceIsNoSteeperThanTheStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s, p := shape(t, "fixture"), motion(t, "fixture").ApplyPose(down)
		step := geom.Identity()
		step.T = vector(1).Draw(t, "step")
		for i, at := range structures(t, p.Entry) {
			structure := at(geom.Identity())
			here, there := Of(placed(t, s, p), structure), Of(placed(t, s, step.ApplyPose(p)), structure)
			require.LessOrEqual(t, math.Abs(here.Distance-there.Distance), r3.Norm(step.T)+2*depthTolerance, "structure %d", i)
			if here.Distance > 0 {
				require.InDelta(t, here.Distance, r3.Norm(r3.Sub(here.OnFixture, here.OnStructure)), 1e-6)
			}
		}
	})
}

func TestFixturesClearEachOther(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := envelope(t, "a"), envelope(t, "b")
		there, back := Of(a, b), Of(b, a)
		if there.Distance > 0 {
			require.InDelta(t, there.Distance, back.Distance, 1e-6)
		} else {
			require.LessOrEqual(t, back.Distance, 0.0)
		}
	})
}

// The tree of boxes finds what looking at every triangle finds, and inside is
// where the solid angle of the surface is the whole sphere (A. Van Oosterom and
// J. Strackee, IEEE Trans Biomed Eng 1983; 30:125).
func TestNearestOnABall(t *testing.T) {
	s := ball(t, geom.Vec{X: 3, Y: -2, Z: 1}, 8, 24)
	rapid.Check(t, func(t *rapid.T) {
		p := vector(14).Draw(t, "point")
		d, at := s.Nearest(p)
		slow, turns := math.Inf(1), 0.0
		for i := range s.mesh.Triangles {
			q, _ := s.onTriangle(i, p)
			slow = min(slow, r3.Norm(r3.Sub(p, q)))
			a, b, c := s.mesh.Corners(i)
			a, b, c = r3.Sub(a, p), r3.Sub(b, p), r3.Sub(c, p)
			na, nb, nc := r3.Norm(a), r3.Norm(b), r3.Norm(c)
			turns += math.Atan2(r3.Dot(a, r3.Cross(b, c)), na*nb*nc+r3.Dot(a, b)*nc+r3.Dot(b, c)*na+r3.Dot(c, a)*nb) / (2 * math.Pi)
		}
		require.InDelta(t, slow, math.Abs(d), 1e-9)
		require.InDelta(t, math.Abs(d), r3.Norm(r3.Sub(p, at)), 1e-9)
		if slow > 1e-6 {
			require.Equal(t, turns > 0.5, d < 0)
		}
	})
}

// ball is a ball of about 2·n² triangles with its corners on the sphere.
func ball(t require.TestingT, centre geom.Vec, radius float64, n int) *Surface {
	return ellipsoid(t, centre, geom.Vec{X: radius, Y: radius, Z: radius}, n)
}

// ellipsoid is the same with three radii.
func ellipsoid(t require.TestingT, centre, radii geom.Vec, n int) *Surface {
	at := func(i, j int) geom.Vec {
		if i == 0 || i == n {
			j = 0
		}
		polar, round := math.Pi*float64(i)/float64(n), 2*math.Pi*float64(j%n)/float64(n)
		sin := math.Sin(polar)
		if i == n {
			sin = 0
		}
		return r3.Add(centre, geom.Vec{X: radii.X * sin * math.Cos(round), Y: radii.Y * sin * math.Sin(round), Z: radii.Z * math.Cos(polar)})
	}
	var corners []geom.Vec
	for i := range n {
		for j := range n {
			if i > 0 {
				corners = append(corners, at(i, j), at(i+1, j), at(i, j+1))
			}
			if i < n-1 {
				corners = append(corners, at(i+1, j), at(i+1, j+1), at(i, j+1))
			}
		}
	}
	return surface(t, corners...)
}

// Into a ball: the depth is the radius less the way from its centre, up to the
// facets' sagitta, radius·(1 − cos(π/n)).
func TestApexInABall(t *testing.T) {
	const radius, n = 12.0, 60
	sagitta := 2 * radius * (1 - math.Cos(math.Pi/n))
	e := placed(t, Shape{Diameter: 4, Taper: 1, Round: 2}, down) // its end is half a ball
	for _, ahead := range []float64{-1.5, 0.5, 2} {
		s := ball(t, geom.Vec{X: 1, Z: -10 - ahead - radius}, radius, n)
		want := math.Hypot(1, radius+ahead+2) - radius - 2
		got := Of(e, s)
		require.InDelta(t, want, got.Distance, sagitta+depthTolerance, "%g mm ahead", ahead)
		require.True(t, s.Closed())
	}
}

func TestMargins(t *testing.T) {
	for kind, want := range map[casefile.Kind]float64{casefile.Nerve: 2, casefile.Root: 1.5, casefile.FixtureBody: 3} {
		require.Equal(t, want, casefile.MarginOf(kind, nil).MM)
		require.Contains(t, casefile.MarginOf(kind, nil).Source, "usual margin")
	}
	for _, kind := range []casefile.Kind{casefile.Sinus, casefile.Cortex, casefile.OtherStructure} {
		require.Nil(t, casefile.MarginOf(kind, nil), kind)
	}
	own := 0.75
	require.Equal(t, &casefile.Margin{MM: 0.75, Source: "asked for in the case file"}, casefile.MarginOf(casefile.Sinus, &own))
}

func TestStructuresOfACase(t *testing.T) {
	s, err := FromCase(casefile.Structure{Path: []geom.Vec{{X: 6}, {X: 6, Z: -9}}, Radius: []float64{1}}, nil)
	require.NoError(t, err)
	e := placed(t, Shape{Diameter: 4, Taper: 1}, down)
	require.InDelta(t, 3, Of(e, s).Distance, 1e-9)

	file := filepath.Join(t.TempDir(), "sheet.stl")
	require.NoError(t, os.WriteFile(file, []byte("solid\nfacet normal 0 0 0 outer loop vertex 40 40 -12 vertex -40 40 -12 vertex 0 -60 -12 endloop endfacet\nendsolid"), 0o600))
	s, err = FromCase(casefile.Structure{Surface: file}, func(p geom.Vec) geom.Vec { return casefile.RAS.ToLPS(p, volumeGrid) })
	require.NoError(t, err)
	near := Of(e, s)
	require.InDelta(t, 2, near.Distance, 1e-7)
	require.Equal(t, []geom.Vec{{X: -40, Y: -40, Z: -12}, {X: 40, Y: -40, Z: -12}, {Y: 60, Z: -12}}, s.(*Surface).mesh.Vertices)

	_, err = FromCase(casefile.Structure{Surface: "none.stl"}, nil)
	require.ErrorContains(t, err, "none.stl")
}

// The signed distance of a chain against balls set densely along it: 4000 of them a
// segment miss the nearest by under 0.00001 mm.
func TestSignedDistanceAgainstManyBalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		points := []geom.Vec{vector(9).Draw(t, "a"), vector(9).Draw(t, "b"), vector(9).Draw(t, "c")}
		r := rapid.Float64Range(0, 3)
		radius := []float64{r.Draw(t, "ra"), r.Draw(t, "rb"), r.Draw(t, "rc")}
		p := vector(12).Draw(t, "p")
		want := math.Inf(1)
		const n = 4000
		for i := range 2 {
			for k := range n + 1 {
				at := float64(k) / n
				centre := r3.Add(points[i], r3.Scale(at, r3.Sub(points[i+1], points[i])))
				want = min(want, r3.Norm(r3.Sub(p, centre))-radius[i]-at*(radius[i+1]-radius[i]))
			}
		}
		got := chain(t, radius, points...).SignedDistance(p)
		require.LessOrEqual(t, got, want+1e-9)
		require.InDelta(t, want, got, 0.005)
	})
}
