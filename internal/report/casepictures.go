package report

import (
	"plumbline/internal/measure"
)

// CasePictures is what a measured case's scans show, without its report: the nearest
// points, the cuts before and after, and the check of the alignment. It stands beside
// the report of the same measurement made without scans, which has the figures.
//
// Errors: a fixture whose outline cannot be drawn, with its site.
func CasePictures(s *measure.Study, o Options) (*Document, error) {
	drawn, err := drawScenes(s, o)
	if err != nil {
		return nil, err
	}
	c := &s.Result
	name := outside(c.Case)
	d := &Document{
		Title: "Case " + name + ", pictures from its scans",
		Foot:  "Pictures of case " + name + " · placed " + outside(c.Placed) + " · plumbline " + outside(c.Program.Version),
		Date:  c.Placed,

		Simulated: c.Simulated,
	}
	d.add(masthead{
		Kicker: "Pictures from the scans",
		Title:  "Case " + name,
		Facts:  [][2]string{{"Placed", outside(c.Placed)}, {"Clinician", outside(c.Clinician)}},
	}, paragraph{Text: "The figures that count stand in the report of this case. These pictures were made from its scans when the pack was, and nobody can make them again without the scans."})
	for i, f := range c.Fixtures {
		p := drawn.fixtures[i]
		d.add(heading{Level: 2, Text: o.siteTitle(f.Site), Page: i > 0})
		if len(p.nearest) > 0 {
			d.add(pictures{Items: p.nearest, Across: 2, Share: besideCaption})
		}
		d.inSpace(p.space)
	}
	for i, f := range c.Fixtures {
		d.beforeAfter(f, &drawn.fixtures[i], o, false)
	}
	d.add(heading{Level: 2, Text: alignmentTitle(c), Page: true})
	d.alignmentChecks(c, drawn, o)
	return d, nil
}
