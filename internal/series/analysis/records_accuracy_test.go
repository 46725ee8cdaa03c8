//go:build accuracy

package analysis

import (
	"errors"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/stat"

	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/series"
	"plumbline/internal/stats/hotelling"
	"plumbline/internal/stats/levelnow"
	"plumbline/internal/stats/sequential"
)

var (
	records   = flag.Int("records", 2000, "simulated records of each kind and length")
	onlyKinds = flag.String("kinds", "", "the kinds of records whose names match, all where empty")
	onlyCases = flag.Int("cases", 0, "their only length, all where 0")
)

// errs draws the error of one fixture: mesial, buccal, deep, mm. scale is the spread of
// its parts, common what the fixtures of a case share, as a unit normal each.
type errs func(rng *rand.Rand, scale float64, common [3]float64, alike float64) [3]float64

func normalErrs(rng *rand.Rand, scale float64, common [3]float64, alike float64) (v [3]float64) {
	for i := range v {
		v[i] = scale * (math.Sqrt(alike)*common[i] + math.Sqrt(1-alike)*rng.NormFloat64())
	}
	return v
}

// record is a kind of clinician.
type record struct {
	name  string
	draw  errs
	scale func(x, n int) float64 // by case of n; nil is steady
	size  func(rng *rand.Rand) int
	alike float64

	guidance func(x, n int) string
}

func one(*rand.Rand) int { return 1 }

// pair draws errors in the plane across the axis.
func pair(f func(rng *rand.Rand, scale float64) (x, y float64)) errs {
	return func(rng *rand.Rand, scale float64, _ [3]float64, _ float64) [3]float64 {
		x, y := f(rng, scale)
		return [3]float64{x, y, 0}
	}
}

// kinds are the clinicians of the tables, those that are asked for.
func kinds() []record {
	return slices.DeleteFunc(allKinds(), func(k record) bool { return !regexp.MustCompile(*onlyKinds).MatchString(k.name) })
}

func allKinds() []record {
	t3 := func(rng *rand.Rand) float64 {
		a, b, c := rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()
		return rng.NormFloat64() / math.Sqrt((a*a+b*b+c*c)/3)
	}
	hard := func(rng *rand.Rand, scale float64, common [3]float64, alike float64) [3]float64 {
		if rng.Float64() < .1 {
			scale *= 3
		}
		return normalErrs(rng, scale, common, alike)
	}
	oneToThree := func(rng *rand.Rand) int { return 1 + rng.IntN(3) }
	six := func(*rand.Rand) int { return 6 }
	plane := pair(func(rng *rand.Rand, s float64) (float64, float64) {
		return s * rng.NormFloat64(), s * rng.NormFloat64()
	})
	return []record{
		{name: "Rayleigh", draw: plane},
		{name: "Rice", draw: pair(func(rng *rand.Rand, s float64) (float64, float64) {
			return s * (1.5 + rng.NormFloat64()), s * rng.NormFloat64()
		})},
		{name: "Maxwell", draw: normalErrs},
		{name: "log-normal", draw: pair(func(rng *rand.Rand, s float64) (float64, float64) { return 2 * s * math.Exp(.6*rng.NormFloat64()), 0 })},
		{name: "t3 parts", draw: pair(func(rng *rand.Rand, s float64) (float64, float64) { return s * t3(rng), s * t3(rng) })},
		{name: "one in ten hard", draw: hard},
		{name: "1-3 a case, .5 alike", draw: normalErrs, size: oneToThree, alike: .5},
		{name: "1-3 a case, .8 alike", draw: normalErrs, size: oneToThree, alike: .8},
		{name: "6 a case, .5 alike", draw: normalErrs, size: six, alike: .5},
		{name: "6 a case, .8 alike", draw: normalErrs, size: six, alike: .8},
		{name: "still falling", draw: plane, scale: func(x, _ int) float64 { return .5 + .7*math.Exp(-float64(x-1)/12) }},
		{name: "rising", draw: plane, scale: func(x, _ int) float64 { return .4 + .4*float64(x-1)/50 }},
		{name: "doubled half way", draw: normalErrs, scale: func(x, n int) float64 { return map[bool]float64{false: .4, true: .8}[x > n/2] }},
		{name: "guidance changed", draw: plane, scale: func(x, n int) float64 { return map[bool]float64{false: .8, true: .5}[x > n/2] },
			guidance: func(x, n int) string { return map[bool]string{false: "freehand", true: "full-guide"}[x > n/2] }},
	}
}

// usualSpread is that of an error's parts in a steady record, mm.
const usualSpread = .4

func (k *record) spread(x, n int) float64 {
	if k.scale == nil {
		return usualSpread
	}
	return k.scale(x, n)
}

// fixtures draws the fixtures of case x of n.
func (k *record) fixtures(rng *rand.Rand, x, n int) []series.Row {
	s, many, guidance := k.spread(x, n), 1, "full-guide"
	if k.size != nil {
		many = k.size(rng)
	}
	if k.guidance != nil {
		guidance = k.guidance(min(x, n), n)
	}
	common := [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}
	var out []series.Row
	for range many {
		v := k.draw(rng, s, common, k.alike)
		tilt := k.draw(rng, 5*s, common, k.alike)
		r := series.Row{Case: fmt.Sprintf("C-%03d", x), Clinician: "a", Placed: "2025-01-01", Guidance: guidance, Site: []string{"36", "46", "35", "45"}[rng.IntN(4)]}
		set := func(f measurement.Figure, v float64) { r.Deviation[f] = &v }
		set(measurement.ApexMesial, v[0])
		set(measurement.ApexBuccal, v[1])
		set(measurement.ApexDepth, v[2])
		set(measurement.ApexLateral, math.Hypot(v[0], v[1]))
		set(measurement.Apex, math.Hypot(math.Hypot(v[0], v[1]), v[2]))
		set(measurement.Angle, math.Hypot(tilt[0], tilt[1]))
		out = append(out, r)
	}
	return out
}

// begun is an analysis up to the means of the primary figures.
func begun(t *testing.T, rows []series.Row) *Analysis {
	a := &Analysis{Clinician: "a", Options: Defaults()}
	a.collect(rows)
	for _, f := range []measurement.Figure{measurement.Apex, measurement.ApexDepth, measurement.Angle} {
		require.NoError(t, a.addFigure(f))
	}
	return a
}

// table runs kinds at every length and prints the shares of what was counted; the records
// are shared out, each drawn from a seed of its own.
func table(t *testing.T, lengths []int, with func(k *record) bool, of func(t *testing.T, k *record, n int, rng *rand.Rand) []bool) map[string][]float64 {
	out := map[string][]float64{}
	for _, k := range kinds() {
		if !with(&k) {
			continue
		}
		line := fmt.Sprintf("%-22s", k.name)
		for _, n := range lengths {
			if *onlyCases != 0 && n != *onlyCases {
				continue
			}
			got := make([][]bool, *records)
			parallel.For(*records, func(i int) {
				got[i] = of(t, &k, n, rand.New(rand.NewPCG(uint64(i), uint64(n))))
			})
			share := make([]float64, len(got[0]))
			for _, g := range got {
				for j, is := range g {
					if is {
						share[j] += 1 / float64(*records)
					}
				}
			}
			out[fmt.Sprintf("%s %d", k.name, n)] = share
			line += fmt.Sprintf("  %3d:", n)
			for _, s := range share {
				line += fmt.Sprintf(" %5.1f", 100*s)
			}
		}
		t.Log(line)
	}
	return out
}

// draws are many apex deviations and depths of a steady kind, sorted: those of another
// spread go in proportion to it.
func draws(k *record) (apex, depth []float64) {
	const many = 400000
	rng := rand.New(rand.NewPCG(7, 7))
	apex, depth = make([]float64, many), make([]float64, many)
	for i := range many {
		v := k.draw(rng, usualSpread, [3]float64{rng.NormFloat64(), rng.NormFloat64(), rng.NormFloat64()}, k.alike)
		apex[i], depth[i] = math.Hypot(math.Hypot(v[0], v[1]), v[2]), v[2]
	}
	slices.Sort(apex)
	slices.Sort(depth)
	return apex, depth
}

// How often the 95/95 bounds of the apex deviation and of the depth at the apex hold: the
// true 95 % point of the next fixture lies under them. Every bound is told, that of a record
// that rises with a mark.
func TestMarginCoverage(t *testing.T) {
	figures := []measurement.Figure{measurement.Apex, measurement.ApexDepth}
	t.Logf("%s, then %s: %% held, %% of bounds that are the largest so far, %% beyond 1.5 times what is needed", figures[0], figures[1])
	truth := map[string][2]float64{}
	for _, k := range kinds() {
		apex, depth := draws(&k)
		truth[k.name] = [2]float64{apex[len(apex)*95/100], depth[len(depth)*95/100]}
	}
	held := table(t, []int{10, 15, 30, 50, 80}, func(*record) bool { return true }, func(t *testing.T, k *record, n int, rng *rand.Rand) []bool {
		var rows []series.Row
		for x := range n {
			rows = append(rows, k.fixtures(rng, x+1, n)...)
		}
		a := &Analysis{Clinician: "a", Options: Defaults()}
		a.collect(rows)
		var out []bool
		for i, f := range figures {
			q := truth[k.name][i] * k.spread(n+1, n) / usualSpread
			if q == 0 {
				continue
			}
			x := a.valuesOfFigure(f, false)
			cases, _ := laidOut(x, !f.Signed())
			now, err := levelnow.Average(cases, !f.Signed())
			require.NoError(t, err)
			b := a.boundOf(x, now, a.Options.Assurance)
			out = append(out, *b.Upper >= q, b.FromLargest, *b.Upper > 1.5*q)
		}
		return out
	})
	for cell, share := range held {
		least := .93
		if strings.HasPrefix(cell, "t3") || strings.HasPrefix(cell, "one in ten") {
			least = .91
		}
		for i := 0; i < len(share); i += 3 {
			assert.GreaterOrEqual(t, share[i], least-3*math.Sqrt(least*(1-least)/float64(*records)), "%s, %s", figures[i/3], cell)
		}
	}
}

// How often the margins towards the apex and sideways at it hold both.
func TestMarginsTogetherCoverage(t *testing.T) {
	const coverage = .95
	truth := map[string]map[measurement.Figure]float64{}
	for _, k := range kinds() {
		_, depth := draws(&k)
		plane := k
		plane.draw = func(rng *rand.Rand, s float64, common [3]float64, alike float64) [3]float64 {
			v := k.draw(rng, s, common, alike)
			return [3]float64{v[0], v[1], 0}
		}
		lateral, _ := draws(&plane)
		at := int(coverage * float64(len(depth)))
		truth[k.name] = map[measurement.Figure]float64{measurement.ApexDepth: depth[at] / usualSpread, measurement.ApexLateral: lateral[at] / usualSpread}
	}
	t.Log("% held")
	held := table(t, []int{15, 30, 50}, func(k *record) bool { return truth[k.name][measurement.ApexDepth] > 0 }, func(t *testing.T, k *record, n int, rng *rand.Rand) []bool {
		a := &Analysis{Clinician: "a", Options: Defaults()}
		var rows []series.Row
		for x := range n {
			rows = append(rows, k.fixtures(rng, x+1, n)...)
		}
		a.collect(rows)
		for _, f := range []measurement.Figure{measurement.ApexLateral, measurement.ApexDepth} {
			require.NoError(t, a.addFigure(f))
		}
		require.NoError(t, a.addLevels())
		require.NoError(t, a.addMargins())
		require.Len(t, a.Margins, 2)
		both := true
		for i, f := range []measurement.Figure{measurement.ApexDepth, measurement.ApexLateral} {
			both = both && *a.Margins[i].Bound.Upper >= truth[k.name][f]*k.spread(n+1, n)
		}
		return []bool{both}
	})
	for cell, share := range held {
		atLeast(t, .91, share[0], cell)
	}
}

// How often the 95 % interval of the mean apex deviation holds that of the next fixture.
func TestLevelCoverage(t *testing.T) {
	truth := map[string]float64{}
	for _, k := range kinds() {
		apex, _ := draws(&k)
		truth[k.name] = stat.Mean(apex, nil) / usualSpread
	}
	t.Log("% held")
	held := table(t, []int{10, 15, 30, 50, 80}, func(*record) bool { return true }, func(t *testing.T, k *record, n int, rng *rand.Rand) []bool {
		var rows []series.Row
		for x := range n {
			rows = append(rows, k.fixtures(rng, x+1, n)...)
		}
		a := &Analysis{Clinician: "a", Options: Defaults()}
		a.collect(rows)
		l, _, err := level(a.valuesOfFigure(measurement.Apex, false), true)
		require.NoError(t, err)
		mean := truth[k.name] * k.spread(n+1, n)
		return []bool{l.Low <= mean && mean <= l.High}
	})
	for cell, share := range held {
		atLeast(t, .9, share[0], cell)
	}
}

// looks are the lengths at which it is counted what was found up to them.
var looks = [3]int{30, 50, 80}

// lookedAt draws a record that is looked at after every case and tells, of each of looks,
// whether up to it there was any finding, a fall, a rise, a signal, a habit. A signal that
// is not told while the record falls counts as well.
func lookedAt(t *testing.T, k *record, rng *rand.Rand) (found [3][5]bool) {
	a := &Analysis{Clinician: "a", Options: Defaults()}
	for _, f := range primary {
		a.Figures = append(a.Figures, Figure{Figure: f})
	}
	var ever [5]bool
	for n, at := 1, 0; at < len(looks); n++ {
		a.collect(k.fixtures(rng, n, looks[len(looks)-1]))
		if n >= someCases {
			a.addCourses()
			for i := range a.Figures {
				if c := a.Figures[i].Course; c != nil {
					ever[1] = ever[1] || c.Finding == Falls
					ever[2] = ever[2] || c.Finding == Rises
				}
			}
			ever[4] = ever[4] || a.anyHabit(t)
		}
		if n == looks[at] {
			for _, p := range sequential.Chart(caseMeans(a.valuesOfFigure(primary[0], false)), nil) {
				ever[3] = ever[3] || p.SignalHigh || p.SignalLow
			}
			ever[0] = ever[1] || ever[2] || ever[3] || ever[4]
			found[at] = ever
			at++
		}
	}
	return found
}

// anyHabit tests the habits of which a finding is told, as addHabits does.
func (a *Analysis) anyHabit(t *testing.T) bool {
	var p []float64
	for _, h := range sought {
		if h.told {
			x, _ := a.offsetsOf(h.figures, h.side, "")
			found, err := hotelling.Analyse(x)
			if errors.Is(err, hotelling.ErrNoSpread) {
				// Errors in the plane across the axis have no depth.
				continue
			}
			require.NoError(t, err)
			p = append(p, sequential.EveryLook(found.P))
		}
	}
	return slices.Min(sequential.Holm(p)) <= habitLevel
}

// atMost and atLeast check a measured share within three standard errors.
func atMost(t *testing.T, most, share float64, what string) {
	assert.LessOrEqual(t, share, most+3*math.Sqrt(most*(1-most)/float64(*records)), what)
}

func atLeast(t *testing.T, least, share float64, what string) {
	assert.GreaterOrEqual(t, share, least-3*math.Sqrt(least*(1-least)/float64(*records)), what)
}

// What is found in steady records that are looked at after every case.
func TestFalseFindingsAccuracy(t *testing.T) {
	t.Log("% with any finding at any look up to 30, 50 and 80 cases: any, a fall, a rise, a signal of the chart, a habit")
	for _, k := range kinds() {
		// Those have a habit, or no depth.
		if k.scale != nil || k.name == "Rice" || k.name == "log-normal" {
			continue
		}
		got := make([][3][5]bool, *records)
		parallel.For(*records, func(i int) { got[i] = lookedAt(t, &k, rand.New(rand.NewPCG(uint64(i), 1))) })
		line := fmt.Sprintf("%-22s", k.name)
		for j, n := range looks {
			line += fmt.Sprintf("  %3d:", n)
			for what := range 5 {
				count := 0
				for _, g := range got {
					if g[j][what] {
						count++
					}
				}
				share := float64(count) / float64(*records)
				line += fmt.Sprintf(" %5.1f", 100*share)
				if what == 0 {
					atMost(t, .1, share, fmt.Sprintf("%s %d", k.name, n))
				}
			}
		}
		t.Log(line)
	}
}

// What is found of records that change, at the last case.
func TestFindingsAccuracy(t *testing.T) {
	t.Log("% with a fall, a change for the worse, \"yes\" to better")
	found := table(t, looks[:], func(k *record) bool { return k.scale != nil }, func(t *testing.T, k *record, n int, rng *rand.Rand) []bool {
		var rows []series.Row
		for x := range n {
			rows = append(rows, k.fixtures(rng, x+1, n)...)
		}
		a := begun(t, rows)
		a.addCourses()
		apex := &a.Figures[0]
		require.NoError(t, a.addChart(apex))
		if apex.Chart != nil && apex.Chart.Better > 0 {
			// Where the level stands counts only against a change for the better.
			var err error
			apex.Now, _, err = level(a.withoutNoise(apex, false), true)
			require.NoError(t, err)
			require.NoError(t, a.addChart(apex))
		}
		is := func(found Finding) bool {
			return slices.ContainsFunc(a.Figures, func(f Figure) bool { return f.Course != nil && f.Course.Finding == found })
		}
		return []bool{is(Falls), is(Rises) || apex.Chart != nil && apex.Chart.Worse > 0, strings.Contains(a.betterWords(), "Yes")}
	})
	for _, n := range looks {
		cell := fmt.Sprintf("doubled half way %d", n)
		if doubled, is := found[cell]; is {
			atLeast(t, .7, doubled[1], cell)
			atMost(t, .01, doubled[2], cell)
		}
		cell = fmt.Sprintf("rising %d", n)
		if rising, is := found[cell]; is {
			atMost(t, .03, rising[2], cell)
		}
	}
}
