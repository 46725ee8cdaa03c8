package meshaxis

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/trimesh"
)

// drawn is a fixture as a modeller would draw it, with its platform's middle at
// the origin and its apex point at (0, 0, length).
type drawn struct {
	diameter, length float64
	taper            float64 // radius at the apex over that at the platform
	round            float64 // of the apical edge, mm
	pitch, depth     float64 // of the thread, mm; 0 for a plain wall
	left, rings      bool    // a left-handed thread; rings in place of a helix
	starts           int
	bore             float64 // radius of a bore 4 mm deep, 0 for none
	openTop, openTip bool    // without platform, without apical end
	sleeve           float64 // height of the sleeve's lower end over the platform, mm; negative for none
	line             bool    // the axis is drawn as a thin rod, 20 mm beyond both ends
	step             float64 // edge of the triangles, mm
	noise            float64 // of every corner, standard deviation, mm
	holes            int     // of 1 mm radius
}

// wall is the radius at a depth below the platform and a turn about the axis.
func (d drawn) wall(z, turn float64) float64 {
	r := d.diameter / 2 * (1 - (1-d.taper)*z/d.length)
	if d.pitch > 0 && z > 1 && z < d.length-d.round {
		ramp := min(1, (z-1)/0.5, (d.length-d.round-z)/0.5)
		phase := z / d.pitch
		switch {
		case d.rings:
		case d.left:
			phase += float64(d.starts) * turn / (2 * math.Pi)
		default:
			phase -= float64(d.starts) * turn / (2 * math.Pi)
		}
		u := math.Abs(math.Mod(phase+1000, 1)*2 - 1) // 0 on the crest, 1 in the root
		r -= d.depth * ramp * max(0, min(1, (u-0.15)/0.7))
	}
	return r
}

type surface [][3]geom.Vec

// sheet adds a grid of corners as triangles, closed round the second index.
func (s *surface) sheet(rings [][]geom.Vec, inside bool) {
	for i := range len(rings) - 1 {
		a, b := rings[i], rings[i+1]
		for j := range a {
			k := (j + 1) % len(a)
			for _, t := range [2][3]geom.Vec{{a[j], b[j], b[k]}, {a[j], b[k], a[k]}} {
				if inside {
					t[1], t[2] = t[2], t[1]
				}
				*s = append(*s, t)
			}
		}
	}
}

func ring(n int, z float64, r func(turn float64) float64) []geom.Vec {
	out := make([]geom.Vec, n)
	for j := range out {
		turn := 2 * math.Pi * float64(j) / float64(n)
		sin, cos := math.Sincos(turn)
		out[j] = geom.Vec{X: r(turn) * cos, Y: r(turn) * sin, Z: z}
	}
	return out
}

func even(r float64) func(float64) float64 { return func(float64) float64 { return r } }

// steps are places from a to b, both among them, no farther apart than step.
func steps(a, b, step float64) []float64 {
	n := max(1, int(math.Ceil(math.Abs(b-a)/step)))
	out := make([]float64, n+1)
	for i := range out {
		out[i] = a + (b-a)*float64(i)/float64(n)
	}
	return out
}

func (d drawn) surface() surface {
	n := max(12, int(math.Pi*d.diameter/d.step))
	var s surface
	sheet := func(inside bool, rows ...[]geom.Vec) { s.sheet(rows, inside) }
	disc := func(z, from, to float64) [][]geom.Vec {
		var rows [][]geom.Vec
		for _, r := range steps(from, to, d.step) {
			rows = append(rows, ring(n, z, even(r)))
		}
		return rows
	}
	var rows [][]geom.Vec
	for _, z := range steps(0, d.length-d.round, d.step) {
		rows = append(rows, ring(n, z, func(turn float64) float64 { return d.wall(z, turn) }))
	}
	tip := d.wall(d.length-d.round, 0)
	for _, a := range steps(0, math.Pi/2, d.step/max(d.step, d.round))[1:] {
		rows = append(rows, ring(n, d.length-d.round+d.round*math.Sin(a), even(tip-d.round+d.round*math.Cos(a))))
	}
	sheet(false, rows...)
	if !d.openTip {
		sheet(false, disc(d.length, tip-d.round, 0)...)
	}
	if !d.openTop {
		sheet(false, disc(0, d.bore, d.diameter/2)...)
	}
	if d.bore > 0 {
		rows = nil
		for _, z := range steps(0, 4, d.step) {
			rows = append(rows, ring(n, z, even(d.bore)))
		}
		sheet(true, rows...)
		sheet(false, disc(4, 0, d.bore)...)
	}
	if d.sleeve >= 0 {
		in, out := d.diameter/2+0.4, d.diameter/2+0.9
		var inner, outer [][]geom.Vec
		for _, z := range steps(-d.sleeve-5, -d.sleeve, d.step) {
			inner, outer = append(inner, ring(n, z, even(in))), append(outer, ring(n, z, even(out)))
		}
		sheet(false, outer...)
		sheet(true, inner...)
		sheet(true, disc(-d.sleeve, in, out)...)
		sheet(false, disc(-d.sleeve-5, in, out)...)
	}
	if d.line {
		rows = nil
		for _, z := range steps(-20, d.length+20, d.step) {
			rows = append(rows, ring(n, z, even(0.15)))
		}
		sheet(false, rows...)
	}
	return s
}

// mesh places the surface, tears the holes and shakes the corners.
func (d drawn) mesh(place geom.Rigid, seed uint64) *trimesh.Mesh {
	rng := rand.New(rand.NewPCG(seed, 7))
	var holes []geom.Vec
	for range d.holes {
		sin, cos := math.Sincos(2 * math.Pi * rng.Float64())
		holes = append(holes, geom.Vec{X: d.diameter / 2 * cos, Y: d.diameter / 2 * sin, Z: d.length * rng.Float64()})
	}
	m := &trimesh.Mesh{}
	known := map[geom.Vec]int32{}
	for _, t := range d.surface() {
		torn := false
		for _, h := range holes {
			torn = torn || r3.Norm(r3.Sub(t[0], h)) < 1
		}
		if torn {
			continue
		}
		var ids [3]int32
		for i, c := range t {
			c = geom.Vec{X: math.Round(c.X*1e9) / 1e9, Y: math.Round(c.Y*1e9) / 1e9, Z: math.Round(c.Z*1e9) / 1e9}
			id, ok := known[c]
			if !ok {
				id = int32(len(m.Vertices))
				known[c] = id
				shaken := r3.Add(c, r3.Scale(d.noise, geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
				m.Vertices = append(m.Vertices, place.Apply(shaken))
			}
			ids[i] = id
		}
		if ids[0] != ids[1] && ids[1] != ids[2] && ids[2] != ids[0] {
			m.Triangles = append(m.Triangles, ids)
		}
	}
	return m
}

// pose is a place drawn at random all over the room.
func pose(seed uint64) geom.Rigid {
	rng := rand.New(rand.NewPCG(seed, 11))
	v := geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}
	m := geom.Rotation(r3.Scale(math.Pi*rng.Float64(), r3.Unit(v)))
	m.T = geom.Vec{X: 60 * rng.NormFloat64(), Y: 60 * rng.NormFloat64(), Z: 300 * rng.NormFloat64()}
	return m
}

func truth(d drawn, place geom.Rigid) geom.Pose {
	return place.ApplyPose(geom.Pose{Apex: geom.Vec{Z: d.length}})
}

// usual is a threaded fixture with bore and rounded apex.
func usual() drawn {
	return drawn{diameter: 4.1, length: 10, taper: 1, round: 0.8, pitch: 0.8, depth: 0.35, starts: 1, bore: 1.1, sleeve: -1, step: 0.15}
}

func with(d drawn, edit ...func(*drawn)) drawn {
	for _, e := range edit {
		e(&d)
	}
	return d
}

func rough(d *drawn)    { d.noise, d.holes = 0.02, 8 }
func tapered(d *drawn)  { d.taper = 0.7 }
func sleeved(d *drawn)  { d.sleeve = 3 }
func seated(d *drawn)   { d.sleeve = 0 }
func plain(d *drawn)    { d.pitch, d.depth = 0, 0 }
func openEnds(d *drawn) { d.openTop, d.openTip, d.bore = true, true, 0 }

// usualFixtures are what planning programs may export, clean and damaged.
func usualFixtures() map[string]drawn {
	return map[string]drawn{
		"plain":                   with(usual(), plain),
		"threaded":                usual(),
		"threaded, rough":         with(usual(), rough),
		"tapered, rough":          with(usual(), tapered, rough),
		"sleeve on the platform":  with(usual(), seated, rough),
		"sleeved, tapered, rough": with(usual(), sleeved, tapered, rough),
		"open, rough":             with(usual(), openEnds, rough),
		"solid, rough":            with(usual(), rough, func(d *drawn) { d.bore = 0 }),
		"deep thread, few turns":  with(usual(), rough, func(d *drawn) { d.pitch, d.depth, d.taper, d.step = 1.6, 0.5, 0.8, 0.1 }),
	}
}

// The axis within 0.05° and both ends within 0.05 mm.
func TestDrawnFixtures(t *testing.T) { check(t, usualFixtures(), 1, 0.05) }

// Triangles cut a thread's crests, more on the one side than on the other where
// it begins and ends; the axis does not follow.
func TestFacetsDoNotTurnTheAxis(t *testing.T) {
	short := with(usual(), func(d *drawn) { d.diameter, d.length, d.bore = 5.5, 6, 1.4 })
	check(t, map[string]drawn{"short and wide": short, "with holes": with(short, func(d *drawn) { d.holes = 4 })}, 2, 0.005)
}

// A sleeve and a smooth neck have more wall than a short thread, which is found
// all the same.
func TestShortThreadUnderASleeve(t *testing.T) {
	d := with(usual(), sleeved, tapered, func(d *drawn) { d.length, d.pitch, d.starts = 7, 1.1, 2 })
	check(t, map[string]drawn{"two starts": d}, 1, 0.05)
}

func check(t *testing.T, fixtures map[string]drawn, poses uint64, degrees float64) {
	for name, d := range fixtures {
		t.Run(name, func(t *testing.T) {
			for seed := range poses {
				place := pose(seed)
				f := fitted(t, d.mesh(place, seed), place)
				want := truth(d, place)
				angle := geom.Degrees(geom.Angle(f.Pose.Axis(), want.Axis()))
				entry := r3.Norm(r3.Sub(f.Pose.Entry, want.Entry))
				apex := r3.Norm(r3.Sub(f.Pose.Apex, want.Apex))
				t.Logf("axis %.4f°, entry %.4f mm, apex %.4f mm, diameter %+.3f, residual %.3f", angle, entry, apex, f.Diameter-d.diameter, f.Residual)
				require.Less(t, angle, degrees)
				require.Less(t, entry, 0.05)
				require.Less(t, apex, 0.05)
				require.InDelta(t, d.diameter, f.Diameter, 0.1)
				require.Equal(t, d.sleeve >= 0 || d.line, f.Topped)
				require.Less(t, f.Residual, 2.5*max(d.noise, 0.01))
			}
		})
	}
}

func fitted(t require.TestingT, m *trimesh.Mesh, place geom.Rigid) Fixture {
	s, err := Fit(m)
	require.NoError(t, err)
	f, err := s.Fixture(place.Rotate(geom.Vec{X: 0.3, Y: -0.2, Z: 1}))
	require.NoError(t, err)
	return f
}

// Some writers turn every triangle inside out.
func TestInsideOut(t *testing.T) {
	d, place := with(usual(), sleeved), pose(4)
	m := d.mesh(place, 4)
	for i, c := range m.Triangles {
		m.Triangles[i] = [3]int32{c[0], c[2], c[1]}
	}
	f := fitted(t, m, place)
	want := truth(d, place)
	require.InDelta(t, 0, geom.Degrees(geom.Angle(f.Pose.Axis(), want.Axis())), 0.05)
	require.InDelta(t, 0, r3.Norm(r3.Sub(f.Pose.Entry, want.Entry)), 0.05)
}

// The caller tells which end is the apex; the other answer has the ends
// exchanged.
func TestTheOtherEnd(t *testing.T) {
	d := with(usual(), plain, openEnds, func(d *drawn) { d.round = 0 })
	s, err := Fit(d.mesh(geom.Identity(), 1))
	require.NoError(t, err)
	up, err := s.Fixture(geom.Vec{Z: 1})
	require.NoError(t, err)
	down, err := s.Fixture(geom.Vec{Z: -1})
	require.NoError(t, err)
	require.InDelta(t, 0, r3.Norm(r3.Sub(up.Pose.Entry, down.Pose.Apex)), 1e-6)
	require.InDelta(t, 0, r3.Norm(r3.Sub(up.Pose.Apex, down.Pose.Entry)), 1e-6)
	a, b := s.Ends()
	require.InDelta(t, d.length, r3.Norm(r3.Sub(a, b)), 1e-6)
}

// Moving the surface moves the fixture and changes nothing else.
func TestMovingTheSurface(t *testing.T) {
	d := with(usual(), tapered, func(d *drawn) { d.step = 0.25 })
	at := fitted(t, d.mesh(geom.Identity(), 1), geom.Identity())
	for seed := range uint64(2) {
		place := pose(20 + seed)
		f := fitted(t, d.mesh(place, 1), place)
		require.InDelta(t, at.Diameter, f.Diameter, 0.005)
		want := place.ApplyPose(at.Pose)
		require.InDelta(t, 0, r3.Norm(r3.Sub(f.Pose.Entry, want.Entry)), 0.01)
		require.InDelta(t, 0, r3.Norm(r3.Sub(f.Pose.Apex, want.Apex)), 0.01)
	}
}

func TestSameSurfaceSameAnswer(t *testing.T) {
	m := with(usual(), rough).mesh(pose(3), 3)
	require.Equal(t, fitted(t, m, pose(3)), fitted(t, m, pose(3)))
}

// box has flat walls.
func box(x, y, z float64) *trimesh.Mesh {
	m := &trimesh.Mesh{}
	for i := range 8 {
		m.Vertices = append(m.Vertices, geom.Vec{X: x * float64(i&1), Y: y * float64(i>>1&1), Z: z * float64(i>>2)})
	}
	for _, q := range [][4]int32{{0, 2, 3, 1}, {4, 5, 7, 6}, {0, 1, 5, 4}, {2, 6, 7, 3}, {0, 4, 6, 2}, {1, 3, 7, 5}} {
		m.Triangles = append(m.Triangles, [3]int32{q[0], q[1], q[2]}, [3]int32{q[0], q[2], q[3]})
	}
	return m
}

// joined puts two surfaces into one file.
func joined(a, b *trimesh.Mesh) *trimesh.Mesh {
	out := &trimesh.Mesh{Vertices: append(append([]geom.Vec(nil), a.Vertices...), b.Vertices...), Triangles: append([][3]int32(nil), a.Triangles...)}
	n := int32(len(a.Vertices))
	for _, t := range b.Triangles {
		out.Triangles = append(out.Triangles, [3]int32{t[0] + n, t[1] + n, t[2] + n})
	}
	return out
}

func TestWhatIsNoFixture(t *testing.T) {
	beside := geom.Identity()
	beside.T = geom.Vec{X: 9}
	two := joined(usual().mesh(geom.Identity(), 1), usual().mesh(beside, 1))
	flat := box(4, 4, 0)
	for name, m := range map[string]*trimesh.Mesh{
		"a slab":           box(4, 9, 12),
		"two side by side": two,
		"a jaw's size":     box(60, 90, 70),
		"one triangle":     {Vertices: flat.Vertices, Triangles: flat.Triangles[:1]},
		"no area":          box(0, 0, 10),
		"a short ring":     with(usual(), plain, openEnds, func(d *drawn) { d.length, d.round = 2, 0 }).mesh(geom.Identity(), 1),
	} {
		t.Run(name, func(t *testing.T) {
			s, err := Fit(m)
			if err == nil {
				_, err = s.Fixture(geom.Vec{Z: 1})
			}
			require.ErrorIs(t, err, ErrNoFixture)
			t.Log(err)
		})
	}
}

// Whatever triangles a file has, there is an answer in finite numbers or an
// error.
func TestAnyTriangles(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	rapid.Check(t, func(t *rapid.T) {
		at := rapid.Float64Range(-9, 9)
		m := &trimesh.Mesh{}
		for range 10 {
			m.Vertices = append(m.Vertices, geom.Vec{X: at.Draw(t, "x"), Y: at.Draw(t, "y"), Z: at.Draw(t, "z")})
		}
		for i := range int32(10) {
			m.Triangles = append(m.Triangles, [3]int32{i, (i + 1) % 10, (i + 3) % 10})
		}
		s, err := Fit(m)
		if err != nil {
			return
		}
		f, err := s.Fixture(geom.Vec{X: 1, Y: 1, Z: 1})
		if err != nil {
			return
		}
		require.True(t, geom.Finite(f.Pose.Entry) && geom.Finite(f.Pose.Apex))
		require.Positive(t, f.Diameter)
	})
}
