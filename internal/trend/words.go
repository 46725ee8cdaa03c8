package trend

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/casefile"
	"plumbline/internal/habit"
	"plumbline/internal/learning"
	"plumbline/internal/series"
	"plumbline/internal/tolerance"
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

var plainNames = map[string]string{
	"entry_mm": "entry deviation", "entry_lateral_mm": "lateral deviation at the entry", "entry_depth_mm": "depth at the entry",
	"apex_mm": "apex deviation", "apex_lateral_mm": "lateral deviation at the apex", "apex_depth_mm": "depth at the apex", "angle_deg": "angular deviation",
}

func figureWords(f *Figure, of series.Figure) []string {
	name := title(plainNames[f.Figure])
	out := []string{fmt.Sprintf("%s: mean %s (95 %% %s) over %d cases, from %s to %s.", name, amount(f.Mean, f.Unit),
		span(*f.Low, *f.High, f.Unit), f.N, amount(f.Least, f.Unit), amount(f.Largest, f.Unit))}
	if n := f.Noise; n != nil {
		if n.Without == nil {
			out = append(out, fmt.Sprintf("The spread of %s is no larger than the measurement's own uncertainty of %s: the cases cannot be told apart.", amount(*f.SD, f.Unit), amount(n.U, f.Unit)))
		} else {
			out = append(out, fmt.Sprintf("Of the spread of %s, the measurement's own uncertainty is %s; without it %s.", amount(*f.SD, f.Unit), amount(n.U, f.Unit), amount(*n.Without, f.Unit)))
		}
	}
	if f.Learning != nil {
		out = append(out, learningWords(f.Learning, f.Unit, of.Signed()))
	}
	if c := f.Chart; c != nil {
		out = append(out, chartWords(c, f, of.Signed()))
	}
	return out
}

func learningWords(l *learning.Analysis, unit string, size bool) string {
	what := "it"
	if size {
		what = "its size"
	}
	var s string
	switch l.Verdict {
	case learning.TooFew:
		return fmt.Sprintf("Learning: %d cases are too few to tell it from chance; at least %d are needed.", l.Cases, learning.MinCases)
	case learning.NotDetected:
		s = fmt.Sprintf("No learning detected in %d cases (%s): %s is best described by one level, %s. From the first %d cases to the last %d the mean changed by %s (95 %% %s).",
			l.Cases, probability(*l.P), what, amount(*l.Mean, unit), l.Change.Cases, l.Change.Cases, amount(l.Change.Diff, unit), span(l.Change.Low, l.Change.High, unit))
	case learning.Rising:
		s = fmt.Sprintf("In the course of the cases %s rises (%s): from the first %d cases to the last %d by %s (95 %% %s).",
			what, probability(*l.PRising), l.Change.Cases, l.Change.Cases, amount(l.Change.Diff, unit), span(l.Change.Low, l.Change.High, unit))
	case learning.Learning:
		s = fmt.Sprintf("Learning (%s): %s falls from %s (95 %% %s) at the first case to a plateau of %s (95 %% %s)", probability(*l.P), what,
			amount(*l.Start.Value, unit), span(*l.Start.Low, *l.Start.High, unit), amount(*l.Plateau.Value, unit), span(*l.Plateau.Low, *l.Plateau.High, unit))
		s += reachWords(l)
	}
	if len(l.RestsOn) > 0 {
		s += fmt.Sprintf(" This rests on case %s alone: without it nothing would be detected.", listed(l.RestsOn))
	}
	if n := len(l.Outliers); n > 0 && l.Without != "" && l.Without != l.Verdict {
		s += fmt.Sprintf(" Without the far cases (%s) the answer is: %s.", listed(l.Outliers), l.Without)
	}
	return s
}

func reachWords(l *learning.Analysis) string {
	c := l.CasesToPlateau
	end := func(v *float64) string {
		if v == nil {
			return fmt.Sprintf("more than %d", l.Cases)
		}
		return fmt.Sprintf("%.0f", math.Ceil(*v))
	}
	if c.Value == nil {
		return fmt.Sprintf("; within 10 %% of it only beyond the %d cases of the record, so the plateau is an extrapolation.", l.Cases)
	}
	return fmt.Sprintf(", within 10 %% of it from case %s on (95 %% %s to %s).", end(c.Value), end(c.Low), end(c.High))
}

func listed[T any](x []T) string {
	var out []string
	for _, v := range x {
		out = append(out, fmt.Sprint(v))
	}
	return strings.Join(out, ", ")
}

func chartWords(c *Chart, f *Figure, signed bool) string {
	worse, better := "worse", "better"
	if signed {
		worse, better = "deeper", "shallower"
	}
	var said []string
	if c.Worse > 0 {
		said = append(said, fmt.Sprintf("a change to %s at case %d, put before case %d", worse, c.Worse, c.WorseSince))
	}
	if c.Better > 0 {
		said = append(said, fmt.Sprintf("a change to %s at case %d, put before case %d", better, c.Better, c.BetterSince))
	}
	signals := "no change"
	if len(said) > 0 {
		signals = strings.Join(said, " and ")
	}
	return fmt.Sprintf("Charts against %s (%s): %s.", c.Against, amount(c.Target, f.Unit), signals)
}

// chance is the level at which a habit counts as one.
const chance = 0.05

// other has the words for the negative side of a direction.
var other = map[string]string{"mesial": "distal", "buccal": "lingual", "deep": "shallow"}

func habitWords(place, unit string, directions []string, h *habit.Habit) string {
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
		return fmt.Sprintf("%s: no habit beyond chance in %d cases (%s); on average %s.", what, h.Cases, probability(h.P), strings.Join(parts, ", "))
	}
	s := fmt.Sprintf("%s: on average %s, unlikely to be chance (%s, %d cases)", what, strings.Join(parts, ", "), probability(h.P), h.Cases)
	if len(beyond) > 0 && len(beyond) < len(parts) {
		s += fmt.Sprintf("; by itself %s", strings.Join(beyond, " and "))
	}
	if h.PWithout != nil && *h.PWithout >= chance {
		s += fmt.Sprintf("; without case %d, the farthest off, it could be chance (%s)", h.Farthest, probability(*h.PWithout))
	}
	return s + "."
}

func percent(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }

func successWords(s *Success) string {
	return fmt.Sprintf("%d of %d fixtures (%s, 95 %% %s to %s) are within %s at the entry, %s at the apex and %s in angle.", s.Within, s.Of, percent(s.Share),
		percent(s.Low), percent(s.High), amount(s.Limits.Entry, "mm"), amount(s.Limits.Apex, "mm"), amount(s.Limits.Angle, "deg"))
}

func competenceWords(c *Competence) string {
	d := c.Design
	basis := fmt.Sprintf("(a failure rate of %s against %s, wrongly declared in at most %s of series, rightly in %s)",
		percent(d.Acceptable), percent(d.Unacceptable), percent(d.ErrorRate), percent(d.Power))
	if c.Path.Signal == 0 {
		return fmt.Sprintf("The learning-curve chart has not declared competence in %d fixtures %s; that is no proof of the contrary.", len(c.Outcomes), basis)
	}
	s := fmt.Sprintf("The learning-curve chart declares competence at fixture %d %s", c.Path.Signal, basis)
	switch {
	case c.Watched == nil:
		return s + "."
	case c.Watched.Signal > 0:
		return s + fmt.Sprintf("; the chart that watches on warns at fixture %d.", c.Path.Signal+c.Watched.Signal)
	}
	return s + "; the chart that watches on has no warning since."
}

func structureWords(kind string) string {
	switch casefile.Kind(kind) {
	case casefile.Nerve:
		return "towards the nerve canal"
	case casefile.Sinus:
		return "towards the sinus"
	case casefile.Root:
		return "towards the neighbouring root"
	case casefile.FixtureBody:
		return "towards the neighbouring fixture"
	case casefile.Cortex:
		return "towards the cortical plate"
	}
	return "towards another structure"
}

func marginWords(m *Margin, o Options) string {
	what := title(m.Towards)
	b := m.Bound
	switch {
	case b == nil:
		return what + ": the figures are all the same, as rounded ones may be; no bound."
	case b.Upper == nil:
		s := fmt.Sprintf("%s: no bound: %s", what, b.Reason)
		if b.N > 0 && b.N >= tolerance.MinFigures {
			s += fmt.Sprintf("; the largest so far is %.1f mm, which holds %s of the next with a confidence of %s", b.Largest, percent(o.Coverage), percent(b.LargestConfidence))
		}
		return s + "."
	}
	upper := ceiling(math.Max(0, *b.Upper))
	s := fmt.Sprintf("%s: plan %.1f mm; %s of the next fixtures stay within it, with %s confidence (%s, %d fixtures", what, upper,
		percent(o.Coverage), percent(o.Assurance), b.Method, b.N)
	if m.FromCase > 1 {
		s += fmt.Sprintf(" from case %d on", m.FromCase)
	}
	s += ")"
	if b.Next != nil {
		s += fmt.Sprintf("; the next one alone stays within %.1f mm with %s probability", ceiling(math.Max(0, *b.Next)), percent(o.Coverage))
	}
	s += "."
	if m.Asked != nil && m.Enough != nil {
		if *m.Enough {
			s += fmt.Sprintf(" You asked for %.1f mm, which your record bears out.", *m.Asked)
		} else {
			s += fmt.Sprintf(" You asked for %.1f mm; your record supports %.1f mm.", *m.Asked, upper)
		}
	}
	return s
}

// ceiling rounds a margin up to a tenth, on the safe side.
func ceiling(v float64) float64 { return math.Ceil(v*10-1e-9) / 10 }
