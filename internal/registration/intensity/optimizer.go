package intensity

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// damping is added to the diagonal of H, relative to it: a direction that no
// structure determines stays where it is.
const damping = 1e-3

// sumNormalEquations adds the blocks' H and JᵀWr.
func sumNormalEquations(blocks []blockFit, parameters int) (h *mat.SymDense, g *mat.VecDense) {
	h = mat.NewSymDense(parameters, nil)
	g = mat.NewVecDense(parameters, nil)
	for i := range blocks {
		if !blocks[i].used {
			continue
		}
		for a := range parameters {
			g.SetVec(a, g.AtVec(a)+blocks[i].g[a])
			for c := a; c < parameters; c++ {
				h.SetSym(a, c, h.At(a, c)+blocks[i].h[a][c])
			}
		}
	}
	return h, g
}

// gaussNewtonStep solves (H + damping·diag H) δ = JᵀWr; ok is false when H does
// not determine δ.
func gaussNewtonStep(blocks []blockFit, parameters int, damping float64) (delta []float64, ok bool) {
	h, g := sumNormalEquations(blocks, parameters)
	for a := range parameters {
		h.SetSym(a, a, h.At(a, a)*(1+damping))
	}
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return nil, false
	}
	var v mat.VecDense
	if err := chol.SolveVecTo(&v, g); err != nil {
		return nil, false
	}
	return v.RawVector().Data, true
}

// refine optimises a rigid transform from start. The evaluation belongs to the
// transform that is returned.
func (s *samples) refine(moving *volume.Field, start geom.Rigid, l level, scheme gradientScheme, forEach func(int, func(int))) (geom.Rigid, *evaluation) {
	tr, ev := newMetric(s, moving, rigidParameters, forEach).optimise(scaledRigid{Rigid: start}, l, scheme)
	return tr.Rigid, ev
}

// refineScales goes on from a rigid optimum with the three scales free.
func (s *samples) refineScales(moving *volume.Field, start geom.Rigid, l level) (scaledRigid, *evaluation) {
	m := newMetric(s, moving, allParameters, parallel.For)
	return m.optimise(scaledRigid{Rigid: start, axes: s.axes, centre: s.centre}, l, crossHessian)
}

// optimise takes Gauss and Newton's steps until one displaces the region by less
// than the level's tolerance (converged) or its iterations are used up. Steps are
// cut to the level's longest. The last evaluation follows the given scheme; the
// cross-Hessian, which steps do not need, is left to it.
//
// A oneSided optimisation, which may start far from the optimum or have few
// samples, returns the iterate of the best score.
func (m *metric) optimise(tr scaledRigid, l level, scheme gradientScheme) (scaledRigid, *evaluation) {
	stepScheme := min(scheme, symmetric)
	ev := m.evaluate(tr, stepScheme)
	best, bestTransform := ev, tr
	for range l.maxIterations {
		delta, ok := gaussNewtonStep(ev.blocks, m.parameters, damping)
		if !ok {
			break
		}
		omega, tau := splitParameters(delta)
		length := displacement(omega, tau)
		shrink := 1.0
		if length > l.maxStep {
			shrink = l.maxStep / length
		}
		tr.Rigid = tr.Rigid.After(smallMotion(m.centre, r3.Scale(shrink, omega), r3.Scale(shrink, tau)))
		for a := rigidParameters; a < m.parameters; a++ {
			tr.scale[a-rigidParameters] += shrink * delta[a]
			length += leverArm * math.Abs(delta[a])
		}
		converged := length < l.tolerance
		if converged {
			stepScheme = scheme
		}
		ev = m.evaluate(tr, stepScheme)
		if scheme == oneSided && ev.score() > best.score() {
			best, bestTransform = ev, tr
		}
		if converged {
			break
		}
	}
	switch {
	case scheme == oneSided:
		return bestTransform, best
	case stepScheme != scheme:
		ev = m.evaluate(tr, scheme)
	}
	return tr, ev
}
