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

	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// Chi is the distribution of √(χ²/ν), by quadrature.
type Chi struct{ at, weight []float64 }

// Nodes are as many as are good for 0.002 in Confidence at z and h, 16 at least.
//
// Method: Φ((k·x − z)/h) changes most about x = z/k, where its width on the scale of ln x is
// h/z; steps of 1.5 times that are good for it, as for a normal density (see NewChi).
func Nodes(v, z, h float64) int {
	low, high := span(v)
	return max(16, int(math.Ceil((high-low)*z/(1.5*h))))
}

// span is where the density of ln x vanishes.
func span(v float64) (low, high float64) {
	// least is the logarithm of the density, beside the largest, where the nodes end; to
	// the right it is under −νt², to the left its place is found by Newton's method.
	const least, rounds = 22.0, 4
	high = math.Sqrt(least / v)
	low = -high - least/(2*v)
	for range rounds {
		e := math.Exp(2 * low)
		low -= (low + (1-e)/2 + least/v) / (1 - e)
	}
	return low, high
}

// NewChi gives the distribution for ν degrees of freedom, which need not be whole; Nodes
// says how many nodes it takes.
//
// Method: the density of t = ln x, which goes with exp(ν(t − (e^2t − 1)/2)), by the
// trapezoid rule, which converges fastest for densities that vanish smoothly at both ends
// (Goodwin, Proc Camb Phil Soc 45:241, 1949).
func NewChi(v float64, nodes int) Chi {
	low, high := span(v)
	c := Chi{make([]float64, nodes), make([]float64, nodes)}
	sum := 0.0
	for i := range nodes {
		t := low + (high-low)*(float64(i)+.5)/float64(nodes)
		x := math.Exp(t)
		c.at[i], c.weight[i] = x, math.Exp(v*(t-(x*x-1)/2))
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
