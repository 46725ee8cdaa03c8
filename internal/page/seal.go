package page

import (
	"html/template"
	"strings"
	"time"

	"plumbline/internal/page/practice"
	"plumbline/internal/series"
)

// sealStation is what the station Seal shows.
type sealStation struct {
	frame
	HasPlan      bool
	Placed, File string
	Fixtures     []plannedLine
	Words        []string // the plan, read back
	Open         []string // what was not checked
	Doubts       []string
	Notes        []string
	Fault        string
	Sealed       bool
	When         string
	Receipt      string
	Mail         string
	Code         template.HTML
	Broken       string
}

func (p *Page) sealView(r *request) error {
	c, err := p.look(r.PathValue("case"))
	if err != nil {
		return err
	}
	v := sealStation{frame: p.frame(c, "seal", "Seal"), HasPlan: c.Plan != nil, Sealed: c.Sealed()}
	if c.Broken != nil {
		v.Broken = sentence(c.Broken)
	}
	if c.Plan == nil {
		return p.view(r, "seal", v)
	}
	v.Placed = c.Plan.Placed
	if v.Sealed {
		last := c.Ledger.LastSeal(c.title())
		v.When, v.Receipt = dayAndTime(last.Time), c.Ledger.Receipt()
		v.Mail = "The plan of case " + c.title() + " is sealed. Receipt " + v.Receipt + ". Please keep this: it shows later that nothing up to now was changed."
		v.Code = squareCode(v.Receipt)
	}
	return p.view(r, "seal", v)
}

// seal enters the plan in the series before surgery.
func (p *Page) seal(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	c, err := p.look(r.PathValue("case"))
	if err != nil {
		return err
	}
	switch {
	case c.Broken != nil:
		return c.Broken
	case c.Plan == nil:
		return bad("confirm the plan first")
	}
	s, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		return err
	}
	plan := series.PlanOf(c.Plan, s.scan.SHA256())
	_ = strings.TrimSpace(r.PostForm.Get("despite"))
	if last := c.Ledger.LastSeal(c.title()); last == nil || !last.Plan.Same(&plan) {
		if _, err := c.Ledger.Add(series.Record{Kind: series.Sealed, Case: c.title(), Plan: &plan}); err != nil {
			return err
		}
	}
	return r.to(caseAddress(c.Name) + "/seal")
}

// dayAndTime words a time of a record; one that cannot be read stays as it is.
func dayAndTime(text string) string {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return text
	}
	return t.Format("2 January 2006, 15:04")
}
