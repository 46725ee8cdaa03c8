package report

import (
	"fmt"
	"math"

	"plumbline/internal/measure"
)

// Anatomy says what a planning scan shows of what a plan must keep clear of, for the
// terminal, and the plan read back against it.
func Anatomy(p *measure.Planned, o Options) *Document {
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
		items = []string{"nothing that the case does not draw; a canal is asked for by find = \"canal\" and two points that it passes through"}
	}
	d := ReadBack(p, o)
	d.blocks = append([]block{notice{Title: "Found in the planning scan", Items: items}}, d.blocks...)
	return d
}

// uncertain says how uncertain a found surface is where a fixture comes nearest to it.
func uncertain(u float64) string {
	return fmt.Sprintf("; its surface is uncertain by %.1f mm beside the fixtures (95 %%)", math.Ceil(10*1.96*u)/10)
}
