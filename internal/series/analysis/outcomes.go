package analysis

import (
	"fmt"
	"math"
	"slices"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
	"plumbline/internal/stats/controlchart"
	"plumbline/internal/stats/interval"
	"plumbline/internal/stats/levelnow"
)

// within tells whether a fixture is within the limits; ok is false where one of
// the three figures is missing.
func within(l Limits, r *series.Row) (is, ok bool) {
	entry, apex, angle := r.Deviation[measurement.Entry], r.Deviation[measurement.Apex], r.Deviation[measurement.Angle]
	if entry == nil || apex == nil || angle == nil {
		return false, false
	}
	return len(l.Outside(&r.Deviation)) == 0, true
}

func outcomes(rows []series.Row, l Limits) []bool {
	out := []bool{}
	for i := range rows {
		if is, ok := within(l, &rows[i]); ok {
			out = append(out, is)
		}
	}
	return out
}

func success(o []bool, l Limits) (*Success, error) {
	s := Success{Of: len(o), Limits: l}
	for _, is := range o {
		if is {
			s.Within++
		}
	}
	var err error
	if s.Low, s.High, err = interval.Wilson(s.Within, s.Of, 0.95); err != nil {
		return nil, err
	}
	s.Share = float64(s.Within) / float64(s.Of)
	s.Words = successWords(&s)
	return &s, nil
}

func (a *Analysis) addSuccess() error {
	o := outcomes(a.rows, a.Options.Limits)
	if len(o) == 0 {
		a.Notes = append(a.Notes, "No fixture has entry, apex and angle together, so there is no success rate.")
		return nil
	}
	var err error
	a.Success, err = success(o, a.Options.Limits)
	return err
}

// addDesigns scores what was fixed beforehand; the last design counts.
func (a *Analysis) addDesigns() error {
	for i := range a.Options.Designs {
		d := &a.Options.Designs[i]
		if d.Clinician != a.Clinician {
			continue
		}
		c, err := a.designed(d)
		if err != nil {
			return fmt.Errorf("record %d: %w", d.Record, err)
		}
		a.Competence = c
	}
	if a.Competence == nil && a.Success != nil && len(a.Cases) >= someCases {
		a.Notes = append(a.Notes, "No limits were fixed before the cases, so it is not shown that few enough fixtures lie outside them.")
	}
	return nil
}

// designed scores the cases that a design counts.
func (a *Analysis) designed(d *series.Designed) (*Competence, error) {
	c := Competence{Record: d.Record, Fixed: d.Time, Limits: d.Limits, Outcomes: []bool{}, Without: slices.Clone(d.Without)}
	if c.Without == nil {
		c.Without = []string{}
	}
	var failed []float64
	for _, name := range d.Counted {
		misses, n := 0, 0
		for i := range a.rows {
			if a.rows[i].Case != name {
				continue
			}
			if is, ok := within(d.Limits, &a.rows[i]); ok {
				n++
				if !is {
					misses++
				}
			}
		}
		switch {
		case n == 0:
			c.Without = append(c.Without, name)
		case len(failed) < d.Cases:
			failed = append(failed, float64(misses)/float64(n))
			c.Outcomes = append(c.Outcomes, misses == 0)
		}
	}
	var err error
	c.Design, err = controlchart.DesignCompetence(d.Acceptable, d.Unacceptable, d.ErrorRate, d.Cases)
	if err != nil {
		return nil, err
	}
	c.Path = c.Design.Run(failed)
	if c.Path.Signal == 0 {
		last, left := 0.0, d.Cases-len(failed)
		if len(failed) > 0 {
			last = c.Path.Score[len(failed)-1]
		}
		if more := int(math.Ceil((c.Design.Limit-last)/c.Design.Success - 1e-9)); more <= left {
			c.More = more
		}
		c.Usual = c.Design.CasesToSignal(last, d.Acceptable, left)
	}
	c.Short, c.Words = competenceShort(&c), competenceWords(&c)
	return &c, nil
}

// towards are the directions of the general margins.
var towards = []struct {
	words  string
	figure measurement.Figure
}{
	{"towards the apex", measurement.ApexDepth},
	{"sideways at the apex", measurement.ApexLateral},
	{"sideways at the entry", measurement.EntryLateral},
}

// unsettled reports whether a rise, or a change for the worse that nothing explains, is on.
func (a *Analysis) unsettled() bool {
	for i := range a.Figures {
		f := &a.Figures[i]
		if f.Course != nil && f.Course.Finding == Rises || f.Chart != nil && f.Chart.Worse > 0 {
			return true
		}
	}
	return false
}

// addMargins bounds what is lost in each direction and to each structure; the stated
// confidence is that of all of them together (Bonferroni), as they are printed together.
//
// From 14 cases with normal errors across the axis, one of three margins goes 2.7 times as
// far sideways as it has to (median of 150), from 30 cases 2.0 times. The exact tolerance
// region of a bivariate normal of unknown centre and covariance, at the same confidence,
// ends 2.2 and 1.6 times as far from the plan (Krishnamoorthy and Mathew, Statistical
// Tolerance Regions, 2009, simulated): so wide are few cases, and the rest are hard cases
// and changes, which that region does not allow for.
func (a *Analysis) addMargins() error {
	var drawn []levelled
	for _, t := range towards {
		f := a.find(t.figure)
		if f == nil || f.Bound == nil {
			continue
		}
		m := Margin{Towards: t.words}
		if f.Noise != nil {
			m.ToolU = &f.Noise.U
		}
		a.Margins, drawn = append(a.Margins, m), append(drawn, levelled{a.valuesOfFigure(f.Figure, false), f.level})
	}
	for _, kind := range casefile.Kinds {
		m, l, err := a.structure(kind)
		if err != nil {
			return fmt.Errorf("margin at %s: %w", kind.Kind, err)
		}
		if m != nil {
			a.Margins, drawn = append(a.Margins, *m), append(drawn, *l)
		}
	}
	m, l, err := a.cheekPlate()
	if err != nil {
		return fmt.Errorf("margin at the cheek plate: %w", err)
	}
	if m != nil {
		a.Margins, drawn = append(a.Margins, *m), append(drawn, *l)
	}
	for i := range a.Margins {
		m := &a.Margins[i]
		m.Together, m.Rising = a.Options.Assurance, a.unsettled()
		each := 1 - (1-a.Options.Assurance)/float64(len(a.Margins))
		m.Bound = a.boundOf(drawn[i].cases, drawn[i].level, each)
		if b := m.Bound; b.Upper != nil && m.Asked != nil {
			enough := *m.Asked >= math.Max(0, *b.Upper)
			m.Enough = &enough
		}
		m.Words = marginWords(m)
	}
	return nil
}

// levelled are cases and where their figures stand; nil where they have no level.
type levelled struct {
	cases []valued
	level *levelnow.Level
}

// structure has the clearance that is lost to a kind of structure; nil where no case has
// one.
func (a *Analysis) structure(kind casefile.KindSpec) (*Margin, *levelled, error) {
	m, l, err := a.lost(kind.Towards, string(kind.Kind), func(r *series.Row) *float64 {
		c := r.Nearest(string(kind.Kind))
		if c == nil || c.Achieved == nil {
			return nil
		}
		return new(c.Planned - *c.Achieved)
	})
	if m != nil {
		for i := range a.rows {
			if c := a.rows[i].Nearest(string(kind.Kind)); c != nil && c.Margin != nil {
				m.Asked = c.Margin
			}
		}
	}
	return m, l, err
}

// cheekBone is the kind of the margin to the outer surface of the bone to buccal, which the
// planning scan shows and nobody draws.
const cheekBone = "buccal-bone"

// cheekPlate has the bone to buccal that is lost; nil where no case has it as planned and as
// placed.
func (a *Analysis) cheekPlate() (*Margin, *levelled, error) {
	return a.lost("towards the cheek-side surface of the bone", cheekBone, (*series.Row).BoneLost)
}

// lost has what is lost of a distance to a kind of structure; nil where no case has any.
func (a *Analysis) lost(towards, kind string, of func(*series.Row) *float64) (*Margin, *levelled, error) {
	x := a.valuesOf(of, func(*series.Row) *float64 { return nil }, false)
	if len(x) == 0 {
		return nil, nil, nil
	}
	m := Margin{Towards: towards, Kind: kind}
	var lost []float64
	for _, v := range x {
		lost = append(lost, v.values...)
	}
	s := summarise(lost)
	m.Lost = &s
	_, now, err := level(x, false)
	if err != nil && !noLevel(err) {
		return nil, nil, err
	}
	return &m, &levelled{x, now}, nil
}

// Group is a part of the cases.
type Group struct {
	By       string   `json:"by"` // "guidance", "jaw", "region"
	Name     string   `json:"name"`
	Fixtures int      `json:"fixtures"`
	Entry    *Summary `json:"entry_mm,omitempty"`
	Apex     *Summary `json:"apex_mm,omitempty"`
	Angle    *Summary `json:"angle_deg,omitempty"`
	Success  *Success `json:"success,omitempty"`
	Note     string   `json:"note,omitempty"` // why there is nothing but the number
}

// groupSize is the smallest group that is described: with 10, the interval of a
// mean is as wide as 1.4 spreads.
const groupSize = 10

func (a *Analysis) addGroups() error {
	for _, by := range []struct {
		name string
		of   func(*series.Row) string
	}{
		{"guidance", func(r *series.Row) string { return r.Guidance }},
		{"jaw", (*series.Row).Jaw},
		{"region", (*series.Row).Region},
	} {
		var names []string
		parts := map[string][]series.Row{}
		for i := range a.rows {
			name := by.of(&a.rows[i])
			if name == "" {
				name = "not given"
			}
			if _, seen := parts[name]; !seen {
				names = append(names, name)
			}
			parts[name] = append(parts[name], a.rows[i])
		}
		if len(names) < 2 {
			continue
		}
		for _, name := range names {
			g, err := a.group(by.name, name, parts[name])
			if err != nil {
				return err
			}
			a.Groups = append(a.Groups, g)
		}
	}
	return nil
}

func (a *Analysis) group(by, name string, rows []series.Row) (Group, error) {
	g := Group{By: by, Name: name, Fixtures: len(rows)}
	if len(rows) < groupSize {
		g.Note = fmt.Sprintf("%s, too few to describe by themselves; %d are needed", counted(len(rows), "fixture"), groupSize)
		return g, nil
	}
	of := func(f measurement.Figure) *Summary {
		var x []float64
		for i := range rows {
			if v := rows[i].Deviation[f]; v != nil {
				x = append(x, *v)
			}
		}
		if len(x) < groupSize {
			return nil
		}
		s := summarise(x)
		return &s
	}
	g.Entry, g.Apex, g.Angle = of(measurement.Entry), of(measurement.Apex), of(measurement.Angle)
	if o := outcomes(rows, a.Options.Limits); len(o) >= groupSize {
		var err error
		if g.Success, err = success(o, a.Options.Limits); err != nil {
			return Group{}, err
		}
	}
	return g, nil
}
