package page

import (
	"fmt"
	"math"

	"plumbline/internal/anatomy/canal"
	"plumbline/internal/measure"
	"plumbline/internal/page/practice"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// What the planning scan shows by itself: it is shown on the cuts, to be taken in or refused.

// foundStation is what View found shows.
type foundStation struct {
	frame
	Items []foundItem
	Fault string
	Data  *resultData
}

// foundItem is a structure that the scan shows.
type foundItem struct {
	Name, Words string
	Find        casefile.Find
	Kind        casefile.Kind
	Taken       bool // it is in the plan
}

// follow follows a canal through the points that were clicked, and puts it into the plan to
// be looked at.
func (p *Page) follow(r *request, out practice.Structure) error {
	c, err := p.folder.Case(r.PathValue("case"))
	if err != nil {
		return err
	}
	s, err := p.scanOf(c, practice.Planning)
	if err != nil {
		return err
	}
	line, err := canal.Find(&s.scan.Volume, out.Points)
	if err != nil {
		return bad("the scan does not show the canal there: %v. Click other points, or draw it", err)
	}
	out.Find, out.Hand, out.Radius = casefile.FindCanal, practice.Hand{}, 0
	for _, x := range line.Radius {
		out.Radius += x / float64(len(line.Radius))
	}
	const tenth = 10 // as it is typed where it is drawn
	out.Radius = math.Round(tenth*out.Radius) / tenth
	out.Found = &practice.Found{Line: line.Points}
	out.Found.All, out.Found.Unseen = line.Length()
	return p.editedTo(r, "found", r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		put(d, out)
		return nil
	})
}

// held is the draft as far as it is placed, held against its scan.
func (p *Page) held(c *looked) (*measure.Planned, error) {
	s, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		return nil, err
	}
	trial := practice.Draft{Placed: p.today(), Clinician: c.Draft.Clinician, Structures: c.Draft.Structures}
	for _, f := range c.Draft.Fixtures {
		if f.Planned != nil {
			trial.Fixtures = append(trial.Fixtures, f)
		}
	}
	if len(trial.Fixtures) == 0 {
		return nil, bad("place the fixture first: the scan is looked through around it")
	}
	plan, err := trial.Read(c.Case)
	if err != nil {
		return nil, faultOf(err)
	}
	return measure.CheckPlan(plan, s.scan, "")
}

func (p *Page) foundView(r *request, c *looked) error {
	v := foundStation{frame: p.frame(c, "plan", "What the scan shows")}
	planned, err := p.held(c)
	if err != nil {
		v.Fault = sentence(err)
		return p.view(r, "found", v)
	}
	if v.Data, err = p.planData(c, planned); err != nil {
		return err
	}
	for _, s := range c.Draft.Structures {
		if s.Found != nil {
			v.Items = append(v.Items, foundItem{s.Name, s.Found.Words(), s.Find, s.Kind, true})
		}
	}
	for _, site := range planned.Sites {
		for _, f := range site.Found {
			item := foundItem{Name: f.Plan.Name, Find: casefile.FindNasalFloor, Kind: f.Plan.Kind, Taken: f.Plan.Find != ""}
			if f.Plan.Kind == casefile.Sinus {
				item.Find = casefile.FindSinus
			}
			for _, d := range site.Distances {
				if d.Structure == f.Plan.Name {
					item.Words = fmt.Sprintf("found by its air and the bone behind its mucosa, %.1f mm from the planned fixture at %s, sure to %.1f mm", d.Planned, site.Plan.Site, f.Plan.DrawnUncertainty)
				}
			}
			v.Items = append(v.Items, item)
		}
	}
	return p.view(r, "found", v)
}

// cavityNames are what cavities are called in a plan, behind their side.
var cavityNames = map[casefile.Find]string{casefile.FindSinus: "sinus", casefile.FindNasalFloor: "nasal floor"}

// takeFound puts a cavity that the scan shows into the plan.
func (p *Page) takeFound(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	find := casefile.Find(r.PostForm.Get("find"))
	if cavityNames[find] == "" {
		return bad("choose what the scan shows from the list")
	}
	return p.edited(r, r.PostForm.Get(seenField), func(_ *looked, d *practice.Draft) error {
		f := placedFixture(*d)
		if f == nil {
			return bad("place the fixture first")
		}
		side := map[tooth.Side]string{tooth.Left: "left", tooth.Right: "right"}[f.Site.Side()]
		put(d, practice.Structure{Name: side + " " + cavityNames[find], Kind: find.Kind(), Find: find})
		return nil
	})
}

// shown are the structures of a plan that was held against its scan, those that the scan
// shows too.
func shown(planned *measure.Planned) []drawn {
	var out []drawn
	for _, s := range planned.Plan.Structures {
		if len(s.Path) > 0 {
			out = append(out, drawn{Name: s.Name, Radius: s.Radius[0], Points: triples(s.Path)})
		}
	}
	for _, site := range planned.Sites {
		for _, f := range site.Found {
			x := drawn{Name: f.Plan.Name, Triangles: f.Wall.Triangles}
			for _, v := range f.Wall.Vertices {
				x.Points = append(x.Points, triple(practice.Rounded(v)))
			}
			out = append(out, x)
		}
	}
	return out
}
