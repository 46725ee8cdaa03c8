package clearance

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// support gives the point of a convex body farthest in a direction.
type support func(geom.Vec) geom.Vec

// supportPoint is a point w = a − b of the Minkowski difference of two bodies, with the
// points that it is the difference of.
type supportPoint struct{ w, a, b geom.Vec }

const (
	// distanceTolerance is how much longer than the true distance the found one may be, mm.
	// Between bodies that nearly touch rounding may end the search earlier; it
	// was never seen to be off by more than 0.002 mm then.
	distanceTolerance = 1e-8
	// touching is the distance under which two bodies count as touching, mm:
	// coordinates of a few hundred millimetres have rounding of 1e-13.
	touching = 1e-9
	// maxSteps bounds the search. A round body takes some twenty steps; a pair
	// that lies along each other some fifty.
	maxSteps = 400
)

// convexDistance is the distance between two convex bodies, mm, and the nearest points;
// zero where they touch or overlap, and then a point near both.
//
// Method: E. G. Gilbert, D. W. Johnson and S. S. Keerthi, A fast procedure for
// computing the distance between complex objects in three-dimensional space,
// IEEE J Robotics Automat 1988; 4:193, on support functions, so that round
// bodies are exact. It ends when the distance and the lower bound that the last
// support plane gives differ by less than distanceTolerance.
func convexDistance(a, b support, start geom.Vec) (d float64, onA, onB geom.Vec) {
	at := func(dir geom.Vec) supportPoint {
		p, q := a(dir), b(r3.Scale(-1, dir))
		return supportPoint{w: r3.Sub(p, q), a: p, b: q}
	}
	if r3.Norm2(start) == 0 {
		start = geom.Vec{X: 1}
	}
	var s simplex
	s.add(at(start))
	v, onA, onB := s.at[0].w, s.at[0].a, s.at[0].b
	for range maxSteps {
		d = r3.Norm(v)
		if d < touching {
			return 0, onA, onB
		}
		next := at(r3.Scale(-1, v))
		if d-r3.Dot(v, next.w)/d < distanceTolerance {
			break
		}
		s.add(next)
		used, weight := nearestToOrigin(s)
		nv, na, nb := geom.Vec{}, geom.Vec{}, geom.Vec{}
		for i, c := range used.at[:used.n] {
			nv = r3.Add(nv, r3.Scale(weight[i], c.w))
			na = r3.Add(na, r3.Scale(weight[i], c.a))
			nb = r3.Add(nb, r3.Scale(weight[i], c.b))
		}
		if used.n == 4 { // the origin is inside
			return 0, na, nb
		}
		if r3.Norm2(nv) >= d*d { // rounding lets it come no nearer
			break
		}
		s, v, onA, onB = used, nv, na, nb
	}
	return d, onA, onB
}

// simplex is the hull of up to four points.
type simplex struct {
	at [4]supportPoint
	n  int
}

func (f *simplex) add(c supportPoint) {
	f.at[f.n] = c
	f.n++
}

// nearestToOrigin finds the point of a simplex nearest to the origin, as the face that it
// lies in and its barycentric coordinates there: the best of all faces.
func nearestToOrigin(s simplex) (best simplex, bestWeight [4]float64) {
	bestSquare := math.Inf(1)
	for mask := 1; mask < 1<<s.n; mask++ {
		var part simplex
		for i := range s.n {
			if mask>>i&1 == 1 {
				part.add(s.at[i])
			}
		}
		weight, ok := barycentric(&part)
		if !ok {
			continue
		}
		p := geom.Vec{}
		for i, c := range part.at[:part.n] {
			p = r3.Add(p, r3.Scale(weight[i], c.w))
		}
		square := r3.Norm2(p)
		if part.n == 4 {
			square = 0
		}
		if square < bestSquare {
			best, bestWeight, bestSquare = part, weight, square
		}
	}
	return best, bestWeight
}

// barycentric gives the coordinates of the point nearest to the origin in the affine hull
// of a face; ok reports whether it lies in the face itself.
func barycentric(f *simplex) (w [4]float64, ok bool) {
	a := f.at[0].w
	switch f.n {
	case 1:
		return [4]float64{1}, true
	case 2:
		ab := r3.Sub(f.at[1].w, a)
		long := r3.Norm2(ab)
		if long == 0 {
			return w, false
		}
		t := -r3.Dot(a, ab) / long
		return [4]float64{1 - t, t}, t > 0 && t < 1
	case 3:
		b, c := f.at[1].w, f.at[2].w
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		area := r3.Norm2(n)
		if area == 0 {
			return w, false
		}
		// Weights as shares of the area, by the triangle products with n.
		u := r3.Dot(r3.Cross(b, c), n) / area
		v := r3.Dot(r3.Cross(c, a), n) / area
		return [4]float64{u, v, 1 - u - v}, u > 0 && v > 0 && u+v < 1
	}
	b, c, d := f.at[1].w, f.at[2].w, f.at[3].w
	volume := r3.Dot(r3.Sub(b, a), r3.Cross(r3.Sub(c, a), r3.Sub(d, a)))
	if volume == 0 {
		return w, false
	}
	// The share of a corner is the volume with the origin in its place.
	w[0] = r3.Dot(b, r3.Cross(c, d)) / volume
	w[1] = -r3.Dot(a, r3.Cross(c, d)) / volume
	w[2] = r3.Dot(a, r3.Cross(b, d)) / volume
	w[3] = 1 - w[0] - w[1] - w[2]
	return w, w[0] > 0 && w[1] > 0 && w[2] > 0 && w[3] > 0
}
