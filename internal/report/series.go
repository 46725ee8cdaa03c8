package report

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/wording"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/stats/learningcurve"
)

// Series is what a report of a clinician's series is made from.
type Series struct {
	File     *series.File // with its chain; nil where the rows come from elsewhere
	Summary  series.Summary
	Analysis analysis.Analysis // of one clinician, with a case at least
	Today    string            // ISO; the day on which the cases stand as the summary says
	Version  string            // of the program
}

// Document makes the report.
func (s Series) Document(o Options) *Document {
	a := &s.Analysis
	who := outside(a.Clinician)
	var table []series.TableRow
	others := false
	for _, r := range s.Summary.Table() {
		if r.Clinician == a.Clinician || r.Clinician == "" {
			table = append(table, r)
		} else {
			others = true
		}
	}
	first, last := a.Cases[0].Placed, a.Cases[len(a.Cases)-1].Placed
	d := &Document{
		Title: "Series of " + who + ", placement against plan",
		Foot:  "Series of " + who + " · to " + outside(last) + " · plumbline " + outside(s.Version),
		Date:  last,

		Simulated: s.Summary.Simulated(),
	}
	facts := [][2]string{
		{"Cases with figures", fmt.Sprint(len(a.Cases))},
	}
	if a.Fixtures != len(a.Cases) {
		facts = append(facts, [2]string{"Fixtures", fmt.Sprint(a.Fixtures)})
	}
	when := outside(first)
	if last != first {
		when += " to " + outside(last)
	}
	facts = append(facts, [2]string{"Surgery", when})
	if s.Today != "" {
		facts = append(facts, [2]string{"Cases as of", outside(s.Today)})
	}
	if s.File != nil && s.File.Receipt() != "" {
		facts = append(facts, [2]string{"Receipt", s.File.Receipt()})
	}
	d.add(masthead{Kicker: "Fixture placement against plan, case by case", Title: "The series of " + who, Facts: facts})
	d.chainDoubt(s.File)
	if b := analysis.CountBreaches(table); b.Entered+b.Missed > 0 {
		worst := ""
		if a.Answers != nil {
			worst = outside(a.Answers.Worst)
		}
		d.breaches(table, worst)
	}
	d.withdrawals(&s.Summary)
	d.seriesAnswers(s, others)
	d.everyCase(table)
	if len(a.Figures) == 0 {
		d.strips(a)
	}
	d.room(a, table)
	d.learning(a)
	d.habits(a)
	d.allCases(table, o)
	d.chain(s)
	d.appendix(a, s)
	return d
}

// chainDoubt tells before all else that the file is not as it was written.
func (d *Document) chainDoubt(f *series.File) {
	if f == nil || len(f.Faults) == 0 {
		return
	}
	items := []string{"The series file is not as it was written. What follows is made from the records that can still be read."}
	for _, x := range f.Faults {
		items = append(items, sentence(x.Message))
	}
	d.add(notice{Title: notToBeReliedOn, Grave: true, Items: items})
}

// find gives what an analysis says of a figure, nil if nothing.
func find(a *analysis.Analysis, figure measurement.Figure) *analysis.Figure {
	for i := range a.Figures {
		if a.Figures[i].Figure == figure {
			return &a.Figures[i]
		}
	}
	return nil
}

// whichCases heads what the records say of all cases.
const whichCases = "Which cases these are"

// levelNow gives a figure's level now, or the mean of the cases where they are too few for
// one; false where there is neither.
func levelNow(f *analysis.Figure) (value, low, high float64, what string, ok bool) {
	switch {
	case f == nil:
	case f.Now != nil:
		return f.Now.Mean, f.Now.Low, f.Now.High, "now, on average", true
	case f.Low != nil && f.High != nil:
		return f.Mean, *f.Low, *f.High, "mean of the cases", true
	}
	return 0, 0, 0, "", false
}

// seriesAnswers is what is asked first.
func (d *Document) seriesAnswers(s Series, others bool) {
	d.add(heading{Level: 2, Text: "What the series shows"}, answerTable(&s, others))
}

// levels are how far off now, each figure on its ruler.
func levels(a *analysis.Analysis) gauges {
	full := map[measurement.Unit]float64{}
	for _, x := range measurement.Wholes() {
		if _, _, high, _, ok := levelNow(find(a, x)); ok {
			full[x.Unit()] = drawing.GaugeFull(x.Unit().Symbol(), full[x.Unit()], high)
		}
	}
	var row gauges
	for _, x := range measurement.Wholes() {
		f := find(a, x)
		value, low, high, what, ok := levelNow(f)
		if !ok {
			continue
		}
		row.Items = append(row.Items, gauge{Name: x.Heading() + ", " + what, Value: wording.Of(value, x.Unit().Symbol()),
			Note:    "95 %: " + wording.Interval(measurement.Interval{Low: low, High: high}, x.Unit().Symbol()) + "; single cases " + wording.Interval(measurement.Interval{Low: f.Least, High: f.Largest}, x.Unit().Symbol()),
			Drawing: drawing.Gauge{Name: x.Heading() + ", " + what, Value: value, Low: low, High: high, Unit: x.Unit().Symbol(), Full: full[x.Unit()]}.Draw()})
	}
	return row
}

// appendix is the statistics behind the answers.
func (d *Document) appendix(a *analysis.Analysis, s Series) {
	d.add(heading{Level: 2, Text: "Appendix: the statistics", Page: true})
	var said []string
	said = append(said, a.Notes...)
	if a.Success != nil {
		said = append(said, a.Success.Words)
		if a.Competence != nil {
			said = append(said, a.Competence.Words)
		}
	}
	if len(said) > 0 {
		d.add(list{Items: outsideAll(said)})
	}
	d.charts(a)
	if t := twoWaysTable(a); len(t.Rows) > 0 {
		d.add(heading{Level: 3, Text: twoWaysTitle}, t)
	}
	d.groups(a)
	d.references(a)
	d.seriesMethod(a, s)
}

func outsideAll(list []string) []string {
	out := make([]string, len(list))
	for i, x := range list {
		out[i] = outside(x)
	}
	return out
}

// besideTheAnswer stands under a curve that seems to go against the first answer.
const besideTheAnswer = "\"Better?\" on the first page goes by the apex and the angle alone: with more figures to choose from, chance would look like learning more often."

func (d *Document) learning(a *analysis.Analysis) {
	var group pictures
	group.Across = 1
	for _, x := range measurement.Wholes() {
		f := find(a, x)
		if f == nil {
			continue
		}
		c := drawing.CurveChart{Name: x.Spec().Title, Unit: x.Unit().Symbol(), Last: len(a.Cases)}
		for i, number := range f.At {
			of := a.Cases[number-1]
			p := drawing.CasePoint{Case: number, Name: of.Case}
			p.Y = *of.Mean[x]
			if u := of.U[x]; u != nil {
				p.U = *u
			}
			if f.Learning != nil {
				p.Far = slices.Contains(f.Learning.Outliers, i+1)
			}
			c.Points = append(c.Points, p)
		}
		if l := f.Learning; l != nil {
			if l.Curve != nil {
				for i := range l.Cases {
					c.Curve = append(c.Curve, l.Curve.Level(float64(i+1)))
				}
				for _, b := range l.Band {
					c.Band = append(c.Band, [2]float64{b.Low, b.High})
				}
				if l.Plateau != nil {
					c.Plateau = l.Plateau.Value
				}
			} else {
				c.Level = l.Mean
			}
		}
		for _, p := range f.Published {
			if p.Low != nil && p.High != nil {
				c.Published = append(c.Published, drawing.Span{Low: *p.Low, High: *p.High, Name: "published " + wording.Interval(measurement.Interval{Low: *p.Low, High: *p.High}, c.Unit)})
				break
			}
		}
		text := f.Words.Caption()
		if f.Course == nil && f.Learning != nil && f.Learning.Verdict == learningcurve.Learning {
			text += " " + besideTheAnswer
		}
		c.Alt = "Chart of the " + x.Spec().Title + " case by case. " + text
		group.Items = append(group.Items, atWidths(func(width float64) drawing.Drawing { return c.Draw(width, 48) }, outside(text)))
	}
	if len(group.Items) > 0 {
		d.add(heading{Level: 2, Text: "Better or worse, case by case"})
		if g := levels(a); len(g.Items) > 0 {
			d.add(g)
		}
		d.add(
			paragraph{Small: true, Text: "A dot is a case, its bar the 95 % interval of the measurement. A ring marks and names a case far from the others. Hatched is the mean of the first published study in the list of references that fits, with its 95 % interval: other people's patients, for comparison only."},
			group)
	}
}

func (d *Document) charts(a *analysis.Analysis) {
	var group pictures
	group.Across = 2
	for i := range a.Figures {
		f := &a.Figures[i]
		c := f.Chart
		if c == nil || len(c.Sums) == 0 {
			continue
		}
		text := f.Figure.Heading() + ". " + f.Words.Chart
		sums := drawing.SumChart{Name: f.Figure.Heading(), First: c.FromCase, Worse: c.Worse, Better: c.Better, Alt: "CUSUM chart. " + text}
		spread := 1.0
		if c.EWMA != nil {
			spread = c.EWMA.Sigma
		}
		sums.Limit = c.CUSUM.Limit / spread
		for _, p := range c.Sums {
			sums.Above = append(sums.Above, p.High/spread)
			sums.Below = append(sums.Below, p.Low/spread)
		}
		group.Items = append(group.Items, picture{Drawing: sums.Draw(82, 48), Caption: outside(text)})
		if c.EWMA != nil {
			group.Items = append(group.Items, meanChart(f))
		}
	}
	if len(group.Items) == 0 && a.Competence == nil {
		return
	}
	d.add(heading{Level: 3, Text: "Control charts"})
	if len(group.Items) > 0 {
		d.add(paragraph{Small: true, Text: "A CUSUM adds up what lies over and under what a case is held against, by more than half a spread; beyond the limit it signals a lasting change. Without a stated level each case is held against those before it. A chart is for noticing change, not for judging a level."}, group)
	}
	if f := find(a, measurement.Apex); f != nil && f.Chart == nil {
		why := fmt.Sprintf("A chart needs %d cases that spread.", learningcurve.MinCases)
		if f.Course != nil && f.Course.Finding == analysis.Falls {
			why = analysis.NoLevel
		}
		d.add(paragraph{Text: noChart([]string{f.Figure.Spec().Title}, why)})
	}
	if c := a.Competence; c != nil {
		d.add(heading{Level: 3, Text: "Share within the limits, case by case"},
			pictures{Across: 1, Items: []picture{atWidths(func(width float64) drawing.Drawing {
				return drawing.ScoreChart{Score: c.Path.Score, Success: c.Outcomes, Limit: c.Design.Limit, Signal: c.Path.Signal, Alt: "Score of the share within the limits: " + c.Short + "."}.Draw(width, 48)
			}, outside("The score: "+c.Short+"."))}})
	}
}

// meanChart draws the moving mean against a stated target.
func meanChart(f *analysis.Figure) picture {
	c, unit := f.Chart, f.Figure.Unit().Symbol()
	back := func(v float64) float64 { return v }
	made := ""
	if c.Scale == "square root" {
		back = func(v float64) float64 { return math.Max(0, v) * math.Max(0, v) }
		made = ", made on the square roots of the figures, which are nearly normal"
	}
	text := f.Figure.Heading() + ": moving mean of the cases (EWMA)" + made + "."
	m := drawing.MeanChart{Name: f.Figure.Heading(), Unit: unit, First: c.FromCase, Target: back(c.EWMA.Target), Alt: "EWMA chart. " + text}
	for _, p := range c.Averages {
		m.Value = append(m.Value, back(p.Value))
		m.Low = append(m.Low, back(p.Low))
		m.High = append(m.High, back(p.High))
	}
	return picture{Drawing: m.Draw(82, 48), Caption: text}
}

func noChart(names []string, why string) string {
	return "No control chart of " + wording.List(names) + ". " + why
}

func (d *Document) habits(a *analysis.Analysis) {
	if len(a.Habits) == 0 {
		return
	}
	group := habitPictures(a)
	d.add(heading{Level: 2, Text: "Habit"})
	if len(group.Items) > 0 {
		d.add(group)
	}
	d.add(list{Items: outsideAll(habitSentences(a))})
}

func habitSentences(a *analysis.Analysis) []string {
	var out []string
	for _, h := range a.Habits {
		out = append(out, h.Words)
	}
	return out
}

// marginTable has a line for each direction and structure, and says what was asked
// for where anything was.
func marginTable(a *analysis.Analysis) table {
	asked := slices.ContainsFunc(a.Margins, func(m analysis.Margin) bool { return m.Asked != nil })
	t := table{Dense: true}
	add := func(head string, share float64) { t.Columns = append(t.Columns, column{Head: head, Share: share}) }
	add("direction", 34)
	add("cases", 13)
	add("one in 20 beyond", 22)
	if asked {
		add("asked for", 14)
		add("is it more?", 16)
	}
	add("largest so far", 20)
	for _, m := range a.Margins {
		b := m.Bound
		bound := fmt.Sprintf("from %d cases on", analysis.BoundCases)
		switch {
		case b.Upper != nil && m.Rising:
			bound = fmt.Sprintf("▲ %.1f mm, rising", b.Rounded())
		case b.Upper != nil:
			bound = fmt.Sprintf("%.1f mm", b.Rounded())
		case b.Cases >= analysis.BoundCases:
			bound = "none"
		}
		cells := []string{outside(m.Towards), fmt.Sprint(b.Cases), bound}
		if asked {
			level, enough := "", ""
			if m.Asked != nil {
				level = fmt.Sprintf("%.1f mm", *m.Asked)
			}
			if m.Enough != nil {
				enough = map[bool]string{true: "more", false: "▲ too little"}[*m.Enough]
			}
			cells = append(cells, level, enough)
		}
		t.Rows = append(t.Rows, row{Cells: append(cells, fmt.Sprintf("%.1f mm", b.Largest)), Strong: m.Enough != nil && !*m.Enough})
	}
	return t
}

// margins says how much room these cases call for.
func (d *Document) margins(a *analysis.Analysis) {
	if len(a.Margins) == 0 {
		return
	}
	d.add(heading{Level: 3, Text: marginTitle},
		paragraph{Small: true, Text: fmt.Sprintf("Keep this far from a structure when you plan. About one in 20 of the next fixtures goes farther in a direction, up to one in ten in one or another. In %.0f %% of such records all margins are wide enough, so each is wider than it would have to be by itself. They are rounded up to a tenth of a millimetre.", 100*a.Options.Assurance)},
		marginTable(a))
	for i := range a.Margins {
		if lost := a.Margins[i].LostWords(); lost != "" {
			d.add(paragraph{Small: true, Text: outside("The margin " + a.Margins[i].Towards + ": " + lost)})
		}
	}
}

const marginTitle = "The margin that these cases call for"

func marginSentences(a *analysis.Analysis) []string {
	var out []string
	for _, m := range a.Margins {
		out = append(out, m.Words)
	}
	return out
}

func (d *Document) groups(a *analysis.Analysis) {
	if t := groupTable(a); len(t.Rows) > 0 {
		d.add(heading{Level: 3, Text: "Groups"}, t)
	}
}

// meanWords is a mean with its interval, where there are cases enough for one.
func meanWords(s *analysis.Summary) string {
	switch {
	case s == nil:
		return ""
	case s.Low == nil || s.High == nil:
		return fmt.Sprintf("%.2f", s.Mean)
	}
	return fmt.Sprintf("%.2f (%.2f to %.2f)", s.Mean, *s.Low, *s.High)
}

func groupTable(a *analysis.Analysis) table {
	t := table{Dense: true, Caption: "Mean with its 95 % interval. Groups differ in more than what they are named for; they are not a trial",
		Columns: []column{{Head: "group", Share: 30}, {Head: "fixtures", Share: 12}, {Head: "entry, mm", Share: 26}, {Head: "apex, mm", Share: 26}, {Head: "angle, °", Share: 26}, {Head: "within limits", Share: 22}}}
	for _, g := range a.Groups {
		name := g.Name
		if g.By == "guidance" {
			name = wording.Guidance(name)
		}
		r := row{Cells: []string{outside(g.By + ": " + name), fmt.Sprint(g.Fixtures), meanWords(g.Entry), meanWords(g.Apex), meanWords(g.Angle), ""}}
		if g.Success != nil {
			r.Cells[5] = fmt.Sprintf("%d of %d", g.Success.Within, g.Success.Of)
		}
		if g.Note != "" {
			r.Cells[2] = "too few"
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

const everyFixture = "Every fixture of every case in the order of surgery"

// allCases lists every case that the file knows of.
func (d *Document) allCases(rows []series.TableRow, o Options) {
	withBone := slices.ContainsFunc(rows, func(r series.TableRow) bool { return r.Bone != nil })
	clearance, caption := 52.0, everyFixture+"; "+twiceU
	if withBone {
		clearance, caption = 34, caption+"; "+buccalBone
	}
	t := table{Fine: true, Caption: caption,
		Columns: withWholes([]column{{Head: "case", Share: 15}, {Head: "placed", Share: 24}, {Head: "site", Share: 10}, {Head: "guidance", Share: 33}}, 22,
			column{Head: "clearance (margin)", Share: clearance}, column{Head: "what became of it", Share: 30})}
	if withBone {
		t.Columns = append(t.Columns, column{Head: "bone", Share: 52 - clearance})
	}
	for i := range rows {
		r := &rows[i]
		guidance := ""
		if r.Guidance != "" {
			guidance = outside(wording.Guidance(r.Guidance))
		}
		cells := append(append([]string{outside(r.Case), outside(r.Placed), o.rowSite(r), guidance}, wholeValues(r)...), rowClearance(r, ""), becameOf(r))
		if withBone {
			cells = append(cells, rowBone(r))
		}
		t.Rows = append(t.Rows, row{Strong: r.Status != series.StatusMeasured || r.Doubt || r.Verdict().By != "", Cells: cells})
	}
	d.add(heading{Level: 2, Text: "All cases"}, t)
}

// buccalBone says what bone stands in the tables of fixtures.
const buccalBone = "bone is the least outside the wall to buccal in the planning scan, as placed and in brackets as planned, mm"

// rowBone is the least bone to buccal of a row, as placed and in brackets as planned.
func rowBone(r *series.TableRow) string {
	b := r.Bone
	if b == nil {
		return ""
	}
	text := func(mm *float64, atMost bool) string {
		switch {
		case mm == nil:
			return "not known"
		case atMost:
			return "< " + tenths(*mm)
		}
		return tenths(*mm)
	}
	return text(b.Achieved, b.AchievedAtMost) + " (" + text(b.Planned, b.PlannedAtMost) + ")"
}

// becameOf is what became of a row's case, and of its seal.
func becameOf(r *series.TableRow) string {
	became := "seal " + sealWords(r.Seal)
	if r.Status != series.StatusMeasured || r.Doubt {
		became = statusWords(r) + "; " + became
	}
	return became
}

// rowClearance is the clearance of a row that is nearest relative to its margin, and
// what is to be said of it; "" for a row without figures. asked stands behind the margin.
func rowClearance(r *series.TableRow, asked string) string {
	v := r.Verdict()
	c := severity.Tightest(r.Clearance)
	switch {
	case c == nil && r.Deviation == (measurement.Values{}):
		return ""
	case c == nil:
		return "not checked"
	}
	text := clearanceText(*c, asked)
	switch severity.Breach(*c) {
	case severity.Entered:
		text = marks[severity.Entered] + " " + text + ", entered by " + string(v.By)
	case severity.Missed:
		text = marks[severity.Missed] + " " + text + ", missed by " + string(v.By)
	}
	for _, kind := range v.NotChecked {
		text += "; " + kind + " not checked"
	}
	return text
}

// breachTable counts structures entered and margins missed, by kind and share.
func breachTable(b analysis.Breaches) table {
	t := table{Dense: true, Caption: "Structures entered and margins missed, in fixtures; what is by plan and transfer both counts for each",
		Columns: []column{{Head: "structure", Share: 20}, {Head: "fixtures", Share: 14}, {Head: "entered", Share: 14}, {Head: "by the plan", Share: 18}, {Head: "by the transfer", Share: 18},
			{Head: "margin missed", Share: 20}, {Head: "by the plan", Share: 18}, {Head: "by the transfer", Share: 18}}}
	for _, k := range b.Kinds {
		r := row{Cells: []string{outside(k.Kind)}, Strong: k.Entered.All+k.Missed.All > 0}
		for _, n := range []int{k.Fixtures, k.Entered.All, k.Entered.Plan, k.Entered.Transfer, k.Missed.All, k.Missed.Plan, k.Missed.Transfer} {
			r.Cells = append(r.Cells, fmt.Sprint(n))
		}
		t.Rows = append(t.Rows, r)
	}
	return t
}

// breaches says which structures were entered and which margins missed, and which is the
// worst of it, where that is given.
func (d *Document) breaches(rows []series.TableRow, worst string) {
	b := analysis.CountBreaches(rows)
	items := b.Points
	if worst != "" {
		items = slices.Insert(slices.Clone(items), min(2, len(items)), worst)
	}
	d.breachNotice(&b, items)
}

// breachNotice says what there is to say of breaches.
func (d *Document) breachNotice(b *analysis.Breaches, items []string) {
	if len(items) > 0 {
		d.add(notice{Title: "Structures and margins", Items: items, Grave: b.Entered+b.Missed > 0})
	}
}

// rowSite is the site of a row in the numbering; "" where none is known.
func (o Options) rowSite(r *series.TableRow) string {
	if r.Site == "" {
		return ""
	}
	_, label, _ := o.site(r.Site)
	return label
}

// withWholes puts a column for each whole figure between others.
func withWholes(before []column, share float64, behind ...column) []column {
	for _, f := range measurement.Wholes() {
		before = append(before, column{Head: f.Spec().Label + ", " + f.Unit().Symbol(), Share: share})
	}
	return append(before, behind...)
}

// wholeValues are the cells of a row for those columns.
func wholeValues(r *series.TableRow) []string {
	var out []string
	for _, f := range measurement.Wholes() {
		out = append(out, withU(r.Deviation[f], r.U[f]))
	}
	return out
}

func statusWords(r *series.TableRow) string {
	switch r.Status {
	case series.StatusMeasured:
		if r.Doubt {
			return "▲ measured, in doubt"
		}
		return "measured"
	case series.StatusOpen:
		return "○ surgery to come"
	case series.StatusMissing:
		return "▲ sealed, never measured"
	case series.StatusLeftOut:
		return fmt.Sprintf("■ left out (record %d): %s", r.Record, outside(r.Reason))
	case series.StatusWithdrawn:
		return fmt.Sprintf("■ withdrawn (record %d) on %s: %s", r.Record, timeWords(r.Withdrawn.When), outside(r.Reason))
	case series.StatusReplaced:
		return fmt.Sprintf("▲ measured again (record %d): %s", r.Record, outside(r.Reason))
	}
	return outside(string(r.Status))
}

func sealWords(s series.Seal) string {
	switch s {
	case series.SealKept:
		return "● kept"
	case series.SealWaiting:
		return "○ waiting"
	case series.SealChanged:
		return "▲ plan changed"
	case series.SealUnknown:
		return "not known"
	case series.SealLate:
		return "▲ late"
	case series.SealNone:
		return "none"
	}
	return outside(string(s))
}

// references lists the published figures beside the clinician's.
func (d *Document) references(a *analysis.Analysis) {
	t, sources := referenceTable(a, true)
	if len(t.Rows) == 0 {
		return
	}
	d.add(heading{Level: 3, Text: "Published references"}, t)
	for _, source := range sources {
		d.add(paragraph{Small: true, Text: source})
	}
}

// between is an interval behind a figure that has the unit.
func between(low, high float64, unit string) string {
	return strings.TrimSuffix(wording.Interval(measurement.Interval{Low: low, High: high}, unit), " "+unit)
}

// referenceTable has a line for each published figure, with the clinician's own
// beside it where that is asked for, and the sources in the order of their numbers.
func referenceTable(a *analysis.Analysis, beside bool) (t table, sources []string) {
	t = table{Dense: true, Caption: "Published figures of other people's patients. They differ in patients, sites and methods; they are no target",
		Columns: []column{{Head: "figure", Share: 14}, {Head: "published", Share: 37}}}
	if beside {
		t.Columns = append(t.Columns, column{Head: "this series", Share: 37})
	}
	t.Columns = append(t.Columns, column{Head: "this series is", Share: 22}, column{Head: "what was published", Share: 58})
	var known []string
	for _, x := range measurement.Wholes() {
		f := find(a, x)
		if f == nil {
			continue
		}
		unit := x.Unit().Symbol()
		own := wording.Of(f.Mean, unit)
		if f.Low != nil && f.High != nil {
			own += " (" + between(*f.Low, *f.High, unit) + ")"
		}
		for _, p := range f.Published {
			published := wording.Of(p.Mean, unit)
			switch {
			case p.Low != nil && p.High != nil:
				published += " (" + between(*p.Low, *p.High, unit) + ")"
			case p.SD != nil:
				published += ", spread " + wording.Of(*p.SD, unit)
			}
			at := slices.Index(known, p.Source)
			if at < 0 {
				at = len(known)
				known = append(known, p.Source)
				sources = append(sources, fmt.Sprintf("[%d] %s.", at+1, strings.TrimRight(p.Source, ".")))
			}
			cells := []string{x.Spec().Label, published}
			if beside {
				cells = append(cells, own)
			}
			t.Rows = append(t.Rows, row{Cells: append(cells, placeWords(p.Place), fmt.Sprintf("%s, %s [%d]", p.What, p.N, at+1))})
		}
	}
	return t, sources
}

func placeWords(p analysis.Place) string {
	switch p {
	case analysis.Below:
		return "lower"
	case analysis.Above:
		return "higher"
	case analysis.Within:
		return "no clear difference"
	}
	return "no interval to compare"
}

// limitsSource says where limits come from; "" where they are the reader's own.
func limitsSource(l analysis.Limits) string {
	if l != analysis.Defaults().Limits {
		return ""
	}
	return severity.LimitsSource
}

func (d *Document) seriesMethod(a *analysis.Analysis, s Series) {
	o := a.Options
	d.add(heading{Level: 3, Text: "How it was made"},
		list{Items: []string{
			"The unit is the case. Fixtures of one case are alike: a mixed model (fixture within case, restricted likelihood, the measurement's own uncertainty known) says by how much, and cases count by it.",
			"Level now: the mean of single fixtures at the last case, averaged over one level, a steady drift, a decay, two phases and a step by their posterior probabilities; what earlier ways of guidance change is taken out.",
			"Rise and fall: a test of ranks freed of guidance and region, whose error of 5 % is that of a look after every case up to a hundred and of the apex deviation, the depth at the apex and the angle together (Holm). A learning curve is fitted where one of them falls; its intervals hold what falling curves that fit nearly as well would give.",
			"Chart: a self-starting CUSUM of the ranks among the cases before, slack half a spread, with a limit that grows as the root of the number of cases, beside which it is drawn; 25 in 1000 steady records of 100 cases have a false signal. Against a stated level: CUSUM with a limit of five spreads, EWMA with a weight of 0.1.",
			strings.TrimSpace(fmt.Sprintf("Outcomes: a fixture is within the limits with an entry deviation of at most %g mm, an apex deviation of at most %g mm and an angle of at most %g°; a case counts once. %s", o.Limits.Entry, o.Limits.Apex, o.Limits.Angle, limitsSource(o.Limits))),
			"Habit: Hotelling's test that the mean offset is zero, for a look after every case; 95 % ellipses of the mean and of the next case.",
			fmt.Sprintf("Margins: one-sided tolerance bounds for %.0f %% of the next fixtures with %.0f %% confidence about the level now, averaged over shapes and scales, widened for heavy tails, never under the largest so far as it would be now; told from %d cases on.", 100*o.Coverage, 100*o.Assurance, analysis.BoundCases),
			fmt.Sprintf("Made with plumbline %s; seed of the random numbers %d; a learning curve is fitted to the first %d cases.", outside(s.Version), o.Seed, o.Cases),
		}},
		notice{Title: "Cautions", Items: append([]string{
			"A series describes these cases, not a clinician's worth: a follow-up scan is taken for a clinical reason, so that the troubled cases may be over-represented.",
		}, wording.Cautions...)})
}
