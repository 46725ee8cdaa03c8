//go:build accuracy

package tolerance

import (
	"math"
	"testing"
)

// How often the 95/95 bound holds: 93 to 97 % of all series together, with two
// standard errors, and 93 to 98 % for each way of erring and number of cases,
// with three. (A bound of lengths errs to the safe side, as the figures leave
// open how far the scale is from that of normal errors.)
func TestBoundHoldsEverywhere(t *testing.T) {
	const runs = 500
	all, sets := 0.0, 0.0
	for _, p := range processes() {
		for _, n := range []int{15, 30, 50} {
			share, made := holds(p, n, runs, 21)
			t.Logf("%-32s n %3d: held %.4f, bound given in %.4f", p.name, n, share, made)
			all += share
			sets++
			slack := 3 * math.Sqrt(.95*.05/runs)
			if share < .93-slack || share > .98+slack {
				t.Errorf("%s, n %d: the bound held in %.4f", p.name, n, share)
			}
		}
	}
	share, slack := all/sets, 2*math.Sqrt(.95*.05/(sets*runs))
	t.Logf("all: held %.4f", share)
	if share < .93-slack || share > .97+slack {
		t.Errorf("the bound held in %.4f", share)
	}
}
