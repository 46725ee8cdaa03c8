// Package tolerance has the distribution behind upper tolerance bounds of normal figures,
// and the confidence of a bound that takes no distribution.
//
// Conventions: coverage is the share of the population that a bound is to hold, confidence
// the probability that a bound so computed does hold it, both between 0 and 1. Start with
// Chi.Confidence and RankConfidence.
//
// Limits: the figures must be independent of each other.
package tolerance

import (
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Chi is the distribution of √(χ²/ν), by quadrature.
type Chi struct{ at, weight []float64 }

// NewChi gives the distribution for ν degrees of freedom, which need not be whole; 32
// nodes are good for 0.0005 in a probability with ν above 5, 200 for 1e-8 with every ν.
//
// Method: Gauss–Legendre quadrature of the density 2(ν/2)^(ν/2)/Γ(ν/2)·x^(ν−1)·exp(−νx²/2).
func NewChi(v float64, nodes int) Chi {
	// It has mean near 1 and standard deviation near 1/√(2ν).
	reach := 10 / math.Sqrt(2*v)
	low, high := math.Max(0, 1-reach), 1+reach*1.3
	c := Chi{make([]float64, nodes), make([]float64, nodes)}
	quad.Legendre{}.FixedLocations(c.at, c.weight, 0, 1)
	lg, _ := math.Lgamma(v / 2)
	log := math.Log(2) + v/2*math.Log(v/2) - lg
	sum := 0.0
	for i, u := range c.at {
		// Nodes crowd at the low end, where the integrand steps for few degrees of freedom.
		x := low + (high-low)*u*u
		c.weight[i] *= 2 * (high - low) * u * math.Exp(log+(v-1)*math.Log(x)-v*x*x/2)
		c.at[i] = x
		sum += c.weight[i]
	}
	for i := range c.weight {
		c.weight[i] /= sum
	}
	return c
}

// Confidence is the probability that level + k·s lies above the quantile of normal figures
// whose standard normal deviate is z: of a linear model whose level has the standard error
// h·σ, and whose s has the degrees of freedom of the distribution.
//
// Method: P(z + h·N ≤ k·√(χ²/ν)), the mean of Φ((k·x − z)/h): for n figures of one level h is
// 1/√n, and k·√n at a confidence is Student's t noncentral by z·√n (NIST handbook 7.2.6.3;
// Krishnamoorthy and Mathew, Statistical Tolerance Regions, 2009, chapters 2 and 3).
func (c Chi) Confidence(k, z, h float64) float64 {
	// Beyond so many standard deviations the normal distribution is 0 or 1 to 1e-10.
	const beyond = 6.4
	p := 0.0
	for i, x := range c.at {
		switch d := (k*x - z) / h; {
		case d > beyond:
			p += c.weight[i]
		case d > -beyond:
			p += c.weight[i] * distuv.UnitNormal.CDF(d)
		}
	}
	return p
}

// RankConfidence is the confidence that the rank-th largest of n figures of any
// continuous distribution is above the given coverage of all future ones
// (Wilks, Ann Math Stat 12:91, 1941): P(Binomial(n, 1−coverage) ≥ rank).
func RankConfidence(n, rank int, coverage float64) float64 {
	if rank > n {
		return 0
	}
	return mathext.RegIncBeta(float64(rank), float64(n-rank+1), 1-coverage)
}
