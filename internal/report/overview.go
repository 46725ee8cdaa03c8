package report

import (
	"fmt"
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/stats/learningcurve"
)

// Overview is all that a series file shows, of one clinician or of several side by
// side; without pictures, for the terminal.
type Overview struct {
	Name     string // of the file
	Chain    series.Verdict
	Summary  series.Summary
	Together analysis.Together
}

// mostRows is how many fixtures are listed: twice what fifty cases have.
const mostRows = 100

// Document makes the overview.
func (v Overview) Document(o Options) *Document {
	d := &Document{}
	d.verdict(v.Name, v.Chain)
	d.breaches(v.Summary.Table())
	d.withdrawals(&v.Summary)
	d.add(notice{Title: whichCases, Items: []string{outside(v.Summary.Words)}})
	d.fixtureList(v.Summary.Table(), o)
	d.recordNotes(&v.Summary)
	if !v.Together.Brief {
		for i := range v.Together.Clinicians {
			d.clinician(&v.Together.Clinicians[i])
		}
	}
	for _, name := range v.Together.Skipped {
		d.add(heading{Level: 2, Text: "Clinician " + outside(name)}, paragraph{Text: "No measured case whose figures can be used yet."})
	}
	d.sideBySide(&v.Together)
	d.cautions()
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
	near := table{Caption: "Clearance of every fixture, nearest relative to its margin", Columns: []column{{Head: "case"}, {Head: "site"}, {Head: "clearance"}}}
	for i := range rows {
		r := &rows[i]
		became := "seal " + sealWords(r.Seal)
		if r.Status != series.StatusMeasured || r.Doubt {
			became = statusWords(r) + "; " + became
		}
		t.Rows = append(t.Rows, row{Cells: append([]string{outside(r.Case), outside(r.Placed), o.rowSite(r)}, append(wholeValues(r), became)...)})
		if text := rowClearance(r); given && text != "" {
			near.Rows = append(near.Rows, row{Cells: []string{outside(r.Case), o.rowSite(r), text}})
		}
	}
	for _, t := range []table{t, near} {
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

// clinician is what one clinician's cases show.
func (d *Document) clinician(a *analysis.Analysis) {
	d.add(heading{Level: 2, Text: fmt.Sprintf("Clinician %s: %s, %s", outside(a.Clinician), counted(len(a.Cases), "case"), counted(a.Fixtures, "fixture"))})
	for _, n := range a.Notes {
		d.add(paragraph{Text: outside(n)})
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
	var change, unsettled []string
	for i := range a.Figures {
		f := &a.Figures[i]
		if about := f.Words.About(); about != "" {
			change = append(change, f.Figure.Heading()+": "+about)
		}
		if l := f.Learning; f.Chart == nil && l != nil && l.Verdict == learningcurve.Learning {
			unsettled = append(unsettled, f.Figure.Spec().Title)
		}
	}
	if len(unsettled) > 0 {
		change = append(change, noChart(unsettled, analysis.NoLevel))
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

// levelTable has mean and spread of every figure.
func levelTable(a *analysis.Analysis) table {
	t := table{Columns: []column{{Head: "figure"}, {Head: "mean"}, {Head: "95 % of the mean"}, {Head: "spread"}, {Head: "least"}, {Head: "largest"}, {Head: "cases"}}}
	for i := range a.Figures {
		f := &a.Figures[i]
		span, spread := "", ""
		if f.Low != nil && f.High != nil {
			span = fmt.Sprintf("%.2f to %.2f", *f.Low, *f.High)
		}
		if f.SD != nil {
			spread = fmt.Sprintf("%.2f", *f.SD)
		}
		t.Rows = append(t.Rows, row{Cells: []string{f.Figure.Heading(), fmt.Sprintf("%.2f %s", f.Mean, f.Figure.Unit().Symbol()), span, spread,
			fmt.Sprintf("%.2f", f.Least), fmt.Sprintf("%.2f", f.Largest), fmt.Sprint(f.N)}})
	}
	return t
}

// sideBySide has a row for each clinician, and how their means lie.
func (d *Document) sideBySide(together *analysis.Together) {
	if len(together.Clinicians) < 2 {
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
	if together.Brief {
		d.add(paragraph{Text: fmt.Sprintf("Learning, habit, charts and margins are looked at for up to %d clinicians at once; one chosen alone is shown in full.", analysis.MostInFull)})
	}
	means := table{Caption: "The clinicians' means together, each clinician once",
		Columns: []column{{Head: "figure"}, {Head: "clinicians"}, {Head: "least"}, {Head: "median"}, {Head: "largest"}}}
	for _, s := range together.Group {
		means.Rows = append(means.Rows, row{Cells: []string{s.Figure.Heading(), fmt.Sprint(s.N), fmt.Sprintf("%.2f %s", s.Least, s.Figure.Unit().Symbol()), fmt.Sprintf("%.2f %s", s.Median, s.Figure.Unit().Symbol()), fmt.Sprintf("%.2f %s", s.Most, s.Figure.Unit().Symbol())}})
	}
	if len(means.Rows) > 0 {
		d.add(means)
	}
}
