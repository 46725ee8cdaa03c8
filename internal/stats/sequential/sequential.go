// Package sequential asks of a record that grows whether its figures rise or fall, and
// whether their level has changed, in ways that may be asked after every new figure: the
// stated error is that of all looks together.
//
// Conventions: figures in the order in which they came, in any unit; only their ranks
// count, so the stated errors hold for every continuous distribution. Groups are told
// apart by numbers; a difference between groups is no trend. Start with TestTrend and
// Chart.
//
// Limits: the figures are taken as independent and, under the null hypothesis, as
// exchangeable within their group. Of a record longer than MostCases the last so many are
// looked at, and the stated error is that of as many looks.
package sequential

import (
	"cmp"
	"math"
	"slices"
	"sort"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/stat/distuv"
)

const (
	// MinCases is the length of the record at the first look: of fewer, ranks tell
	// little.
	MinCases = 10
	// MostCases is the length that the tables allow for.
	MostCases = 100
)

// Trend is the test of a rise or fall.
type Trend struct {
	// T is the standardised covariance of the normal scores of the figures' ranks with
	// the case number or with its logarithm, whichever is larger in size; above 0 the
	// figures rise.
	T float64 `json:"t"`
	// P is the probability that a record without a trend has a T of this size at any
	// look up to MostCases.
	P float64 `json:"p"`
}

// TestTrend tests figures for a trend; groups may be nil. It is false for fewer than
// MinCases figures, for figures that are all the same, and where the groups explain the
// order.
//
// Method: linear rank statistics with van der Waerden's scores (Hájek, Šidák and Sen,
// Theory of Rank Tests, 1999, chapter 4) for two alternatives, a drift at a steady pace
// and one that slows down; scores and case numbers are both freed of the groups' means.
// The largest over the looks has the distribution of the table, by simulation
// (TestTablesAccuracy).
func TestTrend(y []float64, groups []int) (Trend, bool) {
	if late := len(y) - MostCases; late > 0 {
		y = y[late:]
		if groups != nil {
			groups = groups[late:]
		}
	}
	n := len(y)
	if n < MinCases {
		return Trend{}, false
	}
	common := newProjection(n, groups)
	a := common.residual(normalScores(y))
	best := 0.0
	for _, of := range []func(float64) float64{func(x float64) float64 { return x }, math.Log} {
		c := make([]float64, n)
		for i := range c {
			c[i] = of(float64(i + 1))
		}
		c = common.residual(c)
		aa, cc, ac := dot(a, a), dot(c, c), dot(a, c)
		// What is left of a score that the groups explain is rounding.
		if aa < 1e-9 || cc < 1e-9 {
			return Trend{}, false
		}
		if t := ac * math.Sqrt(float64(n-common.columns)/(aa*cc)); math.Abs(t) > math.Abs(best) {
			best = t
		}
	}
	return Trend{best, tail(trendTable, math.Abs(best))}, true
}

// EveryLook is the probability that a record without an offset has, at any look up to
// MostCases, a p-value of Hotelling's test as small as the one at this look.
func EveryLook(p float64) float64 {
	return tail(directionTable, -math.Log10(math.Max(p, math.SmallestNonzeroFloat64)))
}

// Detectable is the trend, in standard deviations from the first case to the last, that a
// record of n cases would show at the stated level in four of five records: a drift at a
// steady pace, looked at once more.
func Detectable(n int, level float64) float64 {
	n = min(n, MostCases)
	if n < MinCases {
		return math.Inf(1)
	}
	needed := sort.Search(len(trendTable), func(i int) bool { return trendTable[i].p <= level })
	t := trendTable[min(needed, len(trendTable)-1)].at + distuv.UnitNormal.Quantile(.8)
	// T of a drift of δ standard deviations over n cases is δ√(n/12).
	return t * math.Sqrt(12/float64(n))
}

// FalseSignal is the probability that a record of so many cases without a change has a
// signal on the self-starting chart.
func FalseSignal(cases int) float64 {
	i := sort.Search(len(chartTable), func(i int) bool { return chartTable[i].cases >= cases })
	switch {
	case i == 0:
		return chartTable[0].p
	case i == len(chartTable):
		return chartTable[i-1].p
	}
	a, b := chartTable[i-1], chartTable[i]
	return a.p + float64(cases-a.cases)/float64(b.cases-a.cases)*(b.p-a.p)
}

// Holm adjusts p-values for their number: the k-th smallest of m is multiplied by m − k +
// 1, at least as large as the one before and at most 1 (Holm, Scand J Stat 6:65, 1979).
func Holm(p []float64) []float64 {
	order := make([]int, len(p))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(a, b int) int { return cmp.Compare(p[a], p[b]) })
	out := make([]float64, len(p))
	most := 0.0
	for k, i := range order {
		most = math.Max(most, math.Min(1, p[i]*float64(len(p)-k)))
		out[i] = most
	}
	return out
}

// point is a value of a statistic and the probability that it is exceeded.
type point struct{ at, p float64 }

// tail interpolates the logarithm of the probability.
func tail(table []point, at float64) float64 {
	if at <= table[0].at {
		return table[0].p
	}
	i := sort.Search(len(table), func(i int) bool { return table[i].at >= at })
	if i == len(table) {
		i--
	}
	a, b := table[i-1], table[i]
	return math.Exp(math.Log(a.p) + (at-a.at)/(b.at-a.at)*(math.Log(b.p)-math.Log(a.p)))
}

// projection takes the means of groups out of a column.
type projection struct {
	of      []int
	columns int
}

func newProjection(n int, groups []int) projection {
	p := projection{of: make([]int, n)}
	number := map[int]int{}
	for i := range n {
		g := 0
		if groups != nil {
			g = groups[i]
		}
		if _, seen := number[g]; !seen {
			number[g] = len(number)
		}
		p.of[i] = number[g]
	}
	p.columns = len(number)
	return p
}

func (p projection) residual(v []float64) []float64 {
	sum, n := make([]float64, p.columns), make([]float64, p.columns)
	for i, x := range v {
		sum[p.of[i]] += x
		n[p.of[i]]++
	}
	out := slices.Clone(v)
	for i := range out {
		out[i] -= sum[p.of[i]] / n[p.of[i]]
	}
	return out
}

func dot(a, b []float64) float64 {
	return mat.Dot(mat.NewVecDense(len(a), a), mat.NewVecDense(len(b), b))
}

// normalScores are Φ⁻¹(r/(n+1)) of the ranks r; equal figures share their mean rank.
func normalScores(y []float64) []float64 {
	n := len(y)
	order := make([]int, n)
	for i := range order {
		order[i] = i
	}
	slices.SortFunc(order, func(a, b int) int {
		switch {
		case y[a] < y[b]:
			return -1
		case y[a] > y[b]:
			return 1
		}
		return a - b
	})
	out := make([]float64, n)
	for i := 0; i < n; {
		j := i
		for j < n && y[order[j]] == y[order[i]] {
			j++
		}
		rank := float64(i+j+1) / 2
		for ; i < j; i++ {
			out[order[i]] = distuv.UnitNormal.Quantile(rank / float64(n+1))
		}
	}
	return out
}

// Point is the self-starting chart after one figure.
type Point struct {
	Score float64 `json:"score"` // of the figure among those before it, nearly standard normal
	High  float64 `json:"high"`  // sum of the scores above Slack
	Low   float64 `json:"low"`   // and below it
	// RunHigh and RunLow count the figures since each sum last was zero: on a signal,
	// the change is put before the first of them.
	RunHigh    int  `json:"run_high"`
	RunLow     int  `json:"run_low"`
	SignalHigh bool `json:"signal_high,omitempty"`
	SignalLow  bool `json:"signal_low,omitempty"`
}

const (
	// Slack is half of the shift that the chart is tuned to, one standard deviation.
	Slack = 0.5
	// Limit, times the root of the case number, is what a sum signals beyond. The sums of a
	// record without a change stray as that root does, so that early cases have their share
	// of the error: with a limit that is the same for all, a change in a short record is
	// hardly seen. Of such records of 100 cases 2.5 % have a signal of either kind
	// (TestTablesAccuracy).
	Limit = 1.08
	// warmUp is the number of figures that are only compared with: a rank among fewer
	// has too few values.
	warmUp = 8
)

// Chart is a self-starting CUSUM: each figure is held against those before it, so that
// no level has to be known and none is estimated from the figures to be judged. Equal
// figures share their mean rank; a group begins with a warm-up of its own.
//
// Method: sequential ranks are independent and uniform under the null hypothesis
// (Parent, Sequential ranking procedures, 1965; McDonald, Technometrics 32:301, 1990);
// their normal scores Φ⁻¹((r−½)/i) go into a CUSUM with a slack of ½.
func Chart(y []float64, groups []int) []Point {
	out := make([]Point, len(y))
	var p Point
	seen := map[int][]float64{}
	for i, v := range y {
		g := 0
		if groups != nil {
			g = groups[i]
		}
		before := seen[g]
		p.Score = 0
		if n := len(before); n >= warmUp {
			below, same := 0, 0
			for _, x := range before {
				if x < v {
					below++
				} else if x == v {
					same++
				}
			}
			rank := float64(below) + float64(same)/2 + 1
			p.Score = distuv.UnitNormal.Quantile((rank - .5) / float64(n+1))
			p.High, p.RunHigh = accumulate(p.High, p.RunHigh, p.Score-Slack)
			p.Low, p.RunLow = accumulate(p.Low, p.RunLow, -p.Score-Slack)
		}
		limit := Limit * math.Sqrt(float64(i+1))
		p.SignalHigh, p.SignalLow = p.High > limit, p.Low > limit
		out[i] = p
		seen[g] = append(before, v)
	}
	return out
}

// accumulate adds to a sum that is kept at 0 or above, and counts the figures since it
// was 0.
func accumulate(sum float64, run int, by float64) (float64, int) {
	if sum += by; sum <= 0 {
		return 0, 0
	}
	return sum, run + 1
}
