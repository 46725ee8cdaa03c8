package analysis

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/stats/learningcurve"
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
		if n.Impossible {
			out.Spread = fmt.Sprintf("The cases spread by %s, which the stated uncertainty of their measurement, %s, does not allow: it is too large, or the cases are not what they seem; what rests on it is in doubt.", amount(*f.SD, f.Unit), amount(n.U, f.Unit))
		} else if n.Without == nil {
			out.Spread = fmt.Sprintf("The cases spread by %s, no more than the measurement's own uncertainty of %s: they cannot be told apart.", amount(*f.SD, f.Unit), amount(n.U, f.Unit))
		} else {
			out.Spread = fmt.Sprintf("Without the measurement's own uncertainty of %s the cases spread by %s.", amount(n.U, f.Unit), amount(*n.Without, f.Unit))
		}
	}
	if l := f.Now; l != nil {
		out.Now = fmt.Sprintf("Now %s on average (95 %% %s), single fixtures spreading by %s.", amount(l.Mean, f.Unit), span(l.Low, l.High, f.Unit), amount(l.SD, f.Unit))
	}
	if f.Course != nil {
		out.Course = notDetected(f)
		if _, s := courseWords(f); s != "" {
			out.Course = title(s)
		}
	}
	if l := f.Learning; l != nil {
		if l.Verdict == learningcurve.Learning || f.Course == nil && l.Verdict == learningcurve.TooFew {
			out.Learning = learningWords(l, f.At, f.Unit, of.Signed())
		}
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
	what := "A curve fitted to the cases"
	if size {
		what = "A curve fitted to its size"
	}
	var s string
	switch l.Verdict {
	case learningcurve.TooFew:
		return fmt.Sprintf("Learning: %s are too few to tell it from chance; at least %d are needed.", counted(l.Cases, "case"), learningcurve.MinCases)
	case learningcurve.Learning:
		s = fmt.Sprintf("%s falls from %s at the first", what, estimated(l.Start, unit)) + reachWords(l, at, unit)
	}
	if n := len(l.RestsOn); n > 0 {
		var without []string
		for _, i := range l.RestsOn {
			without = append(without, fmt.Sprintf("case %d", at[i-1]))
		}
		s += fmt.Sprintf(" Weak: leaving out %s would remove it.", strings.Join(without, " or "))
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
		return fmt.Sprintf(" to %s at case %d. The curve has not levelled off yet.", estimated(l.Now, unit), last)
	}
	s := fmt.Sprintf(" to a plateau of %s. It is within 10 %% of the plateau from case %d on", estimated(l.Plateau, unit), number(*l.CasesToPlateau.Value))
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

// About joins what is said beside the level of all cases: now, course, spread, curve
// and charts.
func (w FigureWords) About() string { return join(w.Now, w.Course, w.Spread, w.Learning, w.Chart) }

// Caption joins what stands under a chart of the cases, which itself shows their level.
func (w FigureWords) Caption() string { return join(w.Course, w.Learning, w.Spread) }

// join joins the sentences that are there.
func join(sentences ...string) string {
	return strings.Join(slices.DeleteFunc(sentences, func(s string) bool { return s == "" }), " ")
}

// NoLevel says why a figure that falls has no chart against the cases before.
const NoLevel = "It is still falling, and a chart needs a steady level. You can set a fixed level to chart against."

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
	against := c.Against
	if c.Target != nil {
		against += " (" + amount(*c.Target, f.Unit) + ")"
	}
	return fmt.Sprintf("Control chart against %s: %s.", against, signals)
}

// other has the words for the negative side of a direction.
var other = map[string]string{"mesial": "distal", "buccal": "lingual", "deep": "shallow", "left": "right", "front": "back"}

// offsets words the mean of each direction.
func offsets(h *Habit) []string {
	var parts []string
	for i, d := range h.Mean {
		side := h.Directions[i]
		if d.Mean < 0 {
			side = other[side]
		}
		parts = append(parts, amount(math.Abs(d.Mean), h.unit)+" "+side)
	}
	return parts
}

// habitFound words a habit that was found by the directions that stand out, all of them
// where none does.
func habitFound(h *Habit) string {
	parts := offsets(h)
	var beyond []string
	for i, d := range h.Mean {
		if d.P < habitLevel {
			beyond = append(beyond, parts[i])
		}
	}
	if len(beyond) == 0 {
		beyond = parts
	}
	s := fmt.Sprintf("at the %s on average %s", h.Place, together(beyond))
	if h.Group != "" {
		s = groupWords(h.Group) + " " + s
	}
	if h.Side {
		s += " of the patient"
	}
	s += fmt.Sprintf(" (%s)", probability(*h.Adjusted))
	if h.PWithout != nil && *h.PWithout >= habitLevel {
		s += fmt.Sprintf(", resting on case %d", h.farthestCase)
	}
	return s
}

// habitPlace names where a habit is looked for.
func habitPlace(h *Habit) string {
	what := title(h.Place)
	if h.Side {
		what += ", by the patient's sides"
	}
	if h.Group != "" {
		what += ", " + groupWords(h.Group)
	}
	return what
}

// groupWords says which cases a group has.
func groupWords(group string) string {
	switch group {
	case "anterior":
		return "at front teeth"
	case "posterior":
		return "at back teeth"
	}
	return "in " + casefile.Guidance(group).Words() + " cases"
}

func habitWords(h *Habit) string {
	s := fmt.Sprintf("%s: on average %s in %s", habitPlace(h), together(offsets(h)), counted(h.Cases, "case"))
	switch {
	case h.Adjusted == nil:
		return s + "."
	case *h.Adjusted > habitLevel:
		return s + fmt.Sprintf(", no habit beyond chance (%s).", probability(*h.Adjusted))
	}
	return s + fmt.Sprintf("; a habit: %s.", habitFound(h))
}

// together lists parts as one says them.
func together(parts []string) string {
	n := len(parts)
	if n < 2 {
		return strings.Join(parts, "")
	}
	return strings.Join(parts[:n-1], ", ") + " and " + parts[n-1]
}

func percent(v float64) string { return fmt.Sprintf("%.0f %%", 100*v) }

// rate is a share that somebody stated, as it was stated.
func rate(v float64) string { return fmt.Sprintf("%.3g %%", 100*v) }

func successWords(s *Success) string {
	return fmt.Sprintf("%d of %d fixtures are within %g mm at the entry, %g mm at the apex and %g° in angle: %s, 95 %% interval %.0f to %s.", s.Within, s.Of,
		s.Limits.Entry, s.Limits.Apex, s.Limits.Angle, percent(s.Share), 100*s.Low, percent(s.High))
}

// competenceShort says in a few words what is shown of the share outside the limits.
func competenceShort(c *Competence) string {
	most := rate(c.Design.Unacceptable)
	switch n := len(c.Outcomes); {
	case c.Path.Signal > 0:
		return fmt.Sprintf("share outside your limits shown to be under %s, at the %s case counted", most, ordinal(c.Path.Signal))
	case n >= c.Design.Cases:
		return fmt.Sprintf("share outside your limits not shown to be under %s in the %d cases fixed", most, c.Design.Cases)
	default:
		return fmt.Sprintf("share outside your limits not yet shown to be under %s, after %d of %d cases", most, n, c.Design.Cases)
	}
}

func competenceWords(c *Competence) string {
	d := c.Design
	s := title(competenceShort(c)) + "."
	switch {
	case c.Path.Signal > 0:
		s += " That stands, whatever comes after it."
	default:
		s += " That is no proof that it is not."
		if c.More > 0 {
			s += fmt.Sprintf(" %s without a miss would show it", counted(c.More, "more case"))
			if c.Usual > 0 {
				s += fmt.Sprintf(", and of those who miss in %s half are there after %d more", rate(d.Acceptable), c.Usual)
			}
			s += "."
		} else if len(c.Outcomes) < d.Cases {
			s += " The cases that are left can no longer show it."
		}
	}
	s += fmt.Sprintf(" Fixed beforehand (record %d, %s): at most %g mm at the entry, %g mm at the apex and %g° in the first %d cases of which figures came later; of clinicians who miss in %s it is wrongly shown for %s, of those who miss in %s rightly for %s. A case counts once.",
		c.Record, day(c.Fixed), c.Limits.Entry, c.Limits.Apex, c.Limits.Angle, d.Cases, rate(d.Unacceptable), percent(d.ErrorRate), rate(d.Acceptable), percent(d.Power))
	if n := len(c.Without); n > 0 {
		s += fmt.Sprintf(" Not counted, as there are no figures or none to be relied on: %s.", firstNames(c.Without))
	}
	return s
}

// day is the day of a time as records have it.
func day(text string) string {
	if d, _, ok := strings.Cut(text, "T"); ok {
		return d
	}
	return text
}

func firstNames(names []string) string {
	const most = 8
	if len(names) > most {
		return strings.Join(names[:most], ", ") + fmt.Sprintf(" and %d more", len(names)-most)
	}
	return strings.Join(names, ", ")
}

func ordinal(n int) string {
	suffix := "th"
	if n%100 < 11 || n%100 > 13 {
		switch n % 10 {
		case 1:
			suffix = "st"
		case 2:
			suffix = "nd"
		case 3:
			suffix = "rd"
		}
	}
	return fmt.Sprintf("%d%s", n, suffix)
}

// LostWords says how much of the bone to buccal is lost on average; "" of other margins, and
// where that has no interval.
func (m *Margin) LostWords() string {
	if l := m.Lost; m.Kind == cheekBone && l != nil && l.Low != nil {
		return fmt.Sprintf("on average %.1f mm are lost (95 %% of such means: %.1f to %.1f mm).", l.Mean, *l.Low, *l.High)
	}
	return ""
}

func marginWords(m *Margin) string {
	what := title(m.Towards)
	b := m.Bound
	if b.Upper == nil {
		if b.Cases >= BoundCases {
			return what + ": no margin, as the figures are all the same, as rounded ones may be."
		}
		return fmt.Sprintf("%s: no margin yet: %s of the %d that it takes. The largest so far is %.1f mm, which holds %s of the next with a confidence of %s.",
			what, counted(b.Cases, "case"), BoundCases, b.Largest, percent(b.Coverage), percent(b.LargestConfidence))
	}
	go1 := "go farther than %.1f mm"
	if m.Kind != "" {
		go1 = "lose more than %.1f mm"
	}
	s := what + ": " + lower(oneInTwenty(b, go1)) + fmt.Sprintf(", stated with %s confidence for all margins together", percent(m.Together))
	s += largestWords(b)
	s += "."
	if lost := m.LostWords(); lost != "" {
		s += " " + title(lost)
	}
	if m.Rising {
		s += " " + whileRising
	}
	if m.Enough != nil {
		if *m.Enough {
			s += fmt.Sprintf(" You asked for %.1f mm, which is more.", *m.Asked)
		} else {
			s += fmt.Sprintf(" You asked for %.1f mm, which is too little: keep %.1f mm.", *m.Asked, b.Rounded())
		}
	}
	return s
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// ceiling rounds a margin up to a tenth, on the safe side.
func ceiling(v float64) float64 { return math.Ceil(v*10-1e-9) / 10 }
