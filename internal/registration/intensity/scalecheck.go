package intensity

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/registration"
)

const (
	// scaleLimit is the relative error of a scale that is flagged: over a fixture
	// of 10 mm it makes 0.05 mm, over an arch 0.3 mm.
	scaleLimit = 0.005
	// scaleCoverage makes a standard uncertainty the half width of a 95 % interval.
	scaleCoverage = 2
)

// scaleCheck looks for a wrong voxel size: the rigid registration goes on with the
// three scales along the planning scan's grid free.
type scaleCheck struct {
	axes         [3]geom.Vec // unit; along columns, rows and slices of the planning scan
	scale        [3]float64  // relative excess of the follow-up scan's lengths along them
	u            [3]float64  // standard uncertainty of scale; infinite when not determined
	disagreement float64     // mm, with the scales free
	similarity   float64     // with the scales free
}

// checkScales reads the scales off a registration that has them free, at smoothing
// sigma, mm.
func (s *samples) checkScales(ev *evaluation, tr scaledRigid, sigma float64) scaleCheck {
	c := scaleCheck{axes: s.axes, scale: tr.scale, disagreement: ev.disagreement(s.centre), similarity: ev.similarity()}
	cov := ev.jackknifeCovariance(s.centre, allParameters)
	for a := range 3 {
		c.u[a] = math.Inf(1)
		if cov != nil {
			shared := sharedErrorVariance(c.disagreement, sigma)
			c.u[a] = math.Sqrt(max(0, cov.At(rigidParameters+a, rigidParameters+a)) + shared/(leverArm*leverArm))
		}
	}
	return c
}

// wrongAxis is the axis whose scale is off by more than scaleLimit beyond its 95 %
// interval; -1 when there is none, or when the scans do not match with free
// scales either.
func (c scaleCheck) wrongAxis() int {
	axis, most := -1, 0.0
	if !(c.disagreement <= DoubtfulDisagreement) || c.similarity < RefusedSimilarity {
		return axis
	}
	for a := range 3 {
		if excess := math.Abs(c.scale[a]) - scaleCoverage*c.u[a] - scaleLimit; excess > most {
			axis, most = a, excess
		}
	}
	return axis
}

// report adds the scales to the result, and the flag for a wrong one.
func (c scaleCheck) report(out *registration.Result) {
	for a, name := range [3]string{"columns", "rows", "slices"} {
		if !math.IsInf(c.u[a], 0) {
			out.Quality["scale_"+name+"_ratio"] = 1 + c.scale[a]
			out.Quality["scale_"+name+"_u_ratio"] = c.u[a]
		}
	}
	a := c.wrongAxis()
	if a < 0 {
		return
	}
	way := "larger"
	if c.scale[a] < 0 {
		way = "smaller"
	}
	out.Flags = append(out.Flags, measurement.Flag{
		Code:  scaleMismatch,
		Level: measurement.Doubt,
		Message: fmt.Sprintf("measured %s, the same jaw is %.1f %% %s in the follow-up scan than in the planning scan (standard uncertainty %.1f %%): one of the two exports states a wrong voxel size, so no position can be right; export both scans again",
			patientDirection(c.axes[a]), 100*math.Abs(c.scale[a]), way, 100*c.u[a]),
	})
}

// patientDirection names the patient's direction nearest to v.
func patientDirection(v geom.Vec) string {
	x, y, z := math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z)
	switch {
	case x >= y && x >= z:
		return "from side to side"
	case y >= z:
		return "from front to back"
	}
	return "from head to foot"
}
