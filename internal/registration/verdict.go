package registration

import (
	"math"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/result"
)

type verdict struct {
	cov     *mat.SymDense
	quality map[string]float64
	flags   []result.Flag
	err     error
}

// groupSide, mm: errors that neighbours share (streaks, cupping) are shorter
// than this, so the groups' errors are nearly independent.
const groupSide = 10.0

// jackknife is the covariance of the parameters from refits that leave out one
// group of blocks each.
func jackknife(ev *evaluation, reg *region, parameters int) (*mat.SymDense, int) {
	groups := map[[3]int][]int{}
	var keys [][3]int
	var weight, bend float64
	for i, b := range ev.blocks {
		if !b.used {
			continue
		}
		d := [3]float64{b.centroid.X - reg.centre.X, b.centroid.Y - reg.centre.Y, b.centroid.Z - reg.centre.Z}
		var key [3]int
		for a := range 3 {
			key[a] = int(math.Floor(d[a]/groupSide + 0.5))
		}
		if groups[key] == nil {
			keys = append(keys, key)
		}
		groups[key] = append(groups[key], i)
		weight += b.weight * b.contrast
		bend += b.bend * b.contrast
	}
	kappa := weight / bend
	h := mat.NewSymDense(parameters, nil)
	add := func(dst *mat.SymDense, list []int, sign float64) {
		for _, i := range list {
			for a := range parameters {
				for c := a; c < parameters; c++ {
					dst.SetSym(a, c, dst.At(a, c)+sign*ev.blocks[i].cross[a][c])
				}
			}
		}
	}
	for _, k := range keys {
		add(h, groups[k], 1)
	}
	cov := mat.NewSymDense(parameters, nil)
	for _, k := range keys {
		left := mat.NewSymDense(parameters, nil)
		left.CopySym(h)
		add(left, groups[k], -1)
		g := mat.NewVecDense(parameters, nil)
		for _, i := range groups[k] {
			for a := range parameters {
				g.SetVec(a, g.AtVec(a)+ev.blocks[i].g[a])
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(left) {
			return nil, len(keys)
		}
		var x mat.VecDense
		if chol.SolveVecTo(&x, g) != nil {
			return nil, len(keys)
		}
		cov.SymRankOne(cov, kappa*kappa, &x)
	}
	n := float64(len(keys))
	cov.ScaleSym((n-1)/n, cov)
	return cov, len(keys)
}

func judge(ev *evaluation, found []candidate, reg *region) verdict {
	v := verdict{quality: map[string]float64{}}
	v.cov, _ = jackknife(ev, reg, rigidParameters)
	v.quality["disagree_fine"] = disagreement(ev, reg)
	v.quality["similarity"] = ev.similarity()
	v.quality["disagree_mid"] = found[0].disagree
	v.quality["coverage"] = ev.coverage()
	v.quality["middle_similarity"] = found[0].similarity
	if len(found) > 1 {
		v.quality["runner_up"] = found[1].similarity
	}
	return v
}

// disagreement is the median over the groups of how far each group alone would
// shift the scan, mm.
func disagreement(ev *evaluation, reg *region) float64 {
	groups := map[[3]int][]int{}
	for i, b := range ev.blocks {
		if !b.used {
			continue
		}
		d := [3]float64{b.centroid.X - reg.centre.X, b.centroid.Y - reg.centre.Y, b.centroid.Z - reg.centre.Z}
		var key [3]int
		for a := range 3 {
			key[a] = int(math.Floor(d[a]/groupSide + 0.5))
		}
		groups[key] = append(groups[key], i)
	}
	var all []float64
	for _, list := range groups {
		h := mat.NewSymDense(3, nil)
		g := mat.NewVecDense(3, nil)
		for _, i := range list {
			b := ev.blocks[i]
			for a := range 3 {
				g.SetVec(a, g.AtVec(a)+b.g[3+a])
				for c := a; c < 3; c++ {
					h.SetSym(a, c, h.At(a, c)+b.h[3+a][3+c])
				}
			}
		}
		// A wall says nothing about shifts along itself.
		ridge := 0.1 * mat.Trace(h) / 3
		for a := range 3 {
			h.SetSym(a, a, h.At(a, a)+ridge)
		}
		var chol mat.Cholesky
		var x mat.VecDense
		if chol.Factorize(h) && chol.SolveVecTo(&x, g) == nil {
			all = append(all, mat.Norm(&x, 2))
		}
	}
	return median(all)
}
