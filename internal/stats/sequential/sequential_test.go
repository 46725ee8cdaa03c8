package sequential

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

var twelve = []float64{3, 1, 4, 1, 5, 9, 2, 6, 5, 3, 5, 8}

func draw(seed uint64, n int) []float64 {
	rng := rand.New(rand.NewPCG(seed, 3))
	y := make([]float64, n)
	for i := range y {
		y[i] = rng.ExpFloat64()
	}
	return y
}

// Twelve figures with ties, with and without two groups: R 4.2.2, qnorm(rank(y)/13) and
// lm's residuals.
func TestTrendAgainstR(t *testing.T) {
	got, ok := TestTrend(twelve, nil)
	require.True(t, ok)
	assert.InDelta(t, 1.68542330240362, got.T, 1e-12)
	got, ok = TestTrend(twelve, []int{1, 1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 2})
	require.True(t, ok)
	assert.InDelta(t, 1.92516069570913, got.T, 1e-12)
}

func TestTrendProperties(t *testing.T) {
	y := draw(1, 40)
	plain, ok := TestTrend(y, nil)
	require.True(t, ok)
	// Only ranks count.
	other := make([]float64, len(y))
	for i, v := range y {
		other[i] = math.Log(v)*7 - 3
	}
	same, _ := TestTrend(other, nil)
	assert.Equal(t, plain, same)
	// The other way round it falls.
	for i, v := range y {
		other[i] = -v
	}
	turned, _ := TestTrend(other, nil)
	assert.InDelta(t, -plain.T, turned.T, 1e-12)

	for i := range y {
		y[i] += float64(i) / 8
	}
	rising, _ := TestTrend(y, nil)
	assert.Greater(t, rising.T, 3.5)
	assert.Less(t, rising.P, .005)

	// A step between groups is none within them.
	step := draw(2, 40)
	groups := make([]int, 40)
	for i := range 20 {
		step[i] += 5
		groups[i] = 1
	}
	fall, _ := TestTrend(step, nil)
	assert.Less(t, fall.P, .01)
	explained, _ := TestTrend(step, groups)
	assert.Greater(t, explained.P, .05)

	for name, bad := range map[string][]float64{"too few": draw(3, 9), "all the same": make([]float64, 20)} {
		_, ok := TestTrend(bad, nil)
		assert.False(t, ok, name)
	}
	_, ok = TestTrend(draw(4, 10), []int{0, 1, 2, 3, 4, 5, 6, 7, 8, 9})
	assert.False(t, ok, "each a group of its own")

	// Of a long record the latest figures count.
	long := append(draw(5, 300), y...)
	latest, _ := TestTrend(long, nil)
	cut, _ := TestTrend(long[len(long)-MostCases:], nil)
	assert.Equal(t, cut, latest)
}

// By hand: each figure's rank among itself and those before it.
func TestChartByHand(t *testing.T) {
	y := []float64{5, 1, 4, 2, 8, 3, 7, 6, 9, 9.5, 4.5, 0}
	c := Chart(y, nil)
	for i := range warmUp {
		assert.Zero(t, c[i].Score, "the first are only compared with")
	}
	score := func(rank, of float64) float64 { return distuv.UnitNormal.Quantile((rank - .5) / of) }
	for i, want := range map[int]float64{8: score(9, 9), 9: score(10, 10), 10: score(5, 11), 11: score(1, 12)} {
		assert.InDelta(t, want, c[i].Score, 1e-12)
	}
	assert.InDelta(t, score(9, 9)+score(10, 10)-2*Slack, c[9].High, 1e-12)
	assert.Equal(t, 2, c[9].RunHigh)
	assert.InDelta(t, -score(1, 12)-Slack, c[11].Low, 1e-12)
	// A tie shares the mean rank.
	assert.InDelta(t, 0, Chart([]float64{1, 1, 1, 1, 1, 1, 1, 1, 1}, nil)[8].Score, 1e-12)
	// A group is held against its own figures.
	groups := []int{0, 0, 0, 0, 0, 0, 0, 0, 1, 1, 1, 1}
	for _, p := range Chart(y, groups)[8:] {
		assert.Zero(t, p.Score)
	}
}

// A shift by two standard deviations is signalled and dated; before it nothing is.
func TestChartFindsAShift(t *testing.T) {
	y := draw(6, 60)
	for i := range y {
		y[i] = math.Sqrt(y[i])
		if i >= 30 {
			y[i] += 1.2
		}
	}
	first := 0
	for i, p := range Chart(y, nil) {
		if p.SignalHigh && first == 0 {
			first = i + 1
			assert.InDelta(t, 31, first-p.RunHigh+1, 4)
		}
		assert.False(t, p.SignalLow)
	}
	assert.Greater(t, first, 30)
	assert.Less(t, first, 50)
}

func TestTablesAreRead(t *testing.T) {
	assert.Equal(t, 1.0, tail(trendTable, 0))
	assert.InDelta(t, .05, tail(trendTable, 2.895), 1e-12)
	assert.InDelta(t, math.Sqrt(.05*.03), tail(trendTable, (2.895+3.039)/2), 1e-12)
	assert.Less(t, tail(trendTable, 6), 1e-5)
	assert.InDelta(t, .05, EveryLook(math.Pow(10, -2.340)), 1e-9)
	assert.Equal(t, 1.0, EveryLook(1))
	assert.Greater(t, EveryLook(.01), .05, "a look after every case costs something")
	assert.InDelta(t, .0255, FalseSignal(100), 1e-12)
	assert.InDelta(t, .0255, FalseSignal(400), 1e-12)
	assert.Zero(t, FalseSignal(5))
	assert.InDelta(t, (.0238+.0252)/2, FalseSignal(65), 1e-12)
	for _, table := range [][]point{trendTable, directionTable} {
		for i := 1; i < len(table); i++ {
			assert.True(t, table[i].at > table[i-1].at && table[i].p < table[i-1].p)
		}
	}
	// (2.895 + .8416)·√(12/50).
	assert.InDelta(t, 1.8305, Detectable(50, .05), 1e-3)
	assert.Equal(t, Detectable(100, .05), Detectable(500, .05))
	assert.True(t, math.IsInf(Detectable(5, .05), 1))
}

// Worked by hand: .01·3, then .02·2 = .04, then .03, which must not fall; R's p.adjust
// gives the same.
func TestHolm(t *testing.T) {
	assert.InDeltaSlice(t, []float64{.04, .03, .04}, Holm([]float64{.03, .01, .02}), 1e-15)
	assert.Equal(t, []float64{1, 1}, Holm([]float64{.6, .9}))
	assert.Empty(t, Holm(nil))
}
