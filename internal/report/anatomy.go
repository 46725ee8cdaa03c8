package report

import (
	"fmt"
	"math"

	"plumbline/internal/measure"
	"plumbline/internal/report/drawing"
)

// Anatomy says what a planning scan shows of what a plan must keep clear of, for the
// terminal, and the plan read back against it.
func Anatomy(p *measure.Planned, o Options) *Document {
	d := ReadBack(p, o)
	d.blocks = append([]block{notice{Title: foundTitle, Items: o.found(p)}}, d.blocks...)
	return d
}

const foundTitle = "Found in the planning scan"

// AnatomyReport is Anatomy with cuts through the planning scan in which the outlines of what
// was found are drawn.
//
// Errors: a fixture whose outline cannot be drawn.
func AnatomyReport(p *measure.Planned, o Options) (*Document, error) {
	name := outside(p.Plan.Name)
	d := &Document{Title: "Case " + name + ", the planning scan against its plan", Foot: "Case " + name, Date: p.Plan.Placed, Simulated: p.Plan.Simulated}
	d.add(masthead{Kicker: "The planning scan against its plan", Title: "Case " + name})
	o.Uncoded = true // codes are for scripts
	d.blocks = append(d.blocks, Anatomy(p, o).blocks...)
	for i, site := range p.Sites {
		scene := drawing.Scene{Planning: p.Planning, Site: site.Plan.Site, Planned: site.Plan.Planned, PlannedDiameter: site.Plan.Diameter, Directions: site.Directions}
		for _, st := range p.Structures {
			scene.Structures = append(scene.Structures, drawing.Structure{Name: st.Plan.Name, Kind: st.Plan.Kind, Body: st.Body, Found: st.Plan.Find != ""})
		}
		for _, f := range site.Found {
			scene.Structures = append(scene.Structures, drawing.Structure{Name: f.Plan.Name, Kind: f.Plan.Kind, Body: f.Body, Found: true})
		}
		before, err := scene.Before(pixel)
		if err != nil {
			return nil, err
		}
		_, label, words := o.site(site.Plan.Site.String())
		d.add(heading{Level: 2, Text: fmt.Sprintf("Site %s, %s", label, words), Page: i > 0})
		d.add(pictures{Items: plannedCuts(&scene, before), Across: 2})
	}
	return d, nil
}

// plannedCuts are the cuts of a planned fixture, and the stacks to step through.
func plannedCuts(s *drawing.Scene, before *drawing.Cutter) []picture {
	var out []picture
	for _, v := range s.Views() {
		from, to, by, start := -reachAside, reachAside, stepAside, 0.0
		if !v.Along() {
			from, to, by, start = -reachDown, s.Planned.Length()+reachDown, stepDown, inside
		}
		var at []float64
		for d := from; d <= to; d += by {
			at = append(at, d)
		}
		steps := newStack(before, v, at)
		steps.Start = int(math.Round((start - from) / by))
		steps.Name = "Step through the " + v.Name + " cuts"
		out = append(out, picture{Drawing: steps.Drawings[steps.Start], Steps: steps, Caption: before.Caption(v)})
	}
	return out
}

// found lists what was found.
func (o Options) found(p *measure.Planned) []string {
	var items []string
	for _, c := range p.Canals {
		if c.Why != nil {
			items = append(items, fmt.Sprintf("%s: not found; %v", outside(c.Plan.Name), c.Why))
			continue
		}
		least, most := math.Inf(1), 0.0
		for _, r := range c.Plan.Radius {
			least, most = min(least, r), max(most, r)
		}
		text := fmt.Sprintf("%s: followed over %.0f mm, %.1f to %.1f mm wide", outside(c.Plan.Name), c.All, 2*least, 2*most)
		if c.Unseen > 0 {
			text += fmt.Sprintf("; %.0f mm of it are not seen and bridged", math.Ceil(c.Unseen))
		}
		items = append(items, text+uncertain(c.Plan.DrawnUncertainty))
	}
	for _, s := range p.Sites {
		_, label, _ := o.site(s.Plan.Site.String())
		for _, f := range s.Found {
			items = append(items, fmt.Sprintf("%s beyond site %s: its air, and the bone behind its mucosa", outside(f.Plan.Name), label)+uncertain(f.Plan.DrawnUncertainty))
		}
	}
	if len(items) == 0 {
		items = []string{"nothing beyond what the case draws; to have a canal followed, give two points that it passes through, with find = \"canal\""}
	}
	return items
}

// uncertain says how uncertain a found surface is where a fixture comes nearest to it.
func uncertain(u float64) string {
	return fmt.Sprintf("; its surface is uncertain by %.1f mm beside the fixtures (95 %%)", math.Ceil(10*1.96*u)/10)
}
