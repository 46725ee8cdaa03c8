package report

import (
	"plumbline/internal/measure"
	"plumbline/internal/parallel"
	"plumbline/internal/report/drawing"
)

// pixel is the size of a cut's pixels, mm: half a usual voxel. Finer ones would show no
// more of such a scan, and the page of a case with two fixtures would pass 1.5 MB.
const pixel = 0.15

// Case is the report of a measured case with its pictures.
//
// Errors: a fixture whose outline cannot be drawn, with its site.
func Case(s *measure.Study, o Options) (*Document, error) {
	out := &scenes{fixtures: make([]fixturePictures, len(s.Sites))}
	for i, site := range s.Sites {
		plan := site.Plan
		scene := drawing.Scene{
			Shown: s.Observed,
			Site:  plan.Site, Planned: plan.Planned, PlannedDiameter: plan.Diameter,
			Achieved: site.Achieved, Directions: site.Directions, Deviation: site.Figures.Deviation,
		}
		p := &out.fixtures[i]
		p.shown = site.Achieved.Kind.Name()
		var err error
		if p.cuts, err = cuts(&scene); err != nil {
			return nil, err
		}
		p.target = scene.Target()
		_, label, _ := o.site(site.Figures.Site)
		p.alignment = scene.Alignment(s.Planning, label)
	}
	return caseReport(&s.Result, out, o), nil
}

// Steps of the cuts, mm: beside the axis as far as a fixture is wide, and along
// it from above the platform to below the apex.
const (
	stepAside  = 0.5
	reachAside = 2.5
	stepDown   = 1.0
	reachDown  = 2.0 // beyond both ends
	inside     = 1.0 // of the still cuts across, from the end
)

// cuts are a fixture's four still cuts and the stacks to step through.
func cuts(s *drawing.Scene) ([]picture, error) {
	c, err := s.Cutter(pixel)
	if err != nil {
		return nil, err
	}
	length := s.Planned.Length()
	if s.Achieved.Pose != nil {
		length = s.Achieved.Pose.Length()
	}
	var out []picture
	for _, v := range s.Views() {
		if v.Along() {
			n := int(reachAside / stepAside)
			var at []float64
			for i := -n; i <= n; i++ {
				at = append(at, float64(i)*stepAside)
			}
			steps := newStack(c, v, at)
			steps.Start = n
			steps.Name = "Step through the " + v.Name + " cuts"
			out = append(out, picture{Drawing: steps.Drawings[n], Steps: steps, Caption: s.Caption(v)})
			continue
		}
		var at []float64
		for d := -reachDown; d <= length+reachDown; d += stepDown {
			at = append(at, d)
		}
		steps := newStack(c, v, at)
		steps.Start = int((reachDown + inside) / stepDown)
		steps.Name = "Step through the cuts across the axis, from coronal to apical"
		entry, apex := c.Draw(v, inside), c.Draw(v, length-inside)
		out = append(out,
			picture{Drawing: entry, Steps: steps, Caption: s.Caption(v)},
			picture{Drawing: apex, Caption: s.Caption(v), Paper: true})
	}
	return out, nil
}

// newStack draws the cuts of a view at the given places.
func newStack(c *drawing.Cutter, v drawing.View, at []float64) *stack {
	s := &stack{Drawings: make([]drawing.Drawing, len(at)), Labels: make([]string, len(at))}
	parallel.For(len(at), func(i int) { s.Drawings[i], s.Labels[i] = c.Draw(v, at[i]), v.Place(at[i]) })
	return s
}
