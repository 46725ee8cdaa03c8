//go:build accuracy

package learningcurve

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// No learning is called learning in at most 5 % of 2,000 series, whatever the
// distribution; three standard errors are allowed.
func TestVerdictAccuracy(t *testing.T) {
	const runs = 2000
	for name, y := range map[string]func(*rand.Rand) float64{
		"lateral":    func(r *rand.Rand) float64 { return math.Hypot(r.NormFloat64(), r.NormFloat64()) },
		"log-normal": func(r *rand.Rand) float64 { return math.Exp(.6 * r.NormFloat64()) },
		"habit":      func(r *rand.Rand) float64 { return math.Abs(2 + .4*r.NormFloat64()) },
	} {
		for _, n := range []int{10, 50} {
			learning, rising := alarms(t, n, runs, 1, y)
			t.Logf("%s, %d cases: learning %.4f, rising %.4f", name, n, learning, rising)
			most := .05 + 3*math.Sqrt(.05*.95/runs)
			assert.LessOrEqual(t, learning, most, name)
			assert.LessOrEqual(t, rising, most, name)
		}
	}
}

// How often the 95 % intervals hold what is true, among the figures that are
// given: over all series together 93 to 97 %, with two standard errors. (An end
// beyond the record holds all that lies there.) No set of series is under 89 %,
// but the one whose curve is slower than any that is fitted.
func TestIntervalCoverage(t *testing.T) {
	const runs = 150
	names := []string{"start", "plateau", "cases", "level at case 10", "level at the last"}
	var all, given [5]float64
	rng := rand.New(rand.NewPCG(1, 3))
	for _, n := range []int{25, 50} {
		for _, c := range []Curve{{Exponential, 2.5, 1, 8}, {Exponential, 3, .8, 5}, {Power, 2.5, .8, 1}, {Exponential, 2.5, .8, 18}} {
			for _, dims := range []int{2, 3} {
				found := 0.0
				var held, told [5]float64
				for range runs {
					a, s, err := verdictOf(draw(rng, c, n, dims, .05), rng.Uint64())
					require.NoError(t, err)
					if a.Verdict != Learning {
						continue
					}
					s.setIntervals(&a, rng.Uint64())
					found++
					truth := []float64{c.Start, c.Plateau, c.CasesToPlateau(), c.Level(10), c.Level(float64(n))}
					reach := a.CasesToPlateau
					if reach.Value == nil {
						reach = nil
					}
					for i, e := range []*Estimate{a.Start, a.Plateau, reach, {Low: &a.Band[9].Low, High: &a.Band[9].High}, a.Now} {
						if e == nil {
							continue
						}
						told[i]++
						if holds(e, truth[i]) {
							held[i]++
						}
					}
				}
				line := ""
				for i, name := range names {
					all[i] += held[i]
					given[i] += told[i]
					line += fmt.Sprintf("; %s %.3f of %.0f", name, held[i]/told[i], told[i])
					least := .89
					if c.Rate > float64(n)/2 {
						least = .82
					}
					assert.Greater(t, held[i]/told[i], least-2*math.Sqrt(.95*.05/told[i]), name)
				}
				t.Logf("%d cases, %v, %d parts: found in %.3f%s", n, c, dims, found/float64(runs), line)
			}
		}
	}
	for i, name := range names {
		share, slack := all[i]/given[i], 2*math.Sqrt(.95*.05/given[i])
		t.Logf("all: %s %.4f of %.0f", name, share, given[i])
		assert.Greater(t, share, .93-slack, name)
		assert.Less(t, share, .97+slack, name)
	}
}

// holds tells whether an interval holds a figure; an end that is not given holds
// what lies beyond it.
func holds(e *Estimate, truth float64) bool {
	return e.Low != nil && *e.Low <= truth && (e.High == nil || truth <= *e.High)
}
