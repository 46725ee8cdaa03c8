package report

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/evidence"
	"plumbline/internal/measurement"
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/wording"
	"plumbline/internal/tooth"
)

// Options says how a report is made.
type Options struct {
	Numbering tooth.System // of the sites; "" is ISO 3950
	Recorded  *Recorded    // of a case's report; nil where no series file is at hand
	Uncoded   bool         // a plan is read back without the codes of flags, which only scripts look for
}

// Recorded is what a series file tells of a case: days, ISO; empty where it has none.
type Recorded struct{ Sealed, Measured string }

// dates are the days of a case in their order, as far as they are known.
func (o Options) dates(c *measurement.Case) [][2]string {
	out := [][2]string{{"Planning scan", c.Inputs.PreDate}}
	sealed, measured := "", ""
	if o.Recorded != nil {
		sealed, measured = o.Recorded.Sealed, o.Recorded.Measured
		if sealed == "" {
			sealed = "not before surgery"
		}
	}
	out = append(out, [2]string{"Plan sealed", sealed}, [2]string{"Surgery", c.Placed}, [2]string{"Follow-up scan", c.Inputs.PostDate}, [2]string{"Measured", measured})
	out = slices.DeleteFunc(out, func(x [2]string) bool { return x[1] == "" })
	for i := range out {
		out[i][1] = outside(out[i][1])
	}
	return out
}

// site words a site by number and name; what is no tooth stays as it was.
func (o Options) site(label string) (tooth.Number, string, string) {
	n, err := tooth.Parse(label, tooth.ISO3950)
	if err != nil {
		return 0, outside(label), ""
	}
	system := o.Numbering
	if system == "" {
		system = tooth.ISO3950
	}
	return n, n.Label(system), n.Name()
}

func (o Options) numbering() string {
	if o.Numbering == tooth.Universal {
		return "universal numbering"
	}
	return "ISO 3950"
}

// Stored is the report of a measurement without its scans: all figures, and no
// cuts through the scan.
func Stored(c *measurement.Case, o Options) *Document { return caseReport(c, nil, o) }

// scenes are the pictures of a case's fixtures, in their order.
type scenes struct {
	fixtures []fixturePictures
}

// fixturePictures are the pictures of one fixture.
type fixturePictures struct {
	shown     string    // what is cut, as in "follow-up scan"
	nearest   []picture // what comes nearest, before and after
	space     picture
	cuts      []picture
	rulers    *drawing.Rulers
	alignment []drawing.Drawing
	beside    []drawing.Drawing // the alignment of a second record
}

func caseReport(c *measurement.Case, s *scenes, o Options) *Document {
	name := outside(c.Case)
	d := &Document{
		Title: "Case " + name + ", placement against plan",
		Foot:  "Case " + name + " · placed " + outside(c.Placed) + " · plumbline " + outside(c.Program.Version),
		Date:  c.Placed,

		Simulated: c.Simulated,
	}
	var sites []string
	for _, f := range c.Fixtures {
		_, label, _ := o.site(f.Site)
		sites = append(sites, label)
	}
	d.add(masthead{
		Kicker: "Fixture placement against its plan",
		Title:  "Case " + name,
		Facts: append(o.dates(c), [][2]string{
			{"Clinician", outside(c.Clinician)},
			{plural(len(sites), "Site", "Sites") + ", " + o.numbering(), strings.Join(sites, ", ")},
			{alignedBy, methodName(c.Alignment.Method)},
		}...),
	})
	d.verdicts(o, c)
	many := len(c.Fixtures) > 1
	if many {
		d.summary(c, o)
		if s != nil {
			d.inSpace(s.fixtures[0].space) // the others stand beside it
			d.add(paragraph{Small: true, Text: linesText})
		}
	}
	for i, f := range c.Fixtures {
		var p *fixturePictures
		if s != nil {
			p = &s.fixtures[i]
		}
		d.fixture(f, p, o, many)
		if many && s != nil {
			d.beforeAfter(f, p, o, true)
		}
	}
	if !many {
		d.notes(allFlags(c)...)
		for i := range c.Fixtures {
			if s != nil {
				d.beforeAfter(c.Fixtures[i], &s.fixtures[i], o, false)
			}
		}
	}
	d.alignment(c, s, o)
	if n := d.notesBox(allFlags(c)...); many && len(n.Items) > 0 {
		n.Small = true
		d.add(n)
	}
	d.method(c, o)
	return d
}

// beforeAfter shows the same cuts of both scans. Where there are several fixtures they
// stand in one row on paper, without those across the axis.
func (d *Document) beforeAfter(f measurement.Fixture, p *fixturePictures, o Options, many bool) {
	_, label, _ := o.site(f.Site)
	group := pictures{Items: p.cuts, Across: 2, Outlines: true}
	head := heading{Level: 2, Text: "Site " + label + " before and after", Page: true}
	if many {
		head.Level, head.Page = 3, false
		group.Across, group.Items = 4, slices.Clone(p.cuts)
		for i := group.Across; i < len(group.Items); i++ {
			group.Items[i].Screen = true
		}
	}
	d.add(head)
	if !many || f.Achieved == nil {
		d.add(paragraph{Small: true, Text: cutsText(f, p.shown)})
	}
	d.add(group)
}

// inSpace shows a fixture's contours: to be turned in HTML, from two sides on paper.
func (d *Document) inSpace(p picture) {
	p.Caption = "Contours of the fixture and the structures of the case; what is behind is left out. Dashed: as planned."
	quarter := picture{Drawing: p.Steps.Drawings[len(p.Steps.Drawings)/4], Caption: "The same, a quarter turn on.", Paper: true}
	d.add(pictures{Items: []picture{p, quarter}, Across: 2, Share: besideCaption})
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// breachCodes are the flags about breaches, which are told before all others.
var breachCodes = []string{measurement.CodeOutsideBone, measurement.CodeFoundEntered, measurement.CodePenetration, measurement.CodeMarginNotKept, measurement.CodeMarginNotPlanned}

// flagTexts words flags, each once.
func (d *Document) flagTexts(wanted func(measurement.Flag) bool, lists ...measurement.Flags) []string {
	var out []string
	for _, flags := range lists {
		for _, f := range flags {
			if !wanted(f) {
				continue
			}
			text := sentence(f.Message)
			if d.coded {
				text += " (" + outside(f.Code) + ")"
			}
			if !slices.Contains(out, text) {
				out = append(out, text)
			}
		}
	}
	return out
}

// sentence begins a message with a capital letter and ends it with a full stop.
func sentence(s string) string {
	s = strings.TrimRight(strings.TrimSpace(s), ".")
	if s == "" {
		return ""
	}
	if s[0] >= 'a' && s[0] <= 'z' {
		s = strings.ToUpper(s[:1]) + s[1:]
	}
	return outside(s + ".")
}

func allFlags(c *measurement.Case) []measurement.Flags {
	lists := []measurement.Flags{c.Flags, c.Alignment.Flags}
	for _, f := range c.Fixtures {
		lists = append(lists, f.Flags)
	}
	return lists
}

const (
	alignedBy       = "Scans aligned by"
	notToBeReliedOn = "Not to be relied on"
)

func isDoubt(f measurement.Flag) bool { return f.Level == measurement.Doubt }

// groups has the verdicts that are told in boxes of their own, in their order, with
// the boxes' titles. The doubts' box is that of the flags.
var groups = []struct {
	code  measurement.VerdictCode
	title string
	grave bool
}{
	{measurement.StructureEntered, "Structure entered", true},
	{measurement.MarginMissed, "Margin missed", true},
	{measurement.InDoubt, notToBeReliedOn, true},
	{measurement.OutsideLimits, "Outside the stated limits", false},
	{measurement.NothingAgainst, "Nothing against it", false},
	{measurement.NotChecked, "Not checked", false},
}

// verdicts tells what counts most of cases, the gravest first. Sites are named by
// their numbers, cases by their names where there are several.
func (d *Document) verdicts(o Options, cases ...*measurement.Case) {
	items := map[measurement.VerdictCode][]string{}
	for _, c := range cases {
		about := ""
		if len(cases) > 1 {
			about = outside(c.Case) + ", "
		}
		words, order := map[measurement.VerdictCode]map[string][]string{}, map[measurement.VerdictCode][]string{} // what is said alike of several sites is said once
		for _, f := range c.Fixtures {
			_, label, _ := o.site(f.Site)
			for _, p := range severity.Points(f, severity.DoubtIn(c.Flags, c.Alignment.Flags, f.Flags), severity.UsualLimits) {
				sites, text := words[p.Code], p.Text
				if sites == nil {
					sites = map[string][]string{}
					words[p.Code] = sites
				}
				if len(sites[text]) == 0 {
					order[p.Code] = append(order[p.Code], text)
				}
				sites[text] = append(sites[text], label)
			}
		}
		for code, texts := range order {
			for _, text := range texts {
				sites := words[code][text]
				items[code] = append(items[code], sentence(about+plural(len(sites), "site ", "sites ")+wording.List(sites)+": "+text))
			}
		}
	}
	if len(items[measurement.InDoubt]) > 0 {
		items[measurement.InDoubt] = []string{"Do not use these figures until the points below are settled."}
		for _, c := range cases {
			for _, text := range d.flagTexts(isDoubt, allFlags(c)...) {
				if len(cases) > 1 {
					text = outside(c.Case) + ": " + text
				}
				items[measurement.InDoubt] = append(items[measurement.InDoubt], text)
			}
		}
	}
	for _, code := range []measurement.VerdictCode{measurement.StructureEntered, measurement.MarginMissed} {
		if len(items[code]) > 0 {
			items[code] = append(items[code], "Treat the patient by clinical findings.")
			break
		}
	}
	for _, g := range groups {
		if len(items[g.code]) > 0 {
			d.add(notice{Title: g.title, Grave: g.grave, Entered: g.code == measurement.StructureEntered, Items: items[g.code]})
		}
	}
}

func (d *Document) doubts(flags ...measurement.Flags) {
	if doubts := d.flagTexts(isDoubt, flags...); len(doubts) > 0 {
		d.add(notice{Title: notToBeReliedOn, Grave: true,
			Items: append([]string{"Do not use these figures until the points below are settled."}, doubts...)})
	}
}

// notesBox has the flags that are neither a doubt nor told as a breach or, on paper, by the
// table of two records.
func (d *Document) notesBox(flags ...measurement.Flags) notice {
	return notice{Title: "Notes on the measurement", Items: d.flagTexts(func(f measurement.Flag) bool {
		inTable := !d.coded && (f.Code == measurement.CodeEvidenceAgrees || f.Code == measurement.CodeEvidenceDisagrees)
		return f.Level != measurement.Doubt && !slices.Contains(breachCodes, f.Code) && !inTable
	}, flags...)}
}

func (d *Document) notes(flags ...measurement.Flags) {
	if n := d.notesBox(flags...); len(n.Items) > 0 {
		n.Small = len(n.Items) > fewNotes
		d.add(n)
	}
}

// fewNotes is how many notes are set as large as other text: more would take a page of their
// own beside the figures of two records.
const fewNotes = 3

// summary answers for all fixtures of a case on its first page.
func (d *Document) summary(c *measurement.Case, o Options) {
	d.add(summaryTable(c, o))
	var all table
	var far []string
	for _, f := range c.Fixtures {
		_, label, _ := o.site(f.Site)
		near, beyond := nearAndFar(f.Clearance)
		t := clearanceTable(near)
		for _, name := range beyond {
			far = append(far, name+" (site "+label+")")
		}
		for i := range t.Rows {
			t.Rows[i].Cells[0] = "site " + label + ": " + t.Rows[i].Cells[0]
		}
		all.Caption, all.Dense, all.Columns = t.Caption, t.Dense, t.Columns
		all.Rows = append(all.Rows, t.Rows...)
	}
	d.clearanceTable(all, far)
}

// summaryTable is one table of all fixtures.
func summaryTable(c *measurement.Case, o Options) table {
	t := table{Caption: "All fixtures, achieved against planned, with 95 % intervals",
		Columns: []column{{Head: "site", Share: 9}, {Head: "planned", Share: 14}}}
	for _, figure := range measurement.Wholes() {
		t.Columns = append(t.Columns, column{Head: figure.Spec().Label, Share: 19})
	}
	t.Columns = append(t.Columns, column{Head: "verdict", Share: 24})
	for _, f := range c.Fixtures {
		n, label, _ := o.site(f.Site)
		r := row{Cells: []string{label, sized(f.Planned)}}
		for i, figure := range measurement.Wholes() {
			cell := "none"
			switch {
			case f.Deviation == nil && i == 0:
				cell = "no fixture found"
			case f.Deviation != nil && f.Deviation[figure] != nil:
				cell = wording.Value(figure, *f.Deviation[figure], n)
				if u := f.Uncertainty; u != nil && u.Intervals[figure] != nil {
					cell += " (" + wording.ValueInterval(figure, *u.Intervals[figure], n) + ")"
				}
			}
			r.Cells = append(r.Cells, cell)
		}
		verdict, grave := verdictCell(c, f)
		r.Cells, r.Strong = append(r.Cells, verdict), grave
		t.Rows = append(t.Rows, r)
	}
	return t
}

func sized(p measurement.Placement) string {
	return fmt.Sprintf("%.1f × %.1f mm", p.Diameter, p.Length)
}

// tightest words the clearance that is nearest relative to its margin, and the
// nearest where that is another.
func tightest(list []measurement.Clearance) string {
	c := severity.Tightest(list)
	if c == nil {
		return "none given"
	}
	text := clearanceText(*c, askedFor)
	if n := severity.Nearest(list); n.Structure != c.Structure {
		text += "; nearest: " + clearanceText(*n, askedFor)
	}
	return text
}

// askedFor stands behind a margin where no heading says what it is.
const askedFor = " asked for"

func clearanceText(c measurement.Clearance, asked string) string {
	line := wording.ClearanceLines([]measurement.Clearance{c})[0]
	text := outside(c.Structure) + ": " + line.Achieved
	if c.Achieved == nil {
		text = outside(c.Structure) + ": planned " + line.Planned
	}
	if c.Margin != nil {
		text += " (" + line.Margin + asked + ")"
	}
	return text
}

// fixture is the part of a report that answers what was planned, what was
// achieved and how far off it is.
func (d *Document) fixture(f measurement.Fixture, p *fixturePictures, o Options, many bool) {
	n, _, _ := o.site(f.Site)
	d.add(heading{Level: 2, Text: o.siteTitle(f.Site), Page: many}, paragraph{Text: planText(f)}, paragraph{Lead: !many, Text: strings.Join(wording.Summary(f, n), " ")})
	if f.Deviation == nil {
		if !many { // else it stands in the table of all fixtures
			d.clearances(f)
		}
		d.bone(f)
		return
	}
	if g := gaugesOf(f, n); len(g.Items) > 0 {
		d.add(g)
	}
	var nearest []picture
	if p != nil {
		nearest = p.nearest
	}
	figures, rulers := figureTable(f, n), rulersPicture(f, p, n)
	if len(nearest) > 0 {
		group := pictures{Items: slices.Clone(nearest[:2]), Across: 3}
		if rulers != nil {
			group.Items = append(group.Items, *rulers)
		}
		if many {
			group.Share = besideCuts
		} else { // with several fixtures it stands on the first page
			group.Items[0].Caption += " Dashed: as planned; solid: as placed."
		}
		d.add(group)
	}
	if !many {
		d.clearances(f)
	}
	if rulers != nil && len(nearest) == 0 {
		d.add(beside{Left: []block{figures}, Right: []block{*rulers}, Share: 1.0 / 3})
		d.bone(f)
	} else {
		d.boneBeside(figures, f)
	}
	d.bothWays(f, n)
	if p == nil || many {
		return
	}
	if len(nearest) > 2 {
		d.add(pictures{Items: nearest[2:], Across: 2, Share: besideCaption})
	}
	d.inSpace(p.space)
}

// bothWays shows what a second record of the same fixture shows, beside the first.
func (d *Document) bothWays(f measurement.Fixture, n tooth.Number) {
	if f.Second == nil || f.Second.Deviation == nil || f.Second.Difference == nil {
		return
	}
	agrees := "They differ by more than their uncertainties explain."
	if a := f.Second.Agrees; a != nil && *a {
		agrees = "They agree within their uncertainties."
	}
	t := table{Caption: "Measured twice, each record alone, and how far they lie apart. " + agrees, Dense: true,
		Columns: []column{{Head: "figure", Share: 20}, {Head: "follow-up scan", Share: 40}, {Head: "surface scan", Share: 40}, {Head: "apart", Share: 20}}}
	cell := func(v *measurement.Values, u *measurement.Uncertainty, figure measurement.Figure) string {
		if v[figure] == nil {
			return ""
		}
		text := wording.Value(figure, *v[figure], n)
		if u != nil && u.Intervals[figure] != nil {
			text += " (" + wording.ValueInterval(figure, *u.Intervals[figure], n) + ")"
		}
		return text
	}
	apart := map[measurement.Figure]float64{measurement.Entry: f.Second.Difference.Entry, measurement.Apex: f.Second.Difference.Apex, measurement.Angle: f.Second.Difference.Angle}
	for _, figure := range measurement.Wholes() {
		t.Rows = append(t.Rows, row{Cells: []string{figure.Heading(), cell(f.Deviation, f.Uncertainty, figure), cell(f.Second.Deviation, f.Second.Uncertainty, figure), wording.Of(apart[figure], figure.Unit().Symbol())}})
	}
	d.add(t)
}

// Shares of the width on paper.
const (
	// besideCaption leaves a page with the figures room for what else is on it.
	besideCaption = 0.64
	// besideCuts leaves it room for the cuts before and after.
	besideCuts = 0.76
)

// rulersPicture is the view along the axis, nil where it is not known.
func rulersPicture(f measurement.Fixture, p *fixturePictures, n tooth.Number) *picture {
	var t *drawing.Rulers
	switch {
	case p != nil && p.rulers != nil:
		t = p.rulers
	case n.Valid():
		t = storedRulers(f, n)
	}
	if t == nil {
		return nil
	}
	return &picture{Drawing: t.Draw(), Caption: rulersCaption(p == nil)}
}

// clearances tells of what lies about a fixture.
func (d *Document) clearances(f measurement.Fixture) {
	near, far := nearAndFar(f.Clearance)
	d.clearanceTable(clearanceTable(near), far)
}

// clearanceTable adds a table of clearances, and names what is too far away to matter.
func (d *Document) clearanceTable(t table, far []string) {
	beyond := ""
	if len(far) > 0 {
		beyond = fmt.Sprintf("More than %.1f mm away, which is the largest margin and the largest published deviation together: %s.", severity.Reach(), wording.List(far))
	}
	switch {
	case len(t.Rows) > 0:
		t.Caption = strings.TrimSpace(t.Caption + " " + beyond)
		d.add(t)
	case beyond != "":
		d.add(paragraph{Small: true, Text: beyond})
	}
}

// nearAndFar parts structures that are too far away to matter from the others.
func nearAndFar(list []measurement.Clearance) (near []measurement.Clearance, far []string) {
	for _, c := range severity.Ordered(list) {
		if severity.Beyond(c) {
			far = append(far, outside(c.Structure))
			continue
		}
		near = append(near, c)
	}
	return near, far
}

// siteTitle names a site by number and name.
func (o Options) siteTitle(site string) string {
	_, label, name := o.site(site)
	if name != "" {
		label += ", " + name
	}
	return "Site " + label
}

func planText(f measurement.Fixture) string {
	plan := "Planned: a fixture of " + sized(f.Planned) + ", " + outside(wording.Guidance(f.Guidance)) + "."
	if a := f.Achieved; a != nil && (a.Diameter != f.Planned.Diameter || sized(*a) != sized(f.Planned)) {
		plan += " Placed: " + sized(*a) + "."
	}
	if f.LengthSeen != nil && *f.LengthSeen {
		plan += " The scan confirms the length."
	}
	return plan
}

// gaugesOf draws the whole figures that have an interval, those of one unit
// along rulers of one length.
func gaugesOf(f measurement.Fixture, n tooth.Number) gauges {
	if f.Uncertainty == nil {
		return gauges{}
	}
	full := map[measurement.Unit]float64{}
	for _, figure := range measurement.Wholes() {
		if i := f.Uncertainty.Intervals[figure]; i != nil {
			full[figure.Unit()] = drawing.GaugeFull(figure.Unit().Symbol(), full[figure.Unit()], i.High)
		}
	}
	var out gauges
	for _, figure := range measurement.Wholes() {
		v, i, floor := f.Deviation[figure], f.Uncertainty.Intervals[figure], f.Uncertainty.Floor[figure]
		if v == nil || i == nil {
			continue
		}
		unit, name := figure.Unit().Symbol(), figure.Heading()
		g := gauge{Name: name, Value: wording.Value(figure, *v, n), Note: "95 %: " + wording.ValueInterval(figure, *i, n)}
		ruler := drawing.Gauge{Name: name, Value: *v, Low: i.Low, High: i.High, Unit: unit, Full: full[figure.Unit()]}
		if floor != nil {
			g.Note += "; " + wording.Floor(*v, *floor, unit)
			ruler.Floor = *floor
		}
		g.Drawing = ruler.Draw()
		out.Items = append(out.Items, g)
	}
	return out
}

func figureTable(f measurement.Fixture, n tooth.Number) table {
	t := table{Caption: "Achieved against planned", Dense: true,
		Columns: []column{{Head: "figure", Share: 29}, {Head: "value", Share: 28}, {Head: "95 % interval", Share: 37}}}
	for _, line := range wording.Figures(f, n) {
		t.Rows = append(t.Rows, row{Part: line.Part, Cells: []string{line.Name, line.Value, line.Interval}})
	}
	return t
}

// marks say a standing by shape, too.
var marks = map[severity.Standing]string{severity.Kept: "●", severity.Unsure: "○", severity.Missed: "▲", severity.Entered: "■"}

// verdictCell is the verdict on a fixture in a few words, with the mark of a
// breach; grave tells a breach or a doubt.
func verdictCell(c *measurement.Case, f measurement.Fixture) (words string, grave bool) {
	v := severity.Fixture(f, severity.DoubtIn(c.Flags, c.Alignment.Flags, f.Flags), severity.UsualLimits)
	return verdictWords(v), v.Doubt || v.By != ""
}

func verdictWords(v measurement.Verdict) string {
	switch v.Code {
	case measurement.StructureEntered:
		return marks[severity.Entered] + " " + severity.Title(v)
	case measurement.MarginMissed:
		return marks[severity.Missed] + " " + severity.Title(v)
	}
	return severity.Title(v)
}

func clearanceTable(list []measurement.Clearance) table {
	t := table{Caption: "Clearance from the fixture's surface to structures, against the margin asked for.", Dense: true, Columns: []column{
		{Head: "structure", Share: 40}, {Head: "planned", Share: 20}, {Head: "achieved", Share: 22}, {Head: "95 % interval", Share: 25},
		{Head: "margin", Share: 14}, {Head: "kept?", Share: 28}}}
	ordered := severity.Ordered(list)
	for i, c := range wording.ClearanceLines(ordered) {
		verdict := c.Verdict
		if mark, marked := marks[severity.Achieved(ordered[i])]; marked {
			verdict = mark + " " + verdict
		}
		t.Rows = append(t.Rows, row{Strong: severity.Blame(ordered[i]) != "",
			Cells: []string{structureName(c), c.Planned, c.Achieved, c.Interval, c.Margin, verdict}})
	}
	return t
}

// structureName is a structure with its kind, unless its name has that.
func structureName(c wording.ClearanceLine) string {
	if strings.Contains(strings.ToLower(c.Structure), strings.ToLower(c.Kind)) {
		return outside(c.Structure)
	}
	return outside(c.Structure) + " (" + outside(c.Kind) + ")"
}

// storedRulers is the view along the axis of a stored measurement, nil where a lateral
// part is not known: the ellipses' axes lie along the directions, since their
// correlation is not stored.
func storedRulers(f measurement.Fixture, n tooth.Number) *drawing.Rulers {
	shot := func(mesial, buccal measurement.Figure) *drawing.Shot {
		m, b := f.Deviation[mesial], f.Deviation[buccal]
		if m == nil || b == nil {
			return nil
		}
		s := drawing.Shot{Mesial: *m, Buccal: *b}
		if u := f.Uncertainty; u != nil {
			if m, b := u.Intervals[mesial], u.Intervals[buccal]; m != nil && b != nil {
				s.Cov = &[3]float64{m.U * m.U, b.U * b.U, 0}
			}
		}
		return &s
	}
	entry, apex := shot(measurement.EntryMesial, measurement.EntryBuccal), shot(measurement.ApexMesial, measurement.ApexBuccal)
	if entry == nil || apex == nil || f.Achieved == nil {
		return nil
	}
	t := drawing.NewRulers(n, *entry, *apex, f.Planned.Diameter, f.Achieved.Diameter)
	return &t
}

func rulersCaption(stored bool) string {
	text := "Seen along the planned axis, to scale. Where no ellipse shows, the uncertainty is smaller than the mark."
	if stored {
		text += " The ellipses leave out how the two directions are correlated, which is not stored."
	}
	return text
}

// linesText says what the lines over cuts are.
const linesText = "In all cuts, dashed: as planned; solid: as placed, both by the outer thread diameter. White: structures as the case gives them; dotted in pairs: as found in the planning scan."

func cutsText(f measurement.Fixture, shown string) string {
	const letters = "L left, R right, A front, P back, H head, F foot."
	if f.Achieved == nil {
		return "No fixture was found in the " + shown + ". Both scans are cut along the planned axis and across it; the planned outline is dashed. " + letters
	}
	if f.Evidence == string(evidence.SurfaceScan) {
		return "The same cuts without and with the surface scan, whose lines are thin; its scan body stands on the fixture. " + linesText + " " + letters
	}
	return "The same cuts of both scans. " + linesText + " The grey scale is compressed so that bone shows beside metal. " + letters
}
