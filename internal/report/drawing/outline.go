package drawing

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
)

// Cut is the outline of a fixture's envelope in a plane: a closed line in mm to
// the right and up from the plane's centre; nil where the plane misses it.
//
// Method: the envelope is a body of revolution. At height z over the platform
// the plane is at q(z) = (h − z·cosγ)/sinγ from the axis, with γ the angle
// between axis and normal and h the plane's distance from the entry point, and
// cuts the circle of radius R(z) in a chord of half length √(R² − q²). |q| − R is
// convex in z, so the chords fill one interval.
func Cut(e *clearance.Envelope, p Plane) [][2]float64 {
	pose := e.Pose()
	a, n := pose.Axis(), p.Normal()
	length := pose.Length()
	h := r3.Dot(r3.Sub(p.Centre, pose.Entry), n)
	cos := r3.Dot(n, a)
	out := r3.Sub(n, r3.Scale(cos, a))
	sin := r3.Norm(out)
	if sin < 1e-9 {
		out, _ = geom.Perpendicular(a)
	} else {
		out = r3.Scale(1/sin, out)
	}
	side := r3.Cross(a, out)
	point := func(z, q, s float64) [2]float64 {
		x, y := p.On(r3.Add(pose.Entry, r3.Add(r3.Scale(z, a), r3.Add(r3.Scale(q, out), r3.Scale(s, side)))))
		return [2]float64{x, y}
	}
	if sin < 1e-9 {
		z := h / cos
		if z < -1e-9 || z > length+1e-9 {
			return nil
		}
		r := radiusAt(e, z)
		ring := make([][2]float64, 0, steps)
		for i := range steps {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / steps)
			ring = append(ring, point(z, r*cos, r*sin))
		}
		return ring
	}
	q := func(z float64) float64 { return (h - cos*z) / sin }
	over := func(z float64) float64 { return math.Abs(q(z)) - radiusAt(e, z) }
	inside := lowest(over, 0, length)
	if over(inside) >= 0 {
		return nil
	}
	first, last := edge(over, inside, 0), edge(over, inside, length)
	ring := make([][2]float64, 2*steps)
	for i := range steps {
		// Closest at both ends, where the outline turns.
		z := first + (last-first)*(1-math.Cos(math.Pi*float64(i)/(steps-1)))/2
		r, off := radiusAt(e, z), q(z)
		half := math.Sqrt(max(0, r*r-off*off))
		ring[i] = point(z, off, half)
		ring[2*steps-1-i] = point(z, off, -half)
	}
	return ring
}

// steps is the number of chords of a cut: 0.02 mm between an outline and its
// corners on a body of 4 mm.
const steps = 72

// radiusAt is the envelope's radius at height z over the platform.
func radiusAt(e *clearance.Envelope, z float64) float64 {
	pose := e.Pose()
	a := pose.Axis()
	z = min(max(z, 1e-6), pose.Length()-1e-6)
	out, _ := geom.Perpendicular(a)
	at := r3.Add(pose.Entry, r3.Scale(z, a))
	low, high := 0.0, 50.0 // no fixture is as wide, mm
	for range 40 {
		mid := (low + high) / 2
		if e.SignedDistance(r3.Add(at, r3.Scale(mid, out))) <= 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return low
}

// lowest is where the convex function f is least between a and b.
func lowest(f func(float64) float64, a, b float64) float64 {
	for range 100 {
		l, r := a+(b-a)/3, b-(b-a)/3
		if f(l) < f(r) {
			b = r
		} else {
			a = l
		}
	}
	return (a + b) / 2
}

// edge is the last point from inside towards end where f stays below zero.
func edge(f func(float64) float64, inside, end float64) float64 {
	if f(end) <= 0 {
		return end
	}
	for range 50 {
		mid := (inside + end) / 2
		if f(mid) < 0 {
			inside = mid
		} else {
			end = mid
		}
	}
	return inside
}
