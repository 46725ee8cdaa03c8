package page

import (
	"errors"
	"fmt"
	"path/filepath"
	"strconv"
	"strings"

	"plumbline/internal/page/practice"
	"plumbline/internal/printable"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// designStation is where it is fixed, before the cases, what they are to show.
type designStation struct {
	frame
	Standing  []standing
	Clinician string // of the latest case
	// Usual is what the form begins with, its shares in percent.
	Usual struct {
		Cases                            int
		Entry, Apex, Angle               float64
		Acceptable, Unacceptable, Errors float64
	}
}

// standing is a design in force.
type standing struct {
	Clinician, When, Fixed, Counted string
	Words                           []string
}

func (p *Page) designView(r *request) error {
	v := designStation{frame: frame{Title: "What your cases are to show"}}
	usual := analysis.UsualDesign()
	v.Usual.Cases = usual.Cases
	v.Usual.Entry, v.Usual.Apex, v.Usual.Angle = usual.Limits.Entry, usual.Limits.Apex, usual.Limits.Angle
	v.Usual.Acceptable, v.Usual.Unacceptable, v.Usual.Errors = 100*usual.Acceptable, 100*usual.Unacceptable, 100*usual.ErrorRate
	l, err := p.ledger()
	if err != nil {
		return err
	}
	summary := series.Summarise(l.File().Records, p.today())
	for _, c := range summary.Cases {
		v.Clinician = c.Clinician
	}
	for _, d := range summary.Designs {
		promise, err := analysis.PromiseOf(d.Design)
		if err != nil {
			return err
		}
		v.Standing = append(v.Standing, standing{Clinician: printable.Plain(d.Clinician), When: dayAndTime(d.Time), Fixed: promise.Fixed(),
			Counted: fmt.Sprintf("%d of %d", len(d.Counted), d.Cases), Words: promise.Words()})
	}
	return p.view(r, "design", v)
}

// fixDesign enters a design in the series.
func (p *Page) fixDesign(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	d, err := designFrom(r)
	if err != nil {
		return err
	}
	l, err := p.ledger()
	if err != nil {
		return err
	}
	var stands *series.DesignStandsError
	switch _, err := l.AddDesign(d); {
	case errors.As(err, &stands):
		stands.Path = filepath.Base(stands.Path)
		return stands
	case err != nil:
		return err
	}
	return r.to("/series/design")
}

// designFrom reads a design from a form.
func designFrom(r *request) (series.Design, error) {
	d := series.Design{Clinician: strings.TrimSpace(r.PostForm.Get("clinician"))}
	if err := practice.CheckName("whose cases", d.Clinician); err != nil {
		return d, err
	}
	for _, f := range []struct {
		key, what, of string
		into          *float64
	}{
		{"entry", "the entry", "millimetres", &d.Limits.Entry},
		{"apex", "the apex", "millimetres", &d.Limits.Apex},
		{"angle", "the angle", "degrees", &d.Limits.Angle},
		{"acceptable", "the share of misses that is well", "percent", &d.Acceptable},
		{"unacceptable", "the share of misses to be ruled out", "percent", &d.Unacceptable},
		{"errors", "how often it may be ruled out wrongly", "percent", &d.ErrorRate},
	} {
		var err error
		if *f.into, err = number(r.PostForm, f.key, f.what, f.of); err != nil {
			return d, err
		}
		if f.of == "percent" {
			*f.into /= 100
		}
	}
	var err error
	if d.Cases, err = strconv.Atoi(strings.TrimSpace(r.PostForm.Get("cases"))); err != nil {
		return d, bad("the number of cases: write a whole number, as in 50")
	}
	if d.Acceptable >= d.Unacceptable {
		return d, bad("the share of misses that is well has to be smaller than the one that is to be ruled out")
	}
	_, err = analysis.PromiseOf(d)
	var indistinct *analysis.IndistinctError
	if errors.As(err, &indistinct) {
		return d, bad("%v; look at more cases, or choose shares that lie farther apart", err)
	}
	return d, err
}
