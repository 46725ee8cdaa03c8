// Package registration is the rigid transform from the follow-up scan to the
// planning scan and what is known of its error: from a given matrix, from
// landmark pairs, or because both scans share one frame of reference. Package
// intensity finds the same from the scans' voxels.
//
// Conventions: PostToPre maps follow-up patient coordinates to planning patient
// coordinates, LPS, mm. Start with Result.
package registration

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/motion"
)

// Result is a registration with what is known of its error.
type Result struct {
	Method    string
	PostToPre geom.Rigid
	Found     *geom.Rigid // post-to-pre as the scans show it, where a given one disagrees with them

	// The error of PostToPre as a small motion in the planning frame, applied
	// after it: p ↦ p + τ + ω × (p − Centre). Cov is the 6×6 covariance of
	// (ω, τ), rad and mm; nil means that the transform was given as exact.
	Centre geom.Vec
	Cov    *mat.SymDense

	// Motion is what the scans show of a head that moved during one of them; nil where
	// they were not looked into for it.
	Motion *Motion

	Quality map[string]float64 // names end in their unit; goes to the JSON as is
	Flags   []measurement.Flag
}

// DoubtfulTravel is how far a head has to move during a scan to be a doubt, mm: from half
// a millimetre on, a tracker's examinations counted as ones with movement (R. Spin-Neto and
// others; see motion.Infer).
const DoubtfulTravel = 0.5

// plainOdds are the odds against a still head from which its motion is plain, as a natural
// logarithm. Misfit that neighbouring edges share makes odds look larger than they are: of
// two dozen phantoms and the simulated pairs at hand, those of still heads reached 8 in fields
// of 24 mm and 0 in larger ones, those of moving ones lay between 1 and some hundreds.
const plainOdds = 10.0

// Motion is a head's motion during the scans: its amplitude, and the
// response of PostToPre, as (ω, τ) about Centre in the planning frame, to the motions of
// the planning and of the follow-up scan (6 × 2·motion.Parameters), both as small motions
// of the planning frame about Centre; nil for a transform that was not found on the scans.
type Motion struct {
	motion.Amplitude
	Response *mat.Dense
}

// Doubtful reports whether the head plainly moved, and by so much that it is a doubt.
func (m *Motion) Doubtful() bool {
	return m.Odds > plainOdds && motion.Travel(m.RMS) >= DoubtfulTravel
}

// Alignment is the registration as it is stored.
func (r Result) Alignment() measurement.Alignment {
	out := measurement.Alignment{Method: r.Method, PostToPre: r.PostToPre.Matrix(), Quality: r.Quality, Flags: r.Flags}
	if r.Found != nil {
		found := r.Found.Matrix()
		out.Found = &found
	}
	return out
}

// PointCovariance is the 3×3 covariance, mm², of where PostToPre puts a point
// that lies at p in the planning frame. It is zero when the transform was given
// as exact.
func (r Result) PointCovariance(p geom.Vec) *mat.SymDense { return r.covariance(p) }

// PoseCovariance is the 6×6 covariance, mm², of (entry, apex), whose errors are
// correlated: one motion moves both. It is zero when the transform was given as
// exact.
func (r Result) PoseCovariance(p geom.Pose) *mat.SymDense { return r.covariance(p.Entry, p.Apex) }

// covariance propagates Cov to points of the planning frame.
func (r Result) covariance(points ...geom.Vec) *mat.SymDense {
	if r.Cov == nil {
		return mat.NewSymDense(3*len(points), nil)
	}
	return geom.Propagate(jacobian(r.Centre, points...), r.Cov)
}

// PoseJacobian is the derivative, 6×6, of a pose's (entry, apex) by a small motion (ω, τ)
// about centre.
func PoseJacobian(centre geom.Vec, p geom.Pose) *mat.Dense {
	return jacobian(centre, p.Entry, p.Apex)
}

// jacobian is [−[p − centre]ₓ, I] for each point.
func jacobian(centre geom.Vec, points ...geom.Vec) *mat.Dense {
	out := mat.NewDense(3*len(points), 6, nil)
	for n, p := range points {
		d := r3.Sub(p, centre)
		out.Slice(3*n, 3*n+3, 0, 6).(*mat.Dense).Copy(mat.NewDense(3, 6, []float64{
			0, d.Z, -d.Y, 1, 0, 0,
			-d.Z, 0, d.X, 0, 1, 0,
			d.Y, -d.X, 0, 0, 0, 1,
		}))
	}
	return out
}

// ExpectedTRE is the expected target registration error at p in the planning
// frame, mm: the root mean square of the distance by which PostToPre is off
// there. It is zero when the transform was given as exact.
func (r Result) ExpectedTRE(p geom.Vec) float64 {
	return math.Sqrt(mat.Trace(r.PointCovariance(p)))
}
