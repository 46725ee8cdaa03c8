package motion

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

var upright = NewGantry([3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}})

// Patterns are cos 2φ, sin 2φ, cos 4φ, sin 4φ: the same for both sides of an edge, and none
// for one that all views see.
func TestPatterns(t *testing.T) {
	for _, phi := range []float64{0, 0.3, 1.2, 2.5, -2} {
		sin, cos := math.Sincos(phi)
		n := geom.Vec{X: cos, Y: sin}
		got := upright.Pattern(n)
		for k, want := range [Patterns]float64{math.Cos(2 * phi), math.Sin(2 * phi), math.Cos(4 * phi), math.Sin(4 * phi)} {
			assert.InDelta(t, want, got[k], 0.05, "angle %g", phi)
		}
		assert.Equal(t, got, upright.Pattern(r3.Scale(-1, n)), "the other side")
		back, length := got, upright.Pattern(r3.Scale(7, n))
		for k := range back {
			assert.InDelta(t, back[k], length[k], 1e-12)
		}
	}
	assert.Equal(t, [Patterns]float64{}, upright.Pattern(geom.Vec{Z: 3}), "seen by all views")
	assert.Equal(t, [Patterns]float64{}, upright.Pattern(geom.Vec{}))
	turn := geom.Rotation(geom.Vec{X: 0.4, Y: -0.2, Z: 1})
	n := geom.Vec{X: 0.5, Y: -0.7, Z: 0.2}
	want, got := upright.Pattern(n), upright.In(turn).Pattern(turn.Rotate(n))
	for k := range want {
		assert.InDelta(t, want[k], got[k], 1e-12, "in another frame")
	}
}

// The patterns of a steady drift, whose place runs from −1/2 to 1/2 over the turn: the mean
// of two opposite views is a sawtooth over half a turn, whose Fourier coefficients are
// 1/(2π) and half of that (from the series of the sawtooth; tables of any handbook). For an
// amplitude of 1 mm they are √12 times that; spread over cosine and sine by any first view.
func TestPatternsOfASteadyDrift(t *testing.T) {
	const steps = 100000
	var sin2, sin4, squares float64
	for i := range steps {
		share := (float64(i) + 0.5) / steps
		squares += (share - 0.5) * (share - 0.5) / steps
		mean := (share - 0.5 + math.Mod(share+0.5, 1) - 0.5) / 2
		sin2 += 2 * mean * math.Sin(4*math.Pi*share) / steps
		sin4 += 2 * mean * math.Sin(8*math.Pi*share) / steps
	}
	assert.InDelta(t, 1/(2*math.Pi), math.Abs(sin2), 1e-4)
	assert.InDelta(t, 1/(4*math.Pi), math.Abs(sin4), 1e-4)
	amplitude := math.Sqrt(squares)
	assert.InDelta(t, 1, Travel(amplitude), 1e-6)
	assert.InEpsilon(t, sd(3), math.Abs(sin2)/amplitude/math.Sqrt2, 0.05, "a share of half of either of the pair")
	assert.InEpsilon(t, sd(15), math.Abs(sin4)/amplitude/math.Sqrt2, 0.05)
}

// simulated is evidence about motions drawn at an amplitude, seen by so many edges that face
// all ways, with a noise of 1 and steps of so much.
func simulated(r *rand.Rand, amplitude, step float64) Evidence {
	truth := make([]float64, Parameters)
	for k := range truth {
		truth[k] = amplitude * sd(k) * r.NormFloat64()
	}
	e := Evidence{Information: mat.NewSymDense(Parameters, nil), Score: mat.NewVecDense(Parameters, nil)}
	for range 400 {
		phi, z := r.Float64()*2*math.Pi, r.NormFloat64()*0.3
		n := r3.Unit(geom.Vec{X: math.Cos(phi), Y: math.Sin(phi), Z: z})
		turn := r3.Cross(geom.Vec{X: 20 * r.NormFloat64(), Y: 20 * r.NormFloat64(), Z: 10 * r.NormFloat64()}, n)
		row := mat.NewVecDense(Parameters, nil)
		for k, c := range upright.Pattern(n) {
			for i, v := range [6]float64{turn.X, turn.Y, turn.Z, n.X, n.Y, n.Z} {
				row.SetVec(6*k+i, step*c*v)
			}
		}
		seen := mat.Dot(row, mat.NewVecDense(Parameters, truth)) + r.NormFloat64()
		e.Information.SymRankOne(e.Information, 1, row)
		e.Score.AddScaledVec(e.Score, seen, row)
	}
	return e
}

func TestInferFindsTheAmplitude(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for _, amplitude := range []float64{0.15, 0.3, 0.6} {
		mean := 0.0
		const runs = 10
		for range runs {
			a := Infer(simulated(r, amplitude, 60))
			mean += a.RMS / runs
			assert.Greater(t, a.Odds, 3.0)
		}
		assert.InEpsilon(t, amplitude, mean, 0.2)
	}
	still := Infer(simulated(r, 0, 60))
	assert.Less(t, still.RMS, 0.03)
	assert.Less(t, still.Odds, 0.5)
	// Where nothing is seen the prior is left: √2 times the mean of an exponential, but for
	// its tail beyond what is weighed.
	blind := Evidence{Information: mat.NewSymDense(Parameters, nil), Score: mat.NewVecDense(Parameters, nil)}
	assert.InEpsilon(t, math.Sqrt2*usualAmplitude, Infer(blind).RMS, 0.15)
	assert.Zero(t, Infer(blind).Odds)
}

func TestCovarianceGrowsWithTheAmplitude(t *testing.T) {
	response := mat.NewDense(2, 2*Parameters, nil)
	response.Set(0, 3, 1)
	response.Set(0, Parameters+3, -1)
	response.Set(1, 12, pivot)
	c := Covariance(response, 0.5)
	assert.InDelta(t, 2*square(0.5*patternSD), c.At(0, 0), 1e-12, "both scans")
	assert.InDelta(t, square(0.5*patternSD/2), c.At(1, 1), 1e-12, "a rotation of the second pattern")
	assert.Zero(t, c.At(0, 1))
	require.Equal(t, 2, c.SymmetricDim())
}

func square(x float64) float64 { return x * x }
