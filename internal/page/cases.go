package page

import (
	"fmt"
	"mime"
	"net/http"
	"strings"
	"time"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/page/practice"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
)

// casesView is the practice folder: its cases, and where a new one begins.
type casesView struct {
	frame
	Folder    string
	Cases     []caseLine
	NextName  string
	Clinician string
	Demo      bool // it is offered
}

// caseLine is a case in the list.
type caseLine struct {
	Name, Address, What string
	Stations            []station
}

func (p *Page) cases(r *request) error {
	v := casesView{frame: frame{Title: "Your cases"}, Folder: p.folder.Path(), Demo: p.demo.make != nil}
	names, err := p.folder.Names()
	if err != nil {
		return err
	}
	var taken []string
	for _, name := range names {
		c, err := p.look(name)
		if err != nil {
			v.Cases = append(v.Cases, caseLine{Name: name, Address: caseAddress(name), What: sentence(err)})
			continue
		}
		v.Cases = append(v.Cases, caseLine{name, caseAddress(name), p.became(c), p.steps(c, "")})
		if who := clinicianOf(c.Case); who != "" {
			v.Clinician = who
		}
	}
	if ledger, err := p.ledger(); err == nil {
		for n := 1; ledger.Record(n) != nil; n++ {
			taken = append(taken, ledger.Record(n).Case)
		}
	}
	v.NextName = p.folder.NextName(taken)
	return p.view(r, "cases", v)
}

func clinicianOf(c *practice.Case) string {
	if c.Plan != nil {
		return c.Plan.Clinician
	}
	return c.Draft.Clinician
}

// became says in words where a case stands.
func (p *Page) became(c *looked) string {
	switch {
	case c.Fault != nil:
		return "Its case file cannot be read."
	case p.running(c.Name) != nil:
		return "It is being measured."
	case c.LeftOut():
		return "Left out: " + printable.Plain(c.State.Reason)
	case c.Result != nil && c.Stale():
		return "The plan was changed after it was measured."
	case c.Result != nil && inDoubt(c.Result):
		return "Measured; the figures are in doubt."
	case c.Result != nil && c.Entered():
		return "Measured and in the series."
	case c.Result != nil:
		return "Measured, not in the series yet."
	case c.Followed() && c.Plan != nil:
		return "Ready to be measured."
	case c.Sealed():
		return "Sealed; surgery " + c.Plan.Placed + "."
	case c.Plan != nil:
		return "Planned, not sealed."
	case c.HasPre:
		return "The plan is to come."
	}
	return ""
}

// begin takes in a planning scan and makes a case of it.
func (p *Page) begin(r *request) error {
	got, err := p.receive(r, practice.MaxScan)
	if err != nil {
		return err
	}
	defer got.Discard()
	name, clinician := strings.TrimSpace(got.Fields["name"]), strings.TrimSpace(got.Fields["clinician"])
	if err := practice.CheckName("the case's name", name); err != nil {
		return err
	}
	if err := practice.CheckName("your own pseudonym", clinician); err != nil {
		return err
	}
	if err := got.Check(&casefile.Case{Name: name, Clinician: clinician}); err != nil {
		return err
	}
	if _, err := got.Begin(name, practice.Draft{Clinician: clinician}); err != nil {
		return err
	}
	return r.to(caseAddress(name) + "/scan")
}

// receive takes in a form with files.
func (p *Page) receive(r *request, most int64) (*practice.Received, error) {
	kind, _, err := mime.ParseMediaType(r.Request.Header.Get("Content-Type"))
	if err != nil || kind != "multipart/form-data" {
		return nil, bad("the form came without files")
	}
	if r.ContentLength > most+practice.MaxFields {
		return nil, &http.MaxBytesError{Limit: most}
	}
	r.Request.Body = http.MaxBytesReader(r.ResponseWriter, r.Body, most+practice.MaxFields)
	parts, err := r.MultipartReader()
	if err != nil {
		return nil, bad("the form cannot be read: %v", err)
	}
	return p.folder.Receive(parts)
}

// form reads a form without files.
func form(r *request) error {
	r.Request.Body = http.MaxBytesReader(r.ResponseWriter, r.Body, practice.MaxFields)
	return r.ParseForm()
}

// scanStation is what the station Scan shows.
type scanStation struct {
	frame
	Facts [][2]string
	Odd   []string
	Fault string
	View  *plain
}

func (p *Page) scanView(r *request, c *looked) error {
	v := scanStation{frame: p.frame(c, "scan", "Scan")}
	s, err := p.scanOf(c.Case, practice.Planning)
	if err != nil {
		v.Fault = sentence(err)
		return p.view(r, "scan", v)
	}
	v.Facts = scanFacts(s.scan)
	for _, f := range s.scan.Flags {
		v.Odd = append(v.Odd, sentence(fmt.Errorf("%s", f.Message)))
	}
	v.View = p.plain(c, s)
	return p.view(r, "scan", v)
}

// scanFacts says in words what a scan is.
func scanFacts(s *scan.Scan) [][2]string {
	sp := s.Spacing()
	voxel := fmt.Sprintf("%.2f mm", sp[0])
	if sp[0] != sp[1] || sp[0] != sp[2] {
		voxel = fmt.Sprintf("%.2f × %.2f × %.2f mm", sp[0], sp[1], sp[2])
	}
	date := "the scan does not say"
	if t, err := time.Parse(time.DateOnly, s.Taken); err == nil {
		date = t.Format("2 January 2006")
	}
	whole := "all there"
	return [][2]string{
		{"Taken", date},
		{"Extent", fmt.Sprintf("%.0f × %.0f × %.0f mm", float64(s.Size[0])*sp[0], float64(s.Size[1])*sp[1], float64(s.Size[2])*sp[2])},
		{"Voxel", voxel},
		{"Slices", fmt.Sprintf("%d, %s", s.Size[2], whole)},
	}
}
