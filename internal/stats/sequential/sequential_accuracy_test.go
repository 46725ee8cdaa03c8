//go:build accuracy

package sequential

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

// TestTablesAccuracy makes the tables again: 4,000 records without a change, looked at after every
// case; each share of the tables within four standard errors.
func TestTablesAccuracy(t *testing.T) {
	const runs = 4000
	rng := rand.New(rand.NewPCG(3, 5))
	var trend, direction []float64
	signals := map[int]int{}
	for range runs {
		var y []float64
		most := 0.0
		for range MostCases {
			if y = append(y, rng.Float64()); len(y) >= MinCases {
				x, _ := TestTrend(y, nil)
				most = math.Max(most, math.Abs(x.T))
			}
		}
		trend = append(trend, most)
		signalled := false
		for i, p := range Chart(y, nil) {
			signalled = signalled || p.SignalHigh || p.SignalLow
			if signalled {
				signals[i+1]++
			}
		}
		direction = append(direction, -math.Log10(leastDirection(rng, 2+rng.IntN(2))))
	}
	check := func(name string, of []float64, table []point) {
		for _, row := range table {
			share := 0.0
			for _, v := range of {
				if v > row.at {
					share += 1 / float64(runs)
				}
			}
			t.Logf("%s beyond %.3f: %.4f, table %.4f", name, row.at, share, row.p)
			assert.InDelta(t, row.p, share, 4*math.Sqrt(row.p*(1-row.p)/runs)+1e-3, name)
		}
	}
	check("trend", trend, trendTable)
	check("direction", direction, directionTable)
	for _, row := range chartTable {
		share := float64(signals[row.cases]) / runs
		t.Logf("chart of %d cases: %.4f, table %.4f", row.cases, share, row.p)
		assert.InDelta(t, row.p, share, 4*math.Sqrt(row.p*(1-row.p)/runs)+1e-3)
	}
}

// leastDirection is the least p-value of Hotelling's test over all looks at standard normal
// vectors of d parts.
func leastDirection(rng *rand.Rand, d int) float64 {
	sum, squares, least := mat.NewVecDense(d, nil), mat.NewSymDense(d, nil), 1.0
	for n := 1; n <= MostCases; n++ {
		v := mat.NewVecDense(d, nil)
		for i := range d {
			v.SetVec(i, rng.NormFloat64())
		}
		sum.AddVec(sum, v)
		squares.SymRankOne(squares, 1, v)
		if n < MinCases {
			continue
		}
		var covariance mat.SymDense
		covariance.SymRankOne(squares, -1/float64(n), sum)
		covariance.ScaleSym(1/float64(n-1), &covariance)
		var chol mat.Cholesky
		var q mat.VecDense
		if !chol.Factorize(&covariance) || chol.SolveVecTo(&q, sum) != nil {
			continue
		}
		// T² = n·m′S⁻¹m with the mean m = sum/n.
		f := mat.Dot(&q, sum) / float64(n) * float64(n-d) / float64(d*(n-1))
		least = math.Min(least, distuv.F{D1: float64(d), D2: float64(n - d)}.Survival(f))
	}
	return least
}
