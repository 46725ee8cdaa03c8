package plate

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

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

// The truth is the profile's own.
func TestPlates(t *testing.T) {
	rng := rand.New(rand.NewPCG(1, 2))
	for _, thickness := range []float64{0.3, 0.5, 0.7, 1, 1.5, 2.2} {
		var off, thick, z []float64
		for range 60 {
			at, dense := 0.3*rng.NormFloat64()/2, 1450+100*rng.NormFloat64()
			x, g := profile(rng, usual, at, thickness, dense)
			f, ok := usual.Fit(x, g)
			require.True(t, ok)
			off, thick, z = append(off, f.Outer-at), append(thick, f.Thickness-thickness), append(z, (f.Outer-at)/f.U)
		}
		m, s := stat.MeanStdDev(off, nil)
		mt, st := stat.MeanStdDev(thick, nil)
		_, sz := stat.MeanStdDev(z, nil)
		fmt.Printf("%.2f: outer %+.3f ± %.3f (z %.2f), thickness %+.3f ± %.3f\n", thickness, m, s, sz, mt, st)
	}
}
