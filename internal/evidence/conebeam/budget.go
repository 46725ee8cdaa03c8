package conebeam

import (
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/fixture"
	"plumbline/internal/geom"
	"plumbline/internal/motion"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/volume"
)

// budget propagates the sources of a fit in the follow-up frame to the
// fixture's pose in the planning frame, and adds those of the registration and
// of the voxel size. A registration that was given as exact is no source.
func budget(fit evidence.Budget, pose geom.Pose, r registration.Result, plans []casefile.Fixture) evidence.Budget {
	out := fit.In(r.PostToPre)
	if r.Cov != nil {
		out = append(out, evidence.Source{Name: "alignment", Cov: r.PoseCovariance(pose), Shared: true})
	}
	return append(out, evidence.Source{Name: "voxel size", Cov: scaled(pose, fixedPoint(r, plans))})
}

// scaleUncertainty is the relative standard uncertainty of a scan's voxel size:
// machines are checked to about 0.1 mm on a length of 100 mm. Common practice,
// no source; an error beyond 0.5 % is flagged by the registration.
const scaleUncertainty = 0.001

// fixedPoint is the fixed point of scaling, which an error of the voxel size
// leaves in place: the centre of the region that was registered, or of the
// planned fixtures where the transform was given.
func fixedPoint(r registration.Result, plans []casefile.Fixture) geom.Vec {
	if r.Cov != nil {
		return r.Centre
	}
	var sum geom.Vec
	for _, f := range plans {
		sum = r3.Add(sum, r3.Scale(0.5, r3.Add(f.Planned.Entry, f.Planned.Apex)))
	}
	return r3.Scale(1/float64(len(plans)), sum)
}

// scaled is the covariance of a pose from an error of the follow-up scan's voxel
// size, which scales both ends about the fixed point: u²·d·dᵀ with d the ends'
// displacements from it.
func scaled(p geom.Pose, fixed geom.Vec) *mat.SymDense {
	e, a := r3.Sub(p.Entry, fixed), r3.Sub(p.Apex, fixed)
	d := mat.NewVecDense(6, []float64{e.X, e.Y, e.Z, a.X, a.Y, a.Z})
	cov := mat.NewSymDense(6, nil)
	cov.SymOuterK(scaleUncertainty*scaleUncertainty, d)
	return cov
}

// headMotion is what a head that moved during a scan adds to the uncertainty of a
// fixture's pose in the planning frame: the transform and the fixture's own image answer
// to the same motion, and partly cancel. post is the follow-up scan's grid.
func headMotion(pose geom.Pose, diameter float64, r registration.Result, post volume.Grid) evidence.Source {
	inPre := motion.NewGantry(post.Axes()).In(r.PostToPre)
	own := fixture.MotionResponse(inPre, pose, diameter, r.Centre)
	response := mat.NewDense(6, 2*motion.Parameters, nil)
	if r.Motion.Response != nil {
		response.Mul(registration.PoseJacobian(r.Centre, pose), r.Motion.Response)
	}
	ofPost := response.Slice(0, 6, motion.Parameters, 2*motion.Parameters).(*mat.Dense)
	ofPost.Add(ofPost, own)
	return evidence.Source{Name: "head motion", Cov: motion.Covariance(response, r.Motion.RMS), Shared: true}
}
