// Package tolerance bounds what most of a clinician's next fixtures will stay
// within, from the ones measured so far: statistical tolerance limits, normal
// and distribution-free, and prediction limits.
//
// Conventions: coverage is the share of the population that the bound is to hold,
// confidence the probability that a bound so computed does hold it, both between 0
// and 1. Figures are in their own unit, in any order. Start with
// UpperLength and UpperSigned; the factors are those of ISO 16269-6 and of the
// NIST handbook.
//
// Limits: the figures must come from one unchanging process and be independent
// of each other; with a trend or several fixtures of one surgery the confidence is
// lower than stated.
package tolerance

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/integrate/quad"
	"gonum.org/v1/gonum/mathext"
	"gonum.org/v1/gonum/stat/distuv"
)

// checkShares checks a sample size and two probabilities.
func checkShares(n int, coverage, confidence float64) error {
	if n < 2 {
		return fmt.Errorf("%d figures: expected 2 or more", n)
	}
	if !(coverage > 0 && coverage < 1 && confidence > 0 && confidence < 1) {
		return fmt.Errorf("coverage %v, confidence %v: expected both between 0 and 1", coverage, confidence)
	}
	return nil
}

// OneSidedFactor is k such that mean + k·s of n normal figures is above the
// given coverage of all future ones with the given confidence; s has n−1 in its
// divisor.
//
// Method: k·√n is the confidence quantile of Student's t noncentral by
// z(coverage)·√n with n−1 degrees of freedom (NIST handbook 7.2.6.3). Its
// distribution function is the mean of Φ(k√n·S − δ) over the distribution of
// S = √(χ²/ν), by Gauss–Legendre quadrature, which holds for every n where the
// usual series run out of digits.
func OneSidedFactor(n int, coverage, confidence float64) (float64, error) {
	if err := checkShares(n, coverage, confidence); err != nil {
		return 0, err
	}
	root := math.Sqrt(float64(n))
	delta := distuv.UnitNormal.Quantile(coverage) * root
	s, w := chiNodes(n-1, 200)
	return bisect(func(k float64) float64 {
		p := 0.0
		for i := range s {
			p += w[i] * distuv.UnitNormal.CDF(k*root*s[i]-delta)
		}
		return p - confidence
	}, bisectionTolerance), nil
}

// TwoSidedFactor is k such that mean ± k·s holds the given coverage of all
// future normal figures with the given confidence, exactly.
//
// Method: the mean over the standardised error z of the sample mean of
// P(χ² ≥ ν r²/k²), with r(z) the half-width about the sample mean that holds
// the coverage (ISO 16269-6; Odeh and Owen, Tables for Normal Tolerance Limits,
// Sampling Plans, and Screening, 1980).
func TwoSidedFactor(n int, coverage, confidence float64) (float64, error) {
	if err := checkShares(n, coverage, confidence); err != nil {
		return 0, err
	}
	const nodes = 80 // on 0 ≤ z ≤ 8, beyond which 1e-15 of the normal lies
	z, w := make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(z, w, 0, 8)
	nu, r2 := float64(n-1), make([]float64, nodes)
	for i := range z {
		m := z[i] / math.Sqrt(float64(n))
		r := bisect(func(r float64) float64 {
			return distuv.UnitNormal.CDF(r-m) - distuv.UnitNormal.CDF(-r-m) - coverage
		}, bisectionTolerance)
		r2[i] = r * r
		w[i] *= 2 * distuv.UnitNormal.Prob(z[i])
	}
	return bisect(func(k float64) float64 {
		if k <= 0 {
			return -confidence
		}
		p := 0.0
		for i := range r2 {
			p += w[i] * mathext.GammaIncRegComp(nu/2, nu*r2[i]/(2*k*k))
		}
		return p - confidence
	}, bisectionTolerance), nil
}

// HoweFactor approximates TwoSidedFactor in closed form: z((1+coverage)/2)·
// √(ν(1 + 1/n)/χ²(1−confidence; ν)) with ν = n − 1.
//
// Method: Howe, JASA 64:610, 1969, as in NIST handbook 7.2.6.3.
func HoweFactor(n int, coverage, confidence float64) (float64, error) {
	if err := checkShares(n, coverage, confidence); err != nil {
		return 0, err
	}
	z := distuv.UnitNormal.Quantile((1 + coverage) / 2)
	nu := float64(n - 1)
	chi2 := distuv.ChiSquared{K: nu}.Quantile(1 - confidence)
	return z * math.Sqrt(nu*(1+1/float64(n))/chi2), nil
}

// chiNodes gives quadrature nodes and weights for the distribution of √(χ²/ν), whose
// density is 2(ν/2)^(ν/2)/Γ(ν/2)·x^(ν−1)·exp(−νx²/2).
func chiNodes(nu, nodes int) (s, w []float64) {
	v := float64(nu)
	// S has mean near 1 and standard deviation near 1/√(2ν).
	reach := 10 / math.Sqrt(2*v)
	low, high := math.Max(0, 1-reach), 1+reach*1.3
	s, w = make([]float64, nodes), make([]float64, nodes)
	quad.Legendre{}.FixedLocations(s, w, 0, 1)
	lg, _ := math.Lgamma(v / 2)
	c := math.Log(2) + v/2*math.Log(v/2) - lg
	for i, u := range s {
		// Nodes crowd at the low end, where the integrand steps for small samples.
		x := low + (high-low)*u*u
		w[i] *= 2 * (high - low) * u * math.Exp(c+(v-1)*math.Log(x)-v*x*x/2)
		s[i] = x
	}
	return s, w
}

// bisectionTolerance is the relative precision that bisection reaches in double
// precision.
const bisectionTolerance = 1e-13

// bisect finds the root of an increasing function by bisection; it widens the bracket
// from [−1, 1] as needed.
func bisect(f func(float64) float64, tolerance float64) float64 {
	low, high := -1.0, 1.0
	for f(low) > 0 && low > -1e12 {
		low *= 2
	}
	for f(high) < 0 && high < 1e12 {
		high *= 2
	}
	for high-low > tolerance*math.Max(1, math.Abs(high)) {
		mid := low + (high-low)/2
		if mid == low || mid == high {
			break
		}
		if f(mid) < 0 {
			low = mid
		} else {
			high = mid
		}
	}
	return low + (high-low)/2
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

// SampleSize is the smallest n for which the rank-th largest figure is a
// distribution-free upper bound with the given coverage and confidence: 59 for
// rank 1 and 0.95 both.
func SampleSize(coverage, confidence float64, rank int) (int, error) {
	if err := checkShares(2, coverage, confidence); err != nil {
		return 0, err
	}
	if rank < 1 {
		return 0, fmt.Errorf("rank %d: expected 1 or more", rank)
	}
	n := rank
	for RankConfidence(n, rank, coverage) < confidence {
		n++
		if n > 1_000_000 {
			return 0, fmt.Errorf("coverage %v with confidence %v needs more than a million figures", coverage, confidence)
		}
	}
	return n, nil
}
