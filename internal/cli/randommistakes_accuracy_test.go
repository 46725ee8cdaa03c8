//go:build accuracy

package cli

import (
	"flag"
	"fmt"
	"testing"
)

var (
	mistakeCount = flag.Int("mistakes", 500, "how many random mistakes to make")
	mistakeFirst = flag.Uint64("first-mistake", 0, "seed of the first one")
)

// No data is lost, and no figure is silently wrong, by 500 mistakes.
func TestRandomMistakesAccuracy(t *testing.T) {
	var results []result
	for i := range *mistakeCount {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			t.Chdir(t.TempDir())
			r := tryMistake(t, *mistakeFirst+uint64(i))
			results = append(results, r)
			t.Log(r)
			if r.verdict == silent || r.verdict == lost {
				t.Fail()
			}
		})
	}
	t.Log(tally(results))
}
