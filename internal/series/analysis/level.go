package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/levelnow"
	"plumbline/internal/stats/mixedmodel"
	"plumbline/internal/stats/sequential"
	"plumbline/internal/stats/tolerance"
)

// Level is where a figure stands now.
type Level struct {
	Mean float64 `json:"mean"` // of single fixtures at the next case
	Low  float64 `json:"low95"`
	High float64 `json:"high95"`
	SD   float64 `json:"sd"` // of single fixtures about it
	// First is the mean at the first case, guided as the latest are.
	First float64 `json:"first"`

	// Shapes of the record, their probabilities.
	Unchanged float64 `json:"unchanged"`
	Falling   float64 `json:"falling"` // and not levelled off
	Settled   float64 `json:"settled"` // fell, and stays on one level since
	Risen     float64 `json:"risen"`
	Since     int     `json:"since_case,omitempty"` // from which on it stays, where it has changed

	// Alike is the share of the variance that the fixtures of one case have in common;
	// nil where no case has several.
	Alike *float64 `json:"alike,omitempty"`
	// Earlier are ways of guidance that the latest cases do not have; their effect is
	// taken out.
	Earlier []GuidanceEffect `json:"earlier_guidance,omitempty"`
}

// GuidanceEffect is how far cases of an earlier way of guidance lie from the latest ones
// on the root scale, by the mixed model, in standard errors too.
type GuidanceEffect struct {
	Guidance string  `json:"guidance"`
	Cases    int     `json:"cases"`
	Effect   float64 `json:"effect_root"`
	SE       float64 `json:"se_root"`
}

// Finding is what is found of the course of a figure, at a level that holds over all looks
// and all figures that are printed.
type Finding string

// The findings.
const (
	NoFinding Finding = ""
	Falls     Finding = "falls"
	Rises     Finding = "rises"
)

// Course is the test of a rise or fall.
type Course struct {
	sequential.Trend
	Adjusted float64 `json:"p_adjusted"` // Holm, over the primary figures
	Finding  Finding `json:"finding,omitempty"`
	// Detectable is the change from the first case to the last, in standard deviations
	// of a case, that four of five records of this length would show.
	Detectable float64 `json:"detectable_sd"`
}

// primary are the figures of which findings are told, the first before all.
var primary = []measurement.Figure{measurement.Apex, measurement.ApexDepth, measurement.Angle}

const (
	// trendLevel, habitLevel and the chart's limit together keep the share of steady
	// records with any finding, looked at after every case, under a tenth: of 500 records
	// each of six kinds, of fixtures that are alike in a case among them, 2 to 5 % up to 30
	// cases, 4 to 8 % up to 50, 6 to 10 % up to 80 (TestFalseFindingsAccuracy).
	trendLevel = 0.05
	habitLevel = 0.03
	// groupLeast is the number of cases under which a way of guidance or a region is no
	// group of its own.
	groupLeast = 5
	// latest is how many cases tell what a clinician does now.
	latest = 10
)

// valued is a case with its fixtures' values of some figure.
type valued struct {
	number int
	values []float64
	u      float64 // standard uncertainty, of the case; the others' where it has none
	of     *Case
}

// valuesOf are the cases that have a value, of |value| with size.
func (a *Analysis) valuesOf(of func(*series.Row) *float64, u func(*series.Row) *float64, size bool) []valued {
	at := map[string]int{}
	var out []valued
	var known []float64
	for i := range a.rows {
		v := of(&a.rows[i])
		if v == nil {
			continue
		}
		name := a.rows[i].Case
		k, seen := at[name]
		if !seen {
			k = len(out)
			at[name] = k
			out = append(out, valued{u: -1})
		}
		value := *v
		if size {
			value = math.Abs(value)
		}
		out[k].values = append(out[k].values, value)
		if e := u(&a.rows[i]); e != nil {
			out[k].u = math.Max(out[k].u, *e)
			known = append(known, *e**e)
		}
	}
	usual := 0.0
	for _, e := range known {
		usual += e / float64(len(known))
	}
	usual = math.Sqrt(usual)
	kept := make([]valued, 0, len(out))
	for i := range a.Cases {
		c := &a.Cases[i]
		if k, has := at[c.Case]; has {
			x := out[k]
			x.number, x.of = c.Number, c
			kept = append(kept, x)
		}
	}
	for i := range kept {
		if kept[i].u < 0 {
			kept[i].u = usual
		}
	}
	return kept
}

func (a *Analysis) valuesOfFigure(f measurement.Figure, size bool) []valued {
	return a.valuesOf(func(r *series.Row) *float64 { return r.Deviation[f] }, func(r *series.Row) *float64 { return r.U[f] }, size)
}

// withoutNoise are the values of a figure, or their sizes, less what the noise of their
// measurement adds to lengths; as they are where their uncertainties cannot be true.
func (a *Analysis) withoutNoise(f *Figure, size bool) []valued {
	x := a.valuesOfFigure(f.Figure, size)
	if f.Noise == nil || f.Noise.Impossible {
		return x
	}
	for _, v := range x {
		for i, y := range v.values {
			v.values[i] = shortened(y, v.u, across(f.Figure))
		}
	}
	return x
}

// across is the number of directions besides its own in which noise makes a figure longer.
func across(f measurement.Figure) float64 {
	switch f {
	case measurement.Entry, measurement.Apex:
		return 2
	case measurement.EntryLateral, measurement.ApexLateral, measurement.Angle:
		return 1
	}
	return 0
}

// shortened takes from a length what the noise across it adds on average: the square of
// a length is raised by u² for each direction across, the length so by their sum over twice
// itself. Lengths under the noise are halved, so that their order is kept.
func shortened(y, u, directions float64) float64 {
	if y <= 0 || directions == 0 {
		return y
	}
	return y - math.Min(y/2, directions*u*u/(2*y))
}

// earlier are the ways of guidance that enough cases have and the latest ones do not.
func earlier(x []valued) []string {
	n := map[string]int{}
	var names []string
	for _, v := range x {
		if n[v.of.Guidance]++; n[v.of.Guidance] == groupLeast {
			names = append(names, v.of.Guidance)
		}
	}
	return slices.DeleteFunc(names, func(g string) bool {
		return slices.ContainsFunc(x[max(0, len(x)-latest):], func(v valued) bool { return v.of.Guidance == g })
	})
}

// level fits the mixed model and the shapes to the cases.
func level(x []valued, positive bool) (*Level, *levelnow.Level, error) {
	cases, out := laidOut(x, positive)
	l, err := levelnow.Average(cases, positive)
	if err != nil {
		return nil, nil, err
	}
	out.Mean, out.SD, out.First = l.Mean, l.SD, l.First
	out.Low, out.High = l.Interval()
	out.Unchanged, out.Falling, out.Settled, out.Risen = l.Unchanged, l.Falling, l.Settled, l.Risen
	if l.Since > 0 {
		out.Since = x[l.Since-1].number
	}
	return out, l, nil
}

// laidOut has the cases as the shapes are fitted to them, each with the variance that the
// mixed model gives it, and what that model says besides.
func laidOut(x []valued, positive bool) (cases []levelnow.Case, out *Level) {
	names := earlier(x)
	cases = make([]levelnow.Case, len(x))
	others := make([][]float64, len(x))
	for i, v := range x {
		others[i] = make([]float64, len(names))
		if k := slices.Index(names, v.of.Guidance); k >= 0 {
			others[i][k] = 1
		}
		cases[i] = levelnow.Case{Values: v.values, Other: others[i]}
	}
	out = &Level{}
	alike := 0.0
	if m, several := modelOf(x, others, positive); m != nil {
		whole := m.Error + m.Cluster
		usual := 0.0
		for _, v := range x {
			usual += onScale(v.u, x, positive) / float64(len(x))
		}
		for i, v := range x {
			own := m.Error
			if !several {
				own = 0
				whole = m.Error
			}
			common := whole - own
			cases[i].Variance = (common + own/float64(len(v.values)) + onScale(v.u, x, positive)) / (whole + usual)
		}
		if several {
			alike = m.Cluster / whole
			out.Alike = &alike
		}
		for k, name := range names {
			e := GuidanceEffect{Guidance: name, Effect: m.Beta[2+k], SE: math.Sqrt(m.Covariance.At(2+k, 2+k))}
			for _, v := range x {
				if v.of.Guidance == name {
					e.Cases++
				}
			}
			out.Earlier = append(out.Earlier, e)
		}
	} else {
		for i := range cases {
			cases[i].Variance = 1
		}
	}
	return cases, out
}

// onScale is the variance of a measurement on the scale of the mixed model: by the
// derivative of the root at the mean.
func onScale(u float64, x []valued, positive bool) float64 {
	if !positive {
		return u * u
	}
	sum, n := 0.0, 0.0
	for _, v := range x {
		for _, y := range v.values {
			sum += y
			n++
		}
	}
	return u * u * n / (4 * sum)
}

// modelOf fits fixtures within cases, on the root scale where figures are positive, with
// a drift and the earlier ways of guidance as fixed effects; nil where nothing can be
// fitted. several tells that some case has several fixtures.
func modelOf(x []valued, others [][]float64, positive bool) (m *mixedmodel.Model, several bool) {
	var y []mixedmodel.Observation
	for i, v := range x {
		row := append([]float64{1, float64(i+1) / float64(len(x))}, others[i]...)
		u := math.Sqrt(onScale(v.u, x, positive))
		several = several || len(v.values) > 1
		for _, value := range v.values {
			if positive {
				value = math.Sqrt(value)
			}
			y = append(y, mixedmodel.Observation{Y: value, U: u, X: row, Cluster: i, Group: 1})
		}
	}
	fitted, err := mixedmodel.Estimate(y)
	if err != nil || fitted.Error+fitted.Cluster <= 0 {
		return nil, several
	}
	return &fitted, several
}

// addLevels says of every figure where it stands and what most of the next stay under.
func (a *Analysis) addLevels() error {
	for i := range a.Figures {
		f := &a.Figures[i]
		l, now, err := level(a.withoutNoise(f, false), !f.Figure.Signed())
		if err != nil && !noLevel(err) {
			return fmt.Errorf("%s: %w", f.Figure, err)
		}
		f.Now, f.level, f.Bound = l, now, a.boundOf(a.valuesOfFigure(f.Figure, false), now, a.Options.Assurance)
	}
	return nil
}

// addCourses tests whether the primary figures rise or fall.
func (a *Analysis) addCourses() {
	var tested []*Figure
	var p []float64
	for i := range a.Figures {
		f := &a.Figures[i]
		if !slices.Contains(primary, f.Figure) {
			continue
		}
		sizes := a.withoutNoise(f, true)
		if t, ok := sequential.TestTrend(caseMeans(sizes), groupsOf(sizes)); ok {
			f.Course = &Course{Trend: t, Detectable: sequential.Detectable(len(sizes), trendLevel)}
			tested, p = append(tested, f), append(p, t.P)
		}
	}
	for i, v := range sequential.Holm(p) {
		c := tested[i].Course
		if c.Adjusted = v; v <= trendLevel {
			c.Finding = Falls
			if c.T > 0 {
				c.Finding = Rises
			}
		}
	}
}

// noLevel reports whether an error of level only says that the figures have none.
func noLevel(err error) bool {
	return errors.Is(err, levelnow.ErrTooFew) || errors.Is(err, levelnow.ErrNoSpread) || errors.Is(err, levelnow.ErrConfounded)
}

// caseMeans are the means of the cases' values.
func caseMeans(x []valued) []float64 {
	out := make([]float64, len(x))
	for i, v := range x {
		for _, y := range v.values {
			out[i] += y / float64(len(v.values))
		}
	}
	return out
}

// groupsOf numbers the cases by guidance and region; groups too small to be one are one
// together.
func groupsOf(x []valued) []int {
	key := func(v valued) [2]string { return [2]string{v.of.Guidance, v.of.region} }
	n := map[[2]string]int{}
	for _, v := range x {
		n[key(v)]++
	}
	number := map[[2]string]int{}
	out := make([]int, len(x))
	for i, v := range x {
		if n[key(v)] < groupLeast {
			continue
		}
		if _, seen := number[key(v)]; !seen {
			number[key(v)] = len(number) + 1
		}
		out[i] = number[key(v)]
	}
	return out
}

// Bound is what a share of the next fixtures stay under.
type Bound struct {
	N          int     `json:"n"`     // fixtures
	Cases      int     `json:"cases"` // with them
	Coverage   float64 `json:"coverage"`
	Confidence float64 `json:"confidence"`

	Upper  *float64 `json:"upper,omitempty"` // nil where there is none; Reason says why
	Reason string   `json:"reason,omitempty"`
	// FromLargest tells that Upper is the largest figure so far, as it would be at the
	// level of now.
	FromLargest bool `json:"from_largest,omitempty"`

	// Largest is the largest figure so far and LargestConfidence the confidence with
	// which it holds the coverage, whatever the distribution of independent figures.
	Largest           float64 `json:"largest"`
	LargestConfidence float64 `json:"largest_confidence"`
}

// Rounded is the bound as it is told: up to a tenth, the safe side, and not under nothing.
func (b *Bound) Rounded() float64 { return ceiling(math.Max(0, *b.Upper)) }

// BoundCases is the number of cases from which on a bound is told, whatever it is: the
// least of which a level is known. wideUnder is that under which it is said to be wide: of
// few cases it goes some 2.4 times as far as it would have to, since hard cases may be still
// to come (of 20 cases, every eighth record has none though one in ten is hard).
const (
	BoundCases = levelnow.MinCases
	wideUnder  = 30
)

// boundOf is the bound of the level now, at a confidence; nil without a figure.
func (a *Analysis) boundOf(x []valued, now *levelnow.Level, confidence float64) *Bound {
	if len(x) == 0 {
		return nil
	}
	b := &Bound{Cases: len(x), Coverage: a.Options.Coverage, Confidence: confidence, Largest: math.Inf(-1)}
	for _, v := range x {
		b.N += len(v.values)
		b.Largest = math.Max(b.Largest, slices.Max(v.values))
	}
	b.LargestConfidence = tolerance.RankConfidence(b.N, 1, b.Coverage)
	switch {
	case b.Cases < BoundCases:
		b.Reason = "too few cases"
	case now == nil:
		b.Reason = "the figures leave none"
	default:
		upper, fromLargest := now.Bound(b.Coverage, b.Confidence)
		b.Upper, b.FromLargest = &upper, fromLargest
	}
	return b
}
