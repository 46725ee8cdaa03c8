package arch

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/geom"
)

// trust is how far off the arch's direction may be before the ridge at the site
// is looked at, standard deviation, degrees: as measured on synthetic jaws, and
// more where half the arch or less is seen.
func (v *view) trust() float64 {
	if v.line != nil {
		return 4
	}
	return 6
}

// direction is the arch's unit direction beside a point, which is nearest to
// point at of the line, from right to left, as the ridge itself runs there, and
// its standard uncertainty, degrees.
//
// Method: a parabola through the offsets of the ridge's middle around the point,
// by weighted least squares. That the whole arch is off by its error in place,
// direction and bend is the prior, its direction's standard deviation being
// trust, degrees; the scatter of the offsets about the parabola tells their noise,
// where it is more than usual. A point farther from the ridge's middle than fixtures
// stand tells that the ridge, or the plan, is off by so much in any direction; along
// the arch that counts by how it turns there.
func (m *occlusal) direction(line []point, at int, beside point, trust float64) (direction point, u float64) {
	const (
		near  = 12.0          // how far off the ridge still tells of the direction here, standard deviation, mm: a tooth and a half
		place = 2.0           // how far off the whole arch may be there, standard deviation, mm
		bend  = 0.01          // its curvature, 1/mm: a quarter of that at the canine
		drift = 1.2           // between ridge and teeth, degrees: as measured on synthetic jaws
		aside = 1.5           // how far from the ridge's middle a fixture usually stands at most, mm; common practice, no source
		most  = 3 * int(near) // farther points count less than a hundredth
	)
	// In front the arch turns by 5° a millimetre, so the foot between two points
	// counts.
	t := along(line, at)
	foot := max(-0.5, min(0.5, beside.minus(line[at]).dot(t)/formStep))
	if next := at + int(math.Copysign(1, foot)); next >= 0 && next < len(line) {
		u, f := along(line, next), math.Abs(foot)
		t = point{(1-f)*t.x + f*u.x, (1-f)*t.y + f*u.y}
		t = point{t.x / t.norm(), t.y / t.norm()}
	}
	type dot struct{ s, off, weight float64 }
	var dots []dot
	for i := max(0, at-most); i <= min(len(line)-1, at+most); i++ {
		off, contrast := m.middle(line[i], outwards(line, i))
		s := float64(i - at)
		if w := counts(off, contrast) * math.Exp(-s*s/(2*near*near)); w > 0 {
			dots = append(dots, dot{s, off, w})
		}
	}
	var fitted mat.VecDense
	var covariance mat.SymDense
	noise := rough
	for range 3 {
		normal := mat.NewSymDense(3, nil)
		right := mat.NewVecDense(3, nil)
		for k, sd := range [3]float64{place, geom.Radians(trust), bend} {
			normal.SetSym(k, k, 1/(sd*sd))
		}
		for _, d := range dots {
			w := d.weight / (alike * noise * noise)
			row := mat.NewVecDense(3, []float64{1, d.s, d.s * d.s / 2})
			normal.SymRankOne(normal, w, row)
			right.AddScaledVec(right, w*d.off, row)
		}
		var chol mat.Cholesky
		if !chol.Factorize(normal) || chol.SolveVecTo(&fitted, right) != nil || chol.InverseTo(&covariance) != nil {
			return t, trust
		}
		squares, all := 0.0, 0.0
		for _, d := range dots {
			e := d.off - fitted.AtVec(0) - d.s*fitted.AtVec(1) - d.s*d.s/2*fitted.AtVec(2)
			squares, all = squares+d.weight*e*e, all+d.weight
		}
		if all > 0 {
			noise = max(rough, math.Sqrt(squares/all))
		}
	}
	slope := fitted.AtVec(1) + foot*fitted.AtVec(2)
	n := point{t.y, -t.x}
	long := math.Hypot(1, slope)
	u = math.Hypot(drift, geom.Degrees(math.Sqrt(covariance.At(1, 1))))
	if off := beside.minus(line[at]).dot(n) - fitted.AtVec(0); math.Abs(off) > aside {
		before, after := along(line, max(0, at-1)), along(line, min(len(line)-1, at+1))
		turn := math.Asin(max(-1, min(1, before.x*after.y-before.y*after.x)))/(2*formStep) - fitted.AtVec(2)
		u = math.Hypot(u, geom.Degrees(turn)*math.Sqrt(off*off-aside*aside))
	}
	return point{(t.x + slope*n.x) / long, (t.y + slope*n.y) / long}, u
}
