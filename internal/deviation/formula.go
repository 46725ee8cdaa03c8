package deviation

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// Ends are displacements, or errors, of a fixture's entry and apex, mm.
type Ends struct{ Entry, Apex geom.Vec }

// Placement is an achieved fixture against its plan, from which every figure
// follows.
type Placement struct {
	Planned, Achieved geom.Vec // axes, unit vectors
	Length            float64  // of the achieved fixture, mm
	Off               Ends     // achieved minus planned
	Directions        Directions
}

// Compare makes the placement of two poses that Check accepts; d may be nil,
// which leaves the directions zero.
func Compare(planned, achieved geom.Pose, d *Directions) Placement {
	p := Placement{
		Planned: planned.Axis(), Achieved: achieved.Axis(), Length: achieved.Length(),
		Off: Ends{r3.Sub(achieved.Entry, planned.Entry), r3.Sub(achieved.Apex, planned.Apex)},
	}
	if d != nil {
		p.Directions = *d
	}
	return p
}

// Perturbed is the placement with an error of the achieved ends, its axis to
// first order, and of the site's directions, which turn together about the
// planned axis by an angle in radians.
func (p *Placement) Perturbed(e Ends, turn float64) Placement {
	out := *p
	out.Achieved = r3.Add(p.Achieved, rotation(p, e))
	out.Off = Ends{r3.Add(p.Off.Entry, e.Entry), r3.Add(p.Off.Apex, e.Apex)}
	sin, cos := math.Sincos(turn)
	d := &p.Directions
	out.Directions.Mesial = r3.Add(r3.Scale(cos, d.Mesial), r3.Scale(sin, d.Buccal))
	out.Directions.Buccal = r3.Add(r3.Scale(cos, d.Buccal), r3.Scale(sin, r3.Scale(-1, d.Mesial)))
	return out
}

// Formula computes one figure. Lengths are mm, angles radians; Stored converts.
type Formula struct {
	// Value is the figure.
	Value func(p *Placement) float64
	// Vector, of an unsigned figure, is the vector whose norm is the figure, and
	// VectorError its change under an error of the ends, to first order.
	Vector      func(p *Placement) geom.Vec
	VectorError func(p *Placement, e Ends) geom.Vec
	// Error, of a signed figure that is linear in the ends and knows no
	// direction of the site, is its change under an error of the ends. Where it
	// is nil, the change is that of Value between a placement and the Perturbed
	// one.
	Error func(p *Placement, e Ends) float64
}

// formulas has the formula of each figure. With a the planned and b the achieved
// axis and E the displacement of the entry: the whole is |E|, depth E·a, lateral
// |E − (E·a)·a|, the mesial part E·m; the same at the apex with the same a. The
// angle is atan2(|a × b|, a·b), a tilt atan2(b·m, b·a).
var formulas = [measurement.FigureCount]Formula{
	measurement.Entry:        norm(whole(entry)),
	measurement.EntryLateral: norm(lateral(entry)),
	measurement.EntryDepth:   depth(entry),
	measurement.Apex:         norm(whole(apex)),
	measurement.ApexLateral:  norm(lateral(apex)),
	measurement.ApexDepth:    depth(apex),
	measurement.Angle:        {Value: angle, Vector: angleVector, VectorError: rotation},
	measurement.EntryMesial:  part(entry, mesial),
	measurement.EntryBuccal:  part(entry, buccal),
	measurement.ApexMesial:   part(apex, mesial),
	measurement.ApexBuccal:   part(apex, buccal),
	measurement.TiltMesial:   tilt(mesial),
	measurement.TiltBuccal:   tilt(buccal),
}

// FormulaOf is the formula of a figure.
func FormulaOf(f measurement.Figure) Formula { return formulas[f] }

// Stored converts a figure from mm or radians, as it is computed in, to the unit
// that it is stored in.
func Stored(f measurement.Figure, x float64) float64 {
	if f.Unit() == measurement.Degrees {
		return geom.Degrees(x)
	}
	return x
}

func entry(e Ends) geom.Vec { return e.Entry }
func apex(e Ends) geom.Vec  { return e.Apex }

func mesial(p *Placement) geom.Vec { return p.Directions.Mesial }
func buccal(p *Placement) geom.Vec { return p.Directions.Buccal }

// whole is the displacement of an end.
func whole(end func(Ends) geom.Vec) func(*Placement, Ends) geom.Vec {
	return func(_ *Placement, e Ends) geom.Vec { return end(e) }
}

// lateral is its component perpendicular to the planned axis.
func lateral(end func(Ends) geom.Vec) func(*Placement, Ends) geom.Vec {
	return func(p *Placement, e Ends) geom.Vec { return Lateral(p.Planned, end(e)) }
}

// norm is the length of a vector that is linear in the displacement of the ends.
func norm(vector func(*Placement, Ends) geom.Vec) Formula {
	at := func(p *Placement) geom.Vec { return vector(p, p.Off) }
	return Formula{
		Value:       func(p *Placement) float64 { return r3.Norm(at(p)) },
		Vector:      at,
		VectorError: vector,
	}
}

// depth is the component along the planned axis.
func depth(end func(Ends) geom.Vec) Formula {
	of := func(p *Placement, e Ends) float64 { return along(p.Planned, end(e)) }
	return Formula{Value: func(p *Placement) float64 { return of(p, p.Off) }, Error: of}
}

// part is the component along a direction of the site.
func part(end func(Ends) geom.Vec, direction func(*Placement) geom.Vec) Formula {
	return Formula{Value: func(p *Placement) float64 { return Part(direction(p), end(p.Off)) }}
}

// tilt is by how much the achieved axis tips from the planned one towards a
// direction of the site: + = the apex tips that way.
func tilt(direction func(*Placement) geom.Vec) Formula {
	return Formula{Value: func(p *Placement) float64 {
		return math.Atan2(r3.Dot(p.Achieved, direction(p)), r3.Dot(p.Achieved, p.Planned))
	}}
}

// angle is the angle between the axes.
func angle(p *Placement) float64 { return geom.Angle(p.Planned, p.Achieved) }

// angleVector has the angle as its norm and lies across the achieved axis, away
// from the planned one.
func angleVector(p *Placement) geom.Vec {
	a, b := p.Planned, p.Achieved
	away := r3.Sub(r3.Scale(r3.Dot(a, b), b), a)
	if r3.Norm(away) <= noAngle {
		return geom.Vec{}
	}
	return r3.Scale(angle(p), r3.Unit(away))
}

// noAngle is an angle under which its direction is rounding, radians.
const noAngle = 1e-12

// rotation is the change of the achieved axis under an error of the ends, as a
// small rotation: radians, perpendicular to the axis.
func rotation(p *Placement, e Ends) geom.Vec {
	return Lateral(p.Achieved, r3.Scale(1/p.Length, r3.Sub(e.Apex, e.Entry)))
}
