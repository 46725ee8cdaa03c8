package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/stats/hotelling"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/stats/tolerance"
)

// probability words a p-value.
func probability(p float64) string {
	if p <= .001 {
		return "p ≤ 0.001"
	}
	return fmt.Sprintf("p = %.3f", p)
}

func amount(v float64, unit string) string {
	if unit == "deg" || unit == "°" {
		return fmt.Sprintf("%.1f°", v)
	}
	return fmt.Sprintf("%.2f mm", v)
}

func span(low, high float64, unit string) string {
	if unit == "deg" || unit == "°" {
		return fmt.Sprintf("%.1f° to %.1f°", low, high)
	}
	return fmt.Sprintf("%.2f to %.2f mm", low, high)
}

func figureWords(f *Figure, of measurement.Figure) FigureWords {
	out := FigureWords{Level: fmt.Sprintf("%s: mean %s (95 %% %s) over %s, from %s to %s.", f.Figure.Heading(), amount(f.Mean, f.Unit),
		span(*f.Low, *f.High, f.Unit), counted(f.N, "case"), amount(f.Least, f.Unit), amount(f.Largest, f.Unit))}
	if n := f.Noise; n != nil {
		if n.Without == nil {
			out.Spread = fmt.Sprintf("The cases spread by %s, no more than the measurement's own uncertainty of %s: they cannot be told apart.", amount(*f.SD, f.Unit), amount(n.U, f.Unit))
		} else {
			out.Spread = fmt.Sprintf("The cases spread by %s; taking out the measurement's own uncertainty of %s (in quadrature) leaves %s.", amount(*f.SD, f.Unit), amount(n.U, f.Unit), amount(*n.Without, f.Unit))
		}
	}
	if f.Learning != nil {
		out.Learning = learningWords(f.Learning, f.At, f.Unit, of.Signed())
	}
	if c := f.Chart; c != nil {
		out.Chart = chartWords(c, f, of.Signed())
	}
	return out
}

// counted is a number of things.
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// learningWords says what an analysis of the cases with the numbers at shows.
func learningWords(l *learningcurve.Analysis, at []int, unit string, size bool) string {
	what := "it"
	if size {
		what = "its size"
	}
	var s string
	switch l.Verdict {
	case learningcurve.TooFew:
		return fmt.Sprintf("Learning: %s are too few to tell it from chance; at least %d are needed.", counted(l.Cases, "case"), learningcurve.MinCases)
	case learningcurve.NotDetected:
		s = fmt.Sprintf("No learning detected in %d cases (%s): %s is best described by one level, %s. %s.",
			l.Cases, probability(*l.P), what, amount(*l.Mean, unit), changeWords(l.Change, unit))
	case learningcurve.Rising:
		s = fmt.Sprintf("In the course of the %d cases %s rises (%s). %s.", l.Cases, what, probability(*l.PRising), changeWords(l.Change, unit))
	case learningcurve.Learning:
		s = fmt.Sprintf("Learning (%s): %s falls from %s at the first case", probability(*l.P), what, estimated(l.Start, unit)) + reachWords(l, at, unit)
	}
	if n := len(l.RestsOn); n > 0 {
		var without []string
		for _, i := range l.RestsOn {
			without = append(without, fmt.Sprintf("without case %d", at[i-1]))
		}
		if n == 1 {
			s += fmt.Sprintf(" This rests on one case: %s nothing would be detected.", without[0])
		} else {
			s += fmt.Sprintf(" This rests on single cases: %s, nothing would be detected.", strings.Join(without, ", or "))
		}
	}
	if n := len(l.Outliers); n > 0 && l.Without != "" && l.Without != l.Verdict {
		var far []int
		for _, i := range l.Outliers {
			far = append(far, at[i-1])
		}
		answer := map[learningcurve.Verdict]string{learningcurve.NotDetected: "no learning is detected", learningcurve.Learning: "there is learning", learningcurve.Rising: "the deviations rise", learningcurve.TooFew: "there are too few cases to tell"}[l.Without]
		if n == 1 {
			s += fmt.Sprintf(" Without case %d, which lies far from the others, %s.", far[0], answer)
		} else {
			s += fmt.Sprintf(" Without cases %s, which lie far from the others, %s.", listed(far), answer)
		}
	}
	return s
}

// changeWords says how the mean of the last third lies to that of the first.
func changeWords(c *learningcurve.Change, unit string) string {
	way := func(v float64) string {
		if v < 0 {
			return amount(-v, unit) + " lower"
		}
		return amount(v, unit) + " higher"
	}
	return fmt.Sprintf("The mean of the last %d cases is %s than that of the first %d (95 %%: %s to %s)", c.Cases, way(c.Diff), c.Cases, way(c.Low), way(c.High))
}

// estimated is a figure with its interval.
func estimated(e *learningcurve.Estimate, unit string) string {
	if e.High == nil {
		return fmt.Sprintf("%s (95 %%: %s or more)", amount(*e.Value, unit), amount(*e.Low, unit))
	}
	return fmt.Sprintf("%s (95 %% %s)", amount(*e.Value, unit), span(*e.Low, *e.High, unit))
}

// reachWords says where a learning curve ends.
func reachWords(l *learningcurve.Analysis, at []int, unit string) string {
	number := func(v float64) int { return at[min(len(at), int(math.Ceil(v)))-1] }
	last := at[len(at)-1]
	if l.Plateau == nil {
		return fmt.Sprintf(" to %s at case %d. It may still be falling: these cases do not show a plateau, so none is given.", estimated(l.Now, unit), last)
	}
	s := fmt.Sprintf(" to a plateau of %s, and is within 10 %% of it from case %d on", estimated(l.Plateau, unit), number(*l.CasesToPlateau.Value))
	low := number(*l.CasesToPlateau.Low)
	if l.CasesToPlateau.High == nil {
		return s + fmt.Sprintf(" (95 %%: case %d or later, perhaps beyond case %d).", low, last)
	}
	return s + fmt.Sprintf(" (95 %%: case %d to %d).", low, number(*l.CasesToPlateau.High))
}

func listed[T any](x []T) string {
	var out []string
	for _, v := range x {
		out = append(out, fmt.Sprint(v))
	}
	return strings.Join(out, ", ")
}

// About joins what is said beside the level: spread, learning and charts.
func (w FigureWords) About() string { return join(w.Spread, w.Learning, w.Chart) }

// Caption joins what stands under a chart of the cases: level, spread, learning.
func (w FigureWords) Caption() string { return join(w.Level, w.Spread, w.Learning) }

// join joins the sentences that are there.
func join(sentences ...string) string {
	return strings.Join(slices.DeleteFunc(sentences, func(s string) bool { return s == "" }), " ")
}

// NoLevel says why a figure that still falls has no control chart.
const NoLevel = "A chart watches for change from a steady level, and too few cases are known to lie on one after the learning. A stated level can take its place."

func chartWords(c *Chart, f *Figure, signed bool) string {
	worse, better := "worse", "better"
	if signed {
		worse, better = "deeper", "shallower"
	}
	var said []string
	signal := func(way string, at, since int) {
		switch {
		case at == 0:
		case at == since:
			said = append(said, fmt.Sprintf("a change for the %s at case %d", way, at))
		default:
			said = append(said, fmt.Sprintf("a change for the %s, signalled at case %d and begun about case %d", way, at, since))
		}
	}
	signal(worse, c.Worse, c.WorseSince)
	signal(better, c.Better, c.BetterSince)
	signals := "no lasting change"
	if len(said) > 0 {
		signals = strings.Join(said, "; ")
	}
	if c.Moving > 0 {
		signals += fmt.Sprintf("; the moving mean leaves its limits at case %d", c.Moving)
	}
	return fmt.Sprintf("Control charts against %s (%s): %s.", c.Against, amount(c.Target, f.Unit), signals)
}

// chance is the level at which a habit counts as one.
const chance = 0.05

// other has the words for the negative side of a direction.
var other = map[string]string{"mesial": "distal", "buccal": "lingual", "deep": "shallow"}

func habitWords(place, unit string, directions []string, h *hotelling.Habit) string {
	var parts, beyond []string
	for i, d := range h.Mean {
		side := directions[i]
		if d.Mean < 0 {
			side = other[side]
		}
		part := amount(math.Abs(d.Mean), unit) + " " + side
		parts = append(parts, part)
		if d.P < chance {
			beyond = append(beyond, part)
		}
	}
	what := title(place)
	if h.P >= chance {
		return fmt.Sprintf("%s: no habit beyond chance in %d cases (%s); on average %s.", what, h.Cases, probability(h.P), together(parts))
	}
	s := fmt.Sprintf("%s: on average %s, unlikely to be chance (%s, %d cases)", what, together(parts), probability(h.P), h.Cases)
	if n := len(beyond); n > 0 && n < len(parts) {
		stands := "stands"
		if n > 1 {
			stands = "stand"
		}
		s += fmt.Sprintf("; looked at one by one, only %s %s out", strings.Join(beyond, " and "), stands)
	}
	if h.PWithout != nil && *h.PWithout >= chance {
		s += fmt.Sprintf("; without case %d, the farthest off, it could be chance (%s)", h.Farthest, probability(*h.PWithout))
	}
	return s + "."
}

// together lists parts as one says them.
func together(parts []string) string {
	n := len(parts)
	return strings.Join(parts[:n-1], ", ") + " and " + parts[n-1]
}

func percent(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }

func successWords(s *Success) string {
	return fmt.Sprintf("%d of %d fixtures (%s, 95 %% %s to %s) are within %s at the entry, %s at the apex and %s in angle.", s.Within, s.Of, percent(s.Share),
		percent(s.Low), percent(s.High), amount(s.Limits.Entry, "mm"), amount(s.Limits.Apex, "mm"), amount(s.Limits.Angle, "deg"))
}

func competenceWords(c *Competence) string {
	d := c.Design
	basis := fmt.Sprintf(" It asks whether the share of fixtures outside the limits is nearer to %s than to %s. Of clinicians who miss in %s it wrongly declares %s competent within %d fixtures; of those who miss in %s, rightly %s.",
		percent(d.Acceptable), percent(d.Unacceptable), percent(d.Unacceptable), percent(d.ErrorRate), d.Cases, percent(d.Acceptable), percent(d.Power))
	if c.Path.Signal == 0 {
		return fmt.Sprintf("The learning-curve chart has not declared competence in %s; that is no proof of the contrary.", counted(len(c.Outcomes), "fixture")) + basis
	}
	s := fmt.Sprintf("The learning-curve chart declares competence at fixture %d", c.Path.Signal)
	switch {
	case c.Watched == nil:
		s += "."
	case c.Watched.Signal > 0:
		s += fmt.Sprintf("; the chart that watches on from there warns at fixture %d.", c.Path.Signal+c.Watched.Signal)
	default:
		s += "; the chart that watches on from there has not warned."
	}
	return s + basis
}

func marginWords(m *Margin, o Options) string {
	what := title(m.Towards)
	b := m.Bound
	switch {
	case b == nil:
		return what + ": no bound, as the figures are all the same, as rounded ones may be."
	case b.Upper == nil:
		s := fmt.Sprintf("%s: no bound: %s", what, b.Reason)
		if b.N > 0 && b.N >= tolerance.MinFigures {
			s += fmt.Sprintf("; the largest so far is %.1f mm, which holds %s of the next with a confidence of %s", b.Largest, percent(o.Coverage), percent(b.LargestConfidence))
		}
		return s + "."
	}
	upper := ceiling(math.Max(0, *b.Upper))
	useful := b.N >= fewFixtures || *b.Upper <= farBound*b.Largest
	s := fmt.Sprintf("%s: keep %.1f mm. With %s confidence, %s of the next fixtures go no farther (%s, %s", what, upper,
		percent(o.Assurance), percent(o.Coverage), b.Method, counted(b.N, "fixture"))
	if !useful {
		s = fmt.Sprintf("%s: no margin to plan with yet. The bound that %s of the next fixtures stay within, with %s confidence, is %.1f mm, far beyond the largest so far, %.1f mm (%s, %s", what,
			percent(o.Coverage), percent(o.Assurance), upper, b.Largest, b.Method, counted(b.N, "fixture"))
	}
	if m.FromCase > 1 {
		s += fmt.Sprintf(" from case %d on", m.FromCase)
	}
	if b.N < fewFixtures {
		s += ", which are few, so it is wide"
	}
	s += ")"
	if b.Next != nil {
		s += fmt.Sprintf("; the very next one stays within %.1f mm with a probability of %s", ceiling(math.Max(0, *b.Next)), percent(o.Coverage))
	}
	s += "."
	if m.Learning {
		s += " The early cases of a clinician still learning are in it, so it is wider than the latest cases alone would need."
	}
	if m.Asked != nil && m.Enough != nil {
		switch {
		case *m.Enough:
			s += fmt.Sprintf(" You asked for %.1f mm, which your record bears out.", *m.Asked)
		case !useful:
			s += fmt.Sprintf(" You asked for %.1f mm, which your record does not bear out yet.", *m.Asked)
		default:
			s += fmt.Sprintf(" You asked for %.1f mm; your record supports %.1f mm.", *m.Asked, upper)
		}
	}
	return s
}

// fewFixtures is the number under which a bound is called wide: the 95/95 factor
// of normal theory is 2.2 for 30 figures, a third above that for any number.
const fewFixtures = 30

// farBound is how far beyond the largest figure a bound from few fixtures is
// called no margin to plan with: at twice as far it says how little is known, not
// how far this clinician errs.
const farBound = 2

// ceiling rounds a margin up to a tenth, on the safe side.
func ceiling(v float64) float64 { return math.Ceil(v*10-1e-9) / 10 }
