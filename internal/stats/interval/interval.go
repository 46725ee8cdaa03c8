// Package interval has the interval of a share of successes.
package interval

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Wilson is the score interval of the rate behind successes out of n, with the
// given confidence.
//
// Method: (p + z²/2n ± z√(p(1−p)/n + z²/4n²))/(1 + z²/n), z the normal quantile of
// (1 + confidence)/2 (E. B. Wilson, JASA 22:209, 1927; method 3 of Newcombe, Stat Med
// 17:857, 1998). Errors: no trials, or successes outside 0 to n.
func Wilson(successes, n int, confidence float64) (low, high float64, err error) {
	if n < 1 || successes < 0 || successes > n || !(confidence > 0 && confidence < 1) {
		return 0, 0, fmt.Errorf("%d of %d with confidence %v: expected 0 ≤ successes ≤ n, n ≥ 1 and a confidence between 0 and 1", successes, n, confidence)
	}
	z := distuv.UnitNormal.Quantile((1 + confidence) / 2)
	f, p := float64(n), float64(successes)/float64(n)
	middle := (p + z*z/(2*f)) / (1 + z*z/f)
	half := z / (1 + z*z/f) * math.Sqrt(p*(1-p)/f+z*z/(4*f*f))
	// Exact at the ends, where rounding leaves a trace.
	low, high = math.Max(0, middle-half), math.Min(1, middle+half)
	if successes == 0 {
		low = 0
	}
	if successes == n {
		high = 1
	}
	return low, high, nil
}
