package series

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// Plan is what is sealed before surgery: the case file's hash, and what it
// planned, so that a later look can tell a changed plan from an edited comment.
type Plan struct {
	SHA256    string           `json:"sha256"` // of the case file
	Clinician string           `json:"clinician"`
	Placed    string           `json:"placed"` // the date of surgery as planned
	Frame     string           `json:"frame"`  // of the coordinates, as in the case file
	Fixtures  []PlannedFixture `json:"fixtures"`
}

// PlannedFixture is one fixture of a plan; entry and apex are in the plan's frame.
type PlannedFixture struct {
	Site     string     `json:"site"`
	Guidance string     `json:"guidance,omitempty"`
	Entry    [3]float64 `json:"entry"`
	Apex     [3]float64 `json:"apex"`
	Diameter float64    `json:"diameter"`
	Length   float64    `json:"length"`
}

// PlanOf is the plan of a case file, in the frame that the case is in.
func PlanOf(c *casefile.Case) Plan {
	p := Plan{SHA256: c.PlanSHA256, Clinician: c.Clinician, Placed: c.Placed, Frame: string(c.Frame)}
	for _, f := range c.Fixtures {
		p.Fixtures = append(p.Fixtures, PlannedFixture{
			Site: f.Site.String(), Guidance: string(f.Guidance),
			Entry: vec3(f.Planned.Entry), Apex: vec3(f.Planned.Apex),
			Diameter: f.Diameter, Length: f.Length,
		})
	}
	return p
}

func vec3(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// samePlan is how far coordinates may differ and count as the same, mm: more
// than rounding on the way through a frame, less than any planned change.
const samePlan = 1e-6

// planChange says what became of a plan between its seal and the measurement.
type planChange int

const (
	planKept    planChange = iota // the very file
	planEdited                    // another file with the same planned fixtures
	planMoved                     // other planned fixtures
	planUnknown                   // another file, and its coordinates cannot be compared
)

// changed compares the plan with a measurement made later; what is the first
// difference in words.
func (p *Plan) changed(m *measurement.Case) (c planChange, what string) {
	if p.SHA256 == m.Inputs.PlanSHA256 {
		return planKept, ""
	}
	frame := casefile.Frame(p.Frame)
	if frame == casefile.Corner {
		return planUnknown, "its coordinates count from the corner of the planning scan and cannot be compared"
	}
	if len(p.Fixtures) != len(m.Fixtures) {
		return planMoved, fmt.Sprintf("%d fixtures were sealed, %d measured", len(p.Fixtures), len(m.Fixtures))
	}
	for _, f := range p.Fixtures {
		i := 0
		for i < len(m.Fixtures) && m.Fixtures[i].Site != f.Site {
			i++
		}
		if i == len(m.Fixtures) {
			return planMoved, fmt.Sprintf("the fixture at site %s was sealed and not measured", f.Site)
		}
		now := m.Fixtures[i].Planned
		moved := math.Max(distanceBetween(frame, f.Entry, now.Entry), distanceBetween(frame, f.Apex, now.Apex))
		switch {
		case moved > samePlan:
			return planMoved, fmt.Sprintf("the planned fixture at site %s moved by %.2f mm", f.Site, moved)
		case math.Abs(f.Diameter-now.Diameter) > samePlan || math.Abs(f.Length-now.Length) > samePlan:
			return planMoved, fmt.Sprintf("the planned fixture at site %s has another size", f.Site)
		}
	}
	return planEdited, "the planned fixtures are the same"
}

// distanceBetween is the distance of a sealed point in its frame and a measured one in LPS.
func distanceBetween(frame casefile.Frame, sealed, measured [3]float64) float64 {
	p := frame.ToLPS(geom.Vec{X: sealed[0], Y: sealed[1], Z: sealed[2]}, volume.Grid{})
	return math.Hypot(math.Hypot(p.X-measured[0], p.Y-measured[1]), p.Z-measured[2])
}
