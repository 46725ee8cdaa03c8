package report

import (
	"fmt"

	"plumbline/internal/measurement"
	"plumbline/internal/report/wording"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// Cover is the first page of what a reviewer gets: what it shows, what it cannot
// show, and every case that is not as it should be.
type Cover struct {
	File     *series.File
	Summary  series.Summary
	Today    string // ISO; the day on which the cases stand as the summary says
	Version  string // of the program
	Reports  int    // of single cases that come with it
	Pictured int    // of these, with pictures from the scans beside them
	OnScreen bool   // where the cases themselves are at hand, and nothing is on paper
}

// Document makes the page.
func (c Cover) Document(Options) *Document {
	s := &c.Summary
	rows := s.Table()
	breaches := analysis.CountBreaches(rows)
	last := ""
	for i := range s.Cases {
		last = max(last, s.Cases[i].Placed)
	}
	d := &Document{Title: "Peer-review pack: first page", Foot: "Peer-review pack · plumbline " + outside(c.Version), Date: last, Simulated: s.Simulated()}
	d.add(masthead{Kicker: "What a reviewer should know first", Title: "Peer-review pack", Facts: [][2]string{
		{"Clinicians", outside(wording.List(analysis.Clinicians(s.Rows())))},
		{"Cases in the file", fmt.Sprint(len(s.Cases))},
		{"Measured", fmt.Sprint(s.Measured)},
		{"Cases as of", outside(c.Today)},
		{"Records", fmt.Sprint(len(c.File.Records))},
		{"Receipt", c.File.Receipt()},
	}})
	shows := append([]string{outside(s.Words)}, breaches.Points...)
	if !c.OnScreen {
		shows = append(shows, c.pictures())
	}
	d.add(notice{Title: "What this shows", Items: shows, Grave: breaches.Entered+breaches.Missed > 0})
	d.add(notice{Title: "What it cannot show", Items: []string{
		series.CannotProve,
		"A surgery that was never sealed or measured is not seen here, and why one was scanned is not either.",
		"A clearance is the distance to a structure as it was drawn in the plan; that the drawing is right only a look at the pictures can tell.",
	}})
	for _, g := range c.groups() {
		title := fmt.Sprintf("%s: %d", g.title, g.cases)
		if len(g.items) == 0 {
			d.add(paragraph{Text: g.title + ": none."})
			continue
		}
		d.add(notice{Title: title, Items: g.items, Grave: g.grave})
	}
	if t := breachTable(breaches); len(t.Rows) > 0 {
		d.add(t)
	}
	d.cautions()
	return d
}

// pictures says how many case reports have pictures beside them.
func (c Cover) pictures() string {
	switch {
	case c.Reports == 0:
		return "Case reports on paper: none."
	case c.Pictured == 0:
		return fmt.Sprintf("Case reports on paper: %d, without pictures from the scans, as the scans were not at hand when this was packed.", c.Reports)
	case c.Pictured < c.Reports:
		return fmt.Sprintf("Case reports on paper: %d, %d of them with cuts through the scans and the check of the alignment in a file beside it; the scans of the others were not at hand when this was packed.", c.Reports, c.Pictured)
	}
	return fmt.Sprintf("Case reports on paper: %d, each with cuts through the scans and the check of the alignment in a file beside it.", c.Reports)
}

// isChange reports whether a flag tells that something was changed after it was sealed
// or measured.
func isChange(code measurement.Code) bool {
	switch code {
	case measurement.CodePlanChanged, measurement.CodeMeasuredAgain, measurement.CodeSealedAgain, measurement.CodeCaseFileEdited:
		return true
	}
	return false
}

// coverGroup is the cases of one kind of trouble.
type coverGroup struct {
	title string
	items []string
	cases int
	grave bool
}

// groups are the kinds of trouble that a reviewer asks about.
func (c Cover) groups() []coverGroup {
	s := &c.Summary
	var withdrawn, left, lateWords, changed, missing, doubt []string
	seals := map[string][]string{} // cases whose seal is told in the same words
	for i := range s.Withdrawals {
		if w := &s.Withdrawals[i]; w.Counts() {
			withdrawn = append(withdrawn, sentence(w.Case+": "+w.Words()))
		}
	}
	for i := range s.Cases {
		x := &s.Cases[i]
		say := func(list *[]string, text string) { *list = append(*list, sentence(x.Case+": "+text)) }
		alike := func(text string) {
			if len(seals[text]) == 0 {
				lateWords = append(lateWords, text)
			}
			seals[text] = append(seals[text], outside(x.Case))
		}
		switch x.Status {
		case series.StatusLeftOut:
			say(&left, fmt.Sprintf("left out (record %d): %s", x.LeftOut, x.Reason))
		case series.StatusMissing:
			say(&missing, "sealed and never measured")
		case series.StatusMeasured:
			switch x.Seal {
			case series.SealNone:
				alike("measured, never sealed")
			case series.SealLate:
				alike("sealed only after surgery or after measuring")
			case series.SealUnknown:
				alike("sealed; whether before surgery and with the measured plan cannot be told")
			}
			if m := x.Result(); m != nil && m.InDoubt() {
				say(&doubt, "the figures are in doubt; its report says why")
			}
		}
		for _, f := range x.Flags {
			if isChange(f.Code) {
				say(&changed, f.Message)
			}
		}
	}
	var late []string
	many := 0
	for _, text := range lateWords {
		late = append(late, sentence(text+": "+wording.List(seals[text])))
		many += len(seals[text])
	}
	return []coverGroup{
		{"Withdrawn records", withdrawn, len(withdrawn), true}, {"Left out", left, len(left), true}, {"Sealed late or never", late, many, false},
		{"Changed after sealing or measuring", changed, len(changed), true}, {"Sealed and never measured", missing, len(missing), true}, {"Figures in doubt", doubt, len(doubt), true},
	}
}
