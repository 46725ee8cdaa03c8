package plate

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"
)

// profile is a plate of exact thickness, its outer border at a place, blurred and noisy.
func profile(rng *rand.Rand, m Model, at, thickness, dense float64) (x, g []float64) {
	for v := -2.4; v <= 1.0; v += 0.1 {
		in := 0.5 * math.Erfc((v-at+thickness)/(math.Sqrt2*m.Blur))
		out := 0.5 * math.Erfc((v-at)/(math.Sqrt2*m.Blur))
		x = append(x, v)
		g = append(g, in*200+(out-in)*dense+(1-out)*(-50)+m.Noise*rng.NormFloat64())
	}
	return x, g
}

var usual = Model{
	Inside: Level{250, 250}, Plate: Level{1450, 120}, Outside: Level{0, 150},
	Blur: 0.28, Noise: 40, Correlation: 0.1,
}

// The truth is the profile's own: places and thicknesses are right on average, stray by as
// much as they say, and a plate of the other grey value than expected shows in ThickU.
func TestPlates(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, thickness := range []float64{0.3, 0.5, 0.7, 1, 1.5, 2.2} {
		var off, thick, z []float64
		for range 60 {
			at, dense := 0.15*rng.NormFloat64(), 1450+100*rng.NormFloat64()
			x, g := profile(rng, usual, at, thickness, dense)
			f, ok := usual.Fit(x, g)
			require.True(t, ok)
			assert.InDelta(t, usual.Noise, f.Residual, usual.Noise/2)
			off, thick, z = append(off, f.Outer-at), append(thick, f.Thickness-thickness), append(z, (f.Outer-at)/f.U)
		}
		mean, sd := stat.MeanStdDev(off, nil)
		assert.InDelta(t, 0, mean, 0.02, thickness)
		assert.Less(t, sd, 0.035, thickness)
		mean, sd = stat.MeanStdDev(thick, nil)
		assert.InDelta(t, 0, mean, 0.03, thickness)
		assert.Less(t, sd, 0.05, thickness)
		_, sd = stat.MeanStdDev(z, nil)
		assert.Greater(t, sd, 0.5, thickness)
		assert.Less(t, sd, 1.3, thickness)
	}
}

// A thin plate shows its thickness times its contrast alone: where the contrast may be
// anything, so may the thickness.
func TestUnknownDensityMakesThicknessUncertain(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 4))
	x, g := profile(rng, usual, 0, 0.3, 1450)
	sure, _ := usual.Fit(x, g)
	vague := usual
	vague.Plate.SD = 500
	unsure, _ := vague.Fit(x, g)
	assert.Greater(t, unsure.ThickU, 1.5*sure.ThickU)
	assert.InDelta(t, 0, unsure.Outer, 3*unsure.U+0.02)
}

func TestTooFewSamples(t *testing.T) {
	x, g := profile(rand.New(rand.NewPCG(3, 4)), usual, 0, 1, 1450)
	for i := range g[9:] {
		g[9+i] = math.NaN()
	}
	_, ok := usual.Fit(x, g)
	assert.False(t, ok)
}
