package volume

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// TestStoredRange compares the range of words with that of a plain loop, for every
// length.
func TestStoredRange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		from, span := rapid.Uint16().Draw(t, "from"), rapid.SampledFrom([]uint16{3, 3000, 32767, 32768, 65535}).Draw(t, "span")
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		words := make([]uint16, rapid.IntRange(1, 3*rangeBlock+5).Draw(t, "length"))
		for i := range words {
			words[i] = from + uint16(rng.IntN(int(span)+1))
		}
		low, high := storedRange(words)
		require.Equal(t, slices.Min(words), low)
		require.Equal(t, slices.Max(words), high)
	})
}

// TestSaturationLevelAgainstCounting compares the count of voxels near
// the top with that of a plain loop, with a rescale for each slice and with padding.
func TestSaturationLevelAgainstCounting(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(t, "seed"), 0))
		v := &Volume{Grid: Grid{Size: [3]int{9, 11, 3}}}
		if rapid.Bool().Draw(t, "padded") {
			v.Padding = &Range{Low: 7, High: 9}
		}
		slices := make([]Extremes, 3)
		for k := range slices {
			v.Slope = append(v.Slope, rapid.SampledFrom([]float64{-2, -1, 0.5, 1, 3}).Draw(t, "slope"))
			v.Intercept = append(v.Intercept, rapid.SampledFrom([]float64{-1000, 0, 60_000}).Draw(t, "intercept"))
			from, span := rapid.SampledFrom([]int{0, 32_000, 65_000}).Draw(t, "from"), rapid.SampledFrom([]int{2, 150, 530}).Draw(t, "span")
			for range 99 {
				v.Stored = append(v.Stored, uint16(from+rng.IntN(span)))
			}
			slices[k] = ExtremesOf(v.Stored[99*k:], v.Padding)
		}
		low, high := v.GreyRange(slices)
		top, below := 0, 0
		for i, w := range v.Stored {
			switch g := v.Slope[i/99]*float64(w) + v.Intercept[i/99]; {
			case v.Padded(w):
			case g >= high-1e-9*math.Abs(high):
				top++
			case g >= high-belowTop*(high-low):
				below++
			}
		}
		want := math.NaN()
		if low < high && top >= minPlateau && top > below {
			want = high
		}
		got := v.SaturationLevel(slices)
		require.True(t, got == want || math.IsNaN(got) && math.IsNaN(want), "%v, expected %v", got, want)
	})
}

// By hand: dense bone at 1000 above a median of 200.
func TestMetalThreshold(t *testing.T) {
	r := MetalRule{DensePercentile: 97, Contrast: 2}
	assert.Equal(t, 1800.0, r.Threshold(200, 1000))
	assert.Equal(t, 1800.0, r.ClippedThreshold(200, 1000, math.NaN()), "not clipped")
	assert.Equal(t, 1800.0, r.ClippedThreshold(200, 1000, 3000), "clipped above metal")
	assert.Equal(t, 1500.0, r.ClippedThreshold(200, 1000, 1500), "clipped metal")
	assert.Equal(t, 1800.0, r.ClippedThreshold(200, 1000, 1300), "clipped bone")
	assert.Equal(t, 2999.5, ClippedFrom(3000))
	assert.Equal(t, math.Inf(1), ClippedFrom(math.NaN()))
}

// Of the greys 0 to 99 around a body of 40 voxels ten lie above the plateau's.
func TestLevelsAround(t *testing.T) {
	greys := make([]float32, 100)
	for i := range greys {
		greys[i] = float32(i * 37 % 100)
	}
	assert.Equal(t, LocalLevels{Metal: 89, Surround: 50, Hard: 89}, LevelsAround(greys, 40))
	assert.True(t, math.IsNaN(LevelsAround(nil, 40).Metal))
}

// Of the values 0 to 100 the quantiles are known to half a bin.
func TestHistogram(t *testing.T) {
	v := []float32{float32(math.NaN())}
	for i := range 101 {
		v = append(v, float32(100-i))
	}
	h := NewHistogram(v)
	for _, q := range []float64{0.02, 0.5, 0.97} {
		assert.InDelta(t, math.Ceil(101*q)-1, h.Quantile(q), 100.0/histogramBins)
	}
	assert.True(t, math.IsNaN(NewHistogram(v[:1]).Quantile(0.5)))
}

// Four values at once are compared as one by one.
func TestThresholdMask(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		bound := rapid.Uint16().Draw(t, "bound")
		near := rapid.Custom(func(t *rapid.T) uint16 { return bound + uint16(rapid.IntRange(-2, 2).Draw(t, "off")) })
		words := rapid.SliceOfN(rapid.OneOf(near, rapid.Uint16()), 4, 4).Draw(t, "words")
		x := pack(words)
		up, down := make([]uint16, 4), make([]uint16, 4)
		for i, w := range words {
			if w >= bound {
				up[i] = topBit
			}
			if w <= bound {
				down[i] = topBit
			}
		}
		require.Equal(t, pack(up), atLeast(bound).mask(x))
		require.Equal(t, pack(down), atMost(bound).mask(x))
	})
}
