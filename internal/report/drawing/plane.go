package drawing

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Plane is a cut through the patient, in the planning frame: a point of it, and
// the unit vectors that run to the right and upwards on the page.
type Plane struct{ Centre, Right, Up geom.Vec }

// Normal points from the page to its reader.
func (p Plane) Normal() geom.Vec { return r3.Cross(p.Right, p.Up) }

// At is the patient's point x mm to the right and y mm up from the centre.
func (p Plane) At(x, y float64) geom.Vec {
	return r3.Add(p.Centre, r3.Add(r3.Scale(x, p.Right), r3.Scale(y, p.Up)))
}

// On is where a point of the patient, projected along the normal, lies on the
// plane: mm to the right and up from the centre.
func (p Plane) On(q geom.Vec) (x, y float64) {
	d := r3.Sub(q, p.Centre)
	return r3.Dot(d, p.Right), r3.Dot(d, p.Up)
}

// Moved is the parallel plane d mm further in a direction.
func (p Plane) Moved(d float64, direction geom.Vec) Plane {
	p.Centre = r3.Add(p.Centre, r3.Scale(d, direction))
	return p
}

// Letters names a direction by the patient's own: L left, R right, A front,
// P back, H head, F foot, the strongest first, as DICOM names orientations
// (PS3.3 C.7.6.1.1.1). Parts under a third of the whole are left out, which is
// under 20°.
func Letters(v geom.Vec) string {
	type part struct {
		letter string
		size   float64
	}
	named := func(x float64, plus, minus string) part {
		if x < 0 {
			return part{minus, -x}
		}
		return part{plus, x}
	}
	parts := []part{named(v.X, "L", "R"), named(v.Y, "P", "A"), named(v.Z, "H", "F")}
	slices.SortStableFunc(parts, func(a, b part) int {
		switch {
		case a.size > b.size:
			return -1
		case a.size < b.size:
			return 1
		}
		return 0
	})
	out := ""
	for _, p := range parts {
		if p.size > r3.Norm(v)/3 {
			out += p.letter
		}
	}
	return out
}

// across makes v perpendicular to the unit vector a, and a unit vector.
func across(v, a geom.Vec) geom.Vec {
	return r3.Unit(r3.Sub(v, r3.Scale(r3.Dot(v, a), a)))
}

// rounded takes the last digits off a length that is only drawn.
func rounded(v float64) float64 { return math.Round(v*1000) / 1000 }
