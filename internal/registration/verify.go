package registration

import (
	"fmt"
	"maps"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// DoubtfulError, mm, of the expected target registration error at entry or apex:
// above it, half a millimetre of error is no longer out of the question.
const DoubtfulError = 0.12

const (
	// disagreementLevel is the chance by which a right transform is called
	// significantly off: one in a thousand, since a case has one alignment and a
	// false alarm costs a look at the picture.
	disagreementLevel = 0.001
	// ToleratedDifference, mm, and toleratedTurn, degrees, are what the scans may show
	// beside a given transform without doubt; the intervals take it in. Where the
	// head drifts by 0.4 mm and 0.3° during both scans, their mean poses differ from
	// the true transform by 0.25 mm and 0.43° (a simulated pair); half a millimetre
	// and 2° must not pass.
	ToleratedDifference = 0.4
	toleratedTurn       = 1.5
)

// Names of the qualities that a comparison adds.
const (
	ScansDiffer     = "scans_differ_mm" // largest, at the ends of the planned fixtures
	ScansDifferTurn = "scans_differ_deg"
	errorU          = "error_u_mm"
)

// Comparison holds a transform that was given against one that was found on the
// scans without it.
//
// Method: the motion d = (ω, τ) from the given to the found transform has, where
// both are right, the covariance S of both; for a transform given without one, of
// the found one alone. D² = dᵀS⁻¹d then follows chi squared with 6 degrees of
// freedom, and what is beyond its expectation 6 is an error of the given
// transform: (1 − 6/D²)·d·dᵀ, if positive, is added to its covariance (method of
// moments, as DerSimonian R, Laird N. Control Clin Trials 1986;7:177-188, do for
// the variance between studies).
type Comparison struct {
	given, found Result
	fixtures     []geom.Pose
	cov          *mat.SymDense // of the given transform, about given.Centre
	squared      float64       // D²
	off, turn    float64       // largest distance at the fixtures' ends, mm; rad
}

// Compare holds given against found at the planned fixtures, planning frame.
func Compare(given, found Result, fixtures []geom.Pose) Comparison {
	if given.Cov == nil {
		given.Centre = found.Centre
	}
	c := Comparison{given: given, found: found, fixtures: fixtures, cov: mat.NewSymDense(6, nil)}
	motion := found.PostToPre.After(given.PostToPre.Inverse())
	omega, tau := motion.RotationVector(), r3.Sub(motion.Apply(given.Centre), given.Centre)
	d := mat.NewVecDense(6, []float64{omega.X, omega.Y, omega.Z, tau.X, tau.Y, tau.Z})
	c.turn = r3.Norm(omega)
	c.eachEnd(func(p geom.Vec) { c.off = max(c.off, r3.Norm(r3.Sub(motion.Apply(p), p))) })

	of := found.About(given.Centre)
	sum := mat.NewSymDense(6, nil)
	sum.CopySym(of)
	c.cov.CopySym(of)
	if given.Cov != nil {
		sum.AddSym(sum, given.Cov)
		c.cov.CopySym(given.Cov)
	}
	var chol mat.Cholesky
	var x mat.VecDense
	c.squared = math.Inf(1)
	if chol.Factorize(sum) && chol.SolveVecTo(&x, d) == nil {
		c.squared = mat.Dot(d, &x)
	}
	if excess := 1 - 6/c.squared; excess > 0 {
		c.cov.SymRankOne(c.cov, excess, d)
	}
	return c
}

// About is the covariance of (ω, τ) about another centre c: τ there is
// τ + ω × (c − Centre).
func (r Result) About(c geom.Vec) *mat.SymDense {
	d := r3.Sub(c, r.Centre)
	return geom.Propagate(mat.NewDense(6, 6, []float64{
		1, 0, 0, 0, 0, 0,
		0, 1, 0, 0, 0, 0,
		0, 0, 1, 0, 0, 0,
		0, d.Z, -d.Y, 1, 0, 0,
		-d.Z, 0, d.X, 0, 1, 0,
		d.Y, -d.X, 0, 0, 0, 1,
	}), r.Cov)
}

func (c Comparison) eachEnd(f func(geom.Vec)) {
	for _, p := range c.fixtures {
		f(p.Entry)
		f(p.Apex)
	}
}

// expectedTRE is the largest expected target registration error at the fixtures'
// ends, mm.
func (c Comparison) expectedTRE(r Result) float64 {
	most := 0.0
	c.eachEnd(func(p geom.Vec) { most = max(most, r.ExpectedTRE(p)) })
	return most
}

// significant reports whether the difference is beyond what both covariances
// explain.
func (c Comparison) significant() bool {
	return distuv.ChiSquared{K: 6}.Survival(c.squared) < disagreementLevel
}

// Agrees reports whether the given transform is no farther off than what can be
// told, or than what the intervals can take in.
func (c Comparison) Agrees() bool {
	return !c.significant() || c.off <= ToleratedDifference && geom.Degrees(c.turn) <= toleratedTurn
}

// Result is the given transform with the uncertainty that the comparison leaves
// it, and what it showed. Where both disagree, Found is the other one.
func (c Comparison) Result() Result {
	out := c.given
	out.Cov = c.cov
	if c.found.Motion != nil {
		out.Motion = &Motion{Amplitude: c.found.Motion.Amplitude}
	}
	out.Quality = maps.Clone(c.found.Quality)
	maps.Copy(out.Quality, c.given.Quality)
	out.Quality[ScansDiffer], out.Quality[ScansDifferTurn] = c.off, geom.Degrees(c.turn)
	u := c.expectedTRE(out)
	out.Quality[errorU] = u
	out.Flags = nil
	for _, f := range c.given.Flags {
		if f.Code != measurement.CodeAlignmentTakenAsExact {
			out.Flags = append(out.Flags, f)
		}
	}
	doubted := ""
	for _, f := range c.found.Flags {
		if f.Code == measurement.CodeAlignmentDoubtful {
			doubted = f.Message
		} else {
			out.Flags = append(out.Flags, f)
		}
	}
	apart := fmt.Sprintf("at a planned fixture the given transform lies %.1f mm and %.1f° from where the scans themselves fit, and these can tell %.2f mm", c.off, geom.Degrees(c.turn), c.expectedTRE(c.found))
	notice := func(code measurement.Code, message string) {
		out.Flags = append(out.Flags, measurement.Flag{Code: code, Level: measurement.Notice, Message: message})
	}
	switch {
	case !c.Agrees():
		out.Found = &c.found.PostToPre
		if doubted != "" {
			apart += "; the scans' own fit is in doubt as well: " + doubted
		}
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeAlignmentDisagrees, Level: measurement.Doubt,
			Message: apart + `; look at the alignment picture, and write refine = true or method = "scans" in [alignment] to follow the scans`})
	case doubted != "":
		notice(measurement.CodeAlignmentBarelyChecked, "the scans fit the given transform, but are in doubt about it: "+doubted)
	case c.significant():
		notice(measurement.CodeAlignmentDiffers, apart+"; the intervals take that in")
	case c.given.Cov == nil && u > DoubtfulError:
		notice(measurement.CodeAlignmentBarelyChecked, fmt.Sprintf("the scans share too little structure around the fixtures to check the given transform to better than %.2f mm; the intervals take that in", u))
	}
	return out
}

// Unverified is a given transform that the scans cannot judge, for a reason.
func Unverified(given Result, reason string) Result {
	out := given
	out.Flags = nil
	for _, f := range given.Flags {
		if f.Code == measurement.CodeAlignmentTakenAsExact {
			f.Message += "; the scans cannot check it: " + reason
		}
		out.Flags = append(out.Flags, f)
	}
	if given.Cov != nil {
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeAlignmentNotChecked, Level: measurement.Notice,
			Message: "the scans cannot check the landmarks: " + reason})
	}
	return out
}
