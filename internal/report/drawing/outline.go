package drawing

import (
	"math"
	"slices"

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
		r := e.RadiusAt(z)
		ring := make([][2]float64, 0, steps)
		for i := range steps {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / steps)
			ring = append(ring, point(z, r*cos, r*sin))
		}
		return ring
	}
	q := func(z float64) float64 { return (h - cos*z) / sin }
	over := func(z float64) float64 { return math.Abs(q(z)) - e.RadiusAt(z) }
	inside := lowest(over, 0, length)
	if over(inside) >= 0 {
		return nil
	}
	first, last := edge(over, inside, 0), edge(over, inside, length)
	ring := make([][2]float64, 2*steps)
	for i := range steps {
		// Closest at both ends, where the outline turns.
		z := first + (last-first)*(1-math.Cos(math.Pi*float64(i)/(steps-1)))/2
		r, off := e.RadiusAt(z), q(z)
		half := math.Sqrt(max(0, r*r-off*off))
		ring[i] = point(z, off, half)
		ring[2*steps-1-i] = point(z, off, -half)
	}
	return ring
}

// steps is the number of chords of a cut: 0.02 mm between an outline and its
// corners on a body of 4 mm.
const steps = 72

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

// simplest is how far a line on paper may lie from what it stands for, mm: a tenth of the
// thinnest line. A coarser one would show as corners.
const simplest = 0.04

// simplified leaves out points of a line on paper that lie within simplest of it without
// them; most of a page with cuts would be such points.
//
// Method: D. H. Douglas and T. K. Peucker, Cartographica 1973; 10:112. A closed line is
// one that comes back to its first point.
func simplified(points []Point, closed bool) []Point {
	if !closed || len(points) < 3 {
		return fewer(points)
	}
	back := fewer(append(points[:len(points):len(points)], points[0]))
	return back[:len(back)-1]
}

// fewer is simplified of an open line.
func fewer(points []Point) []Point {
	if len(points) < 3 {
		return points
	}
	first, last := points[0], points[len(points)-1]
	dx, dy := last.X-first.X, last.Y-first.Y
	length := math.Hypot(dx, dy)
	worst, at := 0.0, 0
	for i, p := range points[1 : len(points)-1] {
		off := math.Hypot(p.X-first.X, p.Y-first.Y)
		if length > 0 {
			off = math.Abs((p.X-first.X)*dy-(p.Y-first.Y)*dx) / length
		}
		if off > worst {
			worst, at = off, i+1
		}
	}
	if worst <= simplest {
		return []Point{first, last}
	}
	return slices.Concat(fewer(points[:at+1]), fewer(points[at:])[1:])
}
