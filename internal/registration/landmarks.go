package registration

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// Pair is one landmark seen in both scans, each point in its own scan's patient
// coordinates, mm.
type Pair struct {
	Pre, Post geom.Vec
	Weight    float64 // relative inverse variance; 0 stands for 1
}

// Fit is the transform that landmarks give, with how well they agree.
type Fit struct {
	Result
	Residuals []float64 // each pair's distance after the fit, mm
	FRE       float64   // fiducial registration error: their weighted root mean square, mm
	FLE       float64   // fiducial localisation error estimated from it: root mean square 3-D error of a pair of weight 1, mm
}

// ErrLandmarks says that landmarks cannot give a transform.
var ErrLandmarks = errors.New("landmarks give no transform")

const (
	// minGap is the least distance of two landmarks of one scan, mm. Nearer ones
	// are within the localisation error of a voxel or two, and would count one
	// observation twice. Common practice, no source.
	minGap = 1
	// minSpread is the least root mean square distance of the landmarks from
	// the line that fits them best, mm. A localisation error of 0.3 mm per axis
	// (a voxel) gives a standard uncertainty of the rotation about that line of
	// 0.3/(√3·3) rad = 3.3° for three landmarks of this spread: as large as the
	// mean angular deviation of guided placement (3.5°, Tahmaseb et al. 2018).
	minSpread = 3
	// maxFLE is the largest plausible disagreement of a pair, mm: careful picks
	// of one point in two scans differ by some 0.5 mm (common practice, no
	// source). Three times that, and the pairs do not show the same points.
	maxFLE = 1.5
	// maxTurn is the largest plausible turn of the head between two scans,
	// radians. Heads lie up to some 25° askew about each axis in each scan;
	// exchanging left and right landmarks turns the fit by about 180°.
	maxTurn = math.Pi / 2
	// A pair is an outlier when its residual in the fit of the others has a
	// probability below outlierLevel, Bonferroni-corrected for the number of
	// pairs, and is at least minOutlier mm, some two voxels.
	outlierLevel = 0.01
	minOutlier   = 0.5
)

// FromLandmarks finds the rigid transform that brings the follow-up points
// nearest to the planning points in the weighted least squares sense.
//
// In:     three pairs or more, patient coordinates of each scan, mm.
// Out:    PostToPre, and its covariance from how well the pairs agree. With N
// pairs that estimate has 3N − 6 degrees of freedom, so the covariance has the
// variance of Student's distribution, ν/(ν − 2), which is 3 for three pairs
// (JCGM 101:2008, 6.4.9). Doubtful landmarks are flagged.
// Errors: ErrLandmarks for fewer than three pairs, points that are not finite,
// points of one scan that coincide, and points almost on a line.
// Method: Arun KS, Huang TS, Blostein SD, IEEE TPAMI 1987;9(5):698-700, by
// singular value decomposition, with the determinant forced to +1 (Umeyama S,
// IEEE TPAMI 1991;13(4):376-380). Errors: Fitzpatrick JM, West JB, Maurer CR,
// IEEE Trans Med Imaging 1998;17(5):694-702.
// Limits: the error model has one and the same spread in all directions, and
// sees no error that all pairs share.
func FromLandmarks(pairs []Pair) (Fit, error) {
	pairs = withWeights(pairs)
	if err := usable(pairs); err != nil {
		return Fit{}, fmt.Errorf("%w: %w", ErrLandmarks, err)
	}
	s := solve(pairs)
	n := len(pairs)
	fit := Fit{
		Result: Result{
			Method:    "landmarks",
			PostToPre: s.postToPre,
			Centre:    s.centre,
			Cov:       mat.NewSymDense(6, nil),
		},
		Residuals: make([]float64, n),
		FRE:       math.Sqrt(s.squares / s.weight),
		FLE:       math.Sqrt(3 * s.variance()),
	}
	nu := float64(degreesOfFreedom(n))
	fit.Cov.ScaleSym(s.variance()*nu/(nu-2), s.unitCovariance(pairs))
	largest := 0.0
	for i, p := range pairs {
		fit.Residuals[i] = s.residual(p)
		largest = math.Max(largest, fit.Residuals[i])
	}
	turn := s.postToPre.Angle()
	fit.Quality = map[string]float64{
		"landmark_pairs_count": float64(n),
		"fre_rms_mm":           fit.FRE,
		"fle_rms_mm":           fit.FLE,
		"largest_residual_mm":  largest,
		"turn_deg":             geom.Degrees(turn),
	}
	if flag := outlier(pairs); flag != nil {
		fit.Flags = append(fit.Flags, *flag)
	}
	if fit.FLE > maxFLE {
		fit.Flags = append(fit.Flags, measurement.Flag{
			Code:    measurement.CodeLandmarksDisagree,
			Message: fmt.Sprintf("the landmark pairs disagree by %.1f mm (root mean square per pair; careful picks stay near 0.5 mm); %s", fit.FLE, remedy(pairs)),
			Level:   measurement.Doubt,
		})
	}
	if turn > maxTurn {
		fit.Flags = append(fit.Flags, measurement.Flag{
			Code:    measurement.CodeLandmarksLargeTurn,
			Message: fmt.Sprintf("the landmarks turn the follow-up scan by %.0f°; check that left and right ones are not exchanged", geom.Degrees(turn)),
			Level:   measurement.Doubt,
		})
	}
	return fit, nil
}

// degreesOfFreedom is that of the residuals of n pairs.
func degreesOfFreedom(n int) int { return 3*n - 6 }

func withWeights(pairs []Pair) []Pair {
	out := append([]Pair(nil), pairs...)
	for i := range out {
		if out[i].Weight == 0 {
			out[i].Weight = 1
		}
	}
	return out
}

// usable says why landmarks do not determine the transform.
func usable(pairs []Pair) error {
	if len(pairs) < 3 {
		return fmt.Errorf("there are %d pairs; give three or more", len(pairs))
	}
	for i, p := range pairs {
		if !geom.Finite(p.Pre) || !geom.Finite(p.Post) || !(p.Weight > 0) || math.IsInf(p.Weight, 0) {
			return fmt.Errorf("pair %d has a coordinate or weight that is not a usable number", i+1)
		}
		for j, q := range pairs[:i] {
			for _, scan := range []struct {
				name string
				gap  float64
			}{{"planning", r3.Norm(r3.Sub(p.Pre, q.Pre))}, {"follow-up", r3.Norm(r3.Sub(p.Post, q.Post))}} {
				if scan.gap < minGap {
					return fmt.Errorf("pairs %d and %d lie within %d mm of each other in the %s scan; give points far apart", j+1, i+1, minGap, scan.name)
				}
			}
		}
	}
	for _, scan := range []struct {
		name  string
		point func(Pair) geom.Vec
	}{{"planning", func(p Pair) geom.Vec { return p.Pre }}, {"follow-up", func(p Pair) geom.Vec { return p.Post }}} {
		if w := distanceFromLine(pairs, scan.point); w < minSpread {
			return fmt.Errorf("the points of the %s scan lie almost on a line (%.1f mm beside it, root mean square; %d mm needed); add a point far from that line", scan.name, w, minSpread)
		}
	}
	return nil
}

// distanceFromLine is the weighted root mean square distance of the points from
// their least squares line, mm.
func distanceFromLine(pairs []Pair, point func(Pair) geom.Vec) float64 {
	centre, weight := centroid(pairs, point)
	scatter := mat.NewSymDense(3, nil)
	for _, p := range pairs {
		d := r3.Sub(point(p), centre)
		scatter.SymRankOne(scatter, p.Weight/weight, mat.NewVecDense(3, []float64{d.X, d.Y, d.Z}))
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(scatter, false) {
		return 0
	}
	v := eigen.Values(nil)
	return math.Sqrt(math.Max(0, v[0]) + math.Max(0, v[1]))
}

func centroid(pairs []Pair, point func(Pair) geom.Vec) (centre geom.Vec, weight float64) {
	for _, p := range pairs {
		centre = r3.Add(centre, r3.Scale(p.Weight, point(p)))
		weight += p.Weight
	}
	return r3.Scale(1/weight, centre), weight
}

// solution is a least squares fit of pairs.
type solution struct {
	postToPre geom.Rigid
	centre    geom.Vec // weighted centroid of the planning points
	weight    float64  // sum of weights
	squares   float64  // weighted sum of squared residuals, mm²
	mirrored  float64  // the same for the best fit that may mirror, mm²
	n         int
}

// solve needs three pairs or more.
func solve(pairs []Pair) solution {
	pre, weight := centroid(pairs, func(p Pair) geom.Vec { return p.Pre })
	post, _ := centroid(pairs, func(p Pair) geom.Vec { return p.Post })
	h := mat.NewDense(3, 3, nil)
	for _, p := range pairs {
		a, b := r3.Sub(p.Post, post), r3.Sub(p.Pre, pre)
		h.RankOne(h, p.Weight, mat.NewVecDense(3, []float64{a.X, a.Y, a.Z}), mat.NewVecDense(3, []float64{b.X, b.Y, b.Z}))
	}
	var svd mat.SVD
	svd.Factorize(h, mat.SVDFull)
	var u, v, r mat.Dense
	svd.UTo(&u)
	svd.VTo(&v)
	sign := 1.0
	if mat.Det(&u)*mat.Det(&v) < 0 {
		sign = -1
	}
	flip := mat.NewDiagDense(3, []float64{1, 1, sign})
	r.Product(&v, flip, u.T())

	s := solution{centre: pre, weight: weight, n: len(pairs)}
	for i := range 3 {
		for j := range 3 {
			s.postToPre.R[i][j] = r.At(i, j)
		}
	}
	s.postToPre.T = r3.Sub(pre, s.postToPre.Rotate(post))
	for _, p := range pairs {
		d := s.residual(p)
		s.squares += p.Weight * d * d
	}
	s.mirrored = s.squares
	if sign < 0 {
		// Without the flip the trace of R·H gains twice the least singular value.
		s.mirrored = math.Max(0, s.squares-4*svd.Values(nil)[2])
	}
	return s
}

// residual is a pair's distance after the fit, mm.
func (s solution) residual(p Pair) float64 {
	return r3.Norm(r3.Sub(p.Pre, s.postToPre.Apply(p.Post)))
}

// variance estimates the variance per axis of a pair of weight 1, mm².
func (s solution) variance() float64 { return s.squares / float64(degreesOfFreedom(s.n)) }

// unitCovariance is the covariance of the small motion (ω, τ) about the
// centroid for a variance of 1 mm² per axis: the inverse of the points' inertia
// matrix, and the inverse of the summed weights. For equal weights its trace at
// a point is the formula of Fitzpatrick, West and Maurer.
func (s solution) unitCovariance(pairs []Pair) *mat.SymDense {
	inertia := mat.NewSymDense(3, nil)
	for _, p := range pairs {
		d := r3.Sub(p.Pre, s.centre)
		x := []float64{d.X, d.Y, d.Z}
		for i := range 3 {
			for j := i; j < 3; j++ {
				v := -x[i] * x[j]
				if i == j {
					v += r3.Norm2(d)
				}
				inertia.SetSym(i, j, inertia.At(i, j)+p.Weight*v)
			}
		}
	}
	cov := mat.NewSymDense(6, nil)
	var chol mat.Cholesky
	var inverse mat.SymDense
	if chol.Factorize(inertia) && chol.InverseTo(&inverse) == nil {
		for i := range 3 {
			for j := i; j < 3; j++ {
				cov.SetSym(i, j, inverse.At(i, j))
			}
		}
	}
	for i := 3; i < 6; i++ {
		cov.SetSym(i, i, 1/s.weight)
	}
	return cov
}

// outlier flags the pair that agrees least with the others, if it is an outlier.
//
// Method: leave one out. The squared residual of a pair in the fit of the others,
// scaled by its covariance there and by the others' variance, follows the F
// distribution with 3 and 3(N − 1) − 6 degrees of freedom. The fit of the others
// needs three pairs and a degree of freedom, so that N is at least 4.
func outlier(pairs []Pair) *measurement.Flag {
	n := len(pairs)
	if n < 4 {
		return nil
	}
	chance := distuv.F{D1: 3, D2: float64(degreesOfFreedom(n - 1))}
	worst, worstP, distance, rest := -1, outlierLevel, 0.0, 0.0
	for i, p := range pairs {
		others := without(pairs, i)
		if usable(others) != nil {
			continue
		}
		s := solve(others)
		at := Result{Centre: s.centre, Cov: s.unitCovariance(others)}.PointCovariance(s.postToPre.Apply(p.Post))
		for k := range 3 {
			at.SetSym(k, k, at.At(k, k)+1/p.Weight)
		}
		e := r3.Sub(p.Pre, s.postToPre.Apply(p.Post))
		x := mat.NewVecDense(3, []float64{e.X, e.Y, e.Z})
		var scaled mat.VecDense
		var chol mat.Cholesky
		if !chol.Factorize(at) || chol.SolveVecTo(&scaled, x) != nil || r3.Norm(e) < minOutlier {
			continue
		}
		probability := float64(n) * chance.Survival(mat.Dot(x, &scaled)/3/s.variance())
		if probability < worstP || (probability == worstP && r3.Norm(e) > distance) {
			worst, worstP, distance, rest = i, probability, r3.Norm(e), math.Sqrt(3*s.variance())
		}
	}
	if worst < 0 {
		return nil
	}
	return &measurement.Flag{
		Code:    measurement.CodeLandmarkOutOfLine,
		Message: fmt.Sprintf("landmark pair %d lies %.1f mm from where the other pairs put it, which agree to %.1f mm; check its coordinates or leave it out", worst+1, distance, rest),
		Level:   measurement.Doubt,
	}
}

func without(pairs []Pair, i int) []Pair {
	return append(append([]Pair(nil), pairs[:i]...), pairs[i+1:]...)
}

// remedy says what would make the pairs agree, where one exchange does.
func remedy(pairs []Pair) string {
	const advice = "check that each pair shows the same point in both scans"
	if s := solve(pairs); math.Sqrt(3*s.mirrored/float64(degreesOfFreedom(s.n))) < maxFLE {
		return "they fit as mirror images, so left and right may be exchanged in one scan; " + advice
	}
	best, fle := "", maxFLE
	for i := range pairs {
		for j := range i {
			swapped := append([]Pair(nil), pairs...)
			swapped[i].Post, swapped[j].Post = swapped[j].Post, swapped[i].Post
			if s := solve(swapped); math.Sqrt(3*s.variance()) < fle && s.postToPre.Angle() <= maxTurn {
				best, fle = fmt.Sprintf("pairs %d and %d seem to be exchanged; ", j+1, i+1), math.Sqrt(3*s.variance())
			}
		}
	}
	return best + advice
}
