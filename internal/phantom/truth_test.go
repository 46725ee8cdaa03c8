package phantom

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	_ "plumbline/internal/seeded" // of rapid
)

func TestTheTruthIsOneRigidMotion(t *testing.T) {
	s := Usual("36")
	truth, err := TruthOf(s)
	require.NoError(t, err)
	m := truth.PostToPre
	_, err = geom.FromMatrix(m.Matrix())
	require.NoError(t, err)
	f := truth.Fixtures[0]
	same := func(want, got geom.Vec) {
		t.Helper()
		require.InDelta(t, 0, r3.Norm(r3.Sub(want, got)), 1e-10)
	}
	same(f.Achieved.Entry, m.Apply(f.AchievedPost.Entry))
	same(f.Achieved.Apex, m.Apply(f.AchievedPost.Apex))
	require.Greater(t, len(truth.Landmarks), 5)
	for _, l := range truth.Landmarks {
		same(l.Pre, m.Apply(l.Post))
	}
	// The head turns as the Spec says, one pose after the other taken back.
	pre := geom.Rotation(r3.Scale(math.Pi/180, s.Pre.Turn))
	post := geom.Rotation(r3.Scale(math.Pi/180, s.Post.Turn))
	require.InDelta(t, pre.After(post.Inverse()).Angle(), m.Angle(), 1e-12)
	// The other jaw swings about the hinge by what the mouth opens further.
	require.InDelta(t, s.Post.Opening-s.Pre.Opening, geom.Degrees(m.Inverse().After(truth.OtherJaw).Angle()), 1e-9)

	// Two scans in one pose.
	s.Post = s.Pre
	truth, err = TruthOf(s)
	require.NoError(t, err)
	for _, still := range []geom.Rigid{truth.PostToPre, truth.OtherJaw} {
		require.InDeltaSlice(t, sixteen(geom.Identity()), sixteen(still), 1e-12)
	}
}

func TestDirectionsAtEachQuadrant(t *testing.T) {
	type site struct {
		site           string
		mesial, buccal geom.Vec // roughly; +x left, +y posterior
	}
	for _, jaw := range []struct {
		apical geom.Vec // +z superior
		sites  []site
	}{
		{geom.Vec{Z: 1}, []site{
			{"16", geom.Vec{Y: -1}, geom.Vec{X: -1}}, {"26", geom.Vec{Y: -1}, geom.Vec{X: 1}}, {"11", geom.Vec{X: 1}, geom.Vec{Y: -1}},
		}},
		{geom.Vec{Z: -1}, []site{
			{"36", geom.Vec{Y: -1}, geom.Vec{X: 1}}, {"46", geom.Vec{Y: -1}, geom.Vec{X: -1}}, {"31", geom.Vec{X: -1}, geom.Vec{Y: -1}},
		}},
	} {
		s := Usual(jaw.sites[0].site)
		s.Pre.Turn, s.Edentulous, s.Fixtures = geom.Vec{}, true, nil
		for _, c := range jaw.sites {
			s.Fixtures = append(s.Fixtures, UsualFixture(c.site))
		}
		truth, err := TruthOf(s)
		require.NoError(t, err)
		for i, c := range jaw.sites {
			f := truth.Fixtures[i]
			axis := f.Planned.Axis()
			require.Greater(t, r3.Dot(f.Mesial, c.mesial), 0.85, c.site)
			require.Greater(t, r3.Dot(f.Buccal, c.buccal), 0.85, c.site)
			require.Greater(t, r3.Dot(axis, jaw.apical), 0.99, c.site)
			for _, d := range []float64{r3.Dot(f.Mesial, axis), r3.Dot(f.Buccal, axis), r3.Dot(f.Mesial, f.Buccal)} {
				require.InDelta(t, 0, d, 1e-12, c.site)
			}
		}
	}
}

// The deviations in the truth, which follow from how the case was made, against
// the definitions applied to the two poses.
func TestDeviationsFollowTheDefinitions(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, limit float64) float64 { return rapid.Float64Range(-limit, limit).Draw(t, name) }
		f := UsualFixture("36")
		f.Length = rapid.Float64Range(4, 60).Draw(t, "length")
		f.Entry = [3]float64{number("mesial", 10), number("buccal", 10), number("deeper", 10)}
		f.Tilt = [2]float64{number("to mesial", 60), number("to buccal", 60)}
		turn := geom.Rotation(geom.Vec{X: number("x", 3), Y: number("y", 3), Z: number("z", 3)})
		plan := frame{
			origin: geom.Vec{X: number("ox", 50), Y: number("oy", 50), Z: number("oz", 50)},
			m:      turn.Rotate(geom.Vec{X: 1}), b: turn.Rotate(geom.Vec{Y: 1}), a: turn.Rotate(geom.Vec{Z: 1}),
		}
		if rapid.Bool().Draw(t, "right side") {
			plan.b = r3.Scale(-1, plan.b)
		}
		planned, achieved := plan.pose(f.Length), achievedFrame(plan, f).pose(f.Length)
		got := f.deviation()
		a, b := planned.Axis(), achieved.Axis()
		near := func(want, got float64) {
			t.Helper()
			if math.Abs(want-got) > 1e-9 {
				t.Fatalf("%g, want %g", got, want)
			}
		}
		for _, end := range []struct {
			d                                     geom.Vec
			total, depth, lateral, mesial, buccal float64
		}{
			{r3.Sub(achieved.Entry, planned.Entry), *got[measurement.Entry], *got[measurement.EntryDepth], *got[measurement.EntryLateral], *got[measurement.EntryMesial], *got[measurement.EntryBuccal]},
			{r3.Sub(achieved.Apex, planned.Apex), *got[measurement.Apex], *got[measurement.ApexDepth], *got[measurement.ApexLateral], *got[measurement.ApexMesial], *got[measurement.ApexBuccal]},
		} {
			depth := r3.Dot(end.d, a)
			near(r3.Norm(end.d), end.total)
			near(depth, end.depth)
			near(r3.Norm(r3.Sub(end.d, r3.Scale(depth, a))), end.lateral)
			near(r3.Dot(end.d, plan.m), end.mesial)
			near(r3.Dot(end.d, plan.b), end.buccal)
		}
		near(geom.Degrees(math.Atan2(r3.Norm(r3.Cross(a, b)), r3.Dot(a, b))), *got[measurement.Angle])
		near(geom.Degrees(math.Atan2(r3.Dot(b, plan.m), r3.Dot(b, a))), *got[measurement.TiltMesial])
		near(geom.Degrees(math.Atan2(r3.Dot(b, plan.b), r3.Dot(b, a))), *got[measurement.TiltBuccal])
		near(f.Length, achieved.Length())
	})
}

// upright is a frame whose apical direction is +z.
func upright(x, y, z float64) frame {
	return frame{origin: geom.Vec{X: x, Y: y, Z: z}, m: geom.Vec{X: 1}, b: geom.Vec{Y: 1}, a: geom.Vec{Z: 1}}
}

func TestClearanceInClosedForm(t *testing.T) {
	plain := Fixture{Diameter: 4, Length: 10, Taper: 1}
	round := plain
	round.ApexRound = 2 // a hemisphere about (0, 0, 8)
	tapered := plain
	tapered.Taper = 0.5 // from radius 2 at z = 3 to 1 at z = 10
	rod := func(ax, ay, az, bx, by, bz, r float64) func(geom.Vec) float64 {
		c := newCone(geom.Vec{X: ax, Y: ay, Z: az}, geom.Vec{X: bx, Y: by, Z: bz}, r, r)
		return c.distance
	}
	ball := ellipsoid{centre: geom.Vec{X: 3, Y: 0, Z: 14}, radii: geom.Vec{X: 1, Y: 1, Z: 1}}
	egg := ellipsoid{centre: geom.Vec{Z: 20}, radii: geom.Vec{X: 9, Y: 6, Z: 5}}
	skew := upright(0, 7, 5).tilted(90-1e-9, 0) // lies along x, crossing 7 mm away
	skew.origin.X = -5
	for _, c := range []struct {
		what     string
		f        Fixture
		distance func(geom.Vec) float64
		want     float64
	}{
		{"canal beside it", plain, rod(6, -9, 5, 6, 9, 5, 1.5), 6 - 2 - 1.5},
		{"canal parallel to it", plain, rod(0, 5, -20, 0, 5, 30, 1), 5 - 2 - 1},
		{"canal across below a flat apex", plain, rod(-9, 0, 13, 9, 0, 13, 1.5), 13 - 10 - 1.5},
		{"canal off the rim of a flat apex", plain, rod(5, -9, 14, 5, 9, 14, 1), math.Hypot(3, 4) - 1},
		{"canal entered from above", plain, rod(-9, 0, 11, 9, 0, 11, 1.5), 11 - 10 - 1.5},
		{"canal run through at its middle", plain, rod(-9, 0, 10, 9, 0, 10, 1.5), -1.5},
		{"canal off a round apex", round, rod(6, -9, 16, 6, 9, 16, 1), 10 - 2 - 1},
		{"beside the flank of a round one", round, rod(6, -9, 4, 6, 9, 4, 1), 6 - 2 - 1},
		{"ball off a round apex", round, ball.exactDistance, math.Hypot(3, 6) - 2 - 1},
		{"sinus above a flat apex", plain, egg.exactDistance, 20 - 5 - 10},
		// The flank's line is r = 2 − (z − 3)/7; (5, 8) lies off it.
		{"off a tapered flank", tapered, rod(5, -9, 8, 5, 9, 8, 1), (5-(2-5.0/7))*7/math.Sqrt(50) - 1},
		{"parallel fixture", plain, plain.envelope(upright(7.5, 0, 1)), 3.5},
		{"fixture of its own size crossing", plain, plain.envelope(skew), 7 - 2 - 2},
		{"round fixture apex to apex", round, round.envelope(frame{origin: geom.Vec{X: 6, Z: 24}, m: geom.Vec{X: 1}, b: geom.Vec{Y: -1}, a: geom.Vec{Z: -1}}), 10 - 2 - 2},
		{"fixture within another's wall", plain, plain.envelope(upright(3, 0, 0)), -1},
	} {
		require.InDelta(t, c.want, minDistance(&c.f, upright(0, 0, 0), c.distance), 2e-4, c.what)
	}
}

// Clearance is symmetric between fixtures, and a rigid motion of both bodies
// changes nothing.
func TestClearanceBetweenFixtures(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		fixture := func() Fixture {
			f := UsualFixture("36")
			f.Diameter, f.Length, f.Taper = number("diameter", 3, 6), number("length", 6, 14), number("taper", 0.6, 1)
			f.ApexRound = number("rounding", 0, f.Diameter*f.Taper/2)
			return f
		}
		f, g := fixture(), fixture()
		at := upright(0, 0, 0)
		beside := upright(number("x", 6.5, 12), number("y", -3, 3), number("z", -4, 4)).tilted(number("m", -20, 20), number("b", -20, 20))
		one := minDistance(&f, at, g.envelope(beside))
		two := minDistance(&g, beside, f.envelope(at))
		// Where the bodies are apart both are the same distance; where they
		// overlap, each is the depth of its own deepest point.
		if max(one, two) > 1e-3 && math.Abs(one-two) > 2e-3 {
			t.Fatalf("%g one way, %g the other", one, two)
		}
	})
}

func TestDistanceToAnEllipsoid(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		e := ellipsoid{
			centre: geom.Vec{X: number("cx", -40, 40), Y: number("cy", -40, 40), Z: number("cz", -40, 40)},
			radii:  geom.Vec{X: number("rx", 8, 20), Y: number("ry", 8, 20), Z: number("rz", 8, 20)},
		}
		// From a point of the surface along the normal the distance is the
		// step, outwards as far as one likes, inwards to the least radius of
		// curvature, which is b²/a ≥ 8²/20 = 3.2 mm.
		st, ct := math.Sincos(number("polar", 0, math.Pi))
		sp, cp := math.Sincos(number("azimuth", 0, 2*math.Pi))
		u := geom.Vec{X: st * cp, Y: st * sp, Z: ct}
		foot := r3.Add(e.centre, geom.Vec{X: u.X * e.radii.X, Y: u.Y * e.radii.Y, Z: u.Z * e.radii.Z})
		normal := r3.Unit(geom.Vec{X: u.X / e.radii.X, Y: u.Y / e.radii.Y, Z: u.Z / e.radii.Z})
		step := number("step", -3, 30)
		if d := e.exactDistance(r3.Add(foot, r3.Scale(step, normal))); math.Abs(d-step) > 1e-9 {
			t.Fatalf("distance %g, want %g", d, step)
		}
	})
}

// The two surfaces sampled densely, all against all: an upper bound that comes
// within the samples' spacing of the clearance.
func TestClearancesOfACaseAgainstDenseSampling(t *testing.T) {
	s := Usual("46")
	second := UsualFixture("47")
	second.Gap, second.Diameter, second.ApexRound = 3, 4.8, 0.5
	s.Fixtures = append(s.Fixtures, second)
	truth, err := TruthOf(s)
	require.NoError(t, err)
	checked := map[string]bool{}
	for _, f := range truth.Fixtures {
		surface := sampleEnvelope(f.Fixture, f.Achieved)
		for _, b := range truth.Structures {
			for _, c := range f.Clearance {
				if c.Structure != b.Name || *c.Achieved > 6 {
					continue
				}
				best := math.Inf(1)
				for _, p := range surface {
					for i := 1; i < len(b.Path); i++ {
						best = min(best, toSegment(p, b, i))
					}
				}
				require.InDelta(t, best, *c.Achieved, 0.03, "%s, %s", f.Site, b.Name)
				require.LessOrEqual(t, *c.Achieved, best+1e-9)
				checked[b.Kind] = true
			}
		}
	}
	require.Equal(t, map[string]bool{"nerve": true, "root": true}, checked)
	last := truth.Fixtures[0].Clearance
	require.Equal(t, "fixture 47", last[len(last)-1].Structure)
	require.InDelta(t, 3, last[len(last)-1].Planned, 1e-3)
}

// sampleEnvelope puts points up to 0.2 mm apart on a fixture's envelope.
func sampleEnvelope(f Fixture, p geom.Pose) (list []geom.Vec) {
	axis := p.Axis()
	e1, e2 := geom.Perpendicular(axis)
	ring := func(r, z float64) {
		for k := range 72 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 72)
			q := r3.Add(p.Entry, r3.Scale(z, axis))
			list = append(list, r3.Add(q, r3.Add(r3.Scale(r*cos, e1), r3.Scale(r*sin, e2))))
		}
	}
	for i := range 81 {
		u := float64(i) / 80
		ring(f.crestRadius(u*f.Length), u*f.Length)
		ring(u*f.Diameter/2, 0)
		ring(u*f.crestRadius(f.Length), f.Length)
	}
	return list
}

// toSegment is the distance to the hull of two balls, by trying the balls in
// between.
func toSegment(p geom.Vec, b Structure, i int) float64 {
	best := math.Inf(1)
	r0, r1 := b.Radius[min(i-1, len(b.Radius)-1)], b.Radius[min(i, len(b.Radius)-1)]
	for k := range 61 {
		u := float64(k) / 60
		c := r3.Add(b.Path[i-1], r3.Scale(u, r3.Sub(b.Path[i], b.Path[i-1])))
		best = min(best, norm(r3.Sub(p, c))-r0-u*(r1-r0))
	}
	return best
}
