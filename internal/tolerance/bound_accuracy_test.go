//go:build accuracy

package tolerance

import (
	"math"
	"testing"
)

// How often the 95/95 bound holds, for each way of erring and number of cases:
// 93 to 97 % from 30 cases on, 90 to 97 % for 15, where the figures say little
// about their scale; three standard errors of 1,000 runs are allowed.
func TestBoundHoldsEverywhere(t *testing.T) {
	for _, p := range processes() {
		for n, low := range map[int]float64{15: .90, 30: .93, 50: .93} {
			share, made := holds(p, n, 1000, 11)
			t.Logf("%-32s n %3d: held %.4f, bound given in %.4f", p.name, n, share, made)
			allowed := 3 * math.Sqrt(.95*.05/1000)
			if share < low-allowed || share > .97+allowed {
				t.Errorf("%s, n %d: the bound held in %.4f", p.name, n, share)
			}
		}
	}
}
