package measure

import (
	"math"
	"strconv"
	"strings"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/fixture"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
)

// alignmentSource names the alignment's contribution.
const alignmentSource = "alignment"

// contributions lists what makes a fixture's pose uncertain, each as the 6×6
// covariance of (entry, apex) in the planning frame, mm². written is the
// fixture as the case file has it.
func (s *Study) contributions(written casefile.Fixture, found fixture.Found, achieved geom.Pose) []uncertainty.Contribution {
	var out []uncertainty.Contribution
	for _, c := range found.Sources {
		out = append(out, uncertainty.Contribution{Name: c.Name, Cov: rotated(c.Cov, s.Alignment.PostToPre)})
	}
	if s.Alignment.Cov != nil {
		out = append(out, uncertainty.Contribution{Name: alignmentSource, Cov: s.Alignment.PoseCovariance(achieved)})
	}
	out = append(out, uncertainty.Contribution{Name: "voxel size", Cov: stretched(achieved, s.still())})
	return append(out, uncertainty.Contribution{Name: "digits of the plan", Cov: digits(written.Planned)})
}

// rotated turns a covariance of (entry, apex) from the follow-up into the
// planning frame.
func rotated(cov *mat.SymDense, postToPre geom.Rigid) *mat.SymDense {
	turn := mat.NewDense(6, 6, nil)
	for i := range 3 {
		for j := range 3 {
			turn.Set(i, j, postToPre.R[i][j])
			turn.Set(3+i, 3+j, postToPre.R[i][j])
		}
	}
	return geom.Propagate(turn, cov)
}

// rulerTolerance is the relative standard uncertainty of a scan's voxel size:
// machines are checked to about 0.1 mm on a length of 100 mm. Common practice,
// no source; an error beyond 0.5 % is flagged by the alignment.
const rulerTolerance = 0.001

// still is the point that a wrong voxel size leaves in place: the middle of what
// the alignment was found on, or of the planned fixtures where it was given.
func (s *Study) still() geom.Vec {
	if s.Alignment.Cov != nil {
		return s.Alignment.Centre
	}
	var sum geom.Vec
	for _, f := range s.Plan.Fixtures {
		sum = r3.Add(sum, r3.Scale(0.5, r3.Add(f.Planned.Entry, f.Planned.Apex)))
	}
	return r3.Scale(1/float64(len(s.Plan.Fixtures)), sum)
}

// stretched is the covariance that a wrong voxel size of the follow-up scan
// gives both ends about a point that stays.
func stretched(p geom.Pose, still geom.Vec) *mat.SymDense {
	e, a := r3.Sub(p.Entry, still), r3.Sub(p.Apex, still)
	v := mat.NewVecDense(6, []float64{e.X, e.Y, e.Z, a.X, a.Y, a.Z})
	cov := mat.NewSymDense(6, nil)
	cov.SymOuterK(rulerTolerance*rulerTolerance, v)
	return cov
}

// digits is the covariance of a plan that was rounded to the digits of the case
// file: h²/12 for a last digit's worth of h mm (JCGM 100:2008, F.2.2.1). The
// fixture's most precise coordinate counts, since trailing zeros are often
// dropped.
func digits(p geom.Pose) *mat.SymDense {
	decimals := 0
	for _, v := range []float64{p.Entry.X, p.Entry.Y, p.Entry.Z, p.Apex.X, p.Apex.Y, p.Apex.Z} {
		if _, after, ok := strings.Cut(strconv.FormatFloat(v, 'f', -1, 64), "."); ok {
			decimals = max(decimals, len(after))
		}
	}
	h := math.Pow10(-decimals)
	cov := mat.NewSymDense(6, nil)
	for i := range 6 {
		cov.SetSym(i, i, h*h/12)
	}
	return cov
}
