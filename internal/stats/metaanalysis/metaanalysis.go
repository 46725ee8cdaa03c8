// Package metaanalysis pools means of groups that differ in truth: a random-effects model
// yᵢ = μ + uᵢ + eᵢ, the variance τ² of u estimated, that of each eᵢ known.
//
// Conventions: τ² is by restricted maximum likelihood, not below zero. Start with Pool.
//
// Method: Fisher's scoring (Viechtbauer W, J Educ Behav Stat 2005;30:261).
package metaanalysis

import (
	"errors"
	"math"
)

// Group is a group's mean and the variance of that mean.
type Group struct{ Mean, Variance float64 }

// Pooled is the mean over groups.
type Pooled struct {
	Groups int
	Mean   float64
	SE     float64 // of Mean, τ² taken as known
	Tau2   float64 // variance of the groups' true means
	Q      float64 // Cochran's, with Groups − 1 degrees of freedom
}

var (
	// ErrTooFew means that there are fewer than two groups.
	ErrTooFew = errors.New("fewer than two groups")
	// ErrVariance means that a group's variance is not above zero.
	ErrVariance = errors.New("a group's mean has no variance above zero")
	// ErrNotConverged means that τ² did not come to rest.
	ErrNotConverged = errors.New("the variance between groups did not come to rest")
)

// mostSteps bounds the scoring; a dozen steps are usual.
const mostSteps = 10_000

// Pool fits the model.
//
// Errors: ErrTooFew, ErrVariance, ErrNotConverged.
func Pool(groups []Group) (Pooled, error) {
	if len(groups) < 2 {
		return Pooled{}, ErrTooFew
	}
	spread := 0.0
	for _, g := range groups {
		if !(g.Variance > 0) || math.IsInf(g.Variance, 0) || math.IsNaN(g.Mean) || math.IsInf(g.Mean, 0) {
			return Pooled{}, ErrVariance
		}
		spread = max(spread, g.Variance, g.Mean*g.Mean)
	}
	p := Pooled{Groups: len(groups)}
	fixed, _ := mean(groups, 0)
	for _, g := range groups {
		p.Q += (g.Mean - fixed) * (g.Mean - fixed) / g.Variance
	}
	for range mostSteps {
		mu, sum := mean(groups, p.Tau2)
		var square, cube, fit float64 // of the weights
		for _, g := range groups {
			w := 1 / (g.Variance + p.Tau2)
			square += w * w
			cube += w * w * w
			fit += w * w * (g.Mean - mu) * (g.Mean - mu)
		}
		trace := sum - square/sum
		information := square - 2*cube/sum + square*square/(sum*sum)
		next := max(0, p.Tau2+(fit-trace)/information)
		if math.Abs(next-p.Tau2) <= 1e-14*spread {
			p.Tau2 = next
			mu, sum = mean(groups, p.Tau2)
			p.Mean, p.SE = mu, 1/math.Sqrt(sum)
			return p, nil
		}
		p.Tau2 = next
	}
	return Pooled{}, ErrNotConverged
}

// mean is the weighted mean and the sum of the weights.
func mean(groups []Group, tau2 float64) (mu, sum float64) {
	for _, g := range groups {
		w := 1 / (g.Variance + tau2)
		sum += w
		mu += w * g.Mean
	}
	return mu / sum, sum
}
