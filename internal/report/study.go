package report

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/evidence"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/wording"
)

// pixel is the size of a cut's pixels, mm: half a usual voxel. Finer ones would show no
// more of such a scan, and the page of a case with three fixtures would pass 3 MB.
const pixel = 0.15

// Case is the report of a measured case with its pictures.
//
// Errors: a fixture whose outline cannot be drawn, with its site.
func Case(s *measure.Study, o Options) (*Document, error) {
	drawn, err := drawScenes(s, o)
	if err != nil {
		return nil, err
	}
	return caseReport(&s.Result, drawn, o), nil
}

// drawScenes draws the pictures of a case's fixtures.
//
// Errors: a fixture whose outline cannot be drawn, with its site.
func drawScenes(s *measure.Study, o Options) (*scenes, error) {
	out := &scenes{fixtures: make([]fixturePictures, len(s.Sites))}
	failed := make([]error, len(s.Sites))
	parallel.For(len(s.Sites), func(i int) { failed[i] = out.fixtures[i].drawScene(s, i, o) })
	return out, errors.Join(failed...)
}

// drawScene draws the pictures of a site.
//
// Errors: as drawScenes has them.
func (p *fixturePictures) drawScene(s *measure.Study, i int, o Options) error {
	site := s.Sites[i]
	plan := site.Plan
	scene := drawing.Scene{
		Shown: s.Observed, Planning: s.Planning,
		Site: plan.Site, Planned: plan.Planned, PlannedDiameter: plan.Diameter,
		Achieved: site.Achieved, Directions: site.Directions, Deviation: site.Figures.Deviation,
	}
	var err error
	if scene.Structures, err = structuresBeside(s, i); err != nil {
		return err
	}
	p.shown = site.Achieved.Kind.Name()
	if err := p.cut(&scene, *site.Figures); err != nil {
		return err
	}
	p.rulers = scene.Rulers()
	_, label, _ := o.site(site.Figures.Site)
	p.alignment = scene.Alignment(s.Planning, label)
	if s.Beside != nil {
		scene := drawing.Scene{Shown: s.Beside, Site: plan.Site, Planned: plan.Planned, PlannedDiameter: plan.Diameter, Achieved: evidence.Achieved{Kind: evidence.SurfaceScan}, Directions: site.Directions}
		p.beside = scene.Alignment(s.Planning, label)
	}
	return nil
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

// structuresBeside are the bodies beside a site's fixture, named as its clearances name
// them: the case's structures, what was found beside it, and the other fixtures.
func structuresBeside(s *measure.Study, site int) ([]drawing.Structure, error) {
	var out []drawing.Structure
	for _, st := range s.Structures {
		out = append(out, drawing.Structure{Name: st.Plan.Name, Kind: st.Plan.Kind, Body: st.Body})
	}
	for _, st := range s.Sites[site].Found {
		out = append(out, drawing.Structure{Name: st.Plan.Name, Kind: st.Plan.Kind, Body: st.Body, Found: true})
	}
	for i, other := range s.Sites {
		if i == site {
			continue
		}
		beside := drawing.Structure{Name: "fixture at " + other.Figures.Site, Kind: casefile.FixtureBody}
		if pose := other.Achieved.Pose; pose != nil {
			placed, err := clearance.Nominal(other.Achieved.Diameter).Place(*pose)
			if err != nil {
				return nil, err
			}
			beside.Body = placed
		}
		out = append(out, beside)
	}
	return out, nil
}

// cut draws all cuts of a fixture.
//
// Errors: a fixture that has no envelope.
func (p *fixturePictures) cut(s *drawing.Scene, f measurement.Fixture) error {
	before, err := s.Before(pixel)
	if err != nil {
		return err
	}
	after, err := s.Cutter(pixel)
	if err != nil {
		return err
	}
	p.cuts = cuts(s, before, after)
	p.nearest = nearest(s, before, after, f)
	p.space, err = space(s)
	return err
}

// spaceSteps is how many views go round a fixture.
const spaceSteps = 24

// space is a fixture and what lies beside it as contours, to be turned.
func space(s *drawing.Scene) (picture, error) {
	steps := &stack{Name: "Turn the drawing about the planned axis", Drawings: make([]drawing.Drawing, spaceSteps), Labels: make([]string, spaceSteps)}
	failed := make([]error, spaceSteps)
	parallel.For(spaceSteps, func(i int) {
		turn := 2 * math.Pi * float64(i) / spaceSteps
		steps.Drawings[i], failed[i] = s.Space(turn)
		steps.Labels[i] = fmt.Sprintf("turned by %d°", 360*i/spaceSteps)
	})
	return picture{Drawing: steps.Drawings[0], Steps: steps}, errors.Join(failed...)
}

// mostNearest bounds how many structures get a picture of their nearest point: what a
// page beside the figures has room for.
const mostNearest = 2

// nearest are the pictures of what a fixture comes nearest to, the one that matters most
// first: in the planning scan, and as placed. Where it leaves the bone comes behind what it
// enters.
func nearest(s *drawing.Scene, before, after *drawing.Cutter, f measurement.Fixture) []picture {
	list := severity.Ordered(f.Clearance)
	entered := 0
	for entered < len(list) && severity.Achieved(list[entered]) == severity.Entered {
		entered++
	}
	var out []picture
	add := func(more []picture) {
		if len(out) < 2*mostNearest {
			out = append(out, more...)
		}
	}
	for i, c := range list {
		if i == entered {
			add(outsideBone(s, before, after, f))
		}
		add(nearestTo(s, before, after, c))
	}
	if entered == len(list) {
		add(outsideBone(s, before, after, f))
	}
	return out
}

// nearestTo are the pictures of one structure; none where it cannot be drawn.
func nearestTo(s *drawing.Scene, before, after *drawing.Cutter, c measurement.Clearance) []picture {
	if c.Achieved == nil {
		return nil
	}
	at := slices.IndexFunc(s.Structures, func(st drawing.Structure) bool { return st.Name == c.Structure })
	if at < 0 {
		return nil
	}
	text := wording.Clearance(*c.Achieved)
	placed, ok := after.Nearest(s.Structures[at], text)
	if !ok {
		return nil
	}
	planned, ok := before.Nearest(s.Structures[at], text)
	if !ok {
		return nil
	}
	caption := "planned " + wording.Clearance(c.Planned) + ", placed " + text
	if c.Low != nil && c.High != nil {
		caption += " (95 %: " + wording.ClearanceInterval(measurement.Interval{Low: *c.Low, High: *c.High}) + ")"
	}
	return []picture{{Drawing: planned, Caption: "Planning scan, where " + outside(c.Structure) + " comes nearest."},
		{Drawing: placed, Caption: "The same cut of the " + after.Name() + ": " + caption + "."}}
}

// outsideBone are the pictures of where a fixture is farthest outside the bone that the
// planning scan shows; none where it leaves it nowhere.
func outsideBone(s *drawing.Scene, before, after *drawing.Cutter, f measurement.Fixture) []picture {
	w := severity.Farthest(f)
	if w == nil {
		return nil
	}
	// Of a bound alone that is told, and of a wall beside which there is no bone as far as the
	// axis, half the fixture's width.
	far, text := s.Achieved.Diameter/2, "more than "
	switch {
	case w.Bone != nil:
		far, text = -*w.Bone, ""
	case w.High != nil:
		far, text = -*w.High, "at least "
	}
	text += wording.Of(far, "mm")
	placed, ok := after.Outside(*w, far, text)
	if !ok {
		return nil
	}
	planned, ok := before.Outside(*w, far, text)
	if !ok {
		return nil
	}
	where := "at the apex"
	if w.Direction != "" {
		where = fmt.Sprintf("to %s, %.1f mm below the platform", outside(w.Direction), w.Depth)
	}
	caption := text + " outside it"
	if w.Bone != nil && w.Low != nil && w.High != nil {
		caption += " (95 %: " + wording.Interval(measurement.Interval{Low: -*w.High, High: -*w.Low}, "mm") + ")"
	}
	return []picture{{Drawing: planned, Caption: "Planning scan, where the fixture leaves the bone " + where + "."},
		{Drawing: placed, Caption: "The same cut of the " + after.Name() + ": " + caption + "."}}
}

// cuts are a fixture's cuts before and after, and the stacks to step through.
func cuts(s *drawing.Scene, before, after *drawing.Cutter) []picture {
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
			for _, c := range []*drawing.Cutter{before, after} {
				steps := newStack(c, v, at)
				steps.Start = n
				of := "of the " + c.Name()
				if with, same := strings.CutPrefix(c.Name(), before.Name()+" "); same {
					of = with // one line, as over the cuts beside them
				}
				steps.Name = "Step through the " + v.Name + " cuts " + of
				out = append(out, picture{Drawing: steps.Drawings[n], Steps: steps, Caption: c.Caption(v)})
			}
			continue
		}
		var at []float64
		for d := -reachDown; d <= length+reachDown; d += stepDown {
			at = append(at, d)
		}
		steps := newStack(after, v, at)
		steps.Start = int((reachDown + inside) / stepDown)
		steps.Name = "Step through the cuts across the axis, from coronal to apical"
		entry, apex := after.Draw(v, inside), after.Draw(v, length-inside)
		out = append(out,
			picture{Drawing: entry, Steps: steps, Caption: after.Caption(v)},
			picture{Drawing: apex, Caption: after.Caption(v), Paper: true})
	}
	return out
}

// newStack draws the cuts of a view at the given places.
func newStack(c *drawing.Cutter, v drawing.View, at []float64) *stack {
	s := &stack{Drawings: make([]drawing.Drawing, len(at)), Labels: make([]string, len(at))}
	parallel.For(len(at), func(i int) { s.Drawings[i], s.Labels[i] = c.Draw(v, at[i]), v.Place(at[i]) })
	return s
}
