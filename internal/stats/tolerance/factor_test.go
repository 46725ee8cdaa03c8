package tolerance

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat/distuv"
)

// factor is the k of n figures of one level, by bisection.
func factor(n int, coverage, confidence float64) float64 {
	c, z := NewChi(float64(n-1), 200), distuv.UnitNormal.Quantile(coverage)
	low, high := 0.0, 1000.0
	for range 80 {
		if mid := (low + high) / 2; c.Confidence(mid, z, 1/math.Sqrt(float64(n))) < confidence {
			low = mid
		} else {
			high = mid
		}
	}
	return high
}

// NIST/SEMATECH e-Handbook 7.2.6.3: N = 43, p = .90, γ = .99, and N = 6; a worked example
// at real-statistics.com for N = 40.
func TestHandbookFactors(t *testing.T) {
	assert.InDelta(t, 1.8740, factor(43, .9, .99), 5e-5)
	assert.InDelta(t, 12.28834, factor(43, .9, .99)*math.Sqrt(43), 5e-6)
	assert.InDelta(t, 4.4111, factor(6, .9, .99), 5e-5)
	assert.InDelta(t, 1.9017, factor(40, .9, .99), 5e-5)
}

// testdata/factors.csv: scipy's noncentral t.
func TestFactorsAgainstReference(t *testing.T) {
	f, err := os.Open("testdata/factors.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 121)
	for _, row := range rows[1:] {
		v := make([]float64, 4)
		for i := range v {
			v[i], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		// Of 2 and 3 figures at coverages near a half the factor may be under 0.
		if v[3] > 0 {
			assert.InDelta(t, v[3], factor(int(v[0]), v[1], v[2]), 2e-7*math.Max(1, v[3]), row)
		}
	}
}

// A second implementation of the noncentral t (series AS 243, gonum), degrees of freedom
// that are not whole and as few nodes as will do among them.
func TestConfidenceAgainstSeries(t *testing.T) {
	for _, nu := range []float64{2.5, 6.5, 19, 49, 199} {
		for _, h := range []float64{.1, .2, .4} {
			z := distuv.UnitNormal.Quantile(.95)
			nct := distuv.NoncentralT{Nu: nu, Mu: z / h}
			for _, k := range []float64{1.2, 1.8, 2.6} {
				assert.InDelta(t, nct.CDF(k/h), NewChi(nu, 600).Confidence(k, z, h), 1e-8)
				assert.InDelta(t, nct.CDF(k/h), NewChi(nu, Nodes(nu, z, h)).Confidence(k, z, h), 2e-3)
			}
		}
	}
}

// Sample sizes of Wilks 1941: 59, 93 and 124 figures for 95 % with 95 % confidence; 29 and
// 299 in a published note on Wilks intervals.
func TestRankConfidence(t *testing.T) {
	for _, c := range []struct {
		n, rank              int
		coverage, confidence float64
	}{{59, 1, .95, .95}, {93, 2, .95, .95}, {124, 3, .95, .95}, {29, 1, .9, .95}, {299, 1, .99, .95}} {
		assert.GreaterOrEqual(t, RankConfidence(c.n, c.rank, c.coverage), c.confidence)
		assert.Less(t, RankConfidence(c.n-1, c.rank, c.coverage), c.confidence)
	}
	assert.InDelta(t, .9231, RankConfidence(50, 1, .95), 5e-5)
	assert.Zero(t, RankConfidence(2, 3, .95))
}

// testdata/factors-r.csv, by factors.R: base R.
func TestFactorsAgainstR(t *testing.T) {
	f, err := os.Open("testdata/factors-r.csv")
	require.NoError(t, err)
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	rows, err := r.ReadAll()
	require.NoError(t, err)
	require.Len(t, rows, 46)
	for _, row := range rows[1:] {
		v := make([]float64, len(row))
		for i := range v {
			v[i], err = strconv.ParseFloat(row[i], 64)
			require.NoError(t, err)
		}
		assert.InEpsilon(t, v[3], factor(int(v[0]), v[1], v[2]), 1e-6, row)
		assert.InDelta(t, v[4], RankConfidence(int(v[0]), 1, v[1]), 1e-9, row)
	}
}
