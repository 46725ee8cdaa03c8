package registration

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// region is the part of the planning scan that moves with the fixtures' jaw
// and was there before them.
type region struct {
	targets []Target
	centre  geom.Vec // middle of the fixtures
	apical  geom.Vec // unit, from the occlusal plane into the jaw
	radius  float64  // mm about the fixtures' middles
}

const (
	// regionRadius, mm: half an arch. Farther bone steadies the turn little and
	// brings in more of what else moves.
	regionRadius = 25.0
	// openingSlope: how far the region's coronal border sinks per mm away from
	// the fixture. The apical direction is known to some 12° (see newRegion),
	// whose tangent this is.
	openingSlope = 0.2
	// coronalReach, mm coronal of the platform that surely is still this jaw:
	// the opposing teeth stand at least a crown's height away.
	coronalReach = 2.0
	// changed, mm beyond the planned fixture's surface, that surgery, another
	// place than planned, or a healing socket may have changed.
	changed = 1.0
)

// newRegion places the region. The apical direction is half way between the
// fixtures' axes, which may be tilted on purpose, and the patient's vertical,
// from which the head may be turned; so either error counts half.
func newRegion(targets []Target, jaw Jaw) *region {
	r := &region{targets: targets, radius: regionRadius}
	axis := geom.Vec{}
	for _, t := range targets {
		mid := r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex))
		r.centre = r3.Add(r.centre, r3.Scale(1/float64(len(targets)), mid))
		axis = r3.Add(axis, t.Planned.Axis())
	}
	down := geom.Vec{Z: -1}
	if jaw == Upper {
		down.Z = 1
	}
	r.apical = r3.Unit(r3.Add(r3.Unit(axis), down))
	return r
}

// points are where the region's box is spanned.
func (r *region) points() []geom.Vec {
	var p []geom.Vec
	for _, t := range r.targets {
		p = append(p, r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex)))
	}
	return p
}

// contains tells whether p is near a fixture, on its jaw's side, and outside
// of every planned fixture.
func (r *region) contains(p geom.Vec) bool {
	near := false
	for _, t := range r.targets {
		d := r3.Sub(p, t.Planned.Entry)
		depth := r3.Dot(d, r.apical)
		lateral := math.Sqrt(max(0, r3.Norm2(d)-depth*depth))
		mid := r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex))
		if r3.Norm(r3.Sub(p, mid)) <= r.radius {
			if depth < openingSlope*lateral-coronalReach {
				continue
			}
			near = true
		}
		axis := t.Planned.Axis()
		along := r3.Dot(d, axis)
		across := math.Sqrt(max(0, r3.Norm2(d)-along*along))
		if across < t.Diameter/2+changed && along > -5 && along < t.Planned.Length()+changed {
			return false
		}
	}
	return near
}
