//go:build accuracy

package tolerance

import (
	"math"
	"testing"
)

// How often the 95/95 bound holds: 93 to 97 % of all series together, with two
// standard errors, and of each way of erring and number of cases, with three;
// and the next figure is under its limit in 93 to 97 %.
func TestBoundCoverage(t *testing.T) {
	const runs = 500
	all, sets := 0.0, 0.0
	for _, p := range processes() {
		for _, n := range []int{MinFigures, 15, 30, 50} {
			h := holds(p, n, runs, 21)
			t.Logf("%-32s n %3d: held %.4f, next %.4f, bound given in %.4f", p.name, n, h.above, h.next, h.made)
			all += h.above
			sets++
			near(t, p.name, h.above, .95, .02+3*math.Sqrt(.95*.05/runs))
			near(t, p.name+", next", h.next, .95, .02)
		}
	}
	t.Logf("all: held %.4f", all/sets)
	near(t, "all", all/sets, .95, .02+2*math.Sqrt(.95*.05/(sets*runs)))
}
