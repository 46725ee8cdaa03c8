package evidence

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/volume"
)

// drawCovariance draws a 6×6 covariance as A·Aᵀ.
func drawCovariance(t *rapid.T, scale float64) *mat.SymDense {
	a := mat.NewDense(6, 6, nil)
	x := rapid.Float64Range(-scale, scale)
	for i := range 6 {
		for j := range 6 {
			a.Set(i, j, x.Draw(t, "a"))
		}
	}
	cov := mat.NewSymDense(6, nil)
	cov.SymOuterK(1, a)
	return cov
}

// By definition: an error e of the follow-up frame is R·e in the planning frame,
// so each 3×3 block C becomes R·C·Rᵀ.
func TestBudgetInAnotherFrame(t *testing.T) {
	quarter := geom.Rotation(geom.Vec{Z: math.Pi / 2})
	quarter.T = geom.Vec{X: 100}
	cov := mat.NewSymDense(6, nil)
	for i, v := range []float64{1, 2, 3, 4, 5, 6} {
		cov.SetSym(i, i, v)
	}
	cov.SetSym(0, 4, 0.5) // entry x with apex y
	got := Budget{{Name: "noise", Cov: cov}}.In(quarter)[0].Cov
	// By hand: x goes to y and y to −x.
	for i, v := range []float64{2, 1, 3, 5, 4, 6} {
		assert.InDelta(t, v, got.At(i, i), 1e-12)
	}
	assert.InDelta(t, -0.5, got.At(1, 3), 1e-12)
	assert.InDelta(t, 0, got.At(0, 4), 1e-12)

	rapid.Check(t, func(t *rapid.T) {
		x := rapid.Float64Range(-2, 2)
		m := geom.Rotation(geom.Vec{X: x.Draw(t, "x"), Y: x.Draw(t, "y"), Z: x.Draw(t, "z")})
		cov := drawCovariance(t, 1)
		got := Budget{{Name: "noise", Cov: cov}}.In(m)[0].Cov
		for a := range 2 {
			for b := range 2 {
				for i := range 3 {
					for j := range 3 {
						want := 0.0
						for k := range 3 {
							for l := range 3 {
								want += m.R[i][k] * cov.At(3*a+k, 3*b+l) * m.R[j][l]
							}
						}
						require.InDelta(t, want, got.At(3*a+i, 3*b+j), 1e-12)
					}
				}
			}
		}
	})
}

// By hand: covariances of independent errors add.
func TestSharedSourcesAreTold(t *testing.T) {
	of := func(v float64) *mat.SymDense {
		cov := mat.NewSymDense(6, nil)
		cov.SetSym(0, 3, v)
		return cov
	}
	b := Budget{{Name: "noise", Cov: of(1)}, {Name: "registration", Cov: of(2), Shared: true}, {Name: "blur", Cov: of(4)}}
	assert.Equal(t, 7.0, b.Cov().At(3, 0))
	assert.Equal(t, 5.0, b.Unshared().At(0, 3))
	assert.True(t, b.In(geom.Identity())[1].Shared)
	assert.Zero(t, mat.Norm(Budget{}.Cov(), 1))
}

// A grey value is that of the scan's own frame, and none outside.
func TestScanAsAView(t *testing.T) {
	g := volume.Grid{Size: [3]int{8, 8, 8}, Step: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}}
	v := &volume.Volume{Grid: g, Stored: make([]uint16, 512), Slope: make([]float64, 8), Intercept: make([]float64, 8)}
	for k := range 8 {
		v.Slope[k] = 1
	}
	for i := range v.Stored {
		v.Stored[i] = uint16(i % 8) // the grey value is the scan's x
	}
	toScan := geom.Rotation(geom.Vec{Z: math.Pi / 2})
	toScan.T = geom.Vec{X: 7}
	grey := Scan{Volume: v, ToScan: toScan}.Around(3, geom.Vec{X: 3, Y: 3, Z: 3})
	// By hand: (x, y, z) lies at (7 − y, x, z) in the scan.
	assert.InDelta(t, 4.5, grey(geom.Vec{X: 3, Y: 2.5, Z: 3}), 1e-6)
	assert.True(t, math.IsNaN(grey(geom.Vec{X: 3, Y: -5, Z: 3})))
}
