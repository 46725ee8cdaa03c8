// Package deviation states how far a placed fixture lies from its plan.
//
// Conventions: poses are in one frame, the planning scan's, mm. Lengths are mm
// and angles radians; the figures that Of gives are in the units in which they are
// stored, mm and degrees, by Stored. Depth is along the planned axis at both ends, + = deeper than
// planned; mesial and buccal parts are + to mesial and to buccal. Start with Of;
// Site gives the directions of a site.
//
// Limits: the lateral deviation is the distance from the placed point to the
// planned axis. Some of the literature takes instead where the placed axis meets
// the plane through the planned point; the two differ by about |depth|·tan(angle).
package deviation

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

// Directions are the mesial and the buccal (labial) unit vector of a site,
// perpendicular to the planned axis and to each other.
type Directions struct {
	Mesial, Buccal geom.Vec
	Uncertainty    float64 // standard uncertainty of their turn about the planned axis, radians; 0 where they are given
}

var (
	// ErrPose says that a pose has no axis.
	ErrPose = errors.New("the fixture has no axis")
	// ErrReversed says that the placed axis points coronally.
	ErrReversed = errors.New("the placed fixture points coronally")
	// ErrMesial says that a mesial direction gives no direction across the axis.
	ErrMesial = errors.New("the mesial direction is of no use")
)

// shortest is the length under which a pose is a fault, mm: no fixture is
// nearly as short, and the axis of a shorter one would be rounding.
const shortest = 0.1

// Check refuses a pose without an axis.
//
// Errors: ErrPose when an end is not finite or both ends coincide within 0.1 mm.
func Check(p geom.Pose) error {
	if !geom.Finite(p.Entry) || !geom.Finite(p.Apex) {
		return fmt.Errorf("%w: a coordinate of its entry or apex is not a finite number", ErrPose)
	}
	if l := p.Length(); l < shortest {
		return fmt.Errorf("%w: entry and apex are only %.3f mm apart", ErrPose, l)
	}
	return nil
}

// Lateral is the component of a displacement perpendicular to the planned axis
// a, a unit vector.
func Lateral(a, off geom.Vec) geom.Vec { return r3.Sub(off, r3.Scale(along(a, off), a)) }

// Part is the component of a displacement along a direction of the site, a unit
// vector perpendicular to the planned axis: + = that way.
func Part(direction, off geom.Vec) float64 { return r3.Dot(off, direction) }

// along is the component of a displacement along the planned axis a, a unit
// vector: + = deeper.
func along(a, off geom.Vec) float64 { return r3.Dot(off, a) }

// Of gives every figure of one fixture.
//
// In: planned and achieved pose in the planning frame; directions of the site,
// perpendicular to the planned axis, or nil, which leaves out the mesial and
// buccal parts.
// Errors: ErrPose, naming which of the two has no axis; ErrReversed when the
// axes are 90° or more apart, where entry and apex are exchanged in one of them
// and every figure would be wrong.
//
// Method: see formulas.
func Of(planned, achieved geom.Pose, d *Directions) (measurement.Values, error) {
	if err := Check(planned); err != nil {
		return measurement.Values{}, fmt.Errorf("planned pose: %w", err)
	}
	if err := Check(achieved); err != nil {
		return measurement.Values{}, fmt.Errorf("achieved pose: %w", err)
	}
	p := Compare(planned, achieved, d)
	if angle := angle(&p); angle >= math.Pi/2 {
		return measurement.Values{}, fmt.Errorf("%w: its axis is %.0f° from the planned one; entry and apex are exchanged in the plan or in the measurement", ErrReversed, geom.Degrees(angle))
	}
	var out measurement.Values
	for f := range measurement.FigureCount {
		if d != nil || !f.Directional() {
			out[f] = new(Stored(f, formulas[f].Value(&p)))
		}
	}
	return out, nil
}

// steepest is how near to the axis a mesial direction may lie, degrees: the
// mesial direction runs along the arch, across every sensible axis, and this
// near it is the axis itself that was written.
const steepest = 20

// Site gives the directions of a site from its planned axis and a mesial
// direction, which need be neither a unit vector nor perpendicular to the axis.
//
// Errors: ErrMesial when the direction is zero, not finite or within 20° of the
// axis either way; ErrPose.
//
// Method: Mesial is the direction made perpendicular to the axis a. Buccal is
// across both: seen along a, from the platform to the apex, it lies a quarter
// turn clockwise from mesial in quadrants 2 and 4 and anticlockwise in 1 and 3,
// since each quadrant is its neighbour's mirror image.
func Site(site tooth.Number, planned geom.Pose, mesial geom.Vec) (Directions, error) {
	if err := Check(planned); err != nil {
		return Directions{}, fmt.Errorf("planned pose: %w", err)
	}
	if !geom.Finite(mesial) || r3.Norm(mesial) == 0 {
		return Directions{}, fmt.Errorf("%w: it is zero or not finite", ErrMesial)
	}
	a := planned.Axis()
	if from := geom.Degrees(geom.Angle(a, mesial)); min(from, 180-from) < steepest {
		return Directions{}, fmt.Errorf("%w: it is %.0f° from the planned axis, but mesial lies across it", ErrMesial, from)
	}
	m := r3.Unit(Lateral(a, mesial))
	buccal := r3.Cross(a, m)
	if q := site.Quadrant(); q == 1 || q == 3 {
		buccal = r3.Scale(-1, buccal)
	}
	return Directions{Mesial: m, Buccal: buccal}, nil
}
