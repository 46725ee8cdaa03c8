package report

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/report/wording"
)

// ReadBack says a plan in words, for the terminal: each fixture with its distances,
// the gravest first, what was not checked, and what is in doubt.
func ReadBack(p *measure.Planned, o Options) *Document {
	d := &Document{coded: !o.Uncoded}
	items := make([]string, 0, len(p.Sites))
	var open []string
	var flags measurement.Flags
	for i := range p.Sites {
		s := &p.Sites[i]
		items = append(items, o.readBack(s))
		open = append(open, o.notChecked(s)...)
		flags = append(flags, s.Flags...)
	}
	flags = append(flags, p.Flags...) // a plan in another frame takes its structures along
	d.add(notice{Title: "The plan, read back", Items: items})
	if len(open) > 0 {
		d.add(notice{Title: "Not checked", Items: open})
	}
	if doubts := d.flagTexts(isDoubt, flags); len(doubts) > 0 {
		d.add(notice{Title: "The plan is in doubt", Grave: true, Items: doubts})
	}
	if notes := d.flagTexts(func(f measurement.Flag) bool { return !isDoubt(f) }, flags); len(notes) > 0 {
		d.add(notice{Title: "Notes on the plan", Items: notes})
	}
	return d
}

// readBack words one planned fixture. The nearest structure of each kind is named at any
// distance, others within reach.
func (o Options) readBack(s *measure.PlannedSite) string {
	_, label, name := o.site(s.Plan.Site.String())
	what := fmt.Sprintf("%.1f × %.1f mm at %s, the %s", s.Plan.Diameter, s.Plan.Length, label, name)
	var near []string
	seen := map[string]bool{}
	for _, d := range gravestFirst(s) {
		if seen[d.Kind] && d.Planned > severity.Reach() {
			continue
		}
		seen[d.Kind] = true
		text := wording.Near{Structure: outside(d.Structure), Distance: d.Planned, Margin: d.Margin, Found: d.Found, OnFixture: d.At.OnFixture, OnStructure: d.At.OnStructure, Planned: s.Plan.Planned}.Text()
		if d.At.Crossed {
			text = "crosses the surface of " + outside(d.Structure)
		}
		near = append(near, text)
	}
	if len(near) == 0 {
		return what + "; no structure is given"
	}
	return what + ": " + strings.Join(near, "; ")
}

// clearances are a site's distances as they are stored.
func clearances(s *measure.PlannedSite) []measurement.Clearance {
	out := make([]measurement.Clearance, len(s.Distances))
	for i, d := range s.Distances {
		out[i] = d.Clearance
	}
	return out
}

// gravestFirst are a site's distances in the order of what counts most.
func gravestFirst(s *measure.PlannedSite) []measure.PlannedDistance {
	out := make([]measure.PlannedDistance, 0, len(s.Distances))
	for _, c := range severity.Ordered(clearances(s)) {
		i := slices.IndexFunc(s.Distances, func(d measure.PlannedDistance) bool { return d.Structure == c.Structure })
		out = append(out, s.Distances[i])
	}
	return out
}

// notChecked names the structures that are due at a site and that the case does not give.
func (o Options) notChecked(s *measure.PlannedSite) []string {
	_, label, _ := o.site(s.Plan.Site.String())
	var out []string
	for _, kind := range severity.NotPlanned(s.Plan.Site.String(), clearances(s)) {
		out = append(out, fmt.Sprintf("the distance of site %s to %s: the case gives none on that side; enter it as a [[structure]] of kind %q", label, casefile.Kind(kind).Spec().Called, kind))
	}
	return out
}
