package report

import (
	"fmt"
	"slices"
	"time"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// chain is what the file proves, with corrections and remarks.
func (d *Document) chain(s Series) {
	d.add(heading{Level: 2, Text: "Seals, chain and remarks"})
	if s.File != nil {
		items := []string{}
		if v, err := s.File.Check(""); err == nil {
			items = append(items, sentence(chainSentence(v)))
			if v.Receipt != "" {
				items = append(items, receiptSentence(v)+". Kept by somebody else, it shows later that nothing before it was changed.")
			}
			if v.Unfinished != nil {
				items = append(items, sentence(v.Unfinished.String()))
			}
			items = append(items, v.Limits)
		}
		if s.Summary.Mended > 0 {
			items = append(items, mendedSentence(&s.Summary))
		}
		if s.Summary.Joined > 0 {
			items = append(items, joinedSentence(&s.Summary))
		}
		d.add(list{Items: items})
	}
	for _, t := range []table{withdrawalTable(&s.Summary), flagTable(&s.Summary), correctionTable(&s.Summary), remarkTable(&s.Summary)} {
		if len(t.Rows) > 0 {
			d.add(t)
		}
	}
	if len(s.Summary.Remarks) == 0 {
		d.add(paragraph{Small: true, Text: "No reviewer has remarked on this series in the file."})
	}
}

func mendedSentence(s *series.Summary) string {
	return fmt.Sprintf("Unfinished lines that were taken off the end of the file: %d.", s.Mended)
}

func joinedSentence(s *series.Summary) string {
	return fmt.Sprintf("Records that came here with another copy of the series, as they stand there: %d.", s.Joined)
}

// flagTable is what the records say of single cases, but for what was withdrawn, which
// withdrawalTable tells.
func flagTable(s *series.Summary) table {
	t := table{Dense: true, Caption: "What the records say of single cases", Columns: []column{{Head: "case", Share: 20}, {Head: "remark of the program", Share: 100}}}
	for _, c := range s.Cases {
		for _, f := range c.Flags {
			if f.Code != measurement.CodeWithdrawn {
				t.Rows = append(t.Rows, row{Cells: []string{outside(c.Case), sentence(f.Message)}})
			}
		}
	}
	return t
}

// withdrawals tells of records that no longer count.
func (d *Document) withdrawals(s *series.Summary) {
	var items []string
	for i := range s.Withdrawals {
		if w := &s.Withdrawals[i]; w.Counts() {
			items = append(items, sentence(outside(w.Case)+": "+w.Words()))
		}
	}
	if len(items) > 0 {
		d.add(notice{Title: "Withdrawn", Grave: true, Items: items})
	}
}

func withdrawalTable(s *series.Summary) table {
	t := table{Dense: true, Caption: "Withdrawn records, which stay in the file", Columns: []column{{Head: "record", Share: 12}, {Head: "case", Share: 16}, {Head: "held", Share: 50}, {Head: "withdrawn", Share: 30}, {Head: "by", Share: 18}, {Head: "why", Share: 34}}}
	for _, w := range s.Withdrawals {
		by := w.Author
		if by == "" {
			by = "not stated"
		}
		t.Rows = append(t.Rows, row{Cells: []string{fmt.Sprint(w.Record), outside(w.Case), outside(w.Held), fmt.Sprintf("%s (record %d)", timeWords(w.When), w.By), outside(by), outside(w.Reason)}})
	}
	return t
}

// correctionTable has the corrections, but for those that withdraw a record, which
// withdrawalTable tells.
func correctionTable(s *series.Summary) table {
	t := table{Dense: true, Caption: "Corrections", Columns: []column{{Head: "record", Share: 12}, {Head: "time", Share: 30}, {Head: "corrects", Share: 14}, {Head: "which held", Share: 44}, {Head: "by", Share: 16}, {Head: "reason", Share: 40}}}
	for _, n := range s.Corrections {
		if slices.ContainsFunc(s.Withdrawals, func(w series.Withdrawal) bool { return w.By == n.Record }) {
			continue
		}
		by := n.Author
		if by == "" {
			by = "not stated"
		}
		t.Rows = append(t.Rows, row{Cells: []string{fmt.Sprint(n.Record), timeWords(n.Time), fmt.Sprint(n.Corrects), outside(n.Held), outside(by), outside(n.Text)}})
	}
	return t
}

func remarkTable(s *series.Summary) table {
	t := table{Caption: "Remarks of reviewers", Columns: []column{{Head: "record", Share: 14}, {Head: "time", Share: 42}, {Head: "by", Share: 22}, {Head: "case", Share: 18}, {Head: "remark", Share: 76}}}
	for _, n := range s.Remarks {
		when := timeWords(n.Time)
		if n.Written != "" {
			when = fmt.Sprintf("%s; taken in %s from %s", timeWords(n.Written), when, outside(n.From))
		}
		t.Rows = append(t.Rows, row{Cells: []string{fmt.Sprint(n.Record), when, outside(n.Author), outside(n.Case), outside(n.Text)}})
	}
	return t
}

// timeWords is a record's time to the minute.
func timeWords(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return outside(text)
	}
	return t.UTC().Format("2006-01-02 15:04") + " UTC"
}
