package intensity

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/registration"
)

// Limits of acceptance; a report states them beside the figures.
const (
	// Two scans of one jaw, each group of blocks asked alone where it would
	// shift, agree within hundredths of a millimetre (phantoms and simulated
	// pairs: up to 0.02 mm, 0.04 mm at 0.4 mm voxels, 0.09 mm where both scans
	// were cropped to 38 mm there); a wrong match stands on walls that slide
	// along each other and disagrees by 0.18 mm and more (86 pairs of scans of
	// different heads; TestAlignmentAccuracy repeats such pairs).
	DoubtfulDisagreement = 0.10 // mm
	refusedDisagreement  = 0.15 // mm
	// RefusedSimilarity: true pairs have 0.49 and more; scans that have nothing
	// in common have 0.0 to 0.3, scans of two jaws 0.3 to 0.85.
	RefusedSimilarity = 0.35
	// refusedError, mm, of the expected target registration error at entry or apex:
	// beyond it nothing could be measured.
	refusedError = 0.25
	// RivalScore is the share of the best candidate's score from which a second
	// place counts as just as plausible, if its groups agree, too.
	RivalScore = 0.9
	// rivalDistance, mm (transformDistance): nearer candidates are one place on
	// their way to it; a slip by a tooth is 5 mm and more.
	rivalDistance = 2.5
)

// Codes of the flags.
const (
	doubtful      = measurement.CodeAlignmentDoubtful
	scaleMismatch = measurement.CodeScaleMismatch
)

// accept makes the result of the fine level, with a flag where it is doubtful, or
// refuses it with ErrNoMatch. found are the middle level's candidates, the best
// first.
func (r *refinement) accept(preToPost geom.Rigid, ev *evaluation, found []candidate, scales scaleCheck) (*registration.Result, error) {
	similarity, coverage, disagreement := ev.similarity(), ev.coverage(), ev.disagreement(r.region.centre)
	out := &registration.Result{
		Method:    "scans",
		PostToPre: preToPost.Inverse(),
		Centre:    r.region.centre,
		Quality: map[string]float64{
			"similarity_ratio": similarity,
			"coverage_ratio":   coverage,
			"disagreement_mm":  disagreement,
		},
	}
	figures := fmt.Sprintf("similarity %.2f of 1, %.0f %% of the planning scan's structure found in the follow-up scan, parts of it disagree by %.2f mm", similarity, 100*coverage, disagreement)
	u := math.Inf(1)
	if cov := ev.jackknifeCovariance(r.region.centre, rigidParameters); cov != nil {
		out.Cov = inflateCovariance(cov, sharedErrorVariance(disagreement, r.smoothing(fineLevel)))
		u = 0
		for _, t := range r.region.targets {
			u = max(u, out.ExpectedTRE(t.Planned.Entry), out.ExpectedTRE(t.Planned.Apex))
		}
		out.Quality["error_u_mm"] = u
		figures += fmt.Sprintf(", expected error at the fixture %.2f mm", u)
	}
	wrongScale := scales.wrongAxis() >= 0
	if out.Cov == nil || !wrongScale && (similarity < RefusedSimilarity || !(disagreement <= refusedDisagreement) || u > refusedError) {
		return nil, fmt.Errorf("%w: nothing in the follow-up scan fits what surrounds the planned fixtures (%s); check that both scans are of this patient and that the follow-up scan shows the fixtures' jaw, or align by landmark pairs", ErrNoMatch, figures)
	}
	if len(found) > 1 && found[0].score > 0 {
		out.Quality["runner_up_ratio"] = found[1].score / found[0].score
	}
	scales.report(out)
	reason := ""
	switch {
	case wrongScale: // its flag is the reason
	case disagreement > DoubtfulDisagreement:
		reason = "parts of the jaw around the fixtures disagree about how the scans lie to each other: the jaw may have changed, or the match may be wrong"
	case u > registration.DoubtfulError:
		reason = "the scans share too little structure around the fixtures to tell how they lie to each other"
	case len(found) > 1 && found[1].score > RivalScore*found[0].score && found[1].disagreement < DoubtfulDisagreement:
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
