package surface

import (
	"math"

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
	// edgeBias, mm, is the standard uncertainty of the enamel's edge along its normal over all the
	// crowns alike, after the correction for their curvature, which is 0.05 mm at a blur of 0.45 mm
	// and a radius of 4 mm: 0.005 and 0.02 were left in the crowns of two simulators.
	edgeBias = 0.015
	// blockWidth, mm, of the pieces left out in turn: a tooth.
	blockWidth = 8.0
	// together is how many points err as one: a tooth's side, so that some thousand points are
	// as good as some tens of independent ones.
	together = 100
)

// unbent takes out how the surface bends and gives the covariance of the motion (ω, τ) about a
// centre.
//
// Method: beside the motion the amplitudes of six bending modes are fitted, each with a normal
// prior of standard deviation onto.bend, which the residuals along the arch may narrow. The
// covariance is the sum of that of pieces of the arch left out in turn, of what the prior leaves
// open, and of what a bias of the enamel's edge moves: walls that face each other hold against
// it, but nothing holds against that of all that faces coronally. The textbook covariance from the residuals is not
// used: points of one tooth err together, and it is too small by an order (Brossard M, Bonnabel
// S, Barrau A, arXiv 1909.05722).
func (s *State) unbent(c *Cloud, places []geom.Vec, onto *Fixed) (toFixed geom.Rigid, centre geom.Vec, cov *mat.SymDense) {
	centre = s.centre(c)
	along := s.along(c, centre)
	const modes = 6
	rows := func(i int) []float64 {
		p := s.ToFixed.Apply(c.Points[i])
		n := s.Normals[i]
		j := row(r3.Sub(p, centre), n)
		out := make([]float64, 6+modes)
		copy(out, j[:])
		// A mode moves what lies on one side of a place by (d/60 mm)² along one axis.
		away := r3.Sub(p, nearestOf(places, p))
		by := r3.Norm2(away) / (bendAt * bendAt)
		side := 6
		if r3.Dot(away, along) < 0 {
			side += 3
		}
		out[side], out[side+1], out[side+2] = by*n.X, by*n.Y, by*n.Z
		return out
	}
	sum, squares := 0.0, 0.0
	for _, w := range s.Robust {
		sum += w
		squares += w * w
	}
	whole, parts := s.pieces(c, blockWidth, 6+modes, rows)
	// The weight of the prior beside that of points that err together.
	prior := together * s.Scale * s.Scale * squares / max(sum, 1e-12) / (onto.bend * onto.bend)
	for k := 6; k < 6+modes; k++ {
		whole.n.SetSym(k, k, whole.n.At(k, k)+prior)
	}
	x, _ := whole.solve()
	cov = whole.leftOut(parts)
	for k := 6; k < 6+modes; k++ { // what an amplitude of one standard deviation does
		unit := equations{whole.n, mat.NewVecDense(6+modes, nil)}
		unit.b.SetVec(k, prior*onto.bend)
		if e, ok := unit.solve(); ok {
			cov.SymRankOne(cov, 1, mat.NewVecDense(6, e[:6]))
		}
	}
	if onto.enamel != nil { // of the motion the bias gives, one standard deviation
		shifted := equations{whole.n, mat.NewVecDense(6+modes, nil)}
		for i, w := range s.Robust {
			if w > 0 {
				shifted.b.AddScaledVec(shifted.b, w*edgeBias, mat.NewVecDense(6+modes, rows(i)))
			}
		}
		if e, ok := shifted.solve(); ok {
			cov.SymRankOne(cov, 1, mat.NewVecDense(6, e[:6]))
		}
	}
	return motion(x, centre).After(s.ToFixed), centre, cov
}

func nearestOf(places []geom.Vec, p geom.Vec) geom.Vec {
	nearest := places[0]
	for _, q := range places[1:] {
		if r3.Norm2(r3.Sub(p, q)) < r3.Norm2(r3.Sub(p, nearest)) {
			nearest = q
		}
	}
	return nearest
}

// equations are normal equations, the motion's six unknowns first.
type equations struct {
	n *mat.SymDense
	b *mat.VecDense
}

func newEquations(unknowns int) equations {
	return equations{mat.NewSymDense(unknowns, nil), mat.NewVecDense(unknowns, nil)}
}

// solve gives zero for what the points do not tell.
func (q equations) solve() ([]float64, bool) { return solve(q.n, q.b) }

// pieces are the normal equations of all points and those of each piece of the given width,
// mm, twice as high; rows gives a point's derivatives.
func (s *State) pieces(c *Cloud, width float64, unknowns int, rows func(i int) []float64) (whole equations, parts []equations) {
	whole = newEquations(unknowns)
	at := map[[3]int32]int{}
	for i, w := range s.Robust {
		if w == 0 {
			continue
		}
		key := block(s.ToFixed.Apply(c.Points[i]), width)
		k, known := at[key]
		if !known {
			k = len(parts)
			at[key] = k
			parts = append(parts, newEquations(unknowns))
		}
		v := mat.NewVecDense(unknowns, rows(i))
		for _, q := range [2]equations{whole, parts[k]} {
			q.n.SymRankOne(q.n, w, v)
			q.b.AddScaledVec(q.b, w*s.Residual[i], v)
		}
	}
	return whole, parts
}

// block is the piece of space that a point is in.
func block(p geom.Vec, width float64) [3]int32 {
	return [3]int32{int32(math.Floor(p.X / width)), int32(math.Floor(p.Y / width)), int32(math.Floor(p.Z / (2 * width)))}
}

// leftOut is the covariance of the motion from leaving out each piece in turn: the grouped
// jackknife (Efron B, Tibshirani RJ, An Introduction to the Bootstrap, 1993, 11.5). Pieces weigh
// differently, so each one's change is counted as it is, without the factor (g−1)/g of g alike
// ones.
func (q equations) leftOut(parts []equations) *mat.SymDense {
	cov := mat.NewSymDense(6, nil)
	all, _ := q.solve()
	rest := newEquations(q.n.SymmetricDim())
	for _, p := range parts {
		for k := range all {
			rest.b.SetVec(k, q.b.AtVec(k)-p.b.AtVec(k))
			for l := k; l < len(all); l++ {
				rest.n.SetSym(k, l, q.n.At(k, l)-p.n.At(k, l))
			}
		}
		if x, ok := rest.solve(); ok {
			d := mat.NewVecDense(6, nil)
			for k := range 6 {
				d.SetVec(k, x[k]-all[k])
			}
			cov.SymRankOne(cov, 1, d)
		}
	}
	return cov
}

// LeftOut is the covariance of the fitted motion (ω, τ) about a centre from leaving out
// pieces of the given width, mm, in turn.
func (s *State) LeftOut(c *Cloud, centre geom.Vec, width float64) *mat.SymDense {
	whole, parts := s.pieces(c, width, 6, func(i int) []float64 {
		j := row(r3.Sub(s.ToFixed.Apply(c.Points[i]), centre), s.Normals[i])
		return j[:]
	})
	return whole.leftOut(parts)
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
	return 1 + rhs/own, s.Scale * math.Sqrt(together*squares) / own
}
