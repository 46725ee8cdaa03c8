package clearance

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/geom"
)

// Shape is a fixture's envelope without its place: a body of revolution with a
// flat platform, a straight wall and a flat apex whose edge is rounded.
type Shape struct {
	Diameter float64 // outer thread diameter at the platform, mm
	Taper    float64 // radius at the apex, before rounding, over that at the platform, above 0 to 1
	Round    float64 // radius of the rounded apical edge, mm; no more than half the length
}

// usualRound is the rounding of the apical edge where only diameter and length
// are known, mm. Common practice, no source: the edge is rounded by half a
// millimetre to a millimetre and the thread runs out over the last turn, which
// together takes away as much as a rounding of 0.5 to 1.3 mm does; this is the
// middle. A rounding that is off by 0.4 mm changes the distance to a structure
// diagonally off the edge by 0.4·(√2 − 1) = 0.17 mm, and to one straight ahead
// or beside not at all.
const usualRound = 0.9

// Nominal is the shape that follows from a diameter alone: no taper, which gives the
// smaller clearance where there is one, and the usual rounding. The placed fixture
// has it too, though its fit sees a taper: the envelope is defined by the outer
// thread diameter, planned and placed are to be compared in one shape, and a taper
// seen through the blur of a scan would make the clearance larger than is sure.
func Nominal(diameter float64) Shape {
	return Shape{Diameter: diameter, Taper: 1, Round: min(usualRound, diameter/4)}
}

// Envelope is a shape at a place: a convex body.
type Envelope struct {
	pose geom.Pose
	axis geom.Vec

	// In the half plane of radius and height over the platform: the platform's
	// rim is (radius, 0), the rounding a circle about (flat, height−round) that
	// the wall touches, with its outer normal, at the point (touch).
	radius, height, flat, round float64
	normal, touch               [2]float64
}

// Place puts a shape where a fixture lies; the pose gives the length.
//
// Errors: a pose without an axis, and a size that no body has.
func (s Shape) Place(p geom.Pose) (Envelope, error) {
	if err := deviation.Check(p); err != nil {
		return Envelope{}, err
	}
	l := p.Length()
	apical := s.Diameter / 2 * s.Taper
	if !(s.Diameter > 0 && s.Diameter < math.Inf(1) && s.Taper > 0 && s.Taper <= 1 && s.Round >= 0 && s.Round <= min(apical, l/2)) {
		return Envelope{}, fmt.Errorf("no fixture has a diameter of %g mm, a taper of %g and an apex rounded by %g mm on a length of %.1f mm", s.Diameter, s.Taper, s.Round, l)
	}
	e := Envelope{pose: p, axis: p.Axis(), radius: s.Diameter / 2, height: l, flat: apical - s.Round, round: s.Round}
	// The normal n of the wall has n·(rim − centre) = round.
	dr, dz := e.radius-e.flat, -(l - s.Round)
	far := math.Hypot(dr, dz)
	cos := s.Round / far
	sin := math.Sqrt(max(0, 1-cos*cos))
	e.normal = [2]float64{(cos*dr - sin*dz) / far, (cos*dz + sin*dr) / far}
	e.touch = [2]float64{e.flat + s.Round*e.normal[0], l - s.Round + s.Round*e.normal[1]}
	return e, nil
}

// Pose is where the envelope lies.
func (e *Envelope) Pose() geom.Pose { return e.pose }

// RadiusAt is the envelope's radius at a height over the platform, mm; at heights that it
// does not have, that of the nearer end.
func (e *Envelope) RadiusAt(z float64) float64 {
	z = min(max(z, 0), e.height)
	if z <= e.touch[1] {
		return e.radius + (e.touch[0]-e.radius)*z/e.touch[1]
	}
	off := z - (e.height - e.round)
	return e.flat + math.Sqrt(max(0, e.round*e.round-off*off))
}

// onAxis is the distance from the axis, mm, and the sine of the angle to it,
// under which the way out from the axis is rounding.
const onAxis = 1e-9

// SignedDistance is the distance from the envelope's surface to p, negative
// inside.
func (e *Envelope) SignedDistance(p geom.Vec) float64 {
	r, z, _ := e.meridian(p)
	d, _, _ := e.meridianDistance(r, z)
	return d
}

// Nearest is the point of the envelope's surface nearest to p.
func (e *Envelope) Nearest(p geom.Vec) geom.Vec {
	r, z, across := e.meridian(p)
	out := e.radialUnit(across)
	if r == 0 {
		out, _ = geom.Perpendicular(e.axis)
	}
	_, r, z = e.meridianDistance(r, z)
	return r3.Add(e.pose.Entry, r3.Add(r3.Scale(r, out), r3.Scale(z, e.axis)))
}

// nearestInside is the point of the solid envelope nearest to p.
func (e *Envelope) nearestInside(p geom.Vec) geom.Vec {
	if e.SignedDistance(p) <= 0 {
		return p
	}
	return e.Nearest(p)
}

// meridian gives a point's radius and height in its half plane, and the vector from the
// axis to it.
func (e *Envelope) meridian(p geom.Vec) (r, z float64, across geom.Vec) {
	d := r3.Sub(p, e.pose.Entry)
	z = r3.Dot(d, e.axis)
	across = r3.Sub(d, r3.Scale(z, e.axis))
	r = math.Sqrt(r3.Norm2(across))
	if r < onAxis {
		return 0, z, geom.Vec{}
	}
	return r, z, across
}

// radialUnit is the unit vector of a vector across the axis. Of a short one
// rounding leaves a part along the axis, which a second pass removes.
func (e *Envelope) radialUnit(across geom.Vec) geom.Vec {
	u := r3.Unit(across)
	return r3.Unit(r3.Sub(u, r3.Scale(r3.Dot(u, e.axis), e.axis)))
}

// meridianDistance is the signed distance in the half plane, and the nearest point of the
// outline. Of a body of revolution the nearest point lies in the half plane
// of the point itself.
func (e *Envelope) meridianDistance(r, z float64) (d, nr, nz float64) {
	square := math.Inf(1)
	consider := func(r2, z2 float64) {
		if s := (r-r2)*(r-r2) + (z-z2)*(z-z2); s < square {
			square, nr, nz = s, r2, z2
		}
	}
	consider(min(r, e.radius), 0)
	wr, wz := e.touch[0]-e.radius, e.touch[1]
	t := max(0, min(1, ((r-e.radius)*wr+z*wz)/(wr*wr+wz*wz)))
	consider(e.radius+t*wr, t*wz)
	consider(min(r, e.flat), e.height)

	inside := z > 0 && z < e.height && (r-e.radius)*e.normal[0]+z*e.normal[1] < 0
	// On the rounding, from the wall's normal to the axis' direction.
	cr, cz := r-e.flat, z-(e.height-e.round)
	if cr > 0 && cr*e.normal[1]-cz*e.normal[0] < 0 {
		if far := math.Hypot(cr, cz); far > 0 {
			consider(e.flat+e.round*cr/far, e.height-e.round+e.round*cz/far)
			inside = inside && far < e.round
		}
	}
	if inside {
		return -math.Sqrt(square), nr, nz
	}
	return math.Sqrt(square), nr, nz
}

// support is the envelope's point farthest in a direction, which need not be a
// unit vector.
func (e *Envelope) support(dir geom.Vec) geom.Vec {
	along := r3.Dot(dir, e.axis)
	across := r3.Sub(dir, r3.Scale(along, e.axis))
	u := math.Sqrt(r3.Norm2(across))
	long := math.Hypot(u, along)
	out := geom.Vec{}
	if u > onAxis*long {
		out = e.radialUnit(across)
	}
	if u*e.radius >= u*e.flat+along*(e.height-e.round)+e.round*long {
		return r3.Add(e.pose.Entry, r3.Scale(e.radius, out))
	}
	centre := r3.Add(r3.Scale(e.flat, out), r3.Scale(e.height-e.round, e.axis))
	if long > 0 {
		centre = r3.Add(centre, r3.Scale(e.round/long, dir))
	}
	return r3.Add(e.pose.Entry, centre)
}
