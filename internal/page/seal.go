package page

import (
	"errors"
	"html/template"
	"strings"
	"time"

	"plumbline/internal/page/practice"
	"plumbline/internal/report"
	"plumbline/internal/sealing"
)

// sealStation is what the station Seal shows.
type sealStation struct {
	frame
	HasPlan, Sealed, InDoubt bool
	Late                     bool // the day of surgery is past
	Placed                   string
	ReadBack                 template.HTML
	Fault                    string // why the plan cannot be read back
	When, Receipt, Mail      string
	Code                     template.HTML
	Broken                   string
	Data                     *resultData
}

// planToSeal is the plan held against its planning scan.
func (p *Page) planToSeal(c *looked) (*sealing.Plan, error) {
	s, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		return nil, err
	}
	return sealing.Look(c.Plan, s.scan, p.now().Format(time.DateOnly))
}

func (p *Page) sealView(r *request, c *looked) error {
	v := sealStation{frame: p.frame(c, "seal", "Seal"), HasPlan: c.Plan != nil, Sealed: c.Sealed()}
	if c.Broken != nil {
		v.Broken = sentence(c.Broken)
	}
	if c.Plan == nil {
		return p.view(r, "seal", v)
	}
	v.Placed, v.Late = c.Plan.Placed, c.Plan.Placed < p.today()
	if plan, err := p.planToSeal(c); err != nil {
		v.Fault = sentence(err)
	} else {
		v.ReadBack, _ = report.ReadBack(plan.Planned, report.Options{Uncoded: true}).Parts(1)
		v.InDoubt = len(plan.Doubts()) > 0
		if v.Data, err = p.planData(c, plan.Planned); err != nil {
			return err
		}
	}
	if v.Sealed {
		last := c.Ledger.LastSeal(c.title())
		v.When, v.Receipt = dayAndTime(last.Time), c.Ledger.Receipt()
		v.Mail = "The plan of case " + c.title() + " is sealed. Receipt " + v.Receipt + ". Please keep this: it shows later that nothing up to now was changed."
		v.Code = squareCode(v.Receipt)
	}
	return p.view(r, "seal", v)
}

// seal enters the plan in the series before surgery.
func (p *Page) seal(r *request, c *looked) error {
	if err := form(r); err != nil {
		return err
	}
	switch {
	case c.Broken != nil:
		return c.Broken
	case c.Plan == nil:
		return bad("confirm the plan first")
	case r.PostForm.Get(seenField) != c.Mark:
		return bad("the plan was changed in another window or by another program after it was read back, and nothing was sealed; read it as it is now")
	}
	plan, err := p.planToSeal(c)
	if err != nil {
		return err
	}
	_, err = plan.Seal(c.Ledger, strings.TrimSpace(r.PostForm.Get("despite")))
	if errors.Is(err, sealing.ErrInDoubt) {
		return bad("%v; change the plan, or write why it is right as it stands", err)
	}
	if err != nil {
		return err
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
