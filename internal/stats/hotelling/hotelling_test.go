package hotelling

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Sweat data, Johnson and Wichern, example 5.2, against (4, 50, 10): T² is 9.74
// and p .0649 there; the further digits by scipy 1.10.1.
func TestSweatData(t *testing.T) {
	var x [][]float64
	for _, r := range [][3]float64{
		{3.7, 48.5, 9.3}, {5.7, 65.1, 8.0}, {3.8, 47.2, 10.9}, {3.2, 53.2, 12.0}, {3.1, 55.5, 9.7}, {4.6, 36.1, 7.9}, {2.4, 24.8, 14.0},
		{7.2, 33.1, 7.6}, {6.7, 47.4, 8.5}, {5.4, 54.1, 11.3}, {3.9, 36.9, 12.7}, {4.5, 58.8, 12.3}, {3.5, 27.8, 9.8}, {4.5, 40.2, 8.4},
		{1.5, 13.5, 10.1}, {8.5, 56.4, 7.1}, {4.5, 71.6, 8.2}, {6.5, 52.8, 10.9}, {4.1, 44.1, 11.2}, {5.5, 40.9, 9.4},
	} {
		x = append(x, []float64{r[0] - 4, r[1] - 50, r[2] - 10})
	}
	h, err := Analyse(x)
	require.NoError(t, err)
	assert.InDelta(t, 9.738773, h.T2, 1e-6)
	assert.InDelta(t, 2.904546, h.F, 1e-6)
	assert.InDelta(t, .0649283, h.P, 1e-7)
	assert.Equal(t, []int{3, 17}, []int{h.DF1, h.DF2})
	for i, mean := range []float64{4.64 - 4, 45.4 - 50, 9.965 - 10} {
		assert.InDelta(t, mean, h.Mean[i].Mean, 1e-12)
	}
	assert.InDelta(t, 2.87937, h.Covariance.At(0, 0), 5e-6)
	assert.InDelta(t, -5.64, h.Covariance.At(1, 2), 5e-6)
}

// testdata/habit.json: the rest by numpy and scipy.
func TestAgainstAnotherProgram(t *testing.T) {
	text, err := os.ReadFile("testdata/habit.json")
	require.NoError(t, err)
	var ref struct {
		X               [][]float64
		T2, F, P, Turn  float64
		Low, High, Holm []float64
		MeanAxes        []float64 `json:"mean_axes"`
		NextAxes        []float64 `json:"next_axes"`
		Farthest        int
		PWithout        float64 `json:"p_without"`
	}
	require.NoError(t, json.Unmarshal(text, &ref))
	h, err := Analyse(ref.X)
	require.NoError(t, err)
	assert.InDelta(t, ref.T2, h.T2, 1e-9)
	assert.InDelta(t, ref.F, h.F, 1e-9)
	assert.InDelta(t, ref.P, h.P, 1e-9)
	for i, d := range h.Mean {
		assert.InDelta(t, ref.Low[i], d.Low, 1e-9)
		assert.InDelta(t, ref.High[i], d.High, 1e-9)
		assert.InDelta(t, ref.Holm[i], d.P, 1e-9)
	}
	mean, next := h.Ellipses(0, 1)
	assert.InDelta(t, ref.MeanAxes[0], mean.Major, 1e-8)
	assert.InDelta(t, ref.MeanAxes[1], mean.Minor, 1e-8)
	assert.InDelta(t, ref.NextAxes[0], next.Major, 1e-8)
	assert.InDelta(t, ref.NextAxes[1], next.Minor, 1e-8)
	assert.InDelta(t, ref.Turn, mean.Turn, 1e-8)
	assert.Equal(t, ref.Farthest, h.Farthest)
	assert.InDelta(t, ref.PWithout, *h.PWithout, 1e-9)
}

// With no habit, p is uniform; the ellipse for the next case holds 95 %.
func TestRates(t *testing.T) {
	const runs, n = 2000, 12
	rng := rand.New(rand.NewPCG(3, 1))
	draw := func() []float64 {
		a, b := rng.NormFloat64(), rng.NormFloat64()
		return []float64{a, .6*a + .8*b, rng.NormFloat64()}
	}
	alarms, held := 0, 0
	for range runs {
		x := make([][]float64, n)
		for i := range x {
			x[i] = draw()
		}
		h, err := Analyse(x)
		require.NoError(t, err)
		if h.P < .05 {
			alarms++
		}
		_, next := h.Ellipses(0, 1)
		v := draw()
		sin, cos := math.Sincos(next.Turn * math.Pi / 180)
		dx, dy := v[0]-next.Centre[0], v[1]-next.Centre[1]
		if math.Hypot((cos*dx+sin*dy)/next.Major, (cos*dy-sin*dx)/next.Minor) <= 1 {
			held++
		}
	}
	four := 4 * math.Sqrt(.05*.95/runs)
	assert.InDelta(t, .05, float64(alarms)/runs, four)
	assert.InDelta(t, .95, float64(held)/runs, four)
}

func TestRefusals(t *testing.T) {
	_, err := Analyse(nil)
	assert.ErrorIs(t, err, ErrTooFewCases)
	x := [][]float64{{1, 2}, {2, 1}, {3, 4}}
	_, err = Analyse(x)
	assert.ErrorIs(t, err, ErrTooFewCases)
	x = append(x, []float64{math.NaN(), 1})
	_, err = Analyse(x)
	assert.ErrorContains(t, err, "case 4, part 1")
	x[3] = []float64{1}
	_, err = Analyse(x)
	assert.ErrorContains(t, err, "case 4 has 1 parts")
	_, err = Analyse([][]float64{{1, 2}, {2, 4}, {3, 6}, {4, 8}})
	assert.ErrorIs(t, err, ErrNoSpread)
	// With as many left as are needed there is a p-value without the farthest.
	h, err := Analyse([][]float64{{1, 2}, {2, 1}, {3, 4}, {4, 5}})
	require.NoError(t, err)
	assert.Nil(t, h.PWithout)
}
