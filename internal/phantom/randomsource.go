package phantom

import "math/rand/v2"

// randomSource draws the case's random numbers. Each use has its own stream, so that a
// further draw in one changes none in another.
type randomSource struct{ *rand.Rand }

func newRandomSource(seed, stream uint64) *randomSource {
	return &randomSource{rand.New(rand.NewPCG(seed, stream))}
}

// uniform draws from the uniform distribution between low and high.
func (d *randomSource) uniform(low, high float64) float64 { return low + (high-low)*d.Float64() }

// truncatedNormal draws from a normal distribution; draws beyond two standard deviations
// are set to that.
func (d *randomSource) truncatedNormal(mean, sd float64) float64 {
	return mean + sd*max(-2, min(2, d.NormFloat64()))
}

// bernoulli reports success with probability p.
func (d *randomSource) bernoulli(p float64) bool { return d.Float64() < p }
