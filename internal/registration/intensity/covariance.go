package intensity

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	// groupSide, mm, of the cubes whose blocks the jackknife leaves out together.
	// Errors that neighbours share (streaks, cupping, a wall's blur) are shorter, so
	// the groups' errors are nearly independent.
	groupSide = 10.0
	// disagreementDamping, relative to the mean curvature, damps a group's own
	// shift: a wall determines no shift along itself.
	disagreementDamping = 0.1
	// effectiveGroups is the effective sample size of the groups: what displaces
	// their edges (streaks' shading above all) spreads over many of them at once,
	// where the jackknife takes all for independent. Found on 60 phantoms
	// (TestAlignmentAccuracy): the 95 % region covers the truth in 97 % of them, the
	// squared error in units of its covariance is 4.1 on average of the 6 expected;
	// with 8, 88 % and 5.4.
	effectiveGroups = 6.0
	// maxwellMedian is the median length of a vector of three independent
	// standard normal parts.
	maxwellMedian = 1.5382
	// interpolationError, mm a direction, is seen where two scans without noise or
	// metal are aligned.
	interpolationError = 0.001
	// smoothingError: voxels above finestForced mm force a smoothing that lets gum,
	// lips and the other jaw into the bone's blocks. Per mm of smoothing beyond what
	// finestForced asks for, phantoms of 0.5 to 1 mm were off by up to this, mm a
	// direction.
	smoothingError = 0.1
	finestForced   = 0.4 // mm
)

// spatialGroups are the used blocks by cubes of groupSide.
func (ev *evaluation) spatialGroups(centre geom.Vec) [][]int {
	place := map[[3]int]int{}
	var out [][]int
	for i, b := range ev.blocks {
		if !b.used {
			continue
		}
		d := r3.Sub(b.centroid, centre)
		var key [3]int
		for a, x := range [3]float64{d.X, d.Y, d.Z} {
			key[a] = int(math.Floor(x/groupSide + 0.5))
		}
		at, ok := place[key]
		if !ok {
			at = len(out)
			place[key] = at
			out = append(out, nil)
		}
		out[at] = append(out[at], i)
	}
	return out
}

// jackknifeCovariance is the covariance of the parameters (rad, mm, relative
// scales), from refits that leave out one of the G groups of blocks each; nil when
// one of them does not determine all parameters.
//
// Method: delete-a-group jackknife, each refit one step of Gauss and Newton from
// the common optimum. With Hᵧ the cross-Hessian, which noise does not inflate, and
// gᵧ = JᵀWr of group γ,
//
//	Cov = (G−1)/G · (w/ψ)² · Σᵧ δᵧδᵧᵀ,   δᵧ = (H − Hᵧ)⁻¹ gᵧ
//
// The curvature of a robust sum of squares is that of its influence function, below
// that of its weights by the ratio of their means ψ and w.
// Efron B, Tibshirani R. An Introduction to the Bootstrap. 1993, chapter 11.
func (ev *evaluation) jackknifeCovariance(centre geom.Vec, parameters int) *mat.SymDense {
	groups := ev.spatialGroups(centre)
	var weight, influence float64
	for _, b := range ev.blocks {
		if b.used {
			weight += b.meanWeight * b.contrast * float64(b.overlap)
			influence += b.meanInfluence * b.contrast * float64(b.overlap)
		}
	}
	if len(groups) < 2 || influence <= 0 {
		return nil
	}
	total := mat.NewSymDense(parameters, nil)
	ofGroup := make([]*mat.SymDense, len(groups))
	for n, list := range groups {
		h := mat.NewSymDense(parameters, nil)
		for _, i := range list {
			for a := range parameters {
				for c := a; c < parameters; c++ {
					h.SetSym(a, c, h.At(a, c)+ev.blocks[i].cross[a][c])
				}
			}
		}
		ofGroup[n] = h
		total.AddSym(total, h)
	}
	cov := mat.NewSymDense(parameters, nil)
	for n, list := range groups {
		g := mat.NewVecDense(parameters, nil)
		for _, i := range list {
			for a := range parameters {
				g.SetVec(a, g.AtVec(a)+ev.blocks[i].g[a])
			}
		}
		var rest mat.SymDense
		rest.ScaleSym(-1, ofGroup[n])
		rest.AddSym(total, &rest)
		var chol mat.Cholesky
		var x mat.VecDense
		if !chol.Factorize(&rest) || chol.SolveVecTo(&x, g) != nil {
			return nil
		}
		cov.SymRankOne(cov, 1, &x)
	}
	n := float64(len(groups))
	ratio := weight / influence
	cov.ScaleSym((n-1)/n*ratio*ratio, cov)
	return cov
}

// disagreement is the median over the groups of the length of the translation,
// mm, that each group's own step would add; infinite when no group determines one.
func (ev *evaluation) disagreement(centre geom.Vec) float64 {
	var all []float64
	for _, list := range ev.spatialGroups(centre) {
		h := mat.NewSymDense(3, nil)
		g := mat.NewVecDense(3, nil)
		for _, i := range list {
			b := &ev.blocks[i]
			for a := range 3 {
				g.SetVec(a, g.AtVec(a)+b.g[3+a])
				for c := a; c < 3; c++ {
					h.SetSym(a, c, h.At(a, c)+b.h[3+a][3+c])
				}
			}
		}
		tikhonov := disagreementDamping * mat.Trace(h) / 3
		for a := range 3 {
			h.SetSym(a, a, h.At(a, a)+tikhonov)
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if chol.Factorize(h) && chol.SolveVecTo(&x, g) == nil {
			all = append(all, mat.Norm(&x, 2))
		}
	}
	if len(all) == 0 {
		return math.Inf(1)
	}
	return median(all)
}

// sharedErrorVariance is the variance a direction, mm², of the errors that the
// groups share: of the mean of n = effectiveGroups displacements with the standard
// deviation s that follows from the disagreement, mm; of interpolation; and of smoothing
// by sigma, mm.
//
// Method: s from few displacements is uncertain, so their mean follows a t
// distribution, whose variance is (n−1)/(n−3)·s²/n (JCGM 101:2008, 6.4.9.4).
func sharedErrorVariance(disagreement, sigma float64) float64 {
	const n = effectiveGroups
	mean := (n - 1) / (n - 3) * square(disagreement/maxwellMedian) / n
	return mean + square(interpolationError) + square(smoothingError*max(0, sigma-minSigma*finestForced))
}

// inflateCovariance adds the shared error's variance, mm², to a covariance of
// (ω, τ): to the translation, and to the rotation as much at the lever arm.
func inflateCovariance(cov *mat.SymDense, shared float64) *mat.SymDense {
	out := mat.NewSymDense(rigidParameters, nil)
	out.CopySym(cov)
	for a := range 3 {
		out.SetSym(a, a, out.At(a, a)+shared/(leverArm*leverArm))
		out.SetSym(3+a, 3+a, out.At(3+a, 3+a)+shared)
	}
	return out
}

func square(x float64) float64 { return x * x }
