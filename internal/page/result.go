package page

import (
	"html/template"

	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/page/practice"
	"plumbline/internal/report"
	"plumbline/internal/series"
)

// paper is the size of a PDF's pages.
var paper = report.A4

// resultStation is what the station Result shows.
type resultStation struct {
	frame
	Running, Entered, Stale, HasPost bool
	Failed, Broken                   string
	Receipt                          string
	Report, Rest                     template.HTML
	Data                             *resultData
}

// resultData is what the script that steps through the cuts begins with.
type resultData struct {
	Scan       *plain
	Window     *[2]uint16 // of the follow-up scan; nil where there is none
	Fixtures   []resultFixture
	Structures []drawn
}

type resultFixture struct {
	Site     site
	Planned  body
	Achieved *body
}

// body is a fixture's outline.
type body struct {
	Entry, Apex      [3]float64
	Diameter, Length float64
}

func (p *Page) report(c *looked) *report.Document {
	o := report.Options{}
	if c.State != nil {
		o.Recorded = &report.Recorded{Sealed: c.State.SealedOn(), Measured: c.State.MeasuredOn()}
	}
	return report.Stored(c.Result, o)
}

func (p *Page) resultView(r *request, c *looked) error {
	v := resultStation{frame: p.frame(c, "result", "Result"), Running: p.running(c.Name) != nil, HasPost: c.Followed()}
	if c.Broken != nil {
		v.Broken = sentence(c.Broken)
	}
	if err := p.failed(c.Name); err != nil && !v.Running {
		v.Failed = sentence(err)
	}
	if c.Result == nil || v.Running {
		return p.view(r, "result", v)
	}
	v.Entered, v.Stale = c.Entered(), c.Stale()
	if v.Entered {
		v.Receipt = c.Ledger.Receipt()
	}
	v.Report, v.Rest = p.report(c).Parts(1)
	var err error
	if v.Data, err = p.resultData(c); err != nil {
		// The figures stand without the cuts.
		v.Failed = sentence(err)
	}
	return p.view(r, "result", v)
}

// resultData prepares the cuts of a measured case.
func (p *Page) resultData(c *looked) (*resultData, error) {
	d, err := p.planData(c, nil)
	if err != nil {
		return nil, err
	}
	d.Fixtures = nil
	if c.HasPost {
		post, err := p.scanOf(c.Case, practice.FollowUp)
		if err != nil {
			return nil, err
		}
		d.Window = &post.window
	}
	for _, f := range c.Result.Fixtures {
		n, err := siteFrom(f.Site)
		if err != nil {
			return nil, err
		}
		x := resultFixture{Site: siteOf(n), Planned: body{f.Planned.Entry, f.Planned.Apex, f.Planned.Diameter, f.Planned.Length}}
		if a := f.Achieved; a != nil {
			x.Achieved = &body{a.Entry, a.Apex, a.Diameter, a.Length}
		}
		d.Fixtures = append(d.Fixtures, x)
	}
	return d, nil
}

// planData prepares the cuts of a planned case: of the plan as it was held against its scan,
// or, where it was not, as its file and draft have it.
func (p *Page) planData(c *looked, planned *measure.Planned) (*resultData, error) {
	pre, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		return nil, err
	}
	d := &resultData{Scan: p.plain(c, pre), Structures: []drawn{}}
	if planned != nil {
		for _, f := range planned.Plan.Fixtures {
			d.Fixtures = append(d.Fixtures, resultFixture{Site: siteOf(f.Site), Planned: body{triple(f.Planned.Entry), triple(f.Planned.Apex), f.Diameter, f.Length}})
		}
		d.Structures = append(d.Structures, shown(planned)...)
		return d, nil
	}
	if c.Plan == nil {
		return d, nil
	}
	lps := func(v geom.Vec) [3]float64 { return triple(c.Plan.Frame.ToLPS(v, pre.scan.Grid)) }
	for _, f := range c.Plan.Fixtures {
		d.Fixtures = append(d.Fixtures, resultFixture{Site: siteOf(f.Site), Planned: body{lps(f.Planned.Entry), lps(f.Planned.Apex), f.Diameter, f.Length}})
	}
	for _, s := range c.Plan.Structures {
		if len(s.Path) == 0 {
			continue
		}
		x := drawn{Name: s.Name, Radius: s.Radius[0]}
		for _, q := range s.Path {
			x.Points = append(x.Points, lps(q))
		}
		d.Structures = append(d.Structures, x)
	}
	for _, s := range c.Draft.Structures {
		if s.Found != nil {
			d.Structures = append(d.Structures, drawn{Name: s.Name, Radius: s.Radius, Points: triples(s.Found.Line)})
		}
	}
	return d, nil
}

// enter adds the measurement to the series.
func (p *Page) enter(r *request, c *looked) error {
	switch {
	case c.Broken != nil:
		return c.Broken
	case c.Result == nil:
		return errNotHere
	case c.Plan == nil || c.Stale():
		return bad("the plan was changed after it was measured; measure it again first")
	}
	with := series.PlanOf(c.Plan, c.Result.Inputs.PreSHA256)
	record := series.Record{Kind: series.Measured, Case: c.Result.Case, Measurement: c.Result, Plan: &with}
	has, err := c.Ledger.Has(&record)
	if err != nil {
		return err
	}
	if !has {
		if _, err := c.Ledger.Add(record); err != nil {
			return err
		}
	}
	return r.to(caseAddress(c.Name) + "/result")
}
