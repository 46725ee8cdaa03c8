//go:build accuracy

package tolerance

import (
	"fmt"
	"testing"
)

// How often the 95/95 bound holds, for each way of erring and number of cases.
func TestBoundHoldsEverywhere(t *testing.T) {
	for _, p := range processes() {
		for _, n := range []int{15, 30, 50, 100} {
			share, made := holds(p, n, 1000, 11)
			fmt.Printf("%-32s n %3d: held %.4f, bound given in %.4f\n", p.name, n, share, made)
		}
	}
}
