package practice

import (
	"math"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	// smoothStep is how far apart the points of a smooth line lie, mm: a canal that turns
	// with a radius of 5 mm leaves its chords by 0.03 mm.
	smoothStep = 1.0
	// hundredth is what drawn points are rounded to, mm; a hand is not surer than that.
	hundredth = 100
)

// Smooth is a smooth curve through points, as points a millimetre apart: a natural cubic
// spline over the chord length in each coordinate. Two points stay a straight line.
func Smooth(points []geom.Vec) []geom.Vec {
	at := make([]float64, 0, len(points))
	var x, y, z []float64
	for i, p := range points {
		s := 0.0
		if i > 0 {
			d := r3.Norm(r3.Sub(p, points[i-1]))
			if d == 0 {
				continue
			}
			s = at[len(at)-1] + d
		}
		at, x, y, z = append(at, s), append(x, p.X), append(y, p.Y), append(z, p.Z)
	}
	if len(at) < 3 {
		return rounded(points)
	}
	var fx, fy, fz interp.NaturalCubic
	for _, fit := range []error{fx.Fit(at, x), fy.Fit(at, y), fz.Fit(at, z)} {
		if fit != nil { // chord lengths rise, so that there is nothing to fail
			return rounded(points)
		}
	}
	length := at[len(at)-1]
	n := int(math.Ceil(length / smoothStep))
	out := make([]geom.Vec, n+1)
	for i := range out {
		s := length * float64(i) / float64(n)
		out[i] = geom.Vec{X: fx.Predict(s), Y: fy.Predict(s), Z: fz.Predict(s)}
	}
	return rounded(out)
}

func rounded(points []geom.Vec) []geom.Vec {
	out := make([]geom.Vec, len(points))
	for i, p := range points {
		out[i] = Rounded(p)
	}
	return out
}

// Rounded is a point to a hundredth of a millimetre.
func Rounded(p geom.Vec) geom.Vec {
	r := func(v float64) float64 { return math.Round(v*hundredth)/hundredth + 0 }
	return geom.Vec{X: r(p.X), Y: r(p.Y), Z: r(p.Z)}
}
