package levelnow

import (
	"math"
	"math/bits"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat"
)

// Shifts in closed form are those of the whole covariance matrix: of figures with a sign,
// variances wᵢ·exp(2A·gᵢ), a shift with the prior variance τ² and a level with a vast one,
// y ~ N(0, s²(diag(wᵢ·exp(2A·gᵢ)) + τ²·ggᵀ + v·11ᵀ)), of which the mean of the level is
// v·1ᵀV⁻¹y, its variance s²(v − v²·1ᵀV⁻¹1) and the likelihood without s that of Student's t
// (Box and Tiao 1973, chapter 2).
func TestShiftAgainstTheWholeMatrix(t *testing.T) {
	rng := rand.New(rand.NewPCG(12, 5))
	const n, vast = 24, 1e6
	var cases []Case
	for i := range n {
		cases = append(cases, Case{Values: []float64{rng.NormFloat64() + float64(i)/n}, Variance: 1 + rng.Float64()})
	}
	f, err := newFit(cases, false)
	require.NoError(t, err)
	plain := f.onScale(1)
	candidates := f.candidates()
	var found []weighed
	f.weigh(&found, candidates, plain, 0)
	require.Len(t, found, len(candidates))

	whole := func(c *candidate) (logL, mean, variance, rss float64) {
		v, y, ones := mat.NewSymDense(n, nil), mat.NewVecDense(n, plain.y), mat.NewVecDense(n, nil)
		for i := range n {
			ones.SetVec(i, 1)
			for j := range i + 1 {
				x := vast + usualShift*usualShift*c.g[i]*c.g[j]
				if i == j {
					x += cases[i].Variance * math.Exp(2*c.amount*c.g[i])
				}
				v.SetSym(i, j, x)
			}
		}
		var chol mat.Cholesky
		require.True(t, chol.Factorize(v))
		var vy, v1 mat.VecDense
		require.NoError(t, chol.SolveVecTo(&vy, y))
		require.NoError(t, chol.SolveVecTo(&v1, ones))
		rss = mat.Dot(y, &vy)
		return -chol.LogDet()/2 - (n-1)/2.0*math.Log(rss), vast * mat.Dot(ones, &vy), vast - vast*vast*mat.Dot(ones, &v1), rss
	}
	first := -1
	checked := 0
	for i := range found {
		c := found[i].candidate
		if c.shape == Steady {
			continue
		}
		logL, mean, variance, rss := whole(c)
		p := f.part(found[i])
		assert.InDelta(t, mean, p.mean, 1e-4)
		assert.InDelta(t, math.Sqrt(variance), p.h, 1e-4)
		assert.InDelta(t, rss, p.s*p.s*(n-1), 1e-3)
		// Beside another amount of the same shape the prior differs by its density alone.
		if first < 0 || found[first].shape != c.shape || found[first].from != c.from {
			first = i
			continue
		}
		density := func(c *candidate) float64 {
			z := c.amount / f.usualChange()
			return -math.Log1p(z * z)
		}
		other := found[first].candidate
		otherL, _, _, _ := whole(other)
		assert.InDelta(t, logL-otherL, found[i].weight-density(c)-found[first].weight+density(other), 1e-3)
		checked++
	}
	assert.Greater(t, checked, 50)
}

// Hard cases by expectation and maximisation come near the sum over all assignments of ten
// cases to hard and easy ones, each integrated over level and spread: the logarithm of the
// Bayes factor lies some tenths under that of the sum, so that hard cases are not made up.
func TestHardCasesAgainstAllAssignments(t *testing.T) {
	const n = 10
	for seed := range uint64(40) {
		cases := record(seed, n, func(x int) float64 { return map[bool]float64{false: .4, true: 1.2}[x == 4 && seed%2 == 0] })
		f, err := newFit(cases, true)
		require.NoError(t, err)
		steady, plain := f.candidates()[:1], f.onScale(.5)
		var found []weighed
		lead := f.weigh(&found, steady, plain, 0)
		allowed, ok := f.allow(lead, plain)
		require.True(t, ok)
		f.weigh(&found, steady, allowed, 0)

		factor, sum := math.Sqrt(hardFactor), 0.0
		likelihood := func(hard int) float64 {
			var y []float64
			jacobian := 1.0
			for i, v := range plain.y {
				if hard>>i&1 == 1 {
					v, jacobian = v/factor, jacobian/factor
				}
				y = append(y, v)
			}
			return jacobian * math.Pow(stat.Variance(y, nil), -(n-1)/2.0)
		}
		for hard := range 1 << n {
			k := float64(bits.OnesCount(uint(hard)))
			sum += math.Pow(hardShare, k) * math.Pow(1-hardShare, n-k) * likelihood(hard)
		}
		exact := math.Log(sum / likelihood(0))
		near := found[1].weight - found[0].weight
		assert.Less(t, near, exact+.02)
		assert.Greater(t, near, exact-1)
	}
}
