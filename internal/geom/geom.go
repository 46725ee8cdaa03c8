// Package geom has the points, rigid transforms and angles that every other
// package measures with.
//
// Conventions: lengths are millimetres, angles radians, coordinates are DICOM
// patient coordinates (LPS: +x to the patient's left, +y posterior, +z
// superior). A name says which scan's frame a point belongs to. Start with Vec
// and Rigid.
package geom

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"
)

// Vec is a point or a vector in patient coordinates, mm.
type Vec = r3.Vec

// Pose is where a fixture lies: the platform centre and the apex point, both in
// one scan's patient frame, mm.
type Pose struct {
	Entry, Apex Vec
}

// Axis is the unit vector from entry to apex; it is NaN when both coincide.
func (p Pose) Axis() Vec { return r3.Unit(r3.Sub(p.Apex, p.Entry)) }

// Length is the distance from entry to apex, mm.
func (p Pose) Length() float64 { return r3.Norm(r3.Sub(p.Apex, p.Entry)) }

// Angle is the angle between two vectors in radians, 0 to π.
//
// Method: atan2(|u × v|, u · v), which keeps its digits for nearly parallel
// vectors, where arccos loses about eight.
func Angle(u, v Vec) float64 {
	return math.Atan2(r3.Norm(r3.Cross(u, v)), r3.Dot(u, v))
}

// Degrees converts radians to degrees.
func Degrees(rad float64) float64 { return rad * 180 / math.Pi }

// Radians converts degrees to radians.
func Radians(deg float64) float64 { return deg * math.Pi / 180 }

// Finite tells whether all three coordinates are finite numbers.
func Finite(v Vec) bool {
	s := v.X + v.Y + v.Z
	return !math.IsNaN(s) && !math.IsInf(s, 0)
}

// Perpendicular gives two unit vectors that complete the unit vector a to a
// right-handed orthonormal triple (e1, e2, a).
func Perpendicular(a Vec) (e1, e2 Vec) {
	helper := Vec{X: 1}
	if math.Abs(a.X) > 0.9 {
		helper = Vec{Y: 1}
	}
	e1 = r3.Unit(r3.Sub(helper, r3.Scale(r3.Dot(helper, a), a)))
	return e1, r3.Cross(a, e1)
}

// Rigid is the motion p ↦ R·p + T. A variable that holds one is named for its
// direction, as in PostToPre.
type Rigid struct {
	R [3][3]float64
	T Vec
}

// Identity moves nothing.
func Identity() Rigid {
	return Rigid{R: [3][3]float64{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}}}
}

// Rotation turns by |w| radians about the direction of w, through the origin.
//
// Method: Rodrigues' formula R = I + sinθ/θ·[w]ₓ + (1−cosθ)/θ²·[w]ₓ².
func Rotation(w Vec) Rigid {
	theta := r3.Norm(w)
	a, b := 1.0, 0.5
	if theta > 1e-4 {
		a = math.Sin(theta) / theta
		s := math.Sin(theta / 2)
		b = 2 * s * s / (theta * theta)
	} else {
		a -= theta * theta / 6
		b -= theta * theta / 24
	}
	k := [3][3]float64{{0, -w.Z, w.Y}, {w.Z, 0, -w.X}, {-w.Y, w.X, 0}}
	m := Identity()
	for i := range 3 {
		for j := range 3 {
			k2 := 0.0
			for n := range 3 {
				k2 += k[i][n] * k[n][j]
			}
			m.R[i][j] += a*k[i][j] + b*k2
		}
	}
	return m
}

// RotationVector is the inverse of Rotation for the rotation part of m: axis
// times angle, radians, angle within 0 to π.
func (m Rigid) RotationVector() Vec {
	v := Vec{X: m.R[2][1] - m.R[1][2], Y: m.R[0][2] - m.R[2][0], Z: m.R[1][0] - m.R[0][1]}
	sin2 := r3.Norm(v)
	trace := m.R[0][0] + m.R[1][1] + m.R[2][2]
	theta := math.Atan2(sin2, trace-1)
	if sin2 > 1e-6 {
		return r3.Scale(theta/sin2, v)
	}
	if trace > 0 {
		return r3.Scale(0.5, v)
	}
	// Half a turn: the axis is any column of (R + Rᵀ)/2 − cosθ·I = (1−cosθ)·n·nᵀ;
	// the largest has the most digits.
	best := Vec{}
	for j := range 3 {
		col := [3]float64{}
		for i := range 3 {
			col[i] = (m.R[i][j] + m.R[j][i]) / 2
		}
		col[j] -= (trace - 1) / 2
		if c := (Vec{X: col[0], Y: col[1], Z: col[2]}); r3.Norm(c) > r3.Norm(best) {
			best = c
		}
	}
	if r3.Dot(best, v) < 0 { // just short of half a turn v still tells the sense
		best = r3.Scale(-1, best)
	}
	return r3.Scale(theta, r3.Unit(best))
}

// Angle is the rotation angle of m, radians, 0 to π.
func (m Rigid) Angle() float64 { return r3.Norm(m.RotationVector()) }

// Apply moves a point.
func (m Rigid) Apply(p Vec) Vec { return r3.Add(m.Rotate(p), m.T) }

// Rotate turns a direction; the translation does not apply.
func (m Rigid) Rotate(v Vec) Vec {
	return Vec{
		X: m.R[0][0]*v.X + m.R[0][1]*v.Y + m.R[0][2]*v.Z,
		Y: m.R[1][0]*v.X + m.R[1][1]*v.Y + m.R[1][2]*v.Z,
		Z: m.R[2][0]*v.X + m.R[2][1]*v.Y + m.R[2][2]*v.Z,
	}
}

// ApplyPose moves both ends of a pose.
func (m Rigid) ApplyPose(p Pose) Pose {
	return Pose{Entry: m.Apply(p.Entry), Apex: m.Apply(p.Apex)}
}

// Inverse is the motion back.
func (m Rigid) Inverse() Rigid {
	var inv Rigid
	for i := range 3 {
		for j := range 3 {
			inv.R[i][j] = m.R[j][i]
		}
	}
	inv.T = r3.Scale(-1, inv.Rotate(m.T))
	return inv
}

// After is the motion "first n, then m".
func (m Rigid) After(n Rigid) Rigid {
	var c Rigid
	for i := range 3 {
		for j := range 3 {
			for k := range 3 {
				c.R[i][j] += m.R[i][k] * n.R[k][j]
			}
		}
	}
	c.T = m.Apply(n.T)
	return c
}

// Matrix is m as a row-major 4×4 matrix.
func (m Rigid) Matrix() [16]float64 {
	return [16]float64{
		m.R[0][0], m.R[0][1], m.R[0][2], m.T.X,
		m.R[1][0], m.R[1][1], m.R[1][2], m.T.Y,
		m.R[2][0], m.R[2][1], m.R[2][2], m.T.Z,
		0, 0, 0, 1,
	}
}

// maxSkew is how far RᵀR may lie from the identity in a matrix that a person
// hands over: five printed decimals pass, a scale of one part in a thousand
// does not.
const maxSkew = 5e-4

// ErrNotRigid says that a matrix is no rotation and translation.
var ErrNotRigid = errors.New("not a rigid transform")

// FromMatrix reads a row-major 4×4 matrix and makes its rotation exactly
// orthonormal.
//
// Errors: ErrNotRigid when an entry is not finite, the last row is not 0 0 0 1,
// the rotation part is scaled or sheared by more than 5e-4, or it mirrors.
func FromMatrix(a [16]float64) (Rigid, error) {
	for _, x := range a {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return Rigid{}, fmt.Errorf("%w: an entry is not a finite number", ErrNotRigid)
		}
	}
	if a[12] != 0 || a[13] != 0 || a[14] != 0 || a[15] != 1 {
		return Rigid{}, fmt.Errorf("%w: the last row is %g %g %g %g, expected 0 0 0 1", ErrNotRigid, a[12], a[13], a[14], a[15])
	}
	x := Vec{X: a[0], Y: a[4], Z: a[8]}
	y := Vec{X: a[1], Y: a[5], Z: a[9]}
	z := Vec{X: a[2], Y: a[6], Z: a[10]}
	for _, d := range []float64{
		r3.Dot(x, x) - 1, r3.Dot(y, y) - 1, r3.Dot(z, z) - 1,
		r3.Dot(x, y), r3.Dot(x, z), r3.Dot(y, z),
	} {
		if math.Abs(d) > maxSkew {
			return Rigid{}, fmt.Errorf("%w: its rotation part is scaled or sheared (columns are off by %.2g)", ErrNotRigid, d)
		}
	}
	if r3.Dot(r3.Cross(x, y), z) < 0 {
		return Rigid{}, fmt.Errorf("%w: it mirrors left and right", ErrNotRigid)
	}
	x = r3.Unit(x)
	y = r3.Unit(r3.Sub(y, r3.Scale(r3.Dot(x, y), x)))
	z = r3.Cross(x, y)
	return Rigid{
		R: [3][3]float64{{x.X, y.X, z.X}, {x.Y, y.Y, z.Y}, {x.Z, y.Z, z.Z}},
		T: Vec{X: a[3], Y: a[7], Z: a[11]},
	}, nil
}
