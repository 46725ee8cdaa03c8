// Package uncertainty propagates the uncertainty of a fixture's two ends to each
// deviation, by Monte Carlo (JCGM 101:2008).
//
// Conventions: lengths mm, angles radians; intervals and floors in the units in
// which package measurement stores them. Poses in the planning frame. Start with
// Propagate. Draws come from a seeded generator; the same input gives the same
// output.
//
// Limits: the error of the ends is taken as normal with the given covariance.
package uncertainty

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
)

// Draws is the number of Monte Carlo draws. The 2.5 % points of a normal
// quantity then stray by about 2 % of its standard uncertainty.
const Draws = 20000

// ErrNoCovariance says that a covariance is not a number.
var ErrNoCovariance = errors.New("the uncertainty of the fixture's ends could not be had")

// Propagate gives standard uncertainty and 95 % interval of every deviation,
// and the measurement floor.
//
// In: planned and achieved pose, the budget of the pose, directions or nil, seed.
// Errors: ErrNoCovariance; deviation.ErrPose.
//
// Method: the ends' error is drawn from the sum of the covariances. Signed
// figures (depth, mesial, buccal, tilts) are linear in it to first order; their
// interval holds the middle 95 % of the draws, those of the parts and tilts with
// the error of the site's directions drawn besides. Lengths and the angle are norms
// of a vector in 2 or 3 dimensions, whose estimate is too large when the truth
// is near zero, so their interval is Neyman's (Phil Trans R Soc A 1937;
// 236:333): all true norms under which a norm as large and as small as the
// estimate each has a chance of 2.5 % or more. Of the true vectors of a norm the
// one that is likeliest beside the estimate stands for all (the profile over the
// direction, which is a nuisance parameter): where the error along one axis is far
// the largest, as that of a length on trust, the truth lies off the estimate along
// that axis. Its lower end is 0 when no deviation at all would do. The floor is the
// 95 % point of the norm of the error alone.
func Propagate(planned, achieved geom.Pose, budget evidence.Budget, d *deviation.Directions, seed uint64) (measurement.Uncertainty, error) {
	return propagate(planned, achieved, budget, d, seed, Draws)
}

// propagate is Propagate with another number of draws.
func propagate(planned, achieved geom.Pose, budget evidence.Budget, d *deviation.Directions, seed uint64, draws int) (measurement.Uncertainty, error) {
	for _, p := range []geom.Pose{planned, achieved} {
		if err := deviation.Check(p); err != nil {
			return measurement.Uncertainty{}, err
		}
	}
	sample, err := draw(budget.Cov(), seed, draws)
	if err != nil {
		return measurement.Uncertainty{}, err
	}
	place := deviation.Compare(planned, achieved, d)
	turned := turns(place.Directions.Uncertainty, seed, len(sample))
	var u measurement.Uncertainty
	parallel.For(int(measurement.FigureCount), func(i int) {
		f := measurement.Figure(i)
		if d == nil && f.Directional() {
			return
		}
		formula := deviation.FormulaOf(f)
		if f.Signed() {
			u.Intervals[f] = new(signed(f, formula, &place, sample, turned))
			return
		}
		u.Intervals[f] = new(norm(f, formula, &place, sample))
		if f.Floored() {
			u.Floor[f] = new(floor(f, formula, &place, sample))
		}
	})
	for _, c := range budget {
		u.Budget = append(u.Budget, entryOf(c, achieved))
	}
	return u, nil
}

// turns draws the error of the site's directions about the planned axis,
// from its standard uncertainty, both in radians. Mesial and buccal turn
// together.
func turns(u float64, seed uint64, draws int) []float64 {
	rng := rand.New(rand.NewPCG(seed, 0x6d657369616c)) // another word than that of the ends
	out := make([]float64, draws)
	for i := range out {
		out[i] = u * rng.NormFloat64()
	}
	return out
}

// Poses draws n places of a fixture from the covariance of its ends, 6×6 of
// (entry, apex), mm², about the pose.
//
// Errors: ErrNoCovariance.
func Poses(p geom.Pose, cov *mat.SymDense, n int, seed uint64) ([]geom.Pose, error) {
	sample, err := draw(cov, seed, n)
	if err != nil {
		return nil, err
	}
	out := make([]geom.Pose, n)
	for i, e := range sample {
		out[i] = geom.Pose{Entry: r3.Add(p.Entry, e.Entry), Apex: r3.Add(p.Apex, e.Apex)}
	}
	return out, nil
}

// draw makes the error draws from a 6×6 covariance, by its eigenvectors, so
// that a covariance without full rank is no obstacle.
func draw(cov *mat.SymDense, seed uint64, draws int) ([]deviation.Ends, error) {
	var eig mat.EigenSym
	if math.IsNaN(mat.Sum(cov)) || !eig.Factorize(cov, true) {
		return nil, ErrNoCovariance
	}
	values := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	var scaled [6][6]float64 // eigenvectors, each as long as its standard deviation
	for n, l := range values {
		for r := range 6 {
			scaled[n][r] = math.Sqrt(max(l, 0)) * vectors.At(r, n)
		}
	}
	rng := rand.New(rand.NewPCG(seed, 0x706c756d62)) // any fixed second word
	out := make([]deviation.Ends, draws)
	for i := range out {
		var x [6]float64
		for _, v := range scaled {
			z := rng.NormFloat64()
			for r := range x {
				x[r] += z * v[r]
			}
		}
		out[i] = deviation.Ends{Entry: geom.Vec{X: x[0], Y: x[1], Z: x[2]}, Apex: geom.Vec{X: x[3], Y: x[4], Z: x[5]}}
	}
	return out, nil
}

// quantile of a list, which it sorts: linear interpolation at p·(n−1), definition
// 7 of Hyndman and Fan (Am Stat 1996; 50:361), from memory. gonum's stat.Quantile
// does not have it; the two would differ in stored digits.
func quantile(sorted []float64, p float64) float64 {
	slices.Sort(sorted)
	at := p * float64(len(sorted)-1)
	i := int(at)
	if i+1 >= len(sorted) {
		return sorted[len(sorted)-1]
	}
	f := at - float64(i)
	return sorted[i] + f*(sorted[i+1]-sorted[i])
}

// standard is the standard deviation of a list, by plain sums; gonum's corrected
// ones differ in the last stored digit.
func standard(x []float64) float64 {
	mean, sum := 0.0, 0.0
	for _, v := range x {
		mean += v
	}
	mean /= float64(len(x))
	for _, v := range x {
		sum += (v - mean) * (v - mean)
	}
	return math.Sqrt(sum / float64(len(x)-1))
}

// floor is the 95 % point of the norm of an unsigned figure's error alone.
func floor(f measurement.Figure, formula deviation.Formula, p *deviation.Placement, sample []deviation.Ends) float64 {
	x := make([]float64, len(sample))
	for i, e := range sample {
		x[i] = math.Sqrt(r3.Norm2(formula.VectorError(p, e)))
	}
	return deviation.Stored(f, quantile(x, 0.95))
}

// norm is the uncertainty of an unsigned figure.
func norm(f measurement.Figure, formula deviation.Formula, p *deviation.Placement, sample []deviation.Ends) measurement.Interval {
	m := formula.Vector(p)
	estimate := r3.Norm(m)
	x := make([]float64, len(sample))
	for i, e := range sample {
		x[i] = math.Sqrt(r3.Norm2(r3.Add(m, formula.VectorError(p, e))))
	}
	u := standard(x)
	errs := make([]geom.Vec, len(sample))
	spread := 0.0
	for i, e := range sample {
		errs[i] = formula.VectorError(p, e)
		spread = max(spread, r3.Norm2(errs[i]))
	}
	spread = math.Sqrt(spread)
	likely := likeliest(m, errs)
	// share of draws in which a true norm shows as less than the estimate.
	less := func(truth float64) float64 {
		c := 0
		v := likely(truth)
		for _, n := range errs {
			if r3.Norm2(r3.Add(v, n)) < estimate*estimate {
				c++
			}
		}
		return float64(c) / float64(len(errs))
	}
	// less falls as the truth grows; find where it crosses. The bracket is some
	// nine standard uncertainties wide; a thousandth of one is enough.
	cross := func(p float64) float64 {
		low, high := max(0, estimate-spread), estimate+spread
		if less(low) <= p {
			return low
		}
		for range 14 {
			mid := (low + high) / 2
			if less(mid) > p {
				low = mid
			} else {
				high = mid
			}
		}
		return (low + high) / 2
	}
	unit := deviation.Stored(f, 1)
	return measurement.Interval{U: unit * u, Low: unit * cross(0.975), High: unit * cross(0.025)}
}

// likeliest gives, of all vectors of a norm, the one that is likeliest beside a measured vector
// with the errors drawn.
//
// Method: the least of the Mahalanobis distance on a sphere. In the principal axes of the errors,
// of variances s², the components are m/(1 + λs²) with the multiplier λ > −1/max s² at which the
// norm is met; where none is, since m has no component along the widest axis, that takes the rest
// (as in the trust-region problem, Moré JJ, Sorensen DC, SIAM J Sci Stat Comput 1983;4:553).
func likeliest(m geom.Vec, errs []geom.Vec) func(norm float64) geom.Vec {
	cov := mat.NewSymDense(3, nil)
	for _, n := range errs {
		cov.SymRankOne(cov, 1/float64(len(errs)), mat.NewVecDense(3, []float64{n.X, n.Y, n.Z}))
	}
	var eig mat.EigenSym
	if !eig.Factorize(cov, true) { // not finite, which draw has refused
		return func(float64) geom.Vec { return m }
	}
	variance := eig.Values(nil)
	var vectors mat.Dense
	eig.VectorsTo(&vectors)
	var axis [3]geom.Vec
	var x [3]float64
	for k := range axis {
		axis[k] = geom.Vec{X: vectors.At(0, k), Y: vectors.At(1, k), Z: vectors.At(2, k)}
		x[k] = r3.Dot(m, axis[k])
	}
	const widest = 2 // eigenvalues ascend
	at := func(lambda float64) (v [3]float64, norm float64) {
		for k := range v {
			v[k] = x[k] / (1 + lambda*max(0, variance[k]))
			norm += v[k] * v[k]
		}
		return v, math.Sqrt(norm)
	}
	return func(norm float64) geom.Vec {
		if !(variance[widest] > 0) {
			return m
		}
		low, high := -(1-1e-12)/variance[widest], 0.0
		if v, n := at(low); n < norm {
			rest := norm*norm - v[0]*v[0] - v[1]*v[1]
			v[widest] = math.Copysign(math.Sqrt(max(0, rest)), x[widest])
			return whole(axis, v)
		}
		for range 60 { // a variance of zero holds its component, which may be more than the norm
			if _, n := at(high); n <= norm {
				break
			}
			low, high = high, 4*high+1/variance[widest]
		}
		for range 60 {
			if middle := (low + high) / 2; low < middle && middle < high {
				if _, n := at(middle); n > norm {
					low = middle
				} else {
					high = middle
				}
			}
		}
		v, _ := at(high)
		return whole(axis, v)
	}
}

// whole is a vector by its components along three axes.
func whole(axis [3]geom.Vec, v [3]float64) geom.Vec {
	return r3.Add(r3.Scale(v[0], axis[0]), r3.Add(r3.Scale(v[1], axis[1]), r3.Scale(v[2], axis[2])))
}

// signed is the uncertainty of a signed figure.
func signed(f measurement.Figure, formula deviation.Formula, p *deviation.Placement, sample []deviation.Ends, turned []float64) measurement.Interval {
	estimate := deviation.Stored(f, formula.Value(p))
	x := make([]float64, len(sample))
	for i, e := range sample {
		if formula.Error != nil {
			x[i] = deviation.Stored(f, formula.Error(p, e))
			continue
		}
		perturbed := p.Perturbed(e, turned[i])
		x[i] = deviation.Stored(f, formula.Value(&perturbed)) - estimate
	}
	u := standard(x)
	return measurement.Interval{U: u, Low: estimate - quantile(x, 0.975), High: estimate - quantile(x, 0.025)}
}

// entryOf states one source in a fixture's own directions.
func entryOf(c evidence.Source, p geom.Pose) measurement.Source {
	a := p.Axis()
	e1, e2 := geom.Perpendicular(a)
	// variance of v·(weighted ends)
	variance := func(v geom.Vec, we, wa float64) float64 {
		w := [6]float64{we * v.X, we * v.Y, we * v.Z, wa * v.X, wa * v.Y, wa * v.Z}
		sum := 0.0
		for i := range 6 {
			for j := range 6 {
				sum += w[i] * w[j] * c.Cov.At(i, j)
			}
		}
		return max(sum, 0)
	}
	across := func(we, wa float64) float64 {
		return math.Sqrt((variance(e1, we, wa) + variance(e2, we, wa)) / 2)
	}
	return measurement.Source{
		Name:        c.Name,
		EntryAlong:  math.Sqrt(variance(a, 1, 0)),
		EntryAcross: across(1, 0),
		ApexAlong:   math.Sqrt(variance(a, 0, 1)),
		ApexAcross:  across(0, 1),
		Angle:       geom.Degrees(across(-1, 1) / p.Length()),
	}
}
