package measure

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
)

// planErrors are the sources of uncertainty that a plan brings itself, as its file has it.
func planErrors(f casefile.Fixture) evidence.Budget {
	out := evidence.Budget{{Name: "digits of the plan", Cov: rounding(f.Planned), OfPlan: true}}
	if u := f.PlanUncertainty; u > 0 {
		out = append(out, evidence.Source{Name: "plan set by hand", Cov: even(u * u), OfPlan: true})
	}
	return out
}

// even is the covariance of two points with one variance in every direction, mm².
func even(variance float64) *mat.SymDense {
	cov := mat.NewSymDense(6, nil)
	for i := range 6 {
		cov.SetSym(i, i, variance)
	}
	return cov
}

// rounding is the covariance of a plan that was rounded to the digits of the case
// file: h²/12 for a last digit's worth of h mm (JCGM 100:2008, F.2.2.1). The
// fixture's most precise coordinate counts, since trailing zeros are often
// dropped.
func rounding(p geom.Pose) *mat.SymDense {
	decimals := 0
	for _, v := range []float64{p.Entry.X, p.Entry.Y, p.Entry.Z, p.Apex.X, p.Apex.Y, p.Apex.Z} {
		if _, after, ok := strings.Cut(strconv.FormatFloat(v, 'f', -1, 64), "."); ok {
			decimals = max(decimals, len(after))
		}
	}
	h := math.Pow10(-decimals)
	return even(h * h / 12)
}
