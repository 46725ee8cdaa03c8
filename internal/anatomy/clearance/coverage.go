package clearance

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
)

// Spread is the distribution of a clearance under the uncertainty of the fixture's pose.
type Spread struct {
	U         float64  // standard uncertainty, mm
	Low, High float64  // 95 % coverage interval, mm
	Touched   float64  // probability that there is no gap at all
	Breached  *float64 // probability that the margin is breached; nil without one
}

// Coverage summarises the clearances of many draws of a fixture's pose, which it does not
// modify. margin is nil where none is asked for.
//
// Method: propagation of distributions (JCGM 101:2008): the interval holds the
// middle 95 % of the draws, and a probability is the share of draws. With 2000
// draws the standard error of the interval's ends is 6 % of U, and of a probability of a
// half 0.011.
// Errors: fewer than two draws, or one that is not a number.
func Coverage(draws []float64, margin *float64) (Spread, error) {
	if len(draws) < 2 {
		return Spread{}, fmt.Errorf("%d draws tell nothing of a spread", len(draws))
	}
	x := slices.Clone(draws)
	slices.Sort(x)
	if math.IsNaN(x[0]) { // sorted first
		return Spread{}, fmt.Errorf("a clearance is not a number")
	}
	share := func(below float64) float64 {
		n, _ := slices.BinarySearch(x, below)
		return float64(n) / float64(len(x))
	}
	out := Spread{
		U:       stat.StdDev(x, nil),
		Low:     stat.Quantile(0.025, stat.Empirical, x, nil),
		High:    stat.Quantile(0.975, stat.Empirical, x, nil),
		Touched: share(math.Nextafter(0, 1)),
	}
	if margin != nil {
		p := share(*margin)
		out.Breached = &p
	}
	return out, nil
}
