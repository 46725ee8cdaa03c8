package severity

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// gravest has the verdicts in the order in which a case takes its fixtures' over.
var gravest = []measurement.VerdictCode{measurement.StructureEntered, measurement.MarginMissed, measurement.InDoubt,
	measurement.OutsideLimits, measurement.NotChecked, measurement.NothingAgainst}

// Point is one of the things that count of a fixture.
type Point struct {
	Code measurement.VerdictCode
	By   measurement.Blame // of a breach
	Text string            // without the site and without what Code says
}

// Points are what counts of a fixture, the gravest first; doubt tells that its
// figures are in doubt. Where the structure that is due at its site was not given,
// or none at all, it is never said that nothing is against it.
func Points(f measurement.Fixture, doubt bool, l Limits) []Point {
	var out []Point
	for _, c := range Ordered(f.Clearance) {
		s, ok := breach(c)
		if !ok {
			break
		}
		code := measurement.StructureEntered
		if s == Missed {
			code = measurement.MarginMissed
		}
		out = append(out, Point{code, Blame(c), Sentence(c)})
	}
	entered := slices.IndexFunc(out, func(p Point) bool { return p.Code != measurement.StructureEntered })
	if entered < 0 {
		entered = len(out)
	}
	out = slices.Insert(out, entered, Exits(f)...)
	if doubt {
		out = append(out, Point{Code: measurement.InDoubt, Text: "the figures are in doubt; the flags say why"})
	}
	if words := outside(f.Deviation, l); words != "" {
		out = append(out, Point{Code: measurement.OutsideLimits, Text: words})
	}
	absent := unchecked(f.Site, f.Clearance)
	if absent != "" {
		return append(out, Point{Code: measurement.NotChecked, Text: absent})
	}
	if len(out) == 0 {
		out = append(out, Point{Code: measurement.NothingAgainst, Text: ground(f, l)})
	}
	return out
}

// heads begin a point that does not say by itself what it is.
var heads = map[measurement.VerdictCode]string{measurement.OutsideLimits: "outside the stated limits: ",
	measurement.NothingAgainst: "nothing against it: ", measurement.NotChecked: "not checked: "}

// Fixture is the verdict on a fixture: its first point, and all of them in words.
func Fixture(f measurement.Fixture, doubt bool, l Limits) measurement.Verdict {
	points := Points(f, doubt, l)
	v := measurement.Verdict{Code: points[0].Code, By: points[0].By, Doubt: doubt, NotChecked: NotChecked(f.Site, f.Clearance)}
	var said []string
	for _, p := range points {
		said = append(said, heads[p.Code]+p.Text)
	}
	v.Message = strings.Join(said, "; ")
	return v
}

// Case is the verdict on a case, and those on its fixtures in their order. The
// case has the gravest of them; a fixture that was not checked is graver here than
// one that nothing is against.
func Case(c *measurement.Case, l Limits) (measurement.Verdict, []measurement.Verdict) {
	each := make([]measurement.Verdict, len(c.Fixtures))
	var whole measurement.Verdict
	var said []string
	for i, f := range c.Fixtures {
		v := Fixture(f, DoubtIn(c.Flags, c.Alignment.Flags, f.Flags), l)
		each[i] = v
		if i == 0 || slices.Index(gravest, v.Code) < slices.Index(gravest, whole.Code) {
			whole.Code, whole.By = v.Code, v.By
		}
		whole.Doubt = whole.Doubt || v.Doubt
		for _, kind := range v.NotChecked {
			if !slices.Contains(whole.NotChecked, kind) {
				whole.NotChecked = append(whole.NotChecked, kind)
			}
		}
		said = append(said, "site "+f.Site+": "+v.Message)
	}
	whole.Message = strings.Join(said, ". ")
	return whole, each
}

// DoubtIn tells whether a flag says that figures are in doubt.
func DoubtIn(lists ...measurement.Flags) bool {
	return slices.ContainsFunc(lists, func(flags measurement.Flags) bool {
		return slices.ContainsFunc(flags, func(f measurement.Flag) bool { return f.Level == measurement.Doubt })
	})
}

// Title is a verdict in a few words, with what is to be known beside it.
func Title(v measurement.Verdict) string {
	words := map[measurement.VerdictCode]string{
		measurement.StructureEntered: "structure entered", measurement.MarginMissed: "margin missed",
		measurement.InDoubt: "in doubt", measurement.OutsideLimits: "outside the limits",
		measurement.NothingAgainst: "nothing against it",
	}[v.Code]
	if v.By != "" {
		words += " by " + string(v.By)
	}
	parts := []string{words}
	if v.Doubt && v.Code != measurement.InDoubt {
		parts = append(parts, "in doubt")
	}
	for _, kind := range v.NotChecked {
		parts = append(parts, kind+" not checked")
	}
	if v.Code == measurement.NotChecked && len(v.NotChecked) == 0 {
		parts = append(parts, "no structure checked")
	}
	return strings.TrimPrefix(strings.Join(parts, "; "), "; ")
}

// Sentence says what a breach is and whose, without its site; empty where there
// is none.
func Sentence(c measurement.Clearance) string {
	s, ok := breach(c)
	if !ok {
		return ""
	}
	if c.Achieved == nil {
		return fmt.Sprintf("%s; where the fixture lies is not known", OfPlan(c))
	}
	var what string
	switch achieved := *c.Achieved; {
	case achieved == 0:
		what = fmt.Sprintf("the fixture touches or crosses the surface of %s, by how much is not known", c.Structure)
	case s == Entered:
		what = fmt.Sprintf("the fixture %s %s by %s as measured", enters(c), c.Structure, mm(-achieved))
	case Achieved(c) == Missed:
		what = fmt.Sprintf("%s from %s, less than the margin of %s", mm(achieved), c.Structure, margin(*c.Margin))
	default:
		return fmt.Sprintf("%s; as placed it is %s", OfPlan(c), mm(achieved))
	}
	share := printed(*c.Achieved) - printed(c.Planned) // so that the printed figures add up
	placing := fmt.Sprintf("placing took away %s", mm(-share))
	switch {
	case mm(share) == mm(0):
		placing = "placing changed nothing"
	case share > 0:
		placing = fmt.Sprintf("placing gave back %s", mm(share))
	}
	return fmt.Sprintf("%s (by the %s: %s, %s)", what, Blame(c), planShort(c), placing)
}

// OfPlan says how near a plan came to a structure that it entered or whose margin
// it had not kept.
func OfPlan(c measurement.Clearance) string {
	if c.Planned <= 0 {
		return fmt.Sprintf("the plan itself %s %s by %s", enters(c), c.Structure, mm(-c.Planned))
	}
	return fmt.Sprintf("the plan itself left %s to %s, less than the margin of %s", mm(c.Planned), c.Structure, margin(*c.Margin))
}

// planShort is OfPlan beside the structure's name, for any plan.
func planShort(c measurement.Clearance) string {
	switch Planned(c) {
	case Entered:
		return fmt.Sprintf("it went in by %s", mm(-c.Planned))
	case Missed:
		return fmt.Sprintf("it left %s of %s", mm(c.Planned), margin(*c.Margin))
	}
	return fmt.Sprintf("the plan left %s", mm(c.Planned))
}

// enters is the verb for what a fixture does that comes too near to a structure.
func enters(c measurement.Clearance) string {
	if casefile.Kind(c.Kind).Spec().FromInside {
		return "perforates"
	}
	return "reaches into"
}

// printed is a length as it is printed.
func printed(v float64) float64 { return math.Round(100*v) / 100 }

func mm(v float64) string { return strings.TrimPrefix(fmt.Sprintf("%.2f mm", v), "-") }

// margin prints a margin with all its digits, at least one behind the point.
func margin(v float64) string {
	s := strconv.FormatFloat(v, 'f', -1, 64)
	if !strings.Contains(s, ".") {
		s += ".0"
	}
	return s + " mm"
}

// outside says which deviations are beyond their limits; empty where none is.
func outside(d *measurement.Values, l Limits) string {
	beyond := l.Outside(d)
	if len(beyond) == 0 {
		return ""
	}
	var parts []string
	for figure, most := range l.All() {
		if slices.Contains(beyond, figure) {
			parts = append(parts, fmt.Sprintf("%s %s, more than %s", figure.Spec().Title, figure.Unit().Behind(fmt.Sprintf("%.2f", *d[figure])), figure.Unit().Behind(fmt.Sprintf("%g", most))))
		}
	}
	return strings.Join(parts, ", ")
}

// ground says on what ground nothing is against a fixture.
func ground(f measurement.Fixture, l Limits) string {
	within := []string{"no structure entered", "no margin missed", "no doubt"}
	for figure, most := range l.All() {
		if f.Deviation != nil && f.Deviation[figure] != nil {
			within = append(within, figure.Spec().Label+" within "+figure.Unit().Behind(fmt.Sprintf("%g", most)))
		}
	}
	text := strings.Join(within, ", ")
	var unsure []string
	for _, c := range Ordered(f.Clearance) {
		if Achieved(c) == Unsure {
			unsure = append(unsure, c.Structure)
		}
	}
	if len(unsure) > 0 {
		text += "; the margin to " + strings.Join(unsure, ", ") + " is kept, but not surely"
	}
	return text
}

// towards are the words for what was not checked.
var towards = map[casefile.Kind]string{casefile.Nerve: "the nerve canal", casefile.Sinus: "the sinus"}

// unchecked says what was not checked at a site; empty where what is due was.
func unchecked(site string, list []measurement.Clearance) string {
	kind, given := towards[due(site)], "given"
	if due(site) == casefile.Sinus {
		given = "given or found" // which the planning scan is looked through for
	}
	known := slices.ContainsFunc(list, func(c measurement.Clearance) bool { return c.Achieved != nil })
	switch {
	case known && len(NotChecked(site, list)) == 0:
		return ""
	case known:
		return fmt.Sprintf("the distance to %s; none was %s near this site", kind, given)
	case len(list) > 0:
		return "the distance to any structure as placed; it could not be had"
	case kind != "":
		return fmt.Sprintf("the distance to %s and to any other structure; none was %s", kind, given)
	}
	return "the distance to any structure; none was given"
}
