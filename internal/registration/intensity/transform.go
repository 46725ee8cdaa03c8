package intensity

import (
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// A parameter vector is (ω, τ) or (ω, τ, s), in the planning frame: rotation
// vector ω about the centre c, rad; translation τ, mm; and for the scale check
// relative scales s along the planning scan's axes e. A point moves by
//
//	δx = ω × (x − c) + τ + Σₖ sₖ ((x − c)·eₖ) eₖ
const (
	rigidParameters = 6
	allParameters   = 9
)

// scaledRigid is preToPost; for the scale check the planning scan is first
// scaled by 1 + scale along its axes about a centre.
type scaledRigid struct {
	geom.Rigid
	scale  [3]float64  // relative excess
	axes   [3]geom.Vec // unit; unused while scale is zero
	centre geom.Vec    // mm, planning frame
}

// affine is the transform as p ↦ m·p + t.
func (tr scaledRigid) affine() (m [3][3]float64, t geom.Vec) {
	m, t = tr.R, tr.T
	for a, e := range tr.scale {
		if e == 0 {
			continue
		}
		axis := tr.axes[a]
		turned := tr.Rotate(axis)
		for i, u := range [3]float64{turned.X, turned.Y, turned.Z} {
			for j, v := range [3]float64{axis.X, axis.Y, axis.Z} {
				m[i][j] += e * u * v
			}
		}
		t = r3.Sub(t, r3.Scale(e*r3.Dot(axis, tr.centre), turned))
	}
	return m, t
}

// splitParameters takes the rotation vector ω and the translation τ out of a
// parameter vector.
func splitParameters(x []float64) (omega, tau geom.Vec) {
	return geom.Vec{X: x[0], Y: x[1], Z: x[2]}, geom.Vec{X: x[3], Y: x[4], Z: x[5]}
}

// smallMotion is p ↦ p + τ + ω × (p − centre), made exactly rigid.
func smallMotion(centre, omega, tau geom.Vec) geom.Rigid {
	r := geom.Rotation(omega)
	r.T = r3.Add(tau, r3.Sub(centre, r.Rotate(centre)))
	return r
}

// leverArm, mm, is the distance from the centre at which a rotation is counted
// as a displacement: about the length of a fixture.
const leverArm = 12.0

// displacement is how far a motion about the centre moves a point at the lever
// arm at most, mm.
func displacement(omega, tau geom.Vec) float64 {
	return r3.Norm(tau) + leverArm*r3.Norm(omega)
}

// transformDistance is the displacement between two transforms about the
// centre, mm.
func transformDistance(a, b geom.Rigid, centre geom.Vec) float64 {
	d := a.Inverse().After(b)
	return r3.Norm(r3.Sub(d.Apply(centre), centre)) + leverArm*d.Angle()
}
