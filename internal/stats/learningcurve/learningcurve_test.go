package learningcurve

import (
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

type reference struct {
	Y, U       []float64
	Flat       fitted
	Exp        *fitted                           `json:"exponential"`
	Power      *fitted                           `json:"power law"`
	Difference struct{ Diff, Low, High float64 } `json:"change"`
}

type fitted struct{ Start, Plateau, Rate, Scatter, AICc float64 }

// testdata/curves.json: the same fits by scipy, each to a series of its shape.
func TestAgainstAnotherProgram(t *testing.T) {
	text, err := os.ReadFile("testdata/curves.json")
	require.NoError(t, err)
	var file struct{ Series []reference }
	require.NoError(t, json.Unmarshal(text, &file))
	require.Len(t, file.Series, 2)
	for _, ref := range file.Series {
		var points []Point
		for i, y := range ref.Y {
			points = append(points, Point{y, ref.U[i]})
		}
		a, err := Analyse(points, 1)
		require.NoError(t, err)
		require.Len(t, a.Candidates, 3)
		ref.Flat.Start = ref.Flat.Plateau
		for i, want := range []*fitted{&ref.Flat, ref.Exp, ref.Power} {
			if want == nil {
				continue
			}
			got := a.Candidates[i]
			// The inner rounds stop at the grid's parabola, the last one is at the
			// minimum.
			assert.InDelta(t, want.Start, got.Start, 1e-4, got.Shape)
			assert.InDelta(t, want.Plateau, got.Plateau, 1e-4, got.Shape)
			assert.InDelta(t, want.Rate, got.Rate, 1e-3, got.Shape)
			assert.InDelta(t, want.Scatter, got.Scatter, 1e-4, got.Shape)
			assert.InDelta(t, want.AICc, got.AICc, 1e-3, got.Shape)
		}
		assert.InDelta(t, ref.Difference.Diff, a.Change.Diff, 1e-12)
		assert.InDelta(t, ref.Difference.Low, a.Change.Low, 1e-9)
		assert.InDelta(t, ref.Difference.High, a.Change.High, 1e-9)
		assert.Equal(t, Learning, a.Verdict)
	}
}

func TestCurves(t *testing.T) {
	e := Curve{Exponential, 2.5, 1, 8}
	assert.Equal(t, 2.5, e.Level(1))
	assert.InDelta(t, 1+1.5/math.E, e.Level(9), 1e-12)
	assert.InDelta(t, 1.1, e.Level(e.CasesToPlateau()), 1e-12)
	assert.InDelta(t, 1+8*math.Log(15), e.CasesToPlateau(), 1e-12)
	p := Curve{Power, 2.5, 1, 1.5}
	assert.Equal(t, 2.5, p.Level(1))
	assert.InDelta(t, 1+1.5/8, p.Level(4), 1e-12)
	assert.InDelta(t, 1.1, p.Level(p.CasesToPlateau()), 1e-12)
	assert.Equal(t, 1.0, Curve{Exponential, 1.05, 1, 8}.CasesToPlateau(), "near the plateau from the start")
	assert.True(t, math.IsInf(Curve{Exponential, 1, 0, 8}.CasesToPlateau(), 1))
}

// Points on a curve give the curve back.
func TestExactCurves(t *testing.T) {
	for _, c := range []Curve{{Exponential, 2.5, 1, 8}, {Exponential, 3, .2, 2}, {Power, 2.5, .7, 1.2}, {Power, 4, 1, .6}} {
		var points []Point
		for i := range 40 {
			// A trace of scatter, as the search ends where residuals are square to
			// the derivatives.
			points = append(points, Point{c.Level(float64(i+1)) + 1e-6*float64(i%3-1), .1})
		}
		a, err := Analyse(points, 1)
		require.NoError(t, err)
		require.Equal(t, Learning, a.Verdict)
		assert.Equal(t, c.Shape, a.Curve.Shape)
		assert.InDelta(t, c.Start, *a.Start.Value, 1e-5)
		assert.InDelta(t, c.Plateau, a.Curve.Plateau, 1e-5)
		assert.Equal(t, c.CasesToPlateau() <= 40, a.Plateau != nil, "a plateau beyond the record is not given")
		assert.InDelta(t, c.Rate, a.Curve.Rate, 1e-4)
		assert.InDelta(t, 1.0/1000, *a.P, 1e-12)
	}
}

// draw gives lengths of dims normal parts about a curve, measured with noise u.
func draw(rng *rand.Rand, c Curve, n, dims int, u float64) []Point {
	out := make([]Point, n)
	mean := map[int]float64{1: .797885, 2: 1.253314, 3: 1.595769}[dims] // of such a length with unit parts
	for i := range out {
		s := c.Level(float64(i+1)) / mean
		sum := 0.0
		for range dims {
			v := s*rng.NormFloat64() + u*rng.NormFloat64()
			sum += v * v
		}
		out[i] = Point{math.Sqrt(sum), u}
	}
	return out
}

// alarms counts learning and rising among series without learning.
func alarms(t *testing.T, n, runs int, seed uint64, y func(*rand.Rand) float64) (learning, rising float64) {
	t.Helper()
	rng := rand.New(rand.NewPCG(seed, 2))
	points := make([]Point, n)
	for range runs {
		for i := range points {
			points[i] = Point{y(rng), .05 + .2*rng.Float64()}
		}
		a, _, err := verdictOf(points, rng.Uint64())
		require.NoError(t, err)
		switch a.Verdict {
		case Learning:
			learning++
		case Rising:
			rising++
		}
	}
	return learning / float64(runs), rising / float64(runs)
}

func TestFalseAlarms(t *testing.T) {
	const runs = 250
	learning, rising := alarms(t, 20, runs, 1, func(r *rand.Rand) float64 { return math.Hypot(r.NormFloat64(), r.NormFloat64()) })
	t.Logf("learning %.3f, rising %.3f", learning, rising)
	most := .05 + 3*math.Sqrt(.05*.95/runs)
	assert.LessOrEqual(t, learning, most)
	assert.LessOrEqual(t, rising, most)
	assert.Greater(t, learning+rising, .02, "a test that never alarms")
}

func TestFindsLearningAndRising(t *testing.T) {
	const runs = 20
	rng := rand.New(rand.NewPCG(5, 6))
	found := 0
	for range runs {
		points := draw(rng, Curve{Exponential, 3, .8, 5}, 50, 3, .1)
		a, _, err := verdictOf(points, rng.Uint64())
		require.NoError(t, err)
		if a.Verdict == Learning {
			found++
		}
		for i, j := 0, len(points)-1; i < j; i, j = i+1, j-1 {
			points[i], points[j] = points[j], points[i]
		}
		a, _, err = verdictOf(points, rng.Uint64())
		require.NoError(t, err)
		assert.NotEqual(t, Learning, a.Verdict)
	}
	assert.GreaterOrEqual(t, found, runs-1)

	var rising []Point
	for i := range 30 {
		rising = append(rising, Point{1 + float64(i%5)/10 + float64(i)/15, .1})
	}
	a, err := Analyse(rising, 1)
	require.NoError(t, err)
	assert.Equal(t, Rising, a.Verdict)
	assert.Nil(t, a.Curve)
	assert.NotNil(t, a.Mean)
	assert.Greater(t, a.Change.Low, 0.0)
}

// A curve that the record does not see the end of has no number of cases.
func TestPlateauBeyondTheRecord(t *testing.T) {
	var points []Point
	for i := range 30 {
		points = append(points, Point{3 - .08*float64(i) + .2*float64(i%3), .1})
	}
	a, err := Analyse(points, 1)
	require.NoError(t, err)
	require.Equal(t, Learning, a.Verdict)
	assert.Nil(t, a.CasesToPlateau.Value)
	assert.Nil(t, a.CasesToPlateau.High)
	assert.Nil(t, a.Plateau)
	assert.Less(t, *a.Now.Low, *a.Now.High)
}

// No interval leaves its own estimate out, and its ends are in order.
func TestIntervalsHoldTheirEstimates(t *testing.T) {
	rng := rand.New(rand.NewPCG(11, 12))
	found := 0
	for range 12 {
		n := MinCases + rng.IntN(30)
		a, s, err := verdictOf(draw(rng, Curve{Exponential, 3, .3, float64(n) / 5}, n, 1+rng.IntN(3), .1), rng.Uint64())
		require.NoError(t, err)
		if a.Verdict != Learning {
			continue
		}
		found++
		s.setIntervals(&a, rng.Uint64())
		for _, e := range []*Estimate{a.Start, a.Plateau, a.CasesToPlateau, a.Now} {
			if e == nil || e.Value == nil {
				continue
			}
			assert.LessOrEqual(t, *e.Low, *e.Value)
			if e.High != nil {
				assert.GreaterOrEqual(t, *e.High, *e.Value)
			}
		}
		for i, b := range a.Band {
			assert.LessOrEqual(t, b.Low, a.Curve.Level(float64(i+1)))
			assert.GreaterOrEqual(t, b.High, a.Curve.Level(float64(i+1)))
		}
	}
	assert.Greater(t, found, 5)
}

func TestOneCaseDecides(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 8))
	steady := func() []Point {
		points := make([]Point, 30)
		for i := range points {
			points[i] = Point{1 + .1*rng.Float64(), .02}
		}
		return points
	}
	// A far case in the middle is told and changes nothing.
	points := steady()
	points[14].Y = 6
	a, err := Analyse(points, 1)
	require.NoError(t, err)
	assert.Equal(t, []int{15}, a.Outliers)
	assert.Equal(t, NotDetected, a.Verdict)
	assert.Equal(t, NotDetected, a.Without)
	// At the beginning it makes a curve, which then rests on it alone.
	points = steady()
	points[0].Y = 6
	a, err = Analyse(points, 1)
	require.NoError(t, err)
	assert.Equal(t, Learning, a.Verdict)
	assert.Equal(t, []int{1}, a.RestsOn)
	// A curve of many cases rests on none.
	a, err = Analyse(draw(rng, Curve{Exponential, 3, .8, 8}, 50, 3, .02), 1)
	require.NoError(t, err)
	assert.Equal(t, Learning, a.Verdict)
	assert.Empty(t, a.RestsOn)
}

func TestSameSeedSameFigures(t *testing.T) {
	points := draw(rand.New(rand.NewPCG(5, 6)), Curve{Power, 3, .8, 1}, 30, 3, .1)
	a, err := Analyse(points, 3)
	require.NoError(t, err)
	b, err := Analyse(points, 3)
	require.NoError(t, err)
	assert.Equal(t, a, b)
	c, err := Analyse(points, 4)
	require.NoError(t, err)
	assert.NotEqual(t, a.Plateau, c.Plateau)
}

func TestRefusals(t *testing.T) {
	good := draw(rand.New(rand.NewPCG(5, 6)), Curve{Flat, 1, 1, 0}, MinCases, 3, .1)
	for _, bad := range []Point{{math.NaN(), 0}, {-1, 0}, {1, -1}, {math.Inf(1), 0}, {1, math.NaN()}} {
		points := append([]Point(nil), good...)
		points[2] = bad
		_, err := Analyse(points, 1)
		assert.ErrorContains(t, err, "case 3")
	}
	a, err := Analyse(good[:MinCases-1], 1)
	require.NoError(t, err)
	assert.Equal(t, Analysis{Cases: MinCases - 1, Verdict: TooFew}, a)
	a, err = Analyse(good, 1)
	require.NoError(t, err)
	assert.NotEqual(t, TooFew, a.Verdict)
	for i := range good {
		good[i] = Point{1, .1}
	}
	_, err = Analyse(good, 1)
	assert.ErrorIs(t, err, ErrNoSpread)
}
