package wording

import (
	"fmt"
	"math"
	"strings"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Near is where a planned fixture comes nearest to a structure.
type Near struct {
	Structure              string
	Distance               float64  // mm, negative inside the structure
	Margin                 *float64 // mm asked for; nil where none is
	Found                  bool     // the planning scan shows it; or it is as drawn
	OnFixture, OnStructure geom.Vec // patient coordinates, LPS
	Planned                geom.Pose
}

const (
	// atEnd is how far from the apex, along the axis, what is nearest counts as the
	// apex, and likewise as the platform, mm: the rounding of the apical end.
	atEnd = 2.0
	// plainlyAbove is the angle from the vertical, degrees, within which one thing
	// lies above another.
	plainlyAbove = 45.0
	// touching is a distance that two decimals would show as nothing, mm.
	touching = 0.005
)

// Text says which part of the fixture is nearest, how near, and on which side, as in
// "apex 2.2 mm above the right mandibular canal as drawn".
func (n Near) Text() string {
	along := r3.Dot(r3.Sub(n.OnFixture, n.Planned.Entry), n.Planned.Axis())
	part := "side"
	switch {
	case along > n.Planned.Length()-atEnd:
		part = "apex"
	case along < atEnd:
		part = "platform"
	}
	name := n.Structure
	if first, _, _ := strings.Cut(name, " "); first == "left" || first == "right" {
		name = "the " + name
	}
	if n.Found {
		name += " as the scan shows it"
	} else {
		name += " as drawn"
	}
	switch {
	case math.Abs(n.Distance) < touching:
		return fmt.Sprintf("%s touches %s", part, name)
	case n.Distance < 0:
		return fmt.Sprintf("%s %.1f mm inside %s", part, -n.Distance, name)
	case n.Margin == nil || n.Distance >= *n.Margin:
		return fmt.Sprintf("%s %.1f mm %s %s", part, n.Distance, n.side(), name)
	}
	return fmt.Sprintf("%s %.2f mm %s %s, less than the margin of %g mm", part, n.Distance, n.side(), name, *n.Margin)
}

// side is where the fixture lies as seen from the structure.
func (n Near) side() string {
	up := r3.Sub(n.OnFixture, n.OnStructure)
	switch angle := geom.Degrees(math.Atan2(math.Hypot(up.X, up.Y), math.Abs(up.Z))); {
	case angle > plainlyAbove:
		return "from"
	case up.Z > 0:
		return "above"
	}
	return "below"
}
