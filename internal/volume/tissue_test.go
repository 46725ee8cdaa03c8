package volume

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/require"
)

// tissueVolume has a tenth of air, a tenth each of bone and enamel and the rest soft
// tissue, with noise, rescaled by a slope, in a round field that is filled outside.
func tissueVolume(slope, fill, air, soft float64) *Volume {
	const n = 60
	v := &Volume{Grid: Grid{Size: [3]int{n, n, n}}}
	rng := rand.New(rand.NewPCG(4, 0))
	for range n {
		v.Slope, v.Intercept = append(v.Slope, slope), append(v.Intercept, -4000*slope)
	}
	for i := range n * n * n {
		x, y := float64(i%n)-n/2, float64(i/n%n)-n/2
		step := soft - air
		g := []float64{air, soft + 1.2*step, soft + 2.5*step, soft, soft, soft, soft, soft, soft, soft}[rng.IntN(10)] + 0.06*step*rng.NormFloat64()
		if math.Hypot(x, y) > n/2 {
			g = fill
		}
		v.Stored = append(v.Stored, uint16(math.Round(max(g, fill)/slope+4000)))
	}
	return v
}

// metalVolume has a share of metal, twelve steps above soft tissue, in place of anything.
func metalVolume(share float64) *Volume {
	v := tissueVolume(1, -1000, -1000, 0)
	rng := rand.New(rand.NewPCG(6, 0))
	for i, x := range v.Stored {
		if x > 3000 && rng.Float64() < share {
			v.Stored[i] = uint16(16000 + 600*rng.NormFloat64())
		}
	}
	return v
}

// Within a tenth: air's hundredth quantile lies a little above the middle of its noise.
func TestTissueStep(t *testing.T) {
	for name, v := range map[string]*Volume{
		"Hounsfield's":                      tissueVolume(1, -1000, -1000, 0),
		"another gain and offset":           tissueVolume(1, -900, -900, 100),
		"a filling far below air":           tissueVolume(1, -3000, -1000, 0),
		"no offset":                         tissueVolume(1, 0, 0, 1000),
		"a slope that is not 1":             tissueVolume(0.5, -1000, -1000, 0),
		"a filling at the scan's own zero":  tissueVolume(1, -1200, -1000, 0),
		"a filling at twice air":            tissueVolume(1, -2000, -1000, 0),
		"metal of four voxels in a hundred": metalVolume(0.04),
	} {
		require.InEpsilon(t, 1000, v.TissueStep(), 0.2, name)
	}
	// No air but what partial volume leaves: the filling stands for it.
	partial := tissueVolume(1, -1000, -1000, 0)
	rng := rand.New(rand.NewPCG(5, 0))
	for i, x := range partial.Stored {
		if x > 3000 && x < 3500 {
			partial.Stored[i] = uint16(4000 - 900*rng.Float64()*rng.Float64())
		}
	}
	require.InEpsilon(t, 1000, partial.TissueStep(), 0.2)
	require.InEpsilon(t, 400, tissueVolume(1, 300, 300, 700).TissueStep(), 0.2)
	// Soft tissue and bone alone.
	inside := tissueVolume(1, -1000, -1000, 0)
	for i, x := range inside.Stored {
		if x < 3500 {
			inside.Stored[i] = uint16(4000 + i%41 - 20)
		}
	}
	require.True(t, math.IsNaN(inside.TissueStep()))
	flat := tissueVolume(1, 0, 0, 1000)
	clear(flat.Stored)
	require.True(t, math.IsNaN(flat.TissueStep()))
}

// Slices end at levels of their own: by their rescale, or where parts were put together;
// one with metal that is not clipped has none.
func TestSaturationLevels(t *testing.T) {
	const n = 20
	v := &Volume{Grid: Grid{Size: [3]int{n, n, 4}}, Slope: []float64{1, 2, 1, -1}, Intercept: []float64{-1000, -1000, -1000, 4000}}
	rng := rand.New(rand.NewPCG(4, 0))
	tops := []uint16{4095, 4095, 3000, 0}
	for k := range 4 {
		for i := range n * n {
			s := 200 + uint16(rng.IntN(3000))
			switch {
			case i%10 == 0 && k != 2:
				s = tops[k]
			case i%10 == 0: // a plateau with noise
				s = 5000 + uint16(100*rng.NormFloat64())
			}
			v.Stored = append(v.Stored, s)
		}
	}
	got := v.SaturationLevels([3]int{}, v.Size)
	require.Equal(t, []float64{3095, 7190}, got[:2])
	require.True(t, math.IsNaN(got[2]))
	require.Equal(t, 4000.0, got[3])
	// Without the clipped columns there is none.
	require.True(t, math.IsNaN(v.SaturationLevels([3]int{1, 0, 0}, [3]int{9, n, 1})[0]))
}
