package surface

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	// bendSurface, mm, is the standard deviation at 60 mm of each mode by which a surface
	// scan bends: full arches are true to 0.055-0.072 mm and precise to 0.04-0.05 mm
	// (PMC11636004), and the error grows with the span.
	bendSurface = 0.1
	bendAt      = 60.0 // mm
	// edgeBias, mm, of the enamel's edge over all the crowns alike: blur shifts the edge of
	// a body of radius r by σ²/r, 0.016 mm at 0.25 and 4 mm.
	edgeBias = 0.02
	// blockWidth, mm, of the pieces left out in turn: a tooth.
	blockWidth = 8.0
	// arm, mm, over which a bias turns the jaw: from a site to its neighbours.
	arm = 15.0
)

// covariance of the fitted motion (ω, τ) about a centre: pieces of the arch left out, how the
// surfaces bend, and the bias of the enamel's edge. The textbook covariance from the
// residuals is not used: points of one tooth err together, and it is too small by an order
// (Brossard M, Bonnabel S, Barrau A, arXiv 1909.05722).
func (s *State) covariance(c *Cloud, places []geom.Vec, onto *Fixed) (geom.Vec, *mat.SymDense) {
	centre := s.centre(c)
	n, _ := s.normalEquations(c, centre)
	cov := mat.NewSymDense(6, nil)
	cov.CopySym(s.LeftOut(c, centre, blockWidth))

	// Bending: a mode moves what lies on one side of a place by (d/60 mm)² along one axis.
	along := s.along(c, centre)
	for _, side := range [2]float64{1, -1} {
		for axis := range 3 {
			var e [3]float64
			e[axis] = onto.bend
			d := geom.Vec{X: e[0], Y: e[1], Z: e[2]}
			rhs := mat.NewVecDense(6, nil)
			for i, w := range s.Robust {
				if w == 0 {
					continue
				}
				p := s.ToFixed.Apply(c.Points[i])
				nearest := places[0]
				for _, q := range places {
					if r3.Norm2(r3.Sub(p, q)) < r3.Norm2(r3.Sub(p, nearest)) {
						nearest = q
					}
				}
				away := r3.Sub(p, nearest)
				if side*r3.Dot(away, along) < 0 {
					continue
				}
				j := row(r3.Sub(p, centre), s.Normals[i])
				rhs.AddScaledVec(rhs, w*r3.Norm2(away)/(bendAt*bendAt)*r3.Dot(d, s.Normals[i]), mat.NewVecDense(6, j[:]))
			}
			if x, ok := solve(n, rhs); ok {
				cov.SymRankOne(cov, 1, mat.NewVecDense(6, x[:]))
			}
		}
	}
	if onto.enamel != nil {
		for k := range 3 {
			cov.SetSym(k, k, cov.At(k, k)+edgeBias*edgeBias/(arm*arm))
			cov.SetSym(3+k, 3+k, cov.At(3+k, 3+k)+edgeBias*edgeBias)
		}
	}
	return centre, cov
}

// LeftOut is the covariance of the fitted motion (ω, τ) about a centre from leaving out
// pieces of the given width, mm, in turn: the grouped jackknife (Efron B, Tibshirani RJ, An
// Introduction to the Bootstrap, 1993, 11.5). Pieces weigh differently, so each one's change
// is counted as it is, without the factor (g−1)/g of g alike ones.
func (s *State) LeftOut(c *Cloud, centre geom.Vec, width float64) *mat.SymDense {
	n, b := s.normalEquations(c, centre)
	cov := mat.NewSymDense(6, nil)
	pieces := map[[3]int32][]int{}
	var keys [][3]int32
	for i, w := range s.Robust {
		if w == 0 {
			continue
		}
		p := s.ToFixed.Apply(c.Points[i])
		k := [3]int32{int32(math.Floor(p.X / width)), int32(math.Floor(p.Y / width)), int32(math.Floor(p.Z / (2 * width)))}
		if pieces[k] == nil {
			keys = append(keys, k)
		}
		pieces[k] = append(pieces[k], i)
	}
	slices.SortFunc(keys, func(a, b [3]int32) int { return slices.Compare(a[:], b[:]) })
	for _, k := range keys {
		n2, b2 := mat.NewSymDense(6, nil), mat.NewVecDense(6, nil)
		n2.CopySym(n)
		b2.CopyVec(b)
		for _, i := range pieces[k] {
			j := row(r3.Sub(s.ToFixed.Apply(c.Points[i]), centre), s.Normals[i])
			v := mat.NewVecDense(6, j[:])
			n2.SymRankOne(n2, -s.Robust[i], v)
			b2.AddScaledVec(b2, -s.Robust[i]*s.Residual[i], v)
		}
		if x, ok := solve(n2, b2); ok {
			cov.SymRankOne(cov, 1, mat.NewVecDense(6, x[:]))
		}
	}
	return cov
}

// along is the direction in which the weighted points are spread most: along the arch.
func (s *State) along(c *Cloud, centre geom.Vec) geom.Vec {
	spread := mat.NewSymDense(3, nil)
	for i, w := range s.Robust {
		d := r3.Sub(s.ToFixed.Apply(c.Points[i]), centre)
		spread.SymRankOne(spread, w, mat.NewVecDense(3, []float64{d.X, d.Y, d.Z}))
	}
	var eig mat.EigenSym
	if !eig.Factorize(spread, true) {
		return geom.Vec{X: 1}
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	return geom.Vec{X: v.At(0, 2), Y: v.At(1, 2), Z: v.At(2, 2)}
}

// scaleOf estimates the size of the fixed surface as a multiple of the moving one's, free
// beside the motion, and its standard uncertainty from pieces of the arch.
func (s *State) scaleOf(c *Cloud) (scale, u float64) {
	centre := s.centre(c)
	n, b := s.normalEquations(c, centre)
	// Schur complement of the scale after the motion.
	cross := mat.NewVecDense(6, nil)
	own, rhs, squares := 0.0, 0.0, 0.0
	for i, w := range s.Robust {
		if w == 0 {
			continue
		}
		d := r3.Sub(s.ToFixed.Apply(c.Points[i]), centre)
		j := row(d, s.Normals[i])
		k := r3.Dot(d, s.Normals[i])
		cross.AddScaledVec(cross, w*k, mat.NewVecDense(6, j[:]))
		own += w * k * k
		rhs += w * k * s.Residual[i]
		squares += w * k * w * k
	}
	var x mat.VecDense
	var chol mat.Cholesky
	if !chol.Factorize(n) || chol.SolveVecTo(&x, cross) != nil {
		return 1, math.Inf(1)
	}
	own -= mat.Dot(cross, &x)
	rhs -= mat.Dot(b, &x)
	if !(own > 0) {
		return 1, math.Inf(1)
	}
	// Some thousand points are as good as some tens of independent ones: one a tooth's side.
	const together = 100
	return 1 + rhs/own, s.Scale * math.Sqrt(together*squares) / own
}
