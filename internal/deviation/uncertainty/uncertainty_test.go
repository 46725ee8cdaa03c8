package uncertainty

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

func diagonal(d ...float64) *mat.SymDense {
	s := mat.NewSymDense(len(d), nil)
	for i, x := range d {
		s.SetSym(i, i, x*x)
	}
	return s
}

func isotropic(sigma float64) evidence.Budget {
	return evidence.Budget{{Name: "noise", Cov: diagonal(sigma, sigma, sigma, sigma, sigma, sigma)}}
}

var upright = geom.Pose{Entry: geom.Vec{}, Apex: geom.Vec{Z: -10}}

// The floor of a perfect placement under equal noise on all axes is the 95 %
// point of the Maxwell distribution, 2.795483 σ; across the axis that of the
// Rayleigh distribution, 2.447747 (textbook values). Ends with σ each tilt the
// axis by a Rayleigh angle of scale σ√2/L.
func TestFloorIsMaxwellAndRayleigh(t *testing.T) {
	const sigma = 0.05
	u, err := Propagate(upright, upright, isotropic(sigma), nil, 1)
	require.NoError(t, err)
	// A 95 % point of n draws strays by √(0.95·0.05/n)/density, below 0.9 % of
	// it at 20 000 draws; three of these.
	require.InEpsilon(t, 2.795483*sigma, *u.Floor[measurement.Entry], 0.027)
	require.InEpsilon(t, 2.795483*sigma, *u.Floor[measurement.Apex], 0.027)
	require.InEpsilon(t, geom.Degrees(2.447747*sigma*math.Sqrt2/10), *u.Floor[measurement.Angle], 0.027)
	require.Zero(t, u.Intervals[measurement.Entry].Low)
	require.Zero(t, u.Intervals[measurement.Angle].Low)
}

// JCGM 101:2008, 9.2.3: four normals of standard uncertainty 1 add up to one of
// 2.00 with a 95 % interval of ±3.92 (exact ±3.919928).
func TestAdditiveModel(t *testing.T) {
	var four evidence.Budget
	for range 4 {
		four = append(four, isotropic(1)...)
	}
	far := geom.Pose{Entry: geom.Vec{Z: -100}, Apex: geom.Vec{Z: -110}}
	u, err := Propagate(upright, far, four, nil, 1)
	require.NoError(t, err)
	require.InDelta(t, 2, u.Intervals[measurement.EntryDepth].U, 0.04)
	require.InDelta(t, 100-3.919928, u.Intervals[measurement.EntryDepth].Low, 0.12)
	require.InDelta(t, 100+3.919928, u.Intervals[measurement.EntryDepth].High, 0.12)
	require.InDelta(t, 2, u.Intervals[measurement.Entry].U, 0.04, "far from zero a length behaves like its component")
	require.InDelta(t, 100-3.92, u.Intervals[measurement.Entry].Low, 0.2)
}

// JCGM 101, 9.4 (comparison loss) shows first-order propagation failing near
// zero: the length of a vector of two normals around 0 has a standard
// uncertainty of 0.655136 σ (Rayleigh), not 0.
func TestNearZeroIsNotLinear(t *testing.T) {
	const sigma = 0.005
	u, err := Propagate(upright, upright, isotropic(sigma), nil, 1)
	require.NoError(t, err)
	require.InEpsilon(t, 0.655136*sigma, u.Intervals[measurement.EntryLateral].U, 0.03)
	require.InEpsilon(t, 0.673440*sigma, u.Intervals[measurement.Entry].U, 0.03) // Maxwell
}

// The intervals cover the truth at their rate, however near zero it is. Each
// truth is measured with noise and asked whether its interval holds it. A fifth
// of the draws is enough: it moves an interval's end by 3 % of its standard
// uncertainty, which changes a coverage of 95 % by less than a tenth of what 200
// runs can tell.
func TestCoverage(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 7))
	const runs = 200
	const sigma = 0.05
	for _, truth := range []float64{0, 0.02, 0.06, 0.3, 1.5} {
		planned := upright
		hit := map[string]int{}
		for i := range runs {
			dir := r3.Unit(geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()})
			off := r3.Scale(truth, dir)
			noise := func() geom.Vec {
				return geom.Vec{X: sigma * rng.NormFloat64(), Y: sigma * rng.NormFloat64(), Z: sigma * rng.NormFloat64()}
			}
			real := geom.Pose{Entry: r3.Add(planned.Entry, off), Apex: r3.Add(planned.Apex, r3.Scale(0.5, off))}
			seen := geom.Pose{Entry: r3.Add(real.Entry, noise()), Apex: r3.Add(real.Apex, noise())}
			u, err := propagate(planned, seen, isotropic(sigma), nil, uint64(i), Draws/5)
			require.NoError(t, err)
			in := func(name string, low, high, x float64) {
				if low-1e-9 <= x && x <= high+1e-9 {
					hit[name]++
				}
			}
			in("entry", u.Intervals[measurement.Entry].Low, u.Intervals[measurement.Entry].High, truth)
			in("lateral", u.Intervals[measurement.EntryLateral].Low, u.Intervals[measurement.EntryLateral].High, math.Hypot(off.X, off.Y))
			in("depth", u.Intervals[measurement.EntryDepth].Low, u.Intervals[measurement.EntryDepth].High, -off.Z)
			in("angle", u.Intervals[measurement.Angle].Low, u.Intervals[measurement.Angle].High, geom.Degrees(geom.Angle(planned.Axis(), real.Axis())))
		}
		for name, n := range hit {
			share := float64(n) / runs
			// Three standard deviations of a proportion of 95 % in 200 are 4.6 %.
			require.Greater(t, share, 0.904, "%s at %g", name, truth)
			if truth >= 0.3 {
				require.Less(t, share, 0.996, "%s at %g", name, truth)
			}
		}
		require.Len(t, hit, 4)
	}
}

// So they do where one axis is far less certain than the others, as where the length is on trust:
// the truth then lies off the estimate along that axis, not along the estimate.
func TestCoverageWhereOneAxisIsUncertain(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	const runs, across = 100, 0.05
	for _, x := range []struct{ lateral, depth, along float64 }{{0.5, 0.3, 0.35}, {1.3, 1.3, 0.8}, {0.3, 1, 0.8}, {1.3, 0, 0.8}} {
		held := 0
		budget := evidence.Budget{{Name: "noise", Cov: diagonal(across, across, x.along, across, across, across)}}
		real := geom.Pose{Entry: geom.Vec{X: x.lateral, Z: -x.depth}, Apex: upright.Apex}
		for i := range runs {
			seen := real
			seen.Entry = r3.Add(seen.Entry, geom.Vec{X: across * rng.NormFloat64(), Y: across * rng.NormFloat64(), Z: x.along * rng.NormFloat64()})
			u, err := propagate(upright, seen, budget, nil, uint64(i), Draws/5)
			require.NoError(t, err)
			if truth := math.Hypot(x.lateral, x.depth); u.Intervals[measurement.Entry].Low <= truth && truth <= u.Intervals[measurement.Entry].High {
				held++
			}
		}
		// Three standard deviations of a proportion of 95 % in 100 are 6.5 %.
		require.Greater(t, held, 88, "%+v", x)
	}
}

// The likeliest vector of a norm against a search over the sphere.
func TestLikeliestVector(t *testing.T) {
	rng := rand.New(rand.NewPCG(9, 9))
	s := geom.Vec{X: 0.1, Y: 0.3, Z: 0.8}
	errs := make([]geom.Vec, 2000)
	for i := range errs {
		errs[i] = geom.Vec{X: s.X * rng.NormFloat64(), Y: s.Y * rng.NormFloat64(), Z: s.Z * rng.NormFloat64()}
	}
	off := func(v, m geom.Vec) float64 {
		d := r3.Sub(v, m)
		return math.Sqrt(d.X*d.X/(s.X*s.X) + d.Y*d.Y/(s.Y*s.Y) + d.Z*d.Z/(s.Z*s.Z))
	}
	for _, m := range []geom.Vec{{X: 1, Y: 0.2, Z: -0.1}, {X: 0.5}, {Z: 0.5}, {}} {
		likely := likeliest(m, errs)
		for _, norm := range []float64{0, 0.1, 0.5, 1, 2} {
			got := likely(norm)
			require.InDelta(t, norm, r3.Norm(got), 1e-6)
			best := math.Inf(1)
			for range 20000 {
				v := r3.Scale(norm, r3.Unit(geom.Vec{X: rng.NormFloat64(), Y: rng.NormFloat64(), Z: rng.NormFloat64()}))
				best = min(best, off(v, m))
			}
			require.LessOrEqual(t, off(got, m), 1.05*best+0.05, "%v at %g", m, norm)
		}
	}
}

func TestDirections(t *testing.T) {
	seen := geom.Pose{Entry: geom.Vec{X: 1, Y: 0.5}, Apex: geom.Vec{X: 2, Y: 0.5, Z: -10}}
	d := &deviation.Directions{Mesial: geom.Vec{X: 1}, Buccal: geom.Vec{Y: 1}}
	u, err := Propagate(upright, seen, isotropic(0.1), d, 3)
	require.NoError(t, err)
	mid := func(low, high float64) float64 { return (low + high) / 2 }
	require.InDelta(t, 1, mid(u.Intervals[measurement.EntryMesial].Low, u.Intervals[measurement.EntryMesial].High), 0.01)
	require.InDelta(t, 0.5, mid(u.Intervals[measurement.ApexBuccal].Low, u.Intervals[measurement.ApexBuccal].High), 0.01)
	require.InDelta(t, geom.Degrees(math.Atan(0.1)), mid(u.Intervals[measurement.TiltMesial].Low, u.Intervals[measurement.TiltMesial].High), 0.02)
	require.InDelta(t, 0.1, u.Intervals[measurement.EntryMesial].U, 0.003)
	// Both ends with 0.1 mm over √101 mm of length.
	require.InDelta(t, geom.Degrees(0.1*math.Sqrt2/math.Sqrt(101)), u.Intervals[measurement.TiltBuccal].U, 0.02)
}

// An error of the directions by φ changes a part by the other one times sin φ,
// whatever the ends' error, and lengths not at all.
func TestErrorOfTheDirections(t *testing.T) {
	seen := geom.Pose{Entry: geom.Vec{X: 2, Y: 0.5}, Apex: geom.Vec{X: 4, Z: -10}}
	exact := &deviation.Directions{Mesial: geom.Vec{X: 1}, Buccal: geom.Vec{Y: 1}}
	off := *exact
	off.Uncertainty = geom.Radians(3)
	sin := math.Sin(geom.Radians(3))
	for _, sigma := range []float64{0.001, 0.1} {
		a, err := Propagate(upright, seen, isotropic(sigma), exact, 3)
		require.NoError(t, err)
		b, err := Propagate(upright, seen, isotropic(sigma), &off, 3)
		require.NoError(t, err)
		require.InEpsilon(t, math.Hypot(sigma, 0.5*sin), b.Intervals[measurement.EntryMesial].U, 0.03)
		require.InEpsilon(t, math.Hypot(sigma, 2*sin), b.Intervals[measurement.EntryBuccal].U, 0.03)
		require.InEpsilon(t, math.Hypot(sigma, 4*sin), b.Intervals[measurement.ApexBuccal].U, 0.03)
		require.InEpsilon(t, 2*1.96*b.Intervals[measurement.EntryBuccal].U, b.Intervals[measurement.EntryBuccal].High-b.Intervals[measurement.EntryBuccal].Low, 0.05)
		// The axis leans by atan(2/10) to mesial and atan(0.5/10) to lingual.
		require.InEpsilon(t, math.Hypot(a.Intervals[measurement.TiltBuccal].U, geom.Degrees(math.Atan(0.2*sin))), b.Intervals[measurement.TiltBuccal].U, 0.03)
		require.Equal(t, *a.Intervals[measurement.EntryLateral], *b.Intervals[measurement.EntryLateral])
		require.Equal(t, *a.Intervals[measurement.Angle], *b.Intervals[measurement.Angle])
		require.Equal(t, *a.Intervals[measurement.EntryDepth], *b.Intervals[measurement.EntryDepth])
	}
}

func TestBudgetIsInTheFixturesDirections(t *testing.T) {
	c := evidence.Budget{{Name: "along", Cov: diagonal(0, 0, 0.3, 0, 0, 0.2)}, {Name: "across", Cov: diagonal(0.1, 0.1, 0, 0.1, 0.1, 0)}}
	u, err := Propagate(upright, upright, c, nil, 1)
	require.NoError(t, err)
	require.Len(t, u.Budget, 2)
	require.InDelta(t, 0.3, u.Budget[0].EntryAlong, 1e-12)
	require.InDelta(t, 0.2, u.Budget[0].ApexAlong, 1e-12)
	require.InDelta(t, 0, u.Budget[0].EntryAcross, 1e-12)
	require.InDelta(t, 0.1, u.Budget[1].ApexAcross, 1e-12)
	require.InDelta(t, geom.Degrees(0.1*math.Sqrt2/10), u.Budget[1].Angle, 1e-9)
}

func TestSameSeedSameBytes(t *testing.T) {
	a, err := Propagate(upright, upright, isotropic(0.1), nil, 5)
	require.NoError(t, err)
	b, err := Propagate(upright, upright, isotropic(0.1), nil, 5)
	require.NoError(t, err)
	require.Equal(t, a, b)
	c, err := Propagate(upright, upright, isotropic(0.1), nil, 6)
	require.NoError(t, err)
	require.NotEqual(t, a, c)
}

func TestNotANumberIsAnError(t *testing.T) {
	_, err := Propagate(upright, upright, isotropic(math.NaN()), nil, 1)
	require.ErrorIs(t, err, ErrNoCovariance)
}

func TestPoseWithoutAxisIsAnError(t *testing.T) {
	_, err := Propagate(upright, geom.Pose{}, isotropic(0.1), nil, 1)
	require.ErrorIs(t, err, deviation.ErrPose)
}

// The drawn places have the mean and the covariance asked for: three standard
// errors of a mean, σ/√n, of a variance, σ²√(2/n), and of a covariance, σ²/√n
// and a little, with n = 4000.
func TestPosesHaveTheirCovariance(t *testing.T) {
	cov := diagonal(0.1, 0.2, 0.3, 0.1, 0.2, 0.3)
	cov.SetSym(2, 5, 0.09) // both ends slide along together
	const n = 4000
	p := geom.Pose{Entry: geom.Vec{X: 5}, Apex: geom.Vec{X: 5, Z: -10}}
	draws, err := Poses(p, cov, n, 8)
	require.NoError(t, err)
	require.Len(t, draws, n)
	var mean, square, both float64
	for _, d := range draws {
		mean += (d.Apex.Z + 10) / n
		square += (d.Entry.Y * d.Entry.Y) / n
		both += (d.Entry.Z - d.Apex.Z - 10) * (d.Entry.Z - d.Apex.Z - 10) / n
	}
	require.InDelta(t, 0, mean, 3*0.3/math.Sqrt(n))
	require.InDelta(t, 0.04, square, 3*0.04*math.Sqrt(2.0/n))
	require.InDelta(t, 0, both, 1e-12)
	_, err = Poses(p, diagonal(math.NaN(), 0, 0, 0, 0, 0), n, 8)
	require.ErrorIs(t, err, ErrNoCovariance)
}
