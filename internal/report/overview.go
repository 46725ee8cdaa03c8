package report

import (
	"fmt"
	"math"
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// Overview is all that a series file shows, of one clinician or of several side by
// side; without pictures, for the terminal.
type Overview struct {
	Name     string // of the file
	Chain    series.Verdict
	Summary  series.Summary
	Together analysis.Together
	All      bool   // every case, figure, group and reference, not the answers alone
	More     string // where the rest is to be had, beside the answers alone
}

// mostRows is how many fixtures are listed: twice what fifty cases have.
const mostRows = 100

// Document makes the overview.
func (v Overview) Document(o Options) *Document {
	if v.answersFirst() {
		return v.short()
	}
	d := v.begun()
	d.verdict(v.Name, v.Chain)
	rows := v.Summary.Table()
	d.breaches(rows, "")
	if t := breachTable(analysis.CountBreaches(rows)); v.All && len(t.Rows) > 0 {
		d.add(t)
	}
	d.withdrawals(&v.Summary)
	d.add(notice{Title: whichCases, Items: []string{outside(v.Summary.Words)}})
	if v.All {
		d.fixtureList(rows, o)
	}
	d.recordNotes(&v.Summary)
	if !v.Together.Brief {
		for i := range v.Together.Clinicians {
			d.clinician(&v.Together.Clinicians[i], v.All)
		}
	}
	for _, name := range v.Together.Skipped {
		d.add(heading{Level: 2, Text: "Clinician " + outside(name)}, paragraph{Text: "No measured case whose figures can be used yet."})
	}
	d.sideBySide(&v.Together, v.All)
	if !v.All && v.More != "" {
		d.add(paragraph{Text: v.More})
	}
	d.cautions()
	return d
}

// answersFirst reports whether the five answers come before all else: of one clinician,
// without the rest, from a file that is as it was written.
func (v Overview) answersFirst() bool {
	return !v.All && v.Chain.Sound && len(v.Together.Clinicians) == 1 && !v.Together.Brief
}

// short is the overview with the answers first; a breach is the first of them.
func (v Overview) short() *Document {
	d := v.begun()
	d.clinician(&v.Together.Clinicians[0], false)
	breaches := analysis.CountBreaches(v.Summary.Table())
	d.breachNotice(&breaches, breaches.BesideAnswer())
	if v.More != "" {
		d.add(paragraph{Text: v.More})
	}
	d.add(notice{Title: whichCases, Items: []string{outside(v.Summary.Words)}})
	d.withdrawals(&v.Summary)
	d.recordNotes(&v.Summary)
	d.verdict(v.Name, v.Chain)
	d.cautions()
	return d
}

// begun is a document that says first whether its figures are invented.
func (v Overview) begun() *Document {
	d := &Document{Simulated: v.Summary.Simulated()}
	if d.Simulated {
		d.add(paragraph{Text: simulated + ": the figures are those of phantoms or invented."})
	}
	return d
}

// fixtureList is the table of all cases with what became of a case and its seal
// in one column.
func (d *Document) fixtureList(rows []series.TableRow, o Options) {
	if len(rows) > mostRows {
		d.add(notice{Title: fmt.Sprintf("The list of %d fixtures is left out; series export writes them all.", len(rows))})
		return
	}
	t := table{Caption: everyFixture + ", sites in " + o.numbering() + "; " + twiceU,
		Columns: withWholes([]column{{Head: "case"}, {Head: "placed"}, {Head: "site"}}, 0, column{Head: "what became of it"})}
	given := slices.ContainsFunc(rows, func(r series.TableRow) bool { return len(r.Clearance) > 0 })
	withBone := table{Caption: "Bone of every fixture; " + buccalBone, Columns: []column{{Head: "case"}, {Head: "site"}, {Head: "bone"}}}
	near := table{Caption: "Clearance of every fixture, nearest relative to its margin", Columns: []column{{Head: "case"}, {Head: "site"}, {Head: "clearance"}}}
	for i := range rows {
		r := &rows[i]
		t.Rows = append(t.Rows, row{Cells: append([]string{outside(r.Case), outside(r.Placed), o.rowSite(r)}, append(wholeValues(r), becameOf(r))...)})
		if text := rowClearance(r, askedFor); given && text != "" {
			near.Rows = append(near.Rows, row{Cells: []string{outside(r.Case), o.rowSite(r), text}})
		}
		if text := rowBone(r); text != "" {
			withBone.Rows = append(withBone.Rows, row{Cells: []string{outside(r.Case), o.rowSite(r), text}})
		}
	}
	for _, t := range []table{t, near, withBone} {
		if len(t.Rows) > 0 {
			d.add(t)
		}
	}
}

// recordNotes is what the records say beyond the figures.
func (d *Document) recordNotes(s *series.Summary) {
	for _, t := range []table{withdrawalTable(s), flagTable(s), correctionTable(s), remarkTable(s)} {
		if len(t.Rows) > 0 {
			d.add(t)
		}
	}
	if s.Mended > 0 {
		d.add(paragraph{Text: mendedSentence(s)})
	}
	if s.Joined > 0 {
		d.add(paragraph{Text: joinedSentence(s)})
	}
}

// answers are what is asked of a series first.
func (d *Document) answers(a *analysis.Analysis) {
	if a.Answers == nil {
		return
	}
	var items []string
	for _, x := range a.Answers.List() {
		items = append(items, x[0]+" "+x[1])
	}
	d.add(list{Items: outsideAll(items)})
}

// clinician is what one clinician's cases show: the answers, and with all what they rest
// on.
func (d *Document) clinician(a *analysis.Analysis, all bool) {
	d.add(heading{Level: 2, Text: fmt.Sprintf("Clinician %s: %s, %s", outside(a.Clinician), counted(len(a.Cases), "case"), counted(a.Fixtures, "fixture"))})
	d.answers(a)
	if !all {
		return
	}
	for _, n := range a.Notes {
		d.add(paragraph{Text: outside(n)})
	}
	if t := twoWaysTable(a); len(t.Rows) > 0 {
		d.add(heading{Level: 3, Text: twoWaysTitle}, t)
	}
	if len(a.Figures) == 0 {
		return
	}
	said := func(title string, items []string) {
		if len(items) > 0 {
			d.add(heading{Level: 3, Text: title}, list{Items: outsideAll(items)})
		}
	}
	d.add(heading{Level: 3, Text: "How far off"}, levelTable(a))
	var change []string
	for i := range a.Figures {
		f := &a.Figures[i]
		if about := f.Words.About(); about != "" {
			change = append(change, f.Figure.Heading()+": "+about)
		}
	}
	if f := find(a, measurement.Apex); f != nil && f.Chart == nil && f.Course != nil && f.Course.Finding == analysis.Falls {
		change = append(change, noChart([]string{f.Figure.Spec().Title}, analysis.NoLevel))
	}
	said("Learning and change", change)
	said("Habit", habitSentences(a))
	if a.Success != nil {
		within := []string{a.Success.Words}
		if a.Competence != nil {
			within = append(within, a.Competence.Words)
		}
		if source := limitsSource(a.Success.Limits); source != "" {
			within = append(within, "The limits: "+source)
		}
		said("Within the limits", within)
	}
	said(marginTitle, marginSentences(a))
	if t := groupTable(a); len(t.Rows) > 0 {
		d.add(heading{Level: 3, Text: "Groups"}, t)
	}
	if t, sources := referenceTable(a, false); len(t.Rows) > 0 {
		d.add(heading{Level: 3, Text: "Published references"}, t, list{Items: sources})
	}
}

const twoWaysTitle = "Surface scan against follow-up scan"

// twoWaysTable tells how what was measured in both lies apart.
func twoWaysTable(a *analysis.Analysis) table {
	w := a.TwoWays
	if w == nil {
		return table{}
	}
	t := table{Dense: true, Caption: fmt.Sprintf("%s in %s, measured in both: by the surface scan less by the follow-up scan, on average. An interval without zero means that one of them is off", counted(w.Fixtures, "fixture"), counted(w.Cases, "case")),
		Columns: []column{{Head: "figure", Share: 40}, {Head: "difference", Share: 25}, {Head: "95 % interval", Share: 35}}}
	for _, x := range w.Figures {
		interval := "needs two cases"
		if x.Low != nil && x.High != nil {
			interval = fmt.Sprintf("%.2f to %s", *x.Low, signedOf(*x.High, x.Figure.Unit()))
		}
		t.Rows = append(t.Rows, row{Cells: []string{x.Figure.Heading(), signedOf(x.Mean, x.Figure.Unit()), interval}})
	}
	return t
}

// levelTable has the level now, and mean and spread of all cases, of every figure.
func levelTable(a *analysis.Analysis) table {
	t := table{Columns: []column{{Head: "figure"}, {Head: "now"}, {Head: "95 %"}, {Head: "mean of all"}, {Head: "spread"}, {Head: "least"}, {Head: "largest"}, {Head: "cases"}}}
	for i := range a.Figures {
		f := &a.Figures[i]
		now, span, spread := "", "", ""
		if l := f.Now; l != nil {
			now, span = signedOf(l.Mean, f.Figure.Unit()), fmt.Sprintf("%.2f to %.2f", l.Low, l.High)
		}
		if f.SD != nil {
			spread = fmt.Sprintf("%.2f", *f.SD)
		}
		t.Rows = append(t.Rows, row{Cells: []string{f.Figure.Heading(), now, span, signedOf(f.Mean, f.Figure.Unit()), spread,
			fmt.Sprintf("%.2f", f.Least), fmt.Sprintf("%.2f", f.Largest), fmt.Sprint(f.N)}})
	}
	return t
}

// signedOf is a figure with its sign and unit; what rounds to nothing has no sign.
func signedOf(v float64, unit measurement.Unit) string {
	return unit.Behind(fmt.Sprintf("%.2f", math.Round(100*v)/100+0))
}

// mostFunnel is how many clinicians are listed without all: a screen.
const mostFunnel = 30

// funnel tells how the clinicians lie to each other.
func (d *Document) funnel(f *analysis.Funnel, all bool) {
	if f == nil {
		return
	}
	t := table{Caption: "Mean " + f.Figure.Spec().Title + " of each, drawn towards that of all by how little its cases tell",
		Columns: []column{{Head: "clinician"}, {Head: "cases"}, {Head: "own mean"}, {Head: "drawn towards all"}, {Head: "from the others"}, {Head: "one in 20 beyond"}, {Head: "apart?"}}}
	unit := f.Figure.Unit().Symbol()
	if !all && len(f.Clinicians) > mostFunnel {
		t.Caption += fmt.Sprintf("; of %d clinicians those who lie apart, %d", len(f.Clinicians), len(f.Apart))
	}
	for _, s := range f.Clinicians {
		if !all && len(f.Clinicians) > mostFunnel && !s.Apart {
			continue
		}
		is := "as the others"
		switch {
		case s.Apart && s.Z > 0:
			is = "▲ farther off"
		case s.Apart:
			is = "nearer"
		case s.Others == 1:
			is = "not told apart"
		}
		t.Rows = append(t.Rows, row{Strong: s.Apart, Cells: []string{outside(s.Clinician), fmt.Sprint(s.Cases), fmt.Sprintf("%.2f %s", s.Own, unit),
			fmt.Sprintf("%.2f (%.2f to %.2f)", s.Mean, s.Low, s.High), fmt.Sprintf("%.0f %%", 100*s.Others), fmt.Sprintf("%.1f %s", s.Next, unit), is}})
	}
	if len(t.Rows) > 0 {
		d.add(t)
	} else {
		d.add(paragraph{Text: t.Caption + "."})
	}
	d.add(paragraph{Small: true, Text: "Apart is who lies beyond 99.8 % of clinicians that differ no more than these do, for as many cases. Patients and sites differ, so it says where to look, not who is good. With few cases the room that one in 20 goes beyond rests on the others by the share that is given."})
}

// sideBySide shows how the clinicians lie to each other: by the funnel where there are
// enough for one, and with all, or without it, by a row for each and how their means lie.
func (d *Document) sideBySide(together *analysis.Together, all bool) {
	if len(together.Clinicians) < 2 {
		return
	}
	if f := together.Funnel; f != nil && !all {
		d.add(heading{Level: 2, Text: "The clinicians side by side"})
		d.funnel(f, false)
		d.inFull(together)
		return
	}
	t := table{Caption: "In the order of their names: mean and its 95 % interval. Patients and sites differ, so this is no ranking",
		Columns: withWholes([]column{{Head: "clinician"}, {Head: "cases"}}, 0, column{Head: "within limits"})}
	for i := range together.Clinicians {
		a := &together.Clinicians[i]
		cells := []string{outside(a.Clinician), fmt.Sprint(len(a.Cases))}
		for _, x := range measurement.Wholes() {
			mean := ""
			if f := find(a, x); f != nil {
				mean = meanWords(&f.Summary)
			}
			cells = append(cells, mean)
		}
		within := ""
		if s := a.Success; s != nil {
			within = fmt.Sprintf("%d of %d (95 %% %.0f to %.0f %%)", s.Within, s.Of, 100*s.Low, 100*s.High)
		}
		t.Rows = append(t.Rows, row{Cells: append(cells, within)})
	}
	d.add(heading{Level: 2, Text: "The clinicians side by side"}, t)
	d.inFull(together)
	d.funnel(together.Funnel, true)
	means := table{Caption: "The clinicians' means together, each clinician once",
		Columns: []column{{Head: "figure"}, {Head: "clinicians"}, {Head: "least"}, {Head: "median"}, {Head: "largest"}}}
	for _, s := range together.Group {
		means.Rows = append(means.Rows, row{Cells: []string{s.Figure.Heading(), fmt.Sprint(s.N), fmt.Sprintf("%.2f %s", s.Least, s.Figure.Unit().Symbol()), fmt.Sprintf("%.2f %s", s.Median, s.Figure.Unit().Symbol()), fmt.Sprintf("%.2f %s", s.Most, s.Figure.Unit().Symbol())}})
	}
	if len(means.Rows) > 0 {
		d.add(means)
	}
}

// inFull says where the rest is to be had where only means are shown.
func (d *Document) inFull(together *analysis.Together) {
	if together.Brief {
		d.add(paragraph{Text: fmt.Sprintf("Learning, habit, charts and margins are looked at for up to %d clinicians at once; one chosen alone is shown in full.", analysis.MostInFull)})
	}
}
