// Package uncertainty propagates the uncertainty of a fixture's two ends to each
// deviation, by Monte Carlo (JCGM 101:2008).
//
// Conventions: lengths mm, angles in degrees at the border as in package
// measurement, poses in the planning frame. Start with Propagate. Draws come from a
// seeded generator; the same input gives the same output.
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
// quantity then stray by about 1.5 % of its standard uncertainty.
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
// 236:333): all true norms, in the estimated direction, under which a norm as
// large and as small as the estimate each has a chance of 2.5 % or more. Its
// lower end is 0 when no deviation at all would do. The floor is the 95 % point
// of the norm of the error alone.
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
	a := planned.Axis()
	b := achieved.Axis()
	length := achieved.Length()

	offEntry := r3.Sub(achieved.Entry, planned.Entry)
	offApex := r3.Sub(achieved.Apex, planned.Apex)
	entry := func(e ends) geom.Vec { return e.entry }
	apex := func(e ends) geom.Vec { return e.apex }
	lateral := func(f func(ends) geom.Vec) func(ends) geom.Vec {
		return func(e ends) geom.Vec { return deviation.Lateral(a, f(e)) }
	}
	// The axis' error as a small rotation of b, in radians across b.
	turn := func(e ends) geom.Vec {
		return deviation.Lateral(b, r3.Scale(1/length, r3.Sub(e.apex, e.entry)))
	}
	// The angle's vector lies across b, away from the planned axis.
	angle := geom.Angle(a, b)
	away := r3.Sub(r3.Scale(r3.Dot(a, b), b), a)
	if r3.Norm(away) > 1e-12 {
		away = r3.Scale(angle, r3.Unit(away))
	} else {
		away = geom.Vec{}
	}

	var u measurement.Uncertainty
	depth := func(off geom.Vec, f func(ends) geom.Vec) measurement.Interval {
		return signed(sample, deviation.Depth(a, off), func(_ int, e ends) float64 { return deviation.Depth(a, f(e)) })
	}
	floor := func(f func(ends) geom.Vec) float64 { return quantile(norms(sample, geom.Vec{}, f), 0.95) }
	figures := []func(){
		func() { u.Entry = norm(sample, offEntry, entry, 1) },
		func() { u.EntryLateral = norm(sample, deviation.Lateral(a, offEntry), lateral(entry), 1) },
		func() { u.EntryDepth = depth(offEntry, entry) },
		func() { u.Apex = norm(sample, offApex, apex, 1) },
		func() { u.ApexLateral = norm(sample, deviation.Lateral(a, offApex), lateral(apex), 1) },
		func() { u.ApexDepth = depth(offApex, apex) },
		func() { u.Angle = norm(sample, away, turn, 180/math.Pi) },
		func() { u.Floor.Entry = floor(entry) },
		func() { u.Floor.Apex = floor(apex) },
		func() { u.Floor.Angle = geom.Degrees(floor(turn)) },
	}
	for _, c := range budget {
		u.Budget = append(u.Budget, entryOf(c, achieved))
	}
	if d != nil {
		turned := turns(d.Uncertainty, seed, len(sample))
		part := func(off geom.Vec, dir direction, f func(ends) geom.Vec) *measurement.Interval {
			estimate := deviation.Part(dir.v, off)
			i := signed(sample, estimate, func(i int, e ends) float64 {
				return deviation.Part(dir.turned(turned[i]), r3.Add(off, f(e))) - estimate
			})
			return &i
		}
		mesial := direction{d.Mesial, d.Buccal}
		buccal := direction{d.Buccal, r3.Scale(-1, d.Mesial)}
		tilt := func(dir direction) *measurement.Interval {
			t := deviation.Tilt(a, b, dir.v)
			i := signed(sample, t, func(i int, e ends) float64 {
				return deviation.Tilt(a, r3.Add(b, turn(e)), dir.turned(turned[i])) - t
			})
			return &i
		}
		figures = append(figures,
			func() { u.EntryMesial = part(offEntry, mesial, entry) },
			func() { u.EntryBuccal = part(offEntry, buccal, entry) },
			func() { u.ApexMesial = part(offApex, mesial, apex) },
			func() { u.ApexBuccal = part(offApex, buccal, apex) },
			func() { u.TiltMesial = tilt(mesial) },
			func() { u.TiltBuccal = tilt(buccal) })
	}
	parallel.For(len(figures), func(i int) { figures[i]() })
	return u, nil
}

// direction is a direction of the site and the one that it turns towards about
// the planned axis.
type direction struct{ v, next geom.Vec }

func (d direction) turned(angle float64) geom.Vec {
	sin, cos := math.Sincos(angle)
	return r3.Add(r3.Scale(cos, d.v), r3.Scale(sin, d.next))
}

// turns draws the error of the site's directions about the planned axis,
// radians, from its standard uncertainty, degrees. Mesial and buccal turn
// together.
func turns(u float64, seed uint64, draws int) []float64 {
	rng := rand.New(rand.NewPCG(seed, 0x6d657369616c)) // another word than that of the ends
	out := make([]float64, draws)
	for i := range out {
		out[i] = geom.Radians(u) * rng.NormFloat64()
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
		out[i] = geom.Pose{Entry: r3.Add(p.Entry, e.entry), Apex: r3.Add(p.Apex, e.apex)}
	}
	return out, nil
}

// ends is one draw of the error of both ends.
type ends struct{ entry, apex geom.Vec }

// draw makes the error draws from a 6×6 covariance, by its eigenvectors, so
// that a covariance without full rank is no obstacle.
func draw(cov *mat.SymDense, seed uint64, draws int) ([]ends, error) {
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
	out := make([]ends, draws)
	for i := range out {
		var x [6]float64
		for _, v := range scaled {
			z := rng.NormFloat64()
			for r := range x {
				x[r] += z * v[r]
			}
		}
		out[i] = ends{geom.Vec{X: x[0], Y: x[1], Z: x[2]}, geom.Vec{X: x[3], Y: x[4], Z: x[5]}}
	}
	return out, nil
}

// norms lists |m + noise| over the draws.
func norms(sample []ends, m geom.Vec, noise func(ends) geom.Vec) []float64 {
	out := make([]float64, len(sample))
	for i, e := range sample {
		out[i] = math.Sqrt(r3.Norm2(r3.Add(m, noise(e))))
	}
	return out
}

// quantile of a list, which it sorts.
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

// standard is the standard deviation of a list.
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

// norm is the uncertainty of |m| under noise, times unit.
func norm(sample []ends, m geom.Vec, noise func(ends) geom.Vec, unit float64) measurement.Interval {
	estimate := r3.Norm(m)
	u := standard(norms(sample, m, noise))
	direction := geom.Vec{X: 1}
	if estimate > 1e-12 {
		direction = r3.Unit(m)
	} else if first := noise(sample[0]); r3.Norm(first) > 0 {
		direction = r3.Unit(first)
	}
	// |t·direction + n|² = t² + 2t·along + square.
	along := make([]float64, len(sample))
	square := make([]float64, len(sample))
	spread := 0.0
	for i, e := range sample {
		n := noise(e)
		along[i], square[i] = r3.Dot(n, direction), r3.Norm2(n)
		spread = max(spread, square[i])
	}
	spread = math.Sqrt(spread)
	// share of draws in which a true norm shows as less than the estimate.
	less := func(truth float64) float64 {
		c := 0
		for i, a := range along {
			if truth*truth+2*truth*a+square[i] < estimate*estimate {
				c++
			}
		}
		return float64(c) / float64(len(along))
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
	return measurement.Interval{U: unit * u, Low: unit * cross(0.975), High: unit * cross(0.025)}
}

// signed is the uncertainty of a figure that the i-th error changes by delta.
func signed(sample []ends, estimate float64, delta func(i int, e ends) float64) measurement.Interval {
	x := make([]float64, len(sample))
	for i, e := range sample {
		x[i] = delta(i, e)
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
