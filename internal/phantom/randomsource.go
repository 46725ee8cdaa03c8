package phantom

import "math/rand/v2"

// randomSource draws the case's random numbers; each use has its own stream, so that
// one more number here changes nothing there.
type randomSource struct{ *rand.Rand }

func newRandomSource(seed, stream uint64) *randomSource {
	return &randomSource{rand.New(rand.NewPCG(seed, stream))}
}

// uniform is uniform from low to high.
func (d *randomSource) uniform(low, high float64) float64 { return low + (high-low)*d.Float64() }

// truncatedNormal is normal about the mean, cut at two standard deviations.
func (d *randomSource) truncatedNormal(mean, sd float64) float64 {
	return mean + sd*max(-2, min(2, d.NormFloat64()))
}

// bernoulli is true with probability p.
func (d *randomSource) bernoulli(p float64) bool { return d.Float64() < p }
