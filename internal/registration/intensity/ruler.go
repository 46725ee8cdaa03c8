package intensity

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/registration"
)

// scaleLimit is the relative error of a ruler that is flagged: over a fixture
// of 10 mm it makes 0.05 mm, over an arch 0.3 mm.
const scaleLimit = 0.005

// ruler is the outcome of the scale check: the rigid fit went on with the three
// scales along the planning scan's grid free.
type ruler struct {
	axes    [3]geom.Vec // unit; along columns, rows and slices of the planning scan
	stretch [3]float64  // relative excess of the follow-up scan's lengths along them
	u       [3]float64  // standard uncertainty; infinite when not determined
	agree   float64     // disagreement of the groups with the scales free, mm
	alike   float64     // similarity with the scales free
}

func (s *samples) ruler(ev *evaluation, mo motion, sigma float64) ruler {
	r := ruler{axes: s.axes, stretch: mo.stretch, agree: ev.disagreement(s.centre), alike: ev.similarity()}
	cov := ev.jackknife(s.centre, allParameters)
	for a := range 3 {
		r.u[a] = math.Inf(1)
		if cov != nil {
			shared := common(r.agree, sigma)
			r.u[a] = math.Sqrt(max(0, cov.At(rigidParameters+a, rigidParameters+a)) + shared/(lever*lever))
		}
	}
	return r
}

// wrong is the axis whose scale is off by more than scaleLimit beyond its 95 %
// interval; -1 when there is none, or when the scans do not match with free
// scales either.
func (r ruler) wrong() int {
	axis, most := -1, 0.0
	if !(r.agree <= doubtfulDisagreement) || r.alike < refusedSimilarity {
		return axis
	}
	for a := range 3 {
		if off := math.Abs(r.stretch[a]) - 2*r.u[a] - scaleLimit; off > most {
			axis, most = a, off
		}
	}
	return axis
}

// record adds the scales to the result, and the flag for a wrong one.
func (r ruler) record(out *registration.Result) {
	for a, name := range [3]string{"columns", "rows", "slices"} {
		if !math.IsInf(r.u[a], 0) {
			out.Quality["scale_"+name+"_ratio"] = 1 + r.stretch[a]
			out.Quality["scale_"+name+"_u_ratio"] = r.u[a]
		}
	}
	a := r.wrong()
	if a < 0 {
		return
	}
	way := "larger"
	if r.stretch[a] < 0 {
		way = "smaller"
	}
	out.Flags = append(out.Flags, measurement.Flag{
		Code:  scaleMismatch,
		Level: measurement.Doubt,
		Message: fmt.Sprintf("measured %s, the same jaw is %.1f %% %s in the follow-up scan than in the planning scan (standard uncertainty %.1f %%): one of the two exports states a wrong voxel size, so no position can be right; export both scans again",
			along(r.axes[a]), 100*math.Abs(r.stretch[a]), way, 100*r.u[a]),
	})
}

// along is the patient's direction nearest to v.
func along(v geom.Vec) string {
	x, y, z := math.Abs(v.X), math.Abs(v.Y), math.Abs(v.Z)
	switch {
	case x >= y && x >= z:
		return "from side to side"
	case y >= z:
		return "from front to back"
	}
	return "from head to foot"
}
