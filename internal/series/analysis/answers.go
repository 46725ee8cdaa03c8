package analysis

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

// Answers say in a sentence or two each what is asked of a series first.
type Answers struct {
	Better   string `json:"better"`   // whether the clinician gets better
	Now      string `json:"now"`      // how good the clinician is now
	Habit    string `json:"habit"`    // whether there is one
	Room     string `json:"room"`     // how much to keep clear of a structure
	Breaches string `json:"breaches"` // structures entered, margins missed, walls outside the bone

	Worst string `json:"worst,omitempty"` // of Breaches, the structure that came nearest; empty where none did

	breached bool // there are any
}

// TooNear asks what was entered or came too near.
const TooNear = "Too near?"

// List are the answers with what they answer, in the order in which they are told: what
// was entered or came too near before all else.
func (a *Answers) List() [][2]string {
	out := [][2]string{{"Better?", a.Better}, {"How good now?", a.Now}, {"A habit?", a.Habit}, {"How much room?", a.Room}}
	near := [2]string{TooNear, a.Breaches}
	if a.breached {
		return append([][2]string{near}, out...)
	}
	return append(out, near)
}

func (a *Analysis) addAnswers(rows []series.Row) {
	breaches, worst, breached := a.breachWords(rows)
	a.Answers = &Answers{Better: a.betterWords(), Now: a.nowWords(), Habit: a.habitAnswer(), Room: a.roomWords(), Breaches: breaches, Worst: worst, breached: breached}
}

// figure gives what is known of a figure, nil if nothing.
func (a *Analysis) find(f measurement.Figure) *Figure {
	for i := range a.Figures {
		if a.Figures[i].Figure == f {
			return &a.Figures[i]
		}
	}
	return nil
}

func (a *Analysis) betterWords() string {
	n := len(a.Cases)
	if n < someCases {
		return fmt.Sprintf("Not known: %s of the %d that a look at change needs.", counted(n, "case"), someCases)
	}
	var said []string
	for _, f := range primary {
		if x := a.find(f); x != nil && x.Course != nil {
			if answer, s := courseWords(x); s != "" {
				said = append(said, answer+": "+s)
			}
		}
	}
	f := a.find(primary[0])
	if f == nil || f.Course == nil {
		said = append(said, "Not known of the apex deviation, which too few cases have, or all alike.")
	} else if f.Course.Finding == NoFinding && (f.Chart == nil || f.Chart.Worse+f.Chart.Better == 0) {
		said = append(said, notDetected(f))
	}
	return join(said...)
}

// courseWords tells a finding about a figure's course, and what it says of whether the
// clinician gets better; "" where there is none.
func courseWords(f *Figure) (answer, words string) {
	what := f.Figure.Spec().Title
	level := ""
	if f.Now != nil {
		level = fmt.Sprintf(", from about %s at the first case to %s now", amount(f.Now.First, f.Unit), amount(f.Now.Mean, f.Unit))
	}
	if f.Figure.Signed() {
		// The mean of a figure with a sign is no measure of its size.
		what, level = "size of the "+what, ""
	}
	const better, worse = "Yes", "No, worse"
	switch f.Course.Finding {
	case Falls:
		s := fmt.Sprintf("the %s falls%s (%s).", what, level, probability(f.Course.Adjusted))
		if f.Figure.Signed() || f.Now == nil {
			return better, s
		}
		switch n := f.Now; {
		case n.Settled > sure:
			return better, s + fmt.Sprintf(" It has levelled off%s.", sinceWords(n.Since))
		case n.Falling > sure:
			return better, s + " It is still falling."
		}
		return better, s + " Whether it has levelled off cannot be told yet."
	case Rises:
		s := fmt.Sprintf("the %s rises%s (%s).", what, level, probability(f.Course.Adjusted))
		if c := f.Chart; c != nil && c.Worse > 0 {
			s += fmt.Sprintf(" The change began about case %d.", c.WorseSince)
		}
		return worse, s
	}
	switch c := f.Chart; {
	case c != nil && c.Worse > 0:
		return worse, fmt.Sprintf("the %s has changed for the worse from about case %d on%s.", what, c.WorseSince, level)
	case c != nil && c.Better > 0:
		return better, fmt.Sprintf("the %s has changed for the better from about case %d on%s.", what, c.BetterSince, level)
	}
	return "", ""
}

// sure is the probability from which on a shape is said to be that of the record.
const sure = 0.8

func sinceWords(since int) string {
	if since == 0 {
		return ""
	}
	return fmt.Sprintf(" since about case %d", since)
}

// notDetected says that nothing was found, and what would have been.
func notDetected(f *Figure) string {
	s := fmt.Sprintf("No change of the %s is found in %s.", f.Figure.Spec().Title, counted(f.N, "case"))
	if f.SD == nil || math.IsInf(f.Course.Detectable, 0) {
		return s
	}
	return s + fmt.Sprintf(" A drift of %s from the first to the last would be found four times in five.", amount(f.Course.Detectable**f.SD, f.Unit))
}

func (a *Analysis) nowWords() string {
	var said []string
	for i, of := range primary {
		f := a.find(of)
		switch {
		case f == nil:
		case f.Now == nil && i == 0 && f.Low != nil:
			said = append(said, fmt.Sprintf("%s %s on average (95 %% %s)", f.Figure.Spec().Title, amount(f.Mean, f.Unit), span(*f.Low, *f.High, f.Unit)))
		case f.Now == nil:
		case i == 0:
			said = append(said, fmt.Sprintf("%s %s on average (95 %% %s)", f.Figure.Spec().Title, amount(f.Now.Mean, f.Unit), span(f.Now.Low, f.Now.High, f.Unit)))
		case f.Figure.Signed():
			way := "deeper"
			if f.Now.Mean < 0 {
				way = "shallower"
			}
			said = append(said, fmt.Sprintf("the apex %s %s than planned", amount(math.Abs(f.Now.Mean), f.Unit), way))
		default:
			said = append(said, fmt.Sprintf("%s %s", f.Figure.Spec().Title, amount(f.Now.Mean, f.Unit)))
		}
	}
	if len(said) == 0 {
		return fmt.Sprintf("Not known from %s: look at each by itself.", counted(len(a.Cases), "case"))
	}
	s := title(strings.Join(said, ", ")) + "."
	if f := a.find(primary[0]); f != nil && f.Now != nil && len(f.Now.Earlier) > 0 {
		var names []string
		for _, e := range f.Now.Earlier {
			names = append(names, casefile.Guidance(e.Guidance).Words())
		}
		s += fmt.Sprintf(" As guided in the last %d cases; how earlier ones, %s, differ is taken out.", latest, together(names))
	}
	if a.Competence != nil {
		s += " " + title(a.Competence.Short) + "."
	}
	return s
}

func (a *Analysis) habitAnswer() string {
	var found []string
	looked := false
	for i := range a.Habits {
		h := &a.Habits[i]
		if h.Adjusted == nil {
			continue
		}
		looked = true
		if *h.Adjusted <= habitLevel {
			found = append(found, habitFound(h))
		}
	}
	switch {
	case !looked:
		return fmt.Sprintf("Not looked for: it takes %d cases with mesiodistal and buccolingual parts.", someCases)
	case len(found) == 0:
		return "None found at the apex, neither by the site's directions nor by the patient's."
	}
	return "Yes: " + strings.Join(found, "; ") + "."
}

func (a *Analysis) roomWords() string {
	f := a.find(primary[0])
	if f == nil || f.Bound == nil {
		return fmt.Sprintf("Not known yet: it takes %d cases with an apex deviation.", BoundCases)
	}
	b := f.Bound
	if b.Upper == nil {
		return fmt.Sprintf("Not known yet: %s, %d are needed. The largest apex deviation so far is %s.", counted(b.Cases, "case"), BoundCases, amount(b.Largest, f.Unit))
	}
	s := oneInTwenty(b, "end more than %.1f mm from the planned apex") + largestWords(b) + "."
	if b.Cases < wideUnder {
		s += " " + wide
	}
	if a.unsettled() {
		s += " " + whileRising
	}
	for _, m := range a.Margins {
		if m.Asked == nil || m.Bound == nil || m.Bound.Upper == nil {
			continue
		}
		lost := m.Bound.Rounded()
		if *m.Enough {
			s += fmt.Sprintf(" %s you keep %.1f mm, and about one in 20 may lose more than %.1f mm of it.", title(m.Towards), *m.Asked, lost)
		} else {
			s += fmt.Sprintf(" %s the %.1f mm that you keep are too little: more than one in 20 may lose them; %.1f mm would do.", title(m.Towards), *m.Asked, lost)
		}
	}
	return s
}

// largestWords says how a bound lies to the largest figure so far, where that is not under
// it.
func largestWords(b *Bound) string {
	switch {
	case b.FromLargest:
		return "; it is the largest so far, brought to today's level"
	case b.Largest > ceiling(*b.Upper):
		return fmt.Sprintf("; the largest so far was %.1f mm", b.Largest)
	}
	return ""
}

// wide stands beside bounds of few cases.
const wide = "From so few cases that is wide, as harder ones may be to come; it narrows with more."

// whileRising stands beside every bound while a rise or an unexplained change is on.
const whileRising = "While deviations rise or have changed for the worse this holds only if they go no farther: find the reason before you plan by it."

// oneInTwenty words a bound of the usual coverage; others by their share.
func oneInTwenty(b *Bound, what string) string {
	upper := fmt.Sprintf(what, b.Rounded())
	s := fmt.Sprintf("Of your next 20 fixtures about one may %s", upper)
	if b.Coverage != .95 {
		s = fmt.Sprintf("About %s of your next fixtures may %s", percent(1-b.Coverage), upper)
	}
	return s + fmt.Sprintf(" (from %s)", counted(b.Cases, "case"))
}

// breachWords tells of structures entered, margins missed and walls outside the bone in all
// measured fixtures, doubtful ones too, which structure is the worst, "" where there is none, and
// whether there is any of these.
func (a *Analysis) breachWords(rows []series.Row) (words, gravest string, breached bool) {
	var all []series.TableRow
	var worst *measurement.Clearance
	where := ""
	for _, r := range rows {
		if r.Clinician != a.Clinician {
			continue
		}
		all = append(all, series.TableRow{Row: r, Status: series.StatusMeasured})
		for _, c := range r.Clearance {
			if severity.Breach(c) != severity.Entered && severity.Breach(c) != severity.Missed {
				continue
			}
			if worst == nil || *c.Achieved < *worst.Achieved {
				worst, where = &c, fmt.Sprintf("in case %s at %s", r.Case, r.Site)
			}
		}
	}
	b := CountBreaches(all)
	outside := ""
	if b.Bone != nil && b.Bone.Achieved.Outside > 0 {
		outside = fmt.Sprintf("The wall lies outside the bone to buccal at %s.", counted(b.Bone.Achieved.Outside, "fixture"))
	}
	if len(b.Kinds) == 0 {
		s := fmt.Sprintf("Not checked: no structure was given for any of %s.", counted(b.Fixtures, "fixture"))
		if outside != "" {
			s = outside + " " + s
		}
		return s, "", outside != ""
	}
	s := "No structure entered and no margin missed."
	if b.Entered+b.Missed > 0 {
		s = fmt.Sprintf("Structures entered at %s, margins missed at %d of %d.", counted(b.Entered, "fixture"), b.Missed, b.Fixtures)
		what := worst.Kind
		if what == string(casefile.FixtureBody) {
			what += " beside it,"
		}
		gravest = fmt.Sprintf("The nearest: %.1f mm to the %s %s.", *worst.Achieved, what, where)
		if *worst.Achieved < 0 {
			gravest = fmt.Sprintf("The worst: %s entered by %.1f mm %s.", worst.Kind, -*worst.Achieved, where)
		}
		s += " " + gravest
	}
	if outside != "" {
		s += " " + outside
	}
	if b.NotChecked > 0 {
		s += fmt.Sprintf(" Not checked for all that is due: %d.", b.NotChecked)
	}
	return s, gravest, gravest != "" || outside != ""
}
