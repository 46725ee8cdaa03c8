package registration

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

func diagonal(turn, shift float64) *mat.SymDense {
	cov := mat.NewSymDense(6, nil)
	for k := range 3 {
		cov.SetSym(k, k, turn*turn)
		cov.SetSym(3+k, 3+k, shift*shift)
	}
	return cov
}

// By hand: the weighted mean of two lengths 0 and 0.5 mm with u = 0.1 and 0.2 mm is
// 0.5·0.01/(0.01 + 0.04) = 0.1 mm with u² = 0.01·0.04/0.05, and χ² = 0.25/0.05.
func TestCombineByHand(t *testing.T) {
	a := Result{Method: "a", PostToPre: geom.Identity(), Cov: diagonal(0.001, 0.1), Centre: geom.Vec{X: 4, Y: 5}}
	b := Result{Method: "b", PostToPre: geom.Identity(), Cov: diagonal(0.002, 0.2), Centre: a.Centre}
	b.PostToPre.T = geom.Vec{Y: 0.5}
	c, chi := Combine(a, b)
	assert.Equal(t, "a", c.Method)
	assert.InDelta(t, 5, chi, 1e-9)
	assert.Less(t, r3.Norm(r3.Sub(c.PostToPre.T, geom.Vec{Y: 0.1})), 1e-12)
	assert.InDelta(t, 0.008, c.Cov.At(4, 4), 1e-12)
	assert.InDelta(t, 0.8e-6, c.Cov.At(0, 0), 1e-15)
}

// The order of the two does not matter, wherever their centres lie.
func TestCombineIsSymmetric(t *testing.T) {
	turn := geom.Rotation(geom.Vec{X: 0.002, Y: -0.001, Z: 0.003})
	turn.T = geom.Vec{X: 0.1, Y: -0.05, Z: 0.2}
	start := geom.Rotation(geom.Vec{X: 1, Y: 2, Z: -0.5})
	start.T = geom.Vec{X: 30, Y: -20, Z: 10}
	a := Result{PostToPre: start, Cov: diagonal(0.002, 0.05), Centre: geom.Vec{X: 10}}
	b := Result{PostToPre: turn.After(start), Cov: diagonal(0.001, 0.1), Centre: geom.Vec{Y: -15, Z: 8}}
	ab, chiAB := Combine(a, b)
	ba, chiBA := Combine(b, a)
	require.InEpsilon(t, chiAB, chiBA, 0.02, "turns of a tenth of a degree commute nearly")
	for _, p := range []geom.Vec{{}, {X: 20, Y: 5}, {Z: -30}} {
		require.Less(t, r3.Norm(r3.Sub(ab.PostToPre.Apply(p), ba.PostToPre.Apply(p))), 2e-3)
		require.InEpsilon(t, ab.ExpectedTRE(p), ba.ExpectedTRE(p), 0.02)
		require.LessOrEqual(t, ab.ExpectedTRE(p), min(a.ExpectedTRE(p), b.ExpectedTRE(p)))
	}
}
