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
	"plumbline/internal/stats/hotelling"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/stats/tolerance"
)

// Limits are the largest deviations that count as a success, all three of them.
type Limits = severity.Limits

// Options say what is asked.
type Options struct {
	Clinician string  `json:"clinician,omitempty"` // needed where the rows have several
	Cases     int     `json:"cases"`               // how many, from the first on
	Seed      uint64  `json:"seed"`                // of all random numbers
	Limits    Limits  `json:"limits"`
	Coverage  float64 `json:"coverage"`   // of bounds
	Assurance float64 `json:"confidence"` // of bounds

	Acceptable   float64 `json:"acceptable"`   // failure rate of a competent clinician
	Unacceptable float64 `json:"unacceptable"` // failure rate that must not pass for competent
	ErrorRate    float64 `json:"error_rate"`   // of declaring competence wrongly, within Cases

	// Target is a stated level for the charts, by the figure's name; a figure
	// without one is held against the clinician's own.
	Target map[string]float64 `json:"target,omitempty"`

	brief bool // means and success alone
}

// Defaults are the options that hold where nothing else is asked. Failure rates
// of 10 and 20 % follow the convention that twice the acceptable rate is
// unacceptable; they and 5 % errors are common practice in learning-curve charts.
func Defaults() Options {
	return Options{
		Cases: 50, Seed: 1, Limits: severity.UsualLimits, Coverage: 0.95, Assurance: 0.95,
		Acceptable: 0.1, Unacceptable: 0.2, ErrorRate: 0.05,
	}
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
}

// Analysis is what one clinician's cases show. What could not be had is nil, and
// a note says why.
type Analysis struct {
	Clinician string   `json:"clinician"`
	Options   Options  `json:"options"`
	Cases     []Case   `json:"cases"`
	Fixtures  int      `json:"fixtures"`
	Doubtful  []string `json:"doubtful"`    // cases left aside as not to be relied on
	NoFigures []string `json:"no_figures"`  // cases without a deviation
	Later     int      `json:"later_cases"` // behind the first Options.Cases

	Figures    []Figure    `json:"figures"`
	Habits     []Habit     `json:"habits"`
	Success    *Success    `json:"success,omitempty"`
	Competence *Competence `json:"competence,omitempty"`
	Margins    []Margin    `json:"margins"`
	Groups     []Group     `json:"groups"`
	Notes      []string    `json:"notes"`

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
		return a, nil
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
	if err := a.addHabits(); err != nil {
		return Analysis{}, err
	}
	if err := a.addOutcomes(); err != nil {
		return Analysis{}, err
	}
	if err := a.addMargins(); err != nil {
		return Analysis{}, err
	}
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
	if a.Later = max(0, len(names)-a.Options.Cases); a.Later > 0 {
		names = names[:a.Options.Cases]
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
		c := Case{Number: len(a.Cases) + 1, Case: name, Placed: good[0].Placed, Guidance: good[0].Guidance}
		for _, r := range good {
			c.Sites = append(c.Sites, r.Site)
			if r.Guidance != c.Guidance {
				c.Guidance = ""
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
	add := func(format string, args ...any) { a.Notes = append(a.Notes, fmt.Sprintf(format, args...)) }
	n := len(a.Cases)
	switch {
	case n < fewCases:
		add("%s, too few for any statistics: look at each by itself. From %d cases on there is a mean, from %d on a look at learning.", title(counted(n, "case")), fewCases, someCases)
	case n < someCases:
		add("%d cases give a mean and little more: intervals are wide, and learning, charts and groups are not looked at under %d cases.", n, someCases)
	case n < 30:
		add("With %d cases intervals and bounds are still wide; they narrow with more cases.", n)
	}
	if len(a.Doubtful) > 0 {
		add("Cases with a measurement that is not to be relied on are left aside: %s.", strings.Join(a.Doubtful, ", "))
	}
	if len(a.NoFigures) > 0 {
		add("Cases without a figure are left aside: %s.", strings.Join(a.NoFigures, ", "))
	}
	if a.Later > 0 {
		first := fmt.Sprintf("These are the first %d cases", a.Options.Cases)
		if a.Options.Cases == 1 {
			first = "This is the first case"
		}
		later := fmt.Sprintf("%d later ones are", a.Later)
		if a.Later == 1 {
			later = "1 later one is"
		}
		add("%s; %s not looked at.", first, later)
	}
	if a.Fixtures > n {
		add("%s in %s: those of one case count by their mean, but each by itself for bounds and success, whose promise is a little weaker than stated, as fixtures of one case are alike.", counted(a.Fixtures, "fixture"), counted(n, "case"))
	}
	unmeasured := 0
	for i := range a.Cases {
		if a.Cases[i].U[measurement.Apex] == nil && a.Cases[i].U[measurement.Entry] == nil {
			unmeasured++
		}
	}
	switch unmeasured {
	case 0:
	case 1:
		add("1 case comes without an uncertainty and is taken as exact.")
	default:
		add("%d cases come without an uncertainty and are taken as exact.", unmeasured)
	}
}

// points are the cases that have a figure: which, the figure, its uncertainty.
func (a *Analysis) points(f measurement.Figure) (at []int, y, u []float64) {
	for i := range a.Cases {
		v := a.Cases[i].Mean[f]
		if v == nil {
			continue
		}
		at = append(at, a.Cases[i].Number)
		y = append(y, *v)
		if e := a.Cases[i].U[f]; e != nil {
			u = append(u, *e)
		} else {
			u = append(u, 0)
		}
	}
	return at, y, u
}

// fixtures are a figure's values by fixture, from a case on.
func (a *Analysis) fixtures(from int, of func(*series.Row) *float64) []float64 {
	number := map[string]int{}
	for _, c := range a.Cases {
		number[c.Case] = c.Number
	}
	var out []float64
	for i := range a.rows {
		if v := of(&a.rows[i]); v != nil && number[a.rows[i].Case] >= from {
			out = append(out, *v)
		}
	}
	return out
}

// Habit is the mean offset at one place, in millimetres; that of the tilt is in
// degrees.
type Habit struct {
	Place      string   `json:"place"`      // "entry", "apex", "tilt"
	Directions []string `json:"directions"` // of the parts, the positive side
	*hotelling.Habit
	MeanEllipse *hotelling.Ellipse `json:"mean_ellipse,omitempty"` // 95 % of the mean, mesial against buccal
	NextEllipse *hotelling.Ellipse `json:"next_ellipse,omitempty"` // 95 % of the next case
	Words       string             `json:"words"`
}

func (a *Analysis) addHabits() error {
	for _, h := range []struct {
		place      string
		unit       string
		directions []string
		figures    []measurement.Figure
	}{
		{"entry", "mm", []string{"mesial", "buccal", "deep"}, []measurement.Figure{measurement.EntryMesial, measurement.EntryBuccal, measurement.EntryDepth}},
		{"apex", "mm", []string{"mesial", "buccal", "deep"}, []measurement.Figure{measurement.ApexMesial, measurement.ApexBuccal, measurement.ApexDepth}},
		{"tilt", "°", []string{"mesial", "buccal"}, []measurement.Figure{measurement.TiltMesial, measurement.TiltBuccal}},
	} {
		var x [][]float64
		for _, c := range a.Cases {
			var v []float64
			for _, f := range h.figures {
				if c.Mean[f] != nil {
					v = append(v, *c.Mean[f])
				}
			}
			if len(v) == len(h.figures) {
				x = append(x, v)
			}
		}
		out := Habit{Place: h.place, Directions: h.directions}
		found, err := hotelling.Analyse(x)
		switch {
		case errors.Is(err, hotelling.ErrTooFewCases):
			out.Words = fmt.Sprintf("%s: %s with mesiodistal and buccolingual parts, too few to look for a habit.", title(h.place), counted(len(x), "case"))
			if len(x) == 0 {
				out.Words = fmt.Sprintf("%s: no case has mesiodistal and buccolingual parts, so a habit cannot be looked for.", title(h.place))
			}
		case errors.Is(err, hotelling.ErrNoSpread):
			out.Words = fmt.Sprintf("%s: the figures do not spread in every direction, as rounded ones may; no test of a habit.", title(h.place))
		case err != nil:
			return fmt.Errorf("habit at %s: %w", h.place, err)
		default:
			mean, next := found.Ellipses(0, 1)
			out.Habit, out.MeanEllipse, out.NextEllipse = &found, &mean, &next
			out.Words = habitWords(h.place, h.unit, h.directions, &found)
		}
		a.Habits = append(a.Habits, out)
	}
	return nil
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

// Competence is the learning-curve chart and, after its signal, the chart that
// watches on. Fixtures count one by one.
type Competence struct {
	Design   controlchart.Outcomes  `json:"design"`
	Path     controlchart.Path      `json:"path"`
	Monitor  *controlchart.Outcomes `json:"monitor,omitempty"`
	Watched  *controlchart.Path     `json:"watched,omitempty"` // counted from the fixture after the signal
	Outcomes []bool                 `json:"outcomes"`
	Words    string                 `json:"words"`
}

// Margin is what the record supports in one direction or at one structure.
type Margin struct {
	Towards  string           `json:"towards"`                  // in words
	Kind     string           `json:"kind,omitempty"`           // of structure
	Asked    *float64         `json:"asked,omitempty"`          // by the last case that has one, mm
	Lost     *Summary         `json:"lost,omitempty"`           // clearance lost, planned − achieved, mm
	Bound    *tolerance.Bound `json:"bound,omitempty"`          // of what the next ones lose
	FromCase int              `json:"from_case"`                // earlier ones are learning
	Learning bool             `json:"still_learning,omitempty"` // earlier, worse cases are in the bound, as the curve has not arrived
	ToolU    *float64         `json:"tool_u,omitempty"`         // the part of the spread that is the tool's own
	Enough   *bool            `json:"enough,omitempty"`         // the margin asked for is at least the bound
	Words    string           `json:"words"`
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
