// Package registration carries points of the follow-up scan into the planning
// scan: by a given matrix, by landmark pairs, or because both scans share one
// frame of reference. Package registration finds the same from the scans alone.
//
// Conventions: PostToPre maps follow-up patient coordinates to planning patient
// coordinates, LPS, mm. Start with Result.
package registration

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// Result is an alignment with what is known of its error.
type Result struct {
	Method    string
	PostToPre geom.Rigid

	// The error of PostToPre as a small motion in the planning frame, applied
	// after it: p ↦ p + τ + ω × (p − Centre). Cov is the 6×6 covariance of
	// (ω, τ), rad and mm; nil means that the transform was given as exact.
	Centre geom.Vec
	Cov    *mat.SymDense

	Quality map[string]float64 // names end in their unit; goes to the JSON as is
	Flags   []measurement.Flag
}

// PointCovariance is the 3×3 covariance, mm², of where PostToPre puts a point
// that lies at p in the planning frame: J·Cov·Jᵀ with J = [−[p − Centre]ₓ, I].
// It is zero when the transform was given as exact.
func (r Result) PointCovariance(p geom.Vec) *mat.SymDense {
	out := mat.NewSymDense(3, nil)
	if r.Cov == nil {
		return out
	}
	d := geom.Vec{X: p.X - r.Centre.X, Y: p.Y - r.Centre.Y, Z: p.Z - r.Centre.Z}
	j := mat.NewDense(3, 6, []float64{
		0, d.Z, -d.Y, 1, 0, 0,
		-d.Z, 0, d.X, 0, 1, 0,
		d.Y, -d.X, 0, 0, 0, 1,
	})
	var jc, full mat.Dense
	jc.Mul(j, r.Cov)
	full.Mul(&jc, j.T())
	for a := range 3 {
		for b := a; b < 3; b++ {
			out.SetSym(a, b, (full.At(a, b)+full.At(b, a))/2)
		}
	}
	return out
}

// ExpectedTRE is the expected target registration error at p in the planning
// frame, mm: the root mean square of the distance by which PostToPre is off
// there. It is zero when the transform was given as exact.
func (r Result) ExpectedTRE(p geom.Vec) float64 {
	return math.Sqrt(mat.Trace(r.PointCovariance(p)))
}
