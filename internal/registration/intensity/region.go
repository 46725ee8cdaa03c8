package intensity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

// region is the part of the planning scan that moves with the fixtures' jaw
// and was there before them.
type region struct {
	targets []Target
	centre  geom.Vec // mean of the fixtures' middles, mm
	apical  geom.Vec // unit, from the occlusal plane into the jaw
	radius  float64  // mm about each fixture's middle
}

const (
	// regionRadius, mm: half an arch. Farther bone adds little to what determines
	// the rotation, and brings in more of what else moves.
	regionRadius = 25.0
	// coronalTaper is how far the region's coronal border recedes apically per mm
	// away from the fixture: the tangent of the 12° to which the apical direction
	// is known (see newRegion).
	coronalTaper = 0.2
	// coronalMargin, mm coronal of the platform that surely belong to this jaw: the
	// opposing teeth stand at least a crown's height away.
	coronalMargin = 2.0
	// surgicalMargin, mm beyond the planned fixture's surface, within which
	// surgery, another place than planned, or a healing socket may have changed the
	// bone.
	surgicalMargin = 1.0
	// crownMargin, mm coronal of the planned entry, within which the fixture's
	// upper parts may stand.
	crownMargin = 5.0
	// pointSpacing, mm, between the points that stand for the region where a box
	// around it is asked for.
	pointSpacing = 2.0
)

// newRegion places the region. The apical direction is half way between the
// fixtures' axes, which may be tilted on purpose, and the patient's vertical,
// from which the head may be turned; so either error counts half.
func newRegion(targets []Target, jaw tooth.Jaw) *region {
	r := &region{targets: targets, radius: regionRadius}
	axis := geom.Vec{}
	for _, t := range targets {
		mid := r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex))
		r.centre = r3.Add(r.centre, r3.Scale(1/float64(len(targets)), mid))
		axis = r3.Add(axis, t.Planned.Axis())
	}
	down := geom.Vec{Z: -1}
	if jaw == tooth.Upper {
		down.Z = 1
	}
	r.apical = r3.Unit(r3.Add(r3.Unit(axis), down))
	return r
}

// points are a grid over the region, pointSpacing apart.
func (r *region) points() []geom.Vec {
	var out []geom.Vec
	for n, t := range r.targets {
		mid := r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex))
		steps := int(math.Ceil(r.radius / pointSpacing))
		for z := -steps; z <= steps; z++ {
			for y := -steps; y <= steps; y++ {
				for x := -steps; x <= steps; x++ {
					p := r3.Add(mid, r3.Scale(pointSpacing, geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)}))
					if r.surrounds(n, p) {
						out = append(out, p)
					}
				}
			}
		}
	}
	return out
}

// surrounds reports whether p lies within the radius of fixture n and on its
// jaw's side.
func (r *region) surrounds(n int, p geom.Vec) bool {
	t := &r.targets[n]
	mid := r3.Scale(0.5, r3.Add(t.Planned.Entry, t.Planned.Apex))
	if r3.Norm2(r3.Sub(p, mid)) > r.radius*r.radius {
		return false
	}
	d := r3.Sub(p, t.Planned.Entry)
	depth := r3.Dot(d, r.apical)
	lateral := math.Sqrt(max(0, r3.Norm2(d)-depth*depth))
	return depth >= coronalTaper*lateral-coronalMargin
}

// contains reports whether p lies around a fixture and lies outside of every planned
// one with its margins.
func (r *region) contains(p geom.Vec) bool {
	near := false
	for n, t := range r.targets {
		near = near || r.surrounds(n, p)
		d := r3.Sub(p, t.Planned.Entry)
		axis := t.Planned.Axis()
		along := r3.Dot(d, axis)
		across := math.Sqrt(max(0, r3.Norm2(d)-along*along))
		if across < t.Diameter/2+surgicalMargin && along > -crownMargin && along < t.Planned.Length()+surgicalMargin {
			return false
		}
	}
	return near
}
