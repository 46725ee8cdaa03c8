// Package analysis says what a clinician's cases show together: level and spread of
// each deviation, learning, charts, habit, success rate, and the margin that the
// record supports, in one structure that reports and JSON share.
//
// Conventions: the unit of all statistics but bounds and success is the case; of
// several fixtures in one case the mean counts. Lengths mm, angles degrees, signs
// as in package measurement. Cases are counted from 1 in the order of surgery, among
// those whose figures are used. Start with Analyse.
//
// Limits: only measured cases are here, and a scan is taken for clinical reasons,
// so these cases may be the troubled ones; figures describe the clinician's
// cases, not the clinician's worth.
package analysis

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/controlchart"
	"plumbline/internal/stats/learningcurve"
)

// Limits are the largest deviations that count as a success, all three of them.
type Limits = severity.Limits

// Options say what is asked.
type Options struct {
	Clinician string  `json:"clinician,omitempty"` // needed where the rows have several
	Cases     int     `json:"cases"`               // how many a learning curve is fitted to, from the first on
	Seed      uint64  `json:"seed"`                // of all random numbers
	Limits    Limits  `json:"limits"`
	Coverage  float64 `json:"coverage"`   // of bounds
	Assurance float64 `json:"confidence"` // of bounds

	// Target is a stated level for the charts, by the figure's name; a figure
	// without one is held against the clinician's own.
	Target map[string]float64 `json:"target,omitempty"`

	// Designs are what was fixed beforehand, of any clinicians; the last of the chosen one
	// counts.
	Designs []series.Designed `json:"-"`

	brief bool // means and success alone
}

// Defaults are the options that hold where nothing else is asked.
func Defaults() Options {
	return Options{Cases: 50, Seed: 1, Limits: severity.UsualLimits, Coverage: 0.95, Assurance: 0.95}
}

// Case is one case as it counts.
type Case struct {
	Number   int                `json:"number"`
	Case     string             `json:"case"`
	Placed   string             `json:"placed"`
	Sites    []string           `json:"sites"`
	Guidance string             `json:"guidance,omitempty"` // empty where fixtures differ or none is given
	Mean     measurement.Values `json:"mean"`               // of the fixtures
	U        measurement.Values `json:"u"`

	region string // empty where fixtures differ
}

// Analysis is what one clinician's cases show. What could not be had is nil, and
// a note says why.
type Analysis struct {
	Clinician string   `json:"clinician"`
	Options   Options  `json:"options"`
	Cases     []Case   `json:"cases"`
	Fixtures  int      `json:"fixtures"`
	Doubtful  []string `json:"doubtful"`    // cases with fixtures left aside as not to be relied on
	NoFigures []string `json:"no_figures"`  // cases without a deviation
	Later     int      `json:"later_cases"` // behind those that a learning curve is fitted to

	Answers    *Answers    `json:"answers,omitempty"`
	Figures    []Figure    `json:"figures"`
	Habits     []Habit     `json:"habits"`
	Success    *Success    `json:"success,omitempty"`
	Competence *Competence `json:"competence,omitempty"`
	Margins    []Margin    `json:"margins"`
	Groups     []Group     `json:"groups"`
	Notes      []string    `json:"notes"`
	TwoWays    *TwoWays    `json:"two_ways,omitempty"` // nil where nothing was measured twice

	rows []series.Row
}

const (
	// fewCases is the number under which only the cases themselves are listed: an
	// interval of 4 has Student factors beyond 3.
	fewCases = 5
	// someCases is the number under which no chart, curve or group is made.
	someCases = learningcurve.MinCases
)

// mostCases bounds the work: a learning curve is over long before.
const mostCases = 1000

// ErrNoCases means that no row can be used.
var ErrNoCases = errors.New("there is no measured case to analyse")

// Clinicians are the pseudonyms in the rows, sorted.
func Clinicians(rows []series.Row) []string {
	seen := map[string]bool{}
	for i := range rows {
		seen[rows[i].Clinician] = true
	}
	return slices.Sorted(maps.Keys(seen))
}

// Analyse looks at the rows, in the order of surgery, of one clinician.
//
// Errors: ErrNoCases; several clinicians and none chosen; options that make no
// sense; figures that cannot be meant.
func Analyse(rows []series.Row, o Options) (Analysis, error) {
	if err := o.check(); err != nil {
		return Analysis{}, err
	}
	who := Clinicians(rows)
	switch {
	case o.Clinician == "" && len(who) > 1:
		return Analysis{}, fmt.Errorf("the series has the cases of several clinicians; choose one of %s", strings.Join(who, ", "))
	case o.Clinician == "" && len(who) == 1:
		o.Clinician = who[0]
	case len(who) > 0 && !slices.Contains(who, o.Clinician):
		return Analysis{}, fmt.Errorf("there is no case of clinician %q; the series has %s", o.Clinician, strings.Join(who, ", "))
	}
	a := Analysis{Clinician: o.Clinician, Options: o, Doubtful: []string{}, NoFigures: []string{},
		Figures: []Figure{}, Habits: []Habit{}, Margins: []Margin{}, Groups: []Group{}, Notes: []string{}}
	a.collect(rows)
	if len(a.Cases) == 0 {
		return a, ErrNoCases
	}
	a.note()
	if len(a.Cases) < fewCases {
		if o.brief {
			return a, nil
		}
		err := a.addDesigns()
		a.addAnswers(rows)
		return a, err
	}
	for f := range measurement.FigureCount {
		// The parts along the site's directions are looked at together, as a habit.
		if f.Directional() {
			continue
		}
		if err := a.addFigure(f); err != nil {
			return Analysis{}, fmt.Errorf("%s: %w", f, err)
		}
	}
	if o.brief {
		return a, a.addSuccess()
	}
	a.addCourses()
	if err := a.addLevels(); err != nil {
		return Analysis{}, err
	}
	if err := a.addChanges(); err != nil {
		return Analysis{}, err
	}
	if err := a.addHabits(); err != nil {
		return Analysis{}, err
	}
	if err := a.addSuccess(); err != nil {
		return Analysis{}, err
	}
	if err := a.addDesigns(); err != nil {
		return Analysis{}, err
	}
	if err := a.addMargins(); err != nil {
		return Analysis{}, err
	}
	a.addAnswers(rows)
	return a, a.addGroups()
}

func (o *Options) check() error {
	if o.Cases < 1 || o.Cases > mostCases {
		return fmt.Errorf("%d cases: expected 1 to %d", o.Cases, mostCases)
	}
	if !(o.Limits.Entry > 0 && o.Limits.Apex > 0 && o.Limits.Angle > 0) {
		return fmt.Errorf("limits %v mm, %v mm and %v°: expected all above 0", o.Limits.Entry, o.Limits.Apex, o.Limits.Angle)
	}
	if !(o.Coverage > 0 && o.Coverage < 1 && o.Assurance > 0 && o.Assurance < 1) {
		return fmt.Errorf("coverage %v, confidence %v: expected both between 0 and 1", o.Coverage, o.Assurance)
	}
	for name, v := range o.Target {
		if _, err := measurement.ParseFigure(name); err != nil || !(v > 0) {
			return fmt.Errorf("target %v for %q: expected a level above 0 for a figure as it is named in the table", v, name)
		}
	}
	return nil
}

// collect groups the rows by case and takes the mean of their fixtures.
func (a *Analysis) collect(rows []series.Row) {
	var names []string
	of := map[string][]series.Row{}
	for _, r := range rows {
		if r.Clinician != a.Clinician {
			continue
		}
		if _, seen := of[r.Case]; !seen {
			names = append(names, r.Case)
		}
		of[r.Case] = append(of[r.Case], r)
	}
	for _, name := range names {
		var good []series.Row
		doubtful := false
		for _, r := range of[name] {
			switch {
			case r.Doubt:
				doubtful = true
			case r.Deviation != measurement.Values{}:
				good = append(good, r)
			}
		}
		if doubtful {
			a.Doubtful = append(a.Doubtful, name)
		}
		if len(good) == 0 {
			if !doubtful {
				a.NoFigures = append(a.NoFigures, name)
			}
			continue
		}
		a.rows = append(a.rows, good...)
		a.Fixtures += len(good)
		c := Case{Number: len(a.Cases) + 1, Case: name, Placed: good[0].Placed, Guidance: good[0].Guidance, region: good[0].Region()}
		for _, r := range good {
			c.Sites = append(c.Sites, r.Site)
			if r.Guidance != c.Guidance {
				c.Guidance = ""
			}
			if r.Region() != c.region {
				c.region = ""
			}
		}
		for f := range measurement.FigureCount {
			c.Mean[f] = mean(good, func(r *series.Row) *float64 { return r.Deviation[f] })
			// The alignment's error is common to the fixtures of a case, so their
			// uncertainties do not average out.
			c.U[f] = mean(good, func(r *series.Row) *float64 { return r.U[f] })
		}
		a.Cases = append(a.Cases, c)
	}
}

// mean of a figure over the rows that have it; nil if one of them has none.
func mean(rows []series.Row, of func(*series.Row) *float64) *float64 {
	sum := 0.0
	for i := range rows {
		v := of(&rows[i])
		if v == nil {
			return nil
		}
		sum += *v
	}
	sum /= float64(len(rows))
	return &sum
}

func (a *Analysis) note() {
	a.TwoWays = twoWays(a.rows)
	add := func(format string, args ...any) { a.Notes = append(a.Notes, fmt.Sprintf(format, args...)) }
	n := len(a.Cases)
	switch {
	case n < fewCases:
		add("%s, too few for any statistics: look at each by itself. From %d cases on there is a mean, from %d on a look at learning.", title(counted(n, "case")), fewCases, someCases)
	case n < someCases:
		add("%d cases give a mean and little more: intervals are wide, and learning, charts and groups are not looked at under %d cases.", n, someCases)
	case n < 30:
		add("With %d cases intervals and bounds are still wide: how far single fixtures spread is hardly known, and harder cases than these may be to come. They narrow with more cases.", n)
	}
	if len(a.Doubtful) > 0 {
		add("Fixtures with a measurement that is not to be relied on are left aside, the others of their cases are not: %s.", strings.Join(a.Doubtful, ", "))
	}
	if len(a.NoFigures) > 0 {
		add("Cases without a figure are left aside: %s.", strings.Join(a.NoFigures, ", "))
	}
	if a.Later = max(0, n-a.Options.Cases); a.Later > 0 {
		add("A learning curve is fitted to the first %s; all else is about all %d.", counted(a.Options.Cases, "case"), n)
	}
	same := 0
	for i := 1; i < n; i++ {
		if a.Cases[i].Placed == a.Cases[i-1].Placed {
			same++
		}
	}
	if same > 0 {
		add("The order of cases of one day is not known: they are taken in the order of their names, numbers by their size (%s).", counted(same+1, "case"))
	}
	if a.Fixtures > n {
		add("%s in %s: margins and the share within the limits allow for fixtures of one case being alike.", counted(a.Fixtures, "fixture"), counted(n, "case"))
	}
	unmeasured := 0
	for i := range a.Cases {
		if a.Cases[i].U[measurement.Apex] == nil && a.Cases[i].U[measurement.Entry] == nil {
			unmeasured++
		}
	}
	takenAs := "that of the others was taken"
	if unmeasured == n {
		takenAs = "the error of measuring counts as the surgeon's"
	}
	switch unmeasured {
	case 0:
	case 1:
		add("1 case states no uncertainty; %s.", takenAs)
	default:
		add("%d cases state no uncertainty; %s.", unmeasured, takenAs)
	}
}

// points are the cases that have a figure: which, the figure, its uncertainty, which is
// the others' where a case has none.
func (a *Analysis) points(f measurement.Figure) (at []int, y, u []float64) {
	for i, x := range a.valuesOfFigure(f, false) {
		at = append(at, x.number)
		u = append(u, x.u)
		y = append(y, 0)
		for _, v := range x.values {
			y[i] += v / float64(len(x.values))
		}
	}
	return at, y, u
}

// Success is the share of fixtures within the limits.
type Success struct {
	Within int     `json:"within"`
	Of     int     `json:"of"`
	Share  float64 `json:"share"`
	Low    float64 `json:"low95"` // Wilson
	High   float64 `json:"high95"`
	Limits Limits  `json:"limits"`
	Words  string  `json:"words"`
}

// Competence is the learning-curve score: whether the share of fixtures outside the limits
// is shown to be small, by a design that was fixed beforehand. A case counts once, by the
// share of its fixtures, in the order in which cases were recorded, so that what was shown
// is not withdrawn by a later look. The name stands in the JSON; the words say what is shown.
type Competence struct {
	Record   int                   `json:"record"` // that fixed the design
	Fixed    string                `json:"fixed"`  // when, RFC 3339
	Limits   Limits                `json:"limits"`
	Design   controlchart.Outcomes `json:"design"`
	Path     controlchart.Path     `json:"path"`     // by case
	Outcomes []bool                `json:"outcomes"` // by case: all its fixtures within the limits
	// Without are cases since then that have no figures, or none to be relied on.
	Without []string `json:"without"`
	// More is how many more cases without a miss would show it; 0 where it is shown or
	// the cases that are left are too few. Usual is how many it would take in half of
	// clinicians with the acceptable share, from now on; 0 where that is beyond what is left.
	More  int    `json:"more_cases,omitempty"`
	Usual int    `json:"usual_cases,omitempty"`
	Short string `json:"short"` // in a few words
	Words string `json:"words"`
}

// Margin is what the record supports in one direction or at one structure.
type Margin struct {
	Towards string   `json:"towards"`         // in words
	Kind    string   `json:"kind,omitempty"`  // of structure
	Asked   *float64 `json:"asked,omitempty"` // by the last case that has one, mm
	Lost    *Summary `json:"lost,omitempty"`  // clearance lost, planned − achieved, mm
	Bound   *Bound   `json:"bound,omitempty"` // of what the next ones lose
	// Together is the confidence that all margins hold; Bound has that of each.
	Together float64  `json:"confidence_together"`
	Rising   bool     `json:"rising,omitempty"` // a rise or an unexplained change is on
	ToolU    *float64 `json:"tool_u,omitempty"` // the part of the spread that is the tool's own
	Enough   *bool    `json:"enough,omitempty"` // the margin asked for is at least the bound
	Words    string   `json:"words"`
}

// Summary is level and spread of figures.
type Summary struct {
	N       int      `json:"n"`
	Mean    float64  `json:"mean"`
	Low     *float64 `json:"low95,omitempty"` // of the mean, Student's t
	High    *float64 `json:"high95,omitempty"`
	Median  float64  `json:"median"`
	SD      *float64 `json:"sd,omitempty"` // n − 1 in its divisor
	Least   float64  `json:"least"`
	Largest float64  `json:"largest"`
}

func title(s string) string { return strings.ToUpper(s[:1]) + s[1:] }
