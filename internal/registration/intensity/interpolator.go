package intensity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// interpolator reads a field at patient points of the other scan by a cubic
// B-spline with the field's grey values as its coefficients.
//
// Leaving out the interpolation prefilter makes the spline one more smoothing
// kernel (variance 1/3 voxel²), equal at every place between the voxels, so the
// similarity does not prefer voxel centres.
//
// Method: Unser M. Splines: a perfect fit for signal and image processing.
// IEEE Signal Process Mag 1999;16(6):22-38.
type interpolator struct {
	f *volume.Field
	m [3][3]float64 // field index = m·p + b
	b [3]float64
}

// splineVariance is the variance of the cubic B-spline, voxel².
const splineVariance = 1.0 / 3

// newInterpolator reads f at the places where toField takes points.
func newInterpolator(f *volume.Field, toField scaledRigid) interpolator {
	in := interpolator{f: f}
	m, t := toField.affine()
	for a, s := range f.Inverse() {
		for c := range 3 {
			in.m[a][c] = s.X*m[0][c] + s.Y*m[1][c] + s.Z*m[2][c]
		}
		in.b[a] = r3.Dot(s, r3.Sub(t, f.Origin))
	}
	return in
}

// splineWeights are the weights of four nodes at the fraction t from the second
// to the thiin.
func splineWeights(t float32) (w [4]float32) {
	u := 1 - t
	t2, u2 := t*t, u*u
	return [4]float32{
		u2 * u * (1. / 6),
		2./3 - t2 + t2*t*0.5,
		2./3 - u2 + u2*u*0.5,
		t2 * t * (1. / 6),
	}
}

// splineDerivatives are the derivatives of splineWeights, per voxel.
func splineDerivatives(t float32) [4]float32 {
	u := 1 - t
	t2, u2 := t*t, u*u
	return [4]float32{-u2 * 0.5, 1.5*t2 - 2*t, 2*u - 1.5*u2, t2 * 0.5}
}

// support is the first of the 4 × 4 × 4 nodes that p is read from, as a place in
// the field's grey values, and the fractions past the second node along each index;
// at is negative where not all nodes lie inside.
func (in *interpolator) support(p geom.Vec) (at int, fx, fy, fz float32) {
	x := in.m[0][0]*p.X + in.m[0][1]*p.Y + in.m[0][2]*p.Z + in.b[0]
	y := in.m[1][0]*p.X + in.m[1][1]*p.Y + in.m[1][2]*p.Z + in.b[1]
	z := in.m[2][0]*p.X + in.m[2][1]*p.Y + in.m[2][2]*p.Z + in.b[2]
	size := &in.f.Size
	if !(x >= 1 && y >= 1 && z >= 1) {
		return -1, 0, 0, 0
	}
	i, j, k := int(x), int(y), int(z)
	if i+2 >= size[0] || j+2 >= size[1] || k+2 >= size[2] {
		return -1, 0, 0, 0
	}
	return ((k-1)*size[1]+j-1)*size[0] + i - 1, float32(x - float64(i)), float32(y - float64(j)), float32(z - float64(k))
}

// value is the spline at p; NaN outside, or next to a voxel with no value.
func (in *interpolator) value(p geom.Vec) float64 {
	at, fx, fy, fz := in.support(p)
	if at < 0 {
		return math.NaN()
	}
	wx, wy, wz := splineWeights(fx), splineWeights(fy), splineWeights(fz)
	nx := in.f.Size[0]
	plane := nx * in.f.Size[1]
	var s float32
	for c := range 4 {
		g := in.f.Grey[at+c*plane:]
		a, b := (*[4]float32)(g), (*[4]float32)(g[nx:])
		d, e := (*[4]float32)(g[2*nx:]), (*[4]float32)(g[3*nx:])
		s += wz[c] * (wy[0]*(a[0]*wx[0]+a[1]*wx[1]+a[2]*wx[2]+a[3]*wx[3]) +
			wy[1]*(b[0]*wx[0]+b[1]*wx[1]+b[2]*wx[2]+b[3]*wx[3]) +
			wy[2]*(d[0]*wx[0]+d[1]*wx[1]+d[2]*wx[2]+d[3]*wx[3]) +
			wy[3]*(e[0]*wx[0]+e[1]*wx[1]+e[2]*wx[2]+e[3]*wx[3]))
	}
	return float64(s)
}

// valueAndGradient is value with its gradient with respect to p, per mm.
func (in *interpolator) valueAndGradient(p geom.Vec) (v float64, g geom.Vec) {
	at, fx, fy, fz := in.support(p)
	if at < 0 {
		return math.NaN(), geom.Vec{}
	}
	wx, wy, wz := splineWeights(fx), splineWeights(fy), splineWeights(fz)
	dx, dy, dz := splineDerivatives(fx), splineDerivatives(fy), splineDerivatives(fz)
	nx := in.f.Size[0]
	plane := nx * in.f.Size[1]
	var s, sx, sy, sz float32
	for c := range 4 {
		var ps, px, py float32
		for b := range 4 {
			r := (*[4]float32)(in.f.Grey[at+c*plane+b*nx:])
			line := r[0]*wx[0] + r[1]*wx[1] + r[2]*wx[2] + r[3]*wx[3]
			derivative := r[0]*dx[0] + r[1]*dx[1] + r[2]*dx[2] + r[3]*dx[3]
			ps += wy[b] * line
			px += wy[b] * derivative
			py += dy[b] * line
		}
		s += wz[c] * ps
		sx += wz[c] * px
		sy += wz[c] * py
		sz += dz[c] * ps
	}
	gx, gy, gz := float64(sx), float64(sy), float64(sz)
	return float64(s), geom.Vec{
		X: in.m[0][0]*gx + in.m[1][0]*gy + in.m[2][0]*gz,
		Y: in.m[0][1]*gx + in.m[1][1]*gy + in.m[2][1]*gz,
		Z: in.m[0][2]*gx + in.m[1][2]*gy + in.m[2][2]*gz,
	}
}
