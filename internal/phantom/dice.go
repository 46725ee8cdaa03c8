package phantom

import "math/rand/v2"

// dice draws the case's random numbers; each use has its own stream, so that
// one more number here changes nothing there.
type dice struct{ *rand.Rand }

func newDice(seed, stream uint64) *dice {
	return &dice{rand.New(rand.NewPCG(seed, stream))}
}

// between is uniform from low to high.
func (d *dice) between(low, high float64) float64 { return low + (high-low)*d.Float64() }

// spread is normal about the mean, cut at two standard deviations.
func (d *dice) spread(mean, sd float64) float64 {
	return mean + sd*max(-2, min(2, d.NormFloat64()))
}

// chance is true with probability p.
func (d *dice) chance(p float64) bool { return d.Float64() < p }
