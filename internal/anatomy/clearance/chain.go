package clearance

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Chain is a centre line with a radius at each point: the union of the balls
// along it, with the radius linear between points. A single point is a ball.
type Chain struct {
	points   []geom.Vec
	radius   []float64
	segments []segment
}

// segment is a part of a chain, made ready for nearest; a single point is one of no length.
type segment struct {
	from           geom.Vec
	along          geom.Vec // unit vector; zero where there is no length
	length, radius float64
	slope          float64 // of the radius
	root           float64 // of 1 less the slope's square

	middle geom.Vec // of a ball that encloses the segment with its radii
	within float64  // its radius
}

// farther reports whether the segment's surface lies farther than d from p, beyond rounding.
func (s *segment) farther(p geom.Vec, d float64) bool {
	const rounding = 1e-6 // mm: far above that of coordinates of a metre, and of no length that matters
	reach := max(0, s.within+d+rounding)
	return r3.Norm2(r3.Sub(p, s.middle)) > reach*reach
}

// NewChain makes a chain from one or more points and a radius for each, mm, or
// one for all.
//
// Errors: no points, another number of radii, a radius that is negative or not
// finite, a point that is not finite.
func NewChain(points []geom.Vec, radius []float64) (*Chain, error) {
	if len(points) == 0 {
		return nil, errors.New("a centre line needs one or more points")
	}
	c := &Chain{points: points, radius: radius}
	if len(radius) == 1 {
		c.radius = make([]float64, len(points))
		for i := range c.radius {
			c.radius[i] = radius[0]
		}
	}
	if len(c.radius) != len(points) {
		return nil, fmt.Errorf("a centre line of %d points has %d radii; give one, or one a point", len(points), len(radius))
	}
	for i, p := range points {
		if !geom.Finite(p) || !(c.radius[i] >= 0 && c.radius[i] < math.Inf(1)) {
			return nil, fmt.Errorf("point %d of a centre line is not finite or has a radius of %g mm", i+1, c.radius[i])
		}
	}
	c.prepare()
	return c, nil
}

// prepare computes the segments.
func (c *Chain) prepare() {
	c.segments = make([]segment, max(1, len(c.points)-1))
	for i := range c.segments {
		next := min(i+1, len(c.points)-1)
		s := segment{from: c.points[i], radius: c.radius[i]}
		ab := r3.Sub(c.points[next], s.from)
		if s.length = r3.Norm(ab); s.length > 0 {
			s.along = r3.Scale(1/s.length, ab)
			s.slope = (c.radius[next] - s.radius) / s.length
			s.root = math.Sqrt(max(0, 1-s.slope*s.slope))
		}
		s.middle, s.within = r3.Add(s.from, r3.Scale(0.5, ab)), s.length/2+max(s.radius, c.radius[next])
		c.segments[i] = s
	}
}

// clearance is exact: over the whole envelope the distance to a ball of the
// chain is least where the ball's centre is nearest. Once the centre line itself
// is inside, the depth is the radius there.
//
// Method: along a segment the distance from a convex body is a convex function,
// and the radius is linear, so that the difference is unimodal; a golden section
// search finds its minimum (J. Kiefer, Sequential minimax search for a
// maximum, Proc Am Math Soc 1953; 4:502).
func (c *Chain) clearance(e *Envelope) Clearance {
	best := math.Inf(1)
	var centre geom.Vec
	var radius float64
	for i := range max(1, len(c.points)-1) {
		a, b := c.points[i], c.points[min(i+1, len(c.points)-1)]
		ra, rb := c.radius[i], c.radius[min(i+1, len(c.points)-1)]
		ab := r3.Sub(b, a)
		point := func(t float64) geom.Vec { return r3.Add(a, r3.Scale(t, ab)) }
		gapAt := func(t float64) float64 {
			return max(0, e.SignedDistance(point(t))) - ra - t*(rb-ra)
		}
		// No ball of the segment is nearer than the middle one less half the
		// length and half the change of radius.
		if gapAt(0.5)-(r3.Norm(ab)+math.Abs(rb-ra))/2 >= best {
			continue
		}
		t := minimise(gapAt)
		if g := gapAt(t); g < best {
			best, centre, radius = g, point(t), ra+t*(rb-ra)
		}
	}
	out := Clearance{Distance: best, OnFixture: e.nearestInside(centre), OnStructure: centre}
	if off := r3.Sub(out.OnFixture, centre); r3.Norm(off) > 0 {
		out.OnStructure = r3.Add(centre, r3.Scale(radius, r3.Unit(off)))
	}
	return out
}

// minimise gives the argument of the minimum over 0 to 1 of a unimodal function, to 10⁻¹⁰,
// by golden section search. Both ends are tried as well, where a monotonic function has
// its minimum.
func minimise(f func(float64) float64) float64 {
	golden := (math.Sqrt(5) - 1) / 2
	low, high := 0.0, 1.0
	x, y := high-golden*(high-low), low+golden*(high-low)
	fx, fy := f(x), f(y)
	for range 48 { // 0.618⁴⁸ = 10⁻¹⁰
		if fx < fy {
			high, y, fy = y, x, fx
			x = high - golden*(high-low)
			fx = f(x)
		} else {
			low, x, fx = x, y, fy
			y = low + golden*(high-low)
			fy = f(y)
		}
	}
	best := (low + high) / 2
	for _, t := range []float64{0, 1} {
		if f(t) < f(best) {
			best = t
		}
	}
	return best
}

// SignedDistance is the distance from the chain's surface to p, negative inside. It
// is exact on and outside the surface.
func (c *Chain) SignedDistance(p geom.Vec) float64 {
	d, _ := c.nearest(p)
	return d
}

// nearest is the signed distance to p, and where along the centre line the ball that comes
// nearest to it has its centre: points before it, and the share of the next segment.
//
// Method: the ball of a segment that comes nearest to p lies where the gradients of
// the distance to its centre and of its radius along the segment cancel.
func (c *Chain) nearest(p geom.Vec) (distance, place float64) {
	distance = math.Inf(1)
	for i := range c.segments {
		s := &c.segments[i]
		if s.farther(p, distance) {
			continue
		}
		if d, at := s.nearest(p); d < distance {
			distance, place = d, float64(i)
			if s.length > 0 {
				place += at / s.length
			}
		}
	}
	return distance, place
}

// nearest is the signed distance from the segment's surface to p, and how far along it the
// nearest ball has its centre, mm.
func (s *segment) nearest(p geom.Vec) (distance, at float64) {
	centre := s.from
	if s.length > 0 {
		foot := r3.Dot(r3.Sub(p, s.from), s.along)
		switch {
		case s.slope >= 1:
			at = s.length
		case s.slope <= -1:
			at = 0
		default:
			beside := r3.Norm(r3.Sub(p, r3.Add(s.from, r3.Scale(foot, s.along))))
			at = min(max(foot+beside*s.slope/s.root, 0), s.length)
		}
		centre = r3.Add(s.from, r3.Scale(at, s.along))
	}
	return r3.Norm(r3.Sub(p, centre)) - s.radius - s.slope*at, at
}

// Flattened is the chain as it is seen along a unit vector: its balls' centres moved along
// it into the plane through a point.
func (c *Chain) Flattened(through, along geom.Vec) *Chain {
	out := &Chain{points: make([]geom.Vec, len(c.points)), radius: c.radius}
	for i, p := range c.points {
		out.points[i] = r3.Sub(p, r3.Scale(r3.Dot(r3.Sub(p, through), along), along))
	}
	out.prepare()
	return out
}

// DepthAt is how far before the plane that a chain was flattened into the ball lies that
// comes nearest, as it is seen, to a point of that plane; mm along the same vector.
func (c *Chain) DepthAt(flat *Chain, p, through, along geom.Vec) float64 {
	_, place := flat.nearest(p)
	i := int(place)
	share := place - float64(i)
	next := min(i+1, len(c.points)-1)
	centre := r3.Add(c.points[i], r3.Scale(share, r3.Sub(c.points[next], c.points[i])))
	return r3.Dot(r3.Sub(centre, through), along)
}
