//go:build accuracy

package learning

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// No learning is called learning in at most 5 % of 2,000 series, whatever the
// distribution; three standard errors are allowed.
func TestFalseAlarmsEverywhere(t *testing.T) {
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

// How often learning is found, and how often the 95 % intervals hold what is
// true: the plateau and the start as stated within 2 %, the number of cases and
// the level on the way in 90 % or more, each with two standard errors.
func TestIntervals(t *testing.T) {
	for _, c := range []Curve{{Exponential, 2.5, 1, 8}, {Exponential, 3, .8, 5}, {Power, 2.5, .8, 1}} {
		for _, dims := range []int{2, 3} {
			const runs, n = 350, 50
			rng := rand.New(rand.NewPCG(1, uint64(dims)))
			found := 0.0
			var held [4]float64
			for range runs {
				a, err := Analyse(draw(rng, c, n, dims, .05), rng.Uint64())
				require.NoError(t, err)
				if a.Verdict != Learning {
					continue
				}
				found++
				level := c.Level(20)
				for i, in := range []bool{
					holds(a.Start, c.Start, n), holds(a.Plateau, c.Plateau, n), holds(a.CasesToPlateau, c.CasesToPlateau(), n),
					a.Band[19].Low <= level && level <= a.Band[19].High,
				} {
					if in {
						held[i]++
					}
				}
			}
			for i := range held {
				held[i] /= found
			}
			t.Logf("%+v, %d parts: found in %.3f; start %.3f, plateau %.3f, cases %.3f, level at case 20 %.3f", c, dims, found/runs, held[0], held[1], held[2], held[3])
			assert.Greater(t, found/runs, .7)
			for i, least := range []float64{.93, .93, .90, .90} {
				assert.Greater(t, held[i], least-2*math.Sqrt(.95*.05/found), "interval %d", i)
			}
		}
	}
}

func holds(e *Estimate, truth float64, n int) bool {
	aboveLow := e.Low == nil && truth > float64(n) || e.Low != nil && *e.Low <= truth
	return aboveLow && (e.High == nil || truth <= *e.High)
}
