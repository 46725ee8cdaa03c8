//go:build accuracy

package cli

import (
	"flag"
	"fmt"
	"strings"
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

var verdicts = []verdict{refused, doubted, noticed, untold, harmless, silent, lost}

// tally is the table of how some trials ended.
func tally(results []result) string {
	var b strings.Builder
	fmt.Fprintf(&b, "\n%-46s %4s", "kind", "n")
	for _, v := range verdicts {
		fmt.Fprintf(&b, " %9s", v)
	}
	row := func(name string, is func(result) bool) {
		n := map[verdict]int{}
		all := 0
		for _, r := range results {
			if is(r) {
				n[r.verdict]++
				all++
			}
		}
		fmt.Fprintf(&b, "\n%-46s %4d", name, all)
		for _, v := range verdicts {
			fmt.Fprintf(&b, " %9d", n[v])
		}
	}
	for _, k := range randomMistakes {
		row(k.name, func(r result) bool { return r.kind == k.name })
	}
	row("all", func(result) bool { return true })
	return b.String()
}
