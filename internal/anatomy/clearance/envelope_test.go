package clearance

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
)

// down is a fixture of 10 mm that points down from the origin.
var down = geom.Pose{Apex: geom.Vec{Z: -10}}

func placed(t require.TestingT, s Shape, p geom.Pose) Envelope {
	e, err := s.Place(p)
	require.NoError(t, err)
	return e
}

func TestSignedDistanceByHand(t *testing.T) {
	cylinder := placed(t, Shape{Diameter: 4, Taper: 1}, down)
	rounded := placed(t, Shape{Diameter: 4, Taper: 1, Round: 0.5}, down)
	tapered := placed(t, Shape{Diameter: 4, Taper: 0.5}, down)
	for _, c := range []struct {
		name string
		e    Envelope
		p    geom.Vec
		want float64
	}{
		{"beside the wall", cylinder, geom.Vec{X: 3, Z: -5}, 1},
		{"on the axis, middle", cylinder, geom.Vec{Z: -5}, -2},
		{"on the axis, near the apex", cylinder, geom.Vec{Z: -9}, -1},
		{"over the platform", cylinder, geom.Vec{X: 1, Y: 1, Z: 3}, 3},
		{"off the rim", cylinder, geom.Vec{X: 5, Z: 4}, 5},
		{"off the apical edge", cylinder, geom.Vec{Y: -5, Z: -14}, 5},
		{"ahead of the apex", rounded, geom.Vec{X: 0.3, Z: -12}, 2},
		{"diagonally off the rounding", rounded, geom.Vec{X: 4.5, Z: -13.5}, 5 - 0.5},
		{"where the edge was", rounded, geom.Vec{X: 2, Z: -10}, 0.5*math.Sqrt2 - 0.5},
		{"inside the rounding", rounded, geom.Vec{X: 1.8, Z: -9.7}, math.Hypot(0.3, 0.2) - 0.5},
		// The wall falls from (2, 0) to (1, 10): its normal is (10, 1)/√101.
		{"beside a tapered wall", tapered, geom.Vec{X: 3, Z: -5}, (10*3 + 5 - 20) / math.Sqrt(101)},
		{"inside a tapered wall", tapered, geom.Vec{X: 1, Z: -5}, (10*1 + 5 - 20) / math.Sqrt(101)},
	} {
		require.InDelta(t, c.want, c.e.SignedDistance(c.p), 1e-12, c.name)
	}
}

// By definition: the surface passes the point that lies that far from the axis, and what is
// nearer to it lies inside.
func TestRadiusAt(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := Shape{Diameter: rapid.Float64Range(2, 7).Draw(t, "diameter"), Taper: rapid.Float64Range(0.5, 1).Draw(t, "taper")}
		s.Round = rapid.Float64Range(0, s.Diameter/2*s.Taper).Draw(t, "round")
		e := placed(t, s, down)
		z := rapid.Float64Range(0.01, 9.99).Draw(t, "z")
		r := e.RadiusAt(z)
		require.InDelta(t, 0, e.SignedDistance(geom.Vec{X: r, Z: -z}), 1e-9)
		require.Negative(t, e.SignedDistance(geom.Vec{X: 0.99 * r, Z: -z}))
		require.Equal(t, e.RadiusAt(0), e.RadiusAt(-1))
		require.Equal(t, e.RadiusAt(10), e.RadiusAt(11))
	})
}

func TestShapesThatNoFixtureHas(t *testing.T) {
	for _, s := range []Shape{
		{}, {Diameter: -4, Taper: 1}, {Diameter: 4, Taper: 1.1}, {Diameter: 4}, {Diameter: 4, Taper: 1, Round: 2.1},
		{Diameter: math.NaN(), Taper: 1}, {Diameter: math.Inf(1), Taper: 1}, {Diameter: 4, Taper: 1, Round: -1}, {Diameter: 12, Taper: 1, Round: 5.1},
	} {
		_, err := s.Place(down)
		require.ErrorContains(t, err, "no fixture has a diameter of", "%+v", s)
	}
	_, err := Nominal(4).Place(geom.Pose{})
	require.ErrorIs(t, err, deviation.ErrPose)
}

func vector(scale float64) *rapid.Generator[geom.Vec] {
	x := rapid.Float64Range(-scale, scale)
	return rapid.Custom(func(t *rapid.T) geom.Vec {
		return geom.Vec{X: x.Draw(t, "x"), Y: x.Draw(t, "y"), Z: x.Draw(t, "z")}
	})
}

func motion(t *rapid.T, name string) geom.Rigid {
	m := geom.Rotation(vector(3).Draw(t, name+", turn"))
	m.T = vector(40).Draw(t, name+", move")
	return m
}

func shape(t *rapid.T, name string) Shape {
	s := Shape{Diameter: rapid.Float64Range(2.5, 7).Draw(t, name+", diameter"), Taper: rapid.Float64Range(0.5, 1).Draw(t, name+", taper")}
	s.Round = rapid.Float64Range(0, 1).Draw(t, name+", round") * min(2.9, s.Diameter/2*s.Taper)
	return s
}

func envelope(t *rapid.T, name string) Envelope {
	p := geom.Pose{Apex: geom.Vec{Z: -rapid.Float64Range(6, 16).Draw(t, name+", length")}}
	return placed(t, shape(t, name), motion(t, name).ApplyPose(p))
}

// A point's distance is that of its nearest point, which lies on the surface,
// and no support plane cuts a point of the surface off.
func TestNearestPointAndSupport(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := envelope(t, "fixture")
		p := r3.Add(e.pose.Entry, vector(15).Draw(t, "point"))
		q := e.Nearest(p)
		require.InDelta(t, math.Abs(e.SignedDistance(p)), r3.Norm(r3.Sub(p, q)), 1e-9)
		require.InDelta(t, 0, e.SignedDistance(q), 1e-9)
		dir := vector(1).Filter(func(v geom.Vec) bool { return r3.Norm(v) > 1e-3 }).Draw(t, "direction")
		s := e.support(dir)
		require.InDelta(t, 0, e.SignedDistance(s), 1e-8)
		require.GreaterOrEqual(t, r3.Dot(s, dir), r3.Dot(q, dir)-1e-8)
		// Outside, the plane through the nearest point keeps the body apart.
		if out := r3.Sub(p, q); e.SignedDistance(p) > 1e-3 {
			require.InDelta(t, r3.Dot(q, out), r3.Dot(e.support(out), out), 1e-7)
		}
	})
}

// The signed distance changes by no more than the step.
func TestSignedDistanceIsNoSteeperThanTheStep(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := envelope(t, "fixture")
		p := r3.Add(e.pose.Entry, vector(12).Draw(t, "point"))
		step := vector(2).Draw(t, "step")
		change := e.SignedDistance(r3.Add(p, step)) - e.SignedDistance(p)
		require.LessOrEqual(t, math.Abs(change), r3.Norm(step)+1e-9)
	})
}
