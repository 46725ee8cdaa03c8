package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

const (
	// differ is the chance by which two right measurements are called apart, and hardly the
	// chance from which on one of both must be wrong: one in a thousand, as for alignments.
	differ, hardly = 0.05, 0.001
	// leastDoubt, mm, is a difference that matters beside published deviations of a
	// millimetre.
	leastDoubt = 0.3
	// bare, mm², is added to each variance: directions in which neither can err, such as
	// along a fixture whose length is given, have none.
	bare = 1e-6
)

// second measures the fixtures in the second record and holds both against each other.
func (s *Study) second(in *Inputs, seed uint64) error {
	al, err := in.Second.Register(func(float64) {})
	if err != nil {
		s.Result.Flags = append(s.Result.Flags, measurement.Flag{Code: measurement.CodeSecondEvidenceRefused, Level: measurement.Doubt,
			Message: fmt.Sprintf("the surface scan beside the follow-up scan was not used: %v; until that is clear both may be of another patient", err)})
		return nil
	}
	set := in.Second.Observe(*al)
	s.Beside = set.View
	for i, achieved := range set.Fixtures {
		site := &s.Sites[i]
		for _, f := range append(al.Flags, achieved.Flags...) {
			f.Level = measurement.Notice // the figures are the first record's
			about := fmt.Sprintf("site %s: ", site.Plan.Site)
			f.Message = about + "in the surface scan beside the follow-up scan " + strings.TrimPrefix(f.Message, about)
			site.Figures.Flags = append(site.Figures.Flags, f)
		}
		if achieved.Pose == nil {
			continue
		}
		if err := site.compare(achieved, planErrors(in.Written.Fixtures[i]), seed); err != nil {
			return fmt.Errorf("site %s: %w", site.Plan.Site, err)
		}
	}
	return nil
}

// compare states a second measurement of a site.
func (s *Site) compare(other evidence.Achieved, ofPlan evidence.Budget, seed uint64) error {
	second := &measurement.Second{Evidence: string(other.Kind), Achieved: placement(*other.Pose, other.Diameter, other.Length)}
	d, err := deviation.Of(s.Plan.Planned, *other.Pose, s.Directions)
	if err != nil {
		return err
	}
	budget := slices.Concat(other.Budget, ofPlan)
	u, err := uncertainty.Propagate(s.Plan.Planned, *other.Pose, budget, s.Directions, seed)
	if err != nil {
		return err
	}
	second.Deviation, second.Uncertainty = &d, &u
	s.Figures.Second = second
	first := s.Achieved
	if first.Pose == nil {
		return nil
	}
	entry, apex := r3.Sub(other.Pose.Entry, first.Pose.Entry), r3.Sub(other.Pose.Apex, first.Pose.Apex)
	second.Difference = &measurement.Difference{Entry: r3.Norm(entry), Apex: r3.Norm(apex),
		Angle: geom.Degrees(geom.Angle(other.Pose.Axis(), first.Pose.Axis()))}
	chance := chanceOf(entry, apex, first.Budget.OfPlace(), other.Budget.OfPlace())
	agrees := chance >= differ
	second.Agrees = &agrees
	f := measurement.Flag{Code: measurement.CodeEvidenceAgrees, Level: measurement.Notice}
	apart := fmt.Sprintf("site %s: follow-up scan and surface scan show the fixture %.2f mm apart at the entry, %.2f mm at the apex and %.1f° in its axis", s.Plan.Site, second.Difference.Entry, second.Difference.Apex, second.Difference.Angle)
	f.Message = apart + ", as their uncertainties explain"
	if !agrees {
		f.Code, f.Message = measurement.CodeEvidenceDisagrees, apart+", more than their uncertainties explain"
	}
	if chance < hardly && max(second.Difference.Entry, second.Difference.Apex) > leastDoubt {
		f.Level = measurement.Doubt
		f.Message += "; check that the scan body was down on the fixture and is the one stated, and look at both alignment pictures"
	}
	s.Figures.Flags = append(s.Figures.Flags, f)
	return nil
}

// chanceOf is the chance of a difference at both ends as large as this one, from the
// covariances of two independent measurements: chi squared with 5 degrees of freedom, for a
// fixture's turn about its axis moves no end.
func chanceOf(entry, apex geom.Vec, a, b *mat.SymDense) float64 {
	sum := mat.NewSymDense(6, nil)
	sum.AddSym(a, b)
	for k := range 6 {
		sum.SetSym(k, k, sum.At(k, k)+bare)
	}
	d := mat.NewVecDense(6, []float64{entry.X, entry.Y, entry.Z, apex.X, apex.Y, apex.Z})
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(sum) || chol.SolveVecTo(&x, d) != nil {
		return math.NaN()
	}
	return distuv.ChiSquared{K: 5}.Survival(mat.Dot(d, &x))
}
