package intensity

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/registration"
)

const (
	// groupSide, mm, of the cubes whose blocks are left out together. Errors
	// that neighbours share (streaks, cupping, a wall's blur) are shorter, so
	// the groups' errors are nearly independent.
	groupSide = 10.0

	// Two scans of one jaw, each group of blocks asked alone where it would
	// shift, agree within hundredths of a millimetre (phantoms and simulated
	// pairs: up to 0.02 mm, 0.04 mm at 0.4 mm voxels, 0.09 mm where both scans
	// were cropped to 38 mm there); a wrong match stands on walls that slide
	// along each other and disagrees by 0.18 mm and more (86 pairs of scans of
	// different heads; TestAlignmentAccuracy repeats such pairs).
	doubtfulDisagreement = 0.10 // mm
	refusedDisagreement  = 0.15 // mm
	// refusedSimilarity: true pairs have 0.49 and more; scans that have nothing
	// in common have 0.0 to 0.3, scans of two jaws 0.3 to 0.85.
	refusedSimilarity = 0.35
	// refusedError, mm, of the expected error at entry or apex (standard
	// uncertainty of the length): beyond it nothing could be measured.
	refusedError = 0.25
	// doubtfulError, mm: with a standard uncertainty of the length above it,
	// half a millimetre of error is no longer out of the question.
	doubtfulError = 0.12
	// rival is the share of the best candidate's score from which a second
	// place counts as just as plausible, if its groups agree, too.
	rival = 0.9
	// rivalDistance, mm (turns counted at the lever): nearer candidates are one
	// place on their way to it; a slip by a tooth is 5 mm and more.
	rivalDistance = 2.5

	// sharedBy: what displaces the groups' edges (streaks' shading above all)
	// spreads over many of them at once, so that only about this many err on
	// their own, where the jackknife takes all for independent. Found on 60
	// phantoms (TestAlignmentAccuracy): the 95 % region covers the truth in 97 %
	// of them, the squared error in units of its covariance is 4.1 on average of
	// the 6 expected; with 8, 88 % and 5.4.
	sharedBy = 6.0
	// maxwellMedian is the median length of a vector of three independent
	// standard normal parts.
	maxwellMedian = 1.5382
	// finest, mm a direction: interpolation's own error, seen where two scans
	// without noise or metal are aligned.
	finest = 0.001
	// smearing: voxels above 0.4 mm force a smoothing that lets gum, lips and the
	// other jaw into the bone's blocks. Per mm of smoothing beyond what 0.4 mm
	// asks for, phantoms of 0.5 to 1 mm were off by up to this, mm a direction.
	smearing = 0.1
	fineEdge = 0.4 // mm
)

// Codes of the flags.
const (
	doubtful      = "alignment-doubtful"
	scaleMismatch = "scale-mismatch"
)

// groups are the used blocks by cubes of groupSide.
func (ev *evaluation) groups(centre geom.Vec) [][]int {
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

// jackknife is the covariance of the parameters from refits that leave out one
// group of blocks each; nil when they do not determine all parameters.
//
// Method: delete-a-group jackknife, each refit one step of Gauss and Newton
// from the common optimum; the curvature comes from both scans' slopes, which
// noise does not inflate. A robust fit's curvature is that of its influence
// function, which lies below its weights by the ratio of their means.
// Efron B, Tibshirani R. An Introduction to the Bootstrap. 1993, chapter 11.
func (ev *evaluation) jackknife(centre geom.Vec, parameters int) *mat.SymDense {
	groups := ev.groups(centre)
	var weight, bend float64
	for _, b := range ev.blocks {
		if b.used {
			weight += b.weight * b.contrast * float64(b.n)
			bend += b.bend * b.contrast * float64(b.n)
		}
	}
	if len(groups) < 2 || bend <= 0 {
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
		var left mat.SymDense
		left.ScaleSym(-1, ofGroup[n])
		left.AddSym(total, &left)
		var chol mat.Cholesky
		var x mat.VecDense
		if !chol.Factorize(&left) || chol.SolveVecTo(&x, g) != nil {
			return nil
		}
		cov.SymRankOne(cov, 1, &x)
	}
	n := float64(len(groups))
	ratio := weight / bend
	cov.ScaleSym((n-1)/n*ratio*ratio, cov)
	return cov
}

// disagreement is the median over the groups of how far each alone would shift
// the scan, mm; infinite when no group says anything.
func (ev *evaluation) disagreement(centre geom.Vec) float64 {
	var all []float64
	for _, list := range ev.groups(centre) {
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
		// A wall says nothing about shifts along itself, and a tenth of the
		// mean curvature keeps it from saying nonsense.
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
	if len(all) == 0 {
		return math.Inf(1)
	}
	return median(all)
}

// common is the variance a direction, mm², of what the groups share: of the mean
// of sharedBy displacements as large as the groups' disagreement says of each,
// and of what smoothing by sigma smears in.
//
// Method: few displacements tell their own spread poorly, so the mean follows a
// t distribution, whose variance is (n−1)/(n−3)·s²/n (JCGM 101:2008, 6.4.9.4).
func common(disagree, sigma float64) float64 {
	mean := (sharedBy - 1) / (sharedBy - 3) * square(disagree/maxwellMedian) / sharedBy
	return mean + square(finest) + square(smearing*max(0, sigma-minSigma*fineEdge))
}

// widen adds to the jackknife what the groups share, and of the turn as much at
// the lever.
func widen(cov *mat.SymDense, shared float64) *mat.SymDense {
	out := mat.NewSymDense(rigidParameters, nil)
	out.CopySym(cov)
	for a := range 3 {
		out.SetSym(a, a, out.At(a, a)+shared/(lever*lever))
		out.SetSym(3+a, 3+a, out.At(3+a, 3+a)+shared)
	}
	return out
}

func square(x float64) float64 { return x * x }

// judge makes the result of a fit, or refuses it.
func (f *fit) judge(preToPost geom.Rigid, ev *evaluation, found []candidate, rule ruler) (*registration.Result, error) {
	similarity, coverage, disagree := ev.similarity(), ev.coverage(), ev.disagreement(f.reg.centre)
	out := &registration.Result{
		Method:    "scans",
		PostToPre: preToPost.Inverse(),
		Centre:    f.reg.centre,
		Quality: map[string]float64{
			"similarity_ratio": similarity,
			"coverage_ratio":   coverage,
			"disagreement_mm":  disagree,
		},
	}
	figures := fmt.Sprintf("similarity %.2f of 1, %.0f %% of the planning scan's structure found in the follow-up scan, parts of it disagree by %.2f mm", similarity, 100*coverage, disagree)
	u := math.Inf(1)
	if cov := ev.jackknife(f.reg.centre, rigidParameters); cov != nil {
		out.Cov = widen(cov, common(disagree, f.smoothing(fineLevel)))
		u = 0
		for _, t := range f.reg.targets {
			u = max(u, out.ExpectedTRE(t.Planned.Entry), out.ExpectedTRE(t.Planned.Apex))
		}
		out.Quality["error_u_mm"] = u
		figures += fmt.Sprintf(", expected error at the fixture %.2f mm", u)
	}
	scaled := rule.wrong() >= 0
	if out.Cov == nil || !scaled && (similarity < refusedSimilarity || !(disagree <= refusedDisagreement) || u > refusedError) {
		return nil, fmt.Errorf("%w: nothing in the follow-up scan fits what surrounds the planned fixtures (%s); check that both scans are of this patient and that the follow-up scan shows the fixtures' jaw, or align by landmark pairs", ErrNoMatch, figures)
	}
	if len(found) > 1 && found[0].score > 0 {
		out.Quality["runner_up_ratio"] = found[1].score / found[0].score
	}
	rule.record(out)
	reason := ""
	switch {
	case scaled: // has said it all
	case disagree > doubtfulDisagreement:
		reason = "parts of the jaw around the fixtures disagree about how the scans lie to each other: the jaw may have changed, or the match may be wrong"
	case u > doubtfulError:
		reason = "the scans share too little structure around the fixtures to tell how they lie to each other"
	case len(found) > 1 && found[1].score > rival*found[0].score && found[1].disagree < doubtfulDisagreement:
		reason = "the follow-up scan fits almost as well in a second place, such as one tooth further"
	}
	if reason != "" {
		out.Flags = append(out.Flags, measurement.Flag{
			Code:    doubtful,
			Level:   measurement.Doubt,
			Message: fmt.Sprintf("%s (%s); look at the alignment picture, and where its lines are off the bone align by landmark pairs", reason, figures),
		})
	}
	return out, nil
}
