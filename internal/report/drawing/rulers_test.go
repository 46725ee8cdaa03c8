package drawing

import (
	"bytes"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/tooth"
)

// Draws from a covariance fall into its ellipse in 95 of 100 cases: the share of
// 20 000 draws strays by 0.0015, four times which is allowed.
func TestEllipseHolds95PerCent(t *testing.T) {
	cov := [3]float64{0.09, 0.02, 0.03}
	long, short, angle := axes(cov)
	rng := rand.New(rand.NewPCG(1, 2))
	l11 := math.Sqrt(cov[0])
	l21 := cov[2] / l11
	l22 := math.Sqrt(cov[1] - l21*l21)
	in := 0
	const n = 20000
	for range n {
		a, b := rng.NormFloat64(), rng.NormFloat64()
		x, y := l11*a, l21*a+l22*b
		s, c := math.Sincos(angle)
		if math.Pow((x*c+y*s)/long, 2)+math.Pow((y*c-x*s)/short, 2) < 1 {
			in++
		}
	}
	assert.InDelta(t, 0.95, float64(in)/n, 0.006)
	// 5.991 is the printed 95 % point of chi-squared with 2 degrees of freedom.
	assert.InDelta(t, 5.991, chi2of2, 0.0005)
}

func TestRulersPlaceShots(t *testing.T) {
	for _, c := range []struct {
		site  int
		right string
		sign  float64
	}{{36, "mesial", 1}, {46, "distal", -1}} {
		target := NewRulers(tooth.Number(c.site), Shot{}, Shot{}, 4, 4)
		target.Entry = Shot{Mesial: 0.5, Buccal: 0.25, Cov: &[3]float64{0.01, 0.01, 0}}
		target.Apex = Shot{Mesial: -0.2, Buccal: -0.9}
		assert.Equal(t, c.right, target.Right)
		d := target.Draw()
		centre := Point{rulersLeft + rulersSide/2, rulersTop + rulersSide/2}
		scale := rulersSide / 2 / target.reach()
		want := Point{centre.X + c.sign*0.5*scale, centre.Y - 0.25*scale}
		found := false
		for _, it := range d.Items {
			if p, ok := it.(Path); ok && p.Fill == Achieved && p.Closed {
				m := Point{}
				for _, q := range p.Points {
					m.X += q.X / float64(len(p.Points))
					m.Y += q.Y / float64(len(p.Points))
				}
				if math.Hypot(m.X-want.X, m.Y-want.Y) < 0.05 {
					found = true
				}
			}
		}
		assert.True(t, found, "site %d", c.site)
	}
}

func TestRulersGrowWithTheDeviation(t *testing.T) {
	for _, far := range []float64{0.1, 0.99, 1.7, 3.2, 9, 40} {
		target := NewRulers(11, Shot{Mesial: far}, Shot{}, 4, 4)
		assert.Greater(t, target.reach(), far)
		d := target.Draw()
		var b bytes.Buffer
		require.NoError(t, d.SVG(&b))
		assert.NotContains(t, b.String(), "NaN")
	}
}

func TestGauge(t *testing.T) {
	assert.Equal(t, 3.0, GaugeFull("mm", 0.6, 0.98))
	assert.Equal(t, 6.0, GaugeFull("mm", 0.6, 3.01))
	assert.Equal(t, 10.0, GaugeFull("°"))
	assert.Equal(t, 160.0, GaugeFull("°", 120))
	d := Gauge{Name: "Entry deviation", Value: 0.5, Low: 0.4, High: 0.6, Floor: 0.1, Unit: "mm", Full: 1}.Draw()
	assert.Equal(t, "Entry deviation 0.50 mm, 95 % interval 0.40 mm to 0.60 mm, seen from 0.10 mm, on a ruler from 0 to 1.", d.Alt)
}
