package page

import (
	"errors"
	"html/template"
	"net/url"
	"path/filepath"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/page/practice"
	"plumbline/internal/series"
	"plumbline/internal/tooth"
)

// station is a knot on the cord: one of the stations of a case.
type station struct {
	Name, Address string
	State         state
	Here          bool
}

// state is how far a station is.
type state string

const (
	done state = "done"
	now  state = "to do"
	open state = "later"
)

// words are what the views say besides.
var words = template.FuncMap{
	"tooth": func(n tooth.Number) string { return n.Name() },
	"numbers": func(n tooth.Number) string {
		return "ISO 3950 " + n.String() + ", universal " + n.Label(tooth.Universal) + ", " + corner(n)
	},
	"title": func(s string) string { return strings.ToUpper(s[:1]) + s[1:] },
}

// corner is a tooth by its quadrant and its number there, in words.
func corner(n tooth.Number) string {
	side := map[tooth.Side]string{tooth.Left: "left", tooth.Right: "right"}[n.Side()]
	return string(n.Jaw()) + " " + side + " " + string(rune('0'+n.Place()))
}

func caseAddress(name string) string { return "/case/" + url.PathEscape(name) }

// looked is a case with what its series says of it.
type looked struct {
	*practice.Case
	State  *series.CaseState // nil where the series does not know it
	Ledger *series.Ledger    // nil where the series cannot be added to
	Broken error             // why it cannot
}

// Sealed reports whether the plan in force is sealed as it stands.
func (c *looked) Sealed() bool { return c.State != nil && len(c.State.Sealed) > 0 }

// LeftOut reports whether the case will not be measured.
func (c *looked) LeftOut() bool { return c.State != nil && c.State.LeftOut > 0 }

// Entered reports whether the measurement that is shown is in the series.
func (c *looked) Entered() bool {
	if c.Result == nil || c.Ledger == nil {
		return false
	}
	has, err := c.Ledger.Has(&series.Record{Kind: series.Measured, Case: c.Result.Case, Measurement: c.Result})
	return err == nil && has
}

// Stale reports whether the measurement is of another plan than the one that is there.
func (c *looked) Stale() bool {
	return c.Result != nil && c.Plan != nil && c.Result.Inputs.PlanSHA256 != c.Plan.PlanSHA256
}

// title is what the series knows the case as.
func (c *looked) title() string {
	if c.Plan != nil {
		return c.Plan.Name
	}
	return c.Name
}

// look reads a case and what its series says of it.
func (p *Page) look(name string) (*looked, error) {
	c, err := p.folder.Case(name)
	if err != nil {
		return nil, err
	}
	return p.lookAt(c), nil
}

func (p *Page) lookAt(c *practice.Case) *looked {
	out := &looked{Case: c}
	if out.Ledger, out.Broken = p.ledger(); out.Broken == nil {
		out.State = out.Ledger.Case(out.title())
	}
	return out
}

// ledger opens the series file that cases of this folder go into.
func (p *Page) ledger() (*series.Ledger, error) {
	name, err := p.seriesName()
	if err != nil {
		return nil, err
	}
	return series.OpenLedger(filepath.Join(p.folder.Path(), name), p.now())
}

// errChooseSeries says that a folder has several series files.
var errChooseSeries = errors.New("this folder has several series files; choose one under Series first")

// seriesName is the series file: the one that was chosen, or the only one, or that which
// will be made.
func (p *Page) seriesName() (string, error) {
	names, err := p.folder.Series()
	if err != nil {
		return "", err
	}
	p.mu.Lock()
	chosen := p.series
	p.mu.Unlock()
	switch {
	case chosen != "":
		return chosen, nil
	case len(names) > 1:
		return "", errChooseSeries
	case len(names) == 1:
		return names[0], nil
	}
	return practice.SeriesFile, nil
}

// steps are the stations of a case.
func (p *Page) steps(c *looked, here string) []station {
	at := caseAddress(c.Name)
	done1 := map[string]bool{
		"scan": c.HasPre, "plan": c.Plan != nil, "seal": c.Sealed() || c.Result != nil && !c.Stale(),
		"follow-up": c.Followed() || c.LeftOut(), "result": c.Entered() && !c.Stale() || c.LeftOut(),
	}
	var out []station
	waiting := true // for the first that is not done
	for _, name := range []string{"scan", "plan", "seal", "follow-up", "result"} {
		s := station{Name: name, Address: at + "/" + name, State: open, Here: name == here}
		switch {
		case done1[name]:
			s.State = done
		case waiting:
			s.State, waiting = now, false
		}
		out = append(out, s)
	}
	return out
}

// toStation leads to the first station that is not done.
func (p *Page) toStation(r *request, c *looked) error {
	for _, s := range p.steps(c, "") {
		if s.State == now {
			return r.to(s.Address)
		}
	}
	return r.to(caseAddress(c.Name) + "/result")
}

// frame is the frame of a station.
func (p *Page) frame(c *looked, here, title string) frame {
	return frame{Title: title + ", case " + c.Name, Stations: p.steps(c, here), Case: c.Name, Seen: c.Mark}
}

// inDoubt reports whether a measurement has a doubt.
func inDoubt(m *measurement.Case) bool { return m != nil && m.InDoubt() }
