package report

import (
	"fmt"

	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/series"
)

// Documents without pictures, for the terminal: their tables and sentences are
// those of the reports.

// Figures is the short form of a case's report: its figures, clearances and flags.
func Figures(c *measurement.Case, o Options) *Document {
	d := &Document{Simulated: c.Simulated, coded: true}
	d.add(paragraph{Text: d.kicker(fmt.Sprintf("Case %s, placed %s by %s", outside(c.Case), outside(c.Placed), outside(c.Clinician)))},
		paragraph{Text: alignedBy + ": " + methodName(c.Alignment.Method)})
	d.verdicts(o, c)
	for _, f := range c.Fixtures {
		n, _, _ := o.site(f.Site)
		d.add(heading{Level: 2, Text: o.siteTitle(f.Site) + " (" + o.numbering() + ")"}, paragraph{Text: planText(f)})
		if f.Deviation == nil {
			d.add(list{Items: wording.Summary(f, n)})
			continue
		}
		t := figureTable(f, n)
		for i, line := range wording.Figures(f, n) {
			if line.Note != "" {
				t.Rows[i].Cells[2] += "; " + line.Note
			}
		}
		d.add(t)
		d.clearances(f)
		d.boneInShort(f)
	}
	d.notes(allFlags(c)...)
	d.cautions()
	return d
}

// Flags is what flags say, doubts first.
func Flags(flags measurement.Flags) *Document {
	d := &Document{coded: true}
	d.doubts(flags)
	d.notes(flags)
	return d
}

// CaseList is a table of many cases, a row a fixture, and their doubts.
func CaseList(cases []measurement.Case, o Options) *Document {
	d := &Document{coded: true}
	if len(cases) == 0 {
		return d
	}
	t := table{Caption: "Achieved against planned, sites in " + o.numbering() + "; " + twiceU,
		Columns: withWholes([]column{{Head: "case"}, {Head: "site"}}, 0, column{Head: "tightest clearance"}, column{Head: "verdict"})}
	var listed []*measurement.Case
	for i := range cases {
		c := &cases[i]
		for _, f := range c.Fixtures {
			_, label, _ := o.site(f.Site)
			cells := []string{outside(c.Case), label}
			for _, figure := range measurement.Wholes() {
				cells = append(cells, wholeOf(f, figure))
			}
			verdict, grave := verdictCell(c, f)
			t.Rows = append(t.Rows, row{Cells: append(cells, tightest(f.Clearance), verdict), Strong: grave})
		}
		listed = append(listed, c)
	}
	d.add(t)
	d.verdicts(o, listed...)
	d.cautions()
	return d
}

// twiceU explains figures as withU words them.
const twiceU = "± is twice the standard uncertainty"

// withU words a figure with twice its standard uncertainty, where that is known;
// "" where there is no figure.
func withU(v, u *float64) string {
	switch {
	case v == nil:
		return ""
	case u == nil || *u == 0:
		return fmt.Sprintf("%.2f", *v)
	}
	return fmt.Sprintf("%.2f ± %.2f", *v, 2**u)
}

// wholeOf words a figure of a fixture with its uncertainty, "none" where there is
// no such figure.
func wholeOf(f measurement.Fixture, figure measurement.Figure) string {
	if f.Deviation == nil || f.Deviation[figure] == nil {
		return "none"
	}
	var u *float64
	if f.Uncertainty != nil && f.Uncertainty.Intervals[figure] != nil {
		u = &f.Uncertainty.Intervals[figure].U
	}
	return withU(f.Deviation[figure], u)
}

func (d *Document) cautions() {
	d.add(notice{Title: "Cautions", Items: wording.Cautions})
}

// mostFaults is how many faults are listed: one edit makes one or two, and a
// file that is no series at all has one a line.
const mostFaults = 20

// Chain says whether the series file of a name is as it was written.
func Chain(name string, v series.Verdict) *Document {
	d := &Document{coded: true}
	d.verdict(name, v)
	return d
}

// Verdict is Chain with what a chain can and cannot show.
func Verdict(name string, v series.Verdict) *Document {
	d := Chain(name, v)
	d.add(heading{Level: 2, Text: "What it proves, and what not"}, paragraph{Text: v.Limits})
	return d
}

func (d *Document) verdict(name string, v series.Verdict) {
	say := func(text string) { d.add(paragraph{Text: text}) }
	say(outside(name) + ": " + chainSentence(v))
	if len(v.Faults) > 0 {
		var faults list
		for i, x := range v.Faults {
			if i == mostFaults {
				faults.Items = append(faults.Items, fmt.Sprintf("and %d more", len(v.Faults)-mostFaults))
				break
			}
			faults.Items = append(faults.Items, outside(x.Code)+": "+outside(x.Message)+".")
		}
		d.add(faults)
		say("Go on from an unchanged copy of the file, if there is one.")
	}
	if v.Unfinished != nil {
		say("Note: " + outside(v.Unfinished.String()) + ".")
	}
	if v.Records == 0 && (len(v.Faults) > 0 || v.Unfinished != nil) {
		say("There is nothing in it that is a record; it may be another kind of file.")
	}
	if v.Receipt != "" {
		say(receiptSentence(v))
	}
	if h := v.Held; h != nil {
		answer := "holds"
		if !h.Same {
			answer = "does not hold"
		}
		say(fmt.Sprintf("The receipt %s %s: %s.", outside(h.Receipt), answer, outside(h.Message)))
	}
}

func chainSentence(v series.Verdict) string {
	records := counted(v.Records, "record")
	if len(v.Faults) > 0 {
		return "the chain is broken; " + records + " can be read as they were written."
	}
	return records + ", the chain is unbroken."
}

func receiptSentence(v series.Verdict) string {
	return "Receipt of the file as it is now: " + v.Receipt
}

// counted is a number of things.
func counted(n int, noun string) string {
	return fmt.Sprint(n) + " " + plural(n, noun, noun+"s")
}
