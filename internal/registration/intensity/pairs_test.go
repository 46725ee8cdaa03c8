package intensity

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/registration"
	"plumbline/internal/volume"
)

func targetsOf(t phantom.Truth) []Target {
	var out []Target
	for _, f := range t.Fixtures {
		out = append(out, Target{Planned: f.Planned, Diameter: f.Diameter})
	}
	return out
}

func inDoubt(r *registration.Result) bool {
	return slices.ContainsFunc(r.Flags, func(f measurement.Flag) bool { return f.Level == measurement.Doubt })
}

func flagged(r *registration.Result, code string) bool {
	return slices.ContainsFunc(r.Flags, func(f measurement.Flag) bool { return f.Code == code })
}

// normalised is the squared error in units of its covariance.
func normalised(off geom.Rigid, r *registration.Result) float64 {
	w, t := off.RotationVector(), r3.Sub(off.Apply(r.Centre), r.Centre)
	var chol mat.Cholesky
	if !chol.Factorize(r.Cov) {
		return math.Inf(1)
	}
	e := mat.NewVecDense(6, []float64{w.X, w.Y, w.Z, t.X, t.Y, t.Z})
	var x mat.VecDense
	if chol.SolveVecTo(&x, e) != nil {
		return math.Inf(1)
	}
	return mat.Dot(e, &x)
}

// stretched is the scan as an export with a wrong voxel size shows it.
func stretched(v *volume.Volume, axis int, by float64) *volume.Volume {
	w := *v
	w.Step[axis] = r3.Scale(1+by, v.Step[axis])
	return &w
}

// crop is the part of a scan within reach, mm, of a point along each index.
func crop(v *volume.Volume, reach float64, p geom.Vec) *volume.Volume {
	lo, hi := v.Box(reach, p)
	w := &volume.Volume{Grid: v.Sub(lo, hi), Padding: v.Padding}
	for k := lo[2]; k < hi[2]; k++ {
		w.Slope, w.Intercept = append(w.Slope, v.Slope[k]), append(w.Intercept, v.Intercept[k])
		for j := lo[1]; j < hi[1]; j++ {
			at := (k*v.Size[1] + j) * v.Size[0]
			w.Stored = append(w.Stored, v.Stored[at+lo[0]:at+hi[0]]...)
		}
	}
	return w
}

// errorAt is the largest error of an alignment at the targets' ends, mm.
func errorAt(postToPre, truth geom.Rigid, targets []Target) float64 {
	off, worst := postToPre.After(truth.Inverse()), 0.0
	for _, t := range targets {
		for _, p := range []geom.Vec{t.Planned.Entry, t.Planned.Apex} {
			worst = max(worst, r3.Norm(r3.Sub(off.Apply(p), p)))
		}
	}
	return worst
}

// slipped is a transform that is off by mm along the arch towards mesial, with the
// rotation of an arch of 25 mm radius.
func slipped(t phantom.Truth, by float64) geom.Rigid {
	f := t.Fixtures[0]
	mid := r3.Scale(0.5, r3.Add(f.Planned.Entry, f.Planned.Apex))
	up := r3.Cross(f.Mesial, f.Buccal)
	const radius = 25.0
	return smallMotion(mid, r3.Scale(by/radius, up), r3.Scale(by, f.Mesial)).After(t.PostToPre)
}
