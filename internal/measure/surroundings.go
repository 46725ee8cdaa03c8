package measure

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/bone"
	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
)

const (
	// siteRadius is how far from a fixture's axis the planning scan is studied, mm: as far
	// as bone is looked for, and the blur of what lies there.
	siteRadius = bone.Reach + 3
	// siteAbove and siteBeyond are the same coronally and apically: the mouth above the
	// ridge, and what lies beyond the apex.
	siteAbove, siteBeyond = 12.5, bone.Reach + 1
	// leaking is the share of a fixture's axis outside the bone from which on bone and soft
	// tissue were not told apart, or the site is no jaw. Where streaks run through the site
	// any share is too much: a shadow across the plate lets the outside into the whole jaw.
	leaking = 0.5
)

// look studies the planning scan around every fixture.
func (s *Study) look(in *Inputs) {
	parallel.For(len(s.Sites), func(i int) {
		site := &s.Sites[i]
		region, ok := tissue.Look(&in.Pre.Volume, around(site.poses()...))
		if ok {
			site.region = region
			diameters := []float64{site.Plan.Diameter, site.Achieved.Diameter}
			site.Found, site.cavities = in.cavitiesBeyond(beyond{site.Plan, site.Directions, region, site.poses(), diameters})
		}
	})
}

// around is the part of the planning scan that is studied about poses of a fixture.
func around(poses ...geom.Pose) tissue.Around {
	return tissue.Around{Poses: poses, Radius: siteRadius, Above: siteAbove, Beyond: siteBeyond}
}

// poses are where the fixture was planned and, where it was found, placed.
func (s *Site) poses() []geom.Pose {
	out := []geom.Pose{s.Plan.Planned}
	if s.Achieved.Pose != nil {
		out = append(out, *s.Achieved.Pose)
	}
	return out
}

// surroundings reads what every fixture stands in from the planning scan.
func (s *Study) surroundings(in *Inputs) {
	flags := make([]*measurement.Flag, len(s.Sites))
	parallel.For(len(s.Sites), func(i int) { flags[i] = s.Sites[i].surroundings(in) })
	for i, f := range flags {
		out := s.Sites[i].Figures
		if f != nil {
			out.Flags = append(out.Flags, *f)
		}
		for _, e := range severity.Exits(*out) {
			out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeOutsideBone, Level: measurement.Notice,
				Message: fmt.Sprintf("site %s: %s", out.Site, e.Text)})
		}
	}
}

// surroundings reads what one fixture stands in; a flag says why it could not be had.
func (s *Site) surroundings(in *Inputs) *measurement.Flag {
	none := func(why string) *measurement.Flag {
		return &measurement.Flag{Code: measurement.CodeBoneNotRead, Level: measurement.Notice,
			Message: fmt.Sprintf("site %s: %s, so the bone around the fixture is not checked", s.Plan.Site, why)}
	}
	switch {
	case s.Directions == nil:
		return none("the mesial direction is not known")
	case s.region == nil:
		return none("the planning scan shows no hard and soft tissue there")
	case s.region.Leaks() >= leaking, s.region.Leaks() > 0 && s.streaked():
		return none("the planning scan does not tell bone from soft tissue there")
	}
	body := bone.Body{Pose: s.Plan.Planned, Diameter: s.Plan.Diameter, Mesial: s.Directions.Mesial, Buccal: s.Directions.Buccal, Turn: s.Directions.Uncertainty}
	out := &measurement.Surroundings{Planned: s.around(in, body)}
	if p := s.Achieved.Pose; p != nil {
		body.Pose, body.Diameter, body.Cov = *p, s.Achieved.Diameter, s.Achieved.Budget.OfPlace()
		out.Achieved = s.around(in, body)
	}
	s.Figures.Surroundings = out
	return s.nearMetal(out)
}

// streaked reports whether streaks of metal run through the slices of the fixture's axes.
func (s *Site) streaked() bool {
	for _, p := range s.poses() {
		for t := 0.0; t <= 1; t += 1.0 / 16 { // less than a millimetre of any fixture
			if s.region.Streaked(r3.Add(p.Entry, r3.Scale(t, r3.Sub(p.Apex, p.Entry)))) {
				return true
			}
		}
	}
	return false
}

// nearMetal flags that some of the bone was not read since metal or its streaks lie beside it;
// nil where all was.
func (s *Site) nearMetal(read *measurement.Surroundings) *measurement.Flag {
	left, all := 0, 0
	for _, a := range []*measurement.Around{read.Planned, read.Achieved} {
		if a == nil {
			continue
		}
		for _, w := range a.Wall {
			all++
			if w.Why == string(bone.NearMetal) {
				left++
			}
		}
	}
	if left == 0 {
		return nil
	}
	return &measurement.Flag{Code: measurement.CodeBoneNearMetal, Level: measurement.Notice,
		Message: fmt.Sprintf("site %s: metal in the planning scan, or its streaks, leave the bone unread at %d of %d places; what lesser streaks do at the others is in their intervals", s.Plan.Site, left, all)}
}

// around states what bone reads around a body, with the case's own structures where one
// of them comes first.
func (s *Site) around(in *Inputs, b bone.Body) *measurement.Around {
	read := bone.Around(s.region, b)
	beside := s.beside(in)
	out := &measurement.Around{}
	for _, w := range read.Wall {
		stored := measurement.Wall{Depth: w.Depth, Direction: bone.Directions[w.Direction], Resolved: w.Why == bone.Known, Why: string(w.Why)}
		switch first, unsure := beside.first(w.From, w.Along, w.Distance, w.First); {
		case unsure != bone.Known:
			stored.Resolved, stored.Why = false, string(unsure)
		case first != nil:
			stored.First, stored.Resolved, stored.Why = &measurement.Obstacle{What: first.What, MM: first.MM}, false, string(bone.Behind)
		default:
			stored.Bone, stored.Low, stored.High = known(w.Distance)
		}
		out.Wall = append(out.Wall, stored)
	}
	for _, c := range read.Crest {
		stored := measurement.Crest{Direction: bone.Directions[c.Direction], Why: string(c.Why)}
		stored.Crest, stored.Low, stored.High = known(c.Distance)
		out.Crest = append(out.Crest, stored)
	}
	beyond := measurement.Apical{Why: string(read.Apical.Why)}
	out.ApicalMM, beyond.Low, beyond.High = known(read.Apical)
	switch first, unsure := beside.first(b.Apex, b.Axis(), read.Apical, nil); {
	case unsure != bone.Known:
		beyond, out.ApicalMM = measurement.Apical{Why: string(unsure)}, nil
	case first != nil:
		beyond = measurement.Apical{First: &measurement.Obstacle{What: first.What, MM: first.MM}}
		out.ApicalMM = &first.MM
	}
	out.Apical = &beyond
	return out
}

// known are a distance and its bounds, nil where they are not known.
func known(d bone.Distance) (value, low, high *float64) {
	bound := func(x float64) *float64 {
		if math.IsNaN(x) {
			return nil
		}
		return &x
	}
	if d.Why == bone.Known {
		value = bound(d.Value)
	}
	return value, bound(d.Low), bound(d.High)
}

// stands are the kinds of structure that end a fixture's bone before its outer surface, as
// they are stored.
var stands = map[casefile.Kind]string{casefile.Root: "root", casefile.Nerve: "canal", casefile.Sinus: "sinus"}

const (
	// firstStep is how near to a structure's surface a ray is taken to meet it, mm.
	firstStep = 0.05
	// shownBetter is by how much a drawn root may lie nearer than one that the scan shows
	// for that to be the same one, mm: as much as drawn lines stray.
	shownBetter = 1.0
	// behindHidden is the reason of a distance that a cavity ends whose bony wall the scan does
	// not show there, as stored.
	behindHidden bone.Why = "cavity"
	// glanceReach is how far a ray is followed behind a found surface, mm, and glanceStep by
	// what steps: one that is not surely inside by then runs along it.
	glanceReach, glanceStep = 2.0, 0.2
)

// solids are bodies beside a site that end its bone.
type solids []solid

type solid struct {
	what     string
	distance func(geom.Vec) float64 // signed
	u        func(geom.Vec) float64 // standard uncertainty of its surface, mm; nil of a drawn body
}

// unsure is why it is not known whether a ray meets a found surface at x: that is not seen
// there, or the ray goes no deeper behind it than its place is known.
func (s solid) unsure(from, along geom.Vec, x float64) bone.Why {
	at := func(x float64) geom.Vec { return r3.Add(from, r3.Scale(x, along)) }
	if s.u == nil {
		return bone.Known
	}
	u := s.u(at(x))
	if math.IsInf(u, 1) {
		return behindHidden
	}
	for behind := 0.0; behind <= glanceReach; behind += glanceStep {
		if s.distance(at(x+behind)) < -1.96*u {
			return bone.Known
		}
	}
	return bone.Grazing
}

// beside lists the case's own structures and what was found.
func (s *Site) beside(in *Inputs) solids {
	var out solids
	for i, st := range in.Plan.Structures {
		what := stands[st.Kind]
		switch body := in.structures[i].(type) {
		case *clearance.Chain:
			if what != "" {
				out = append(out, solid{what: what, distance: body.SignedDistance})
			}
		case *clearance.Surface:
			if what != "" && body.Closed() {
				out = append(out, solid{what: what, distance: distanceTo(body)})
			}
		}
	}
	for i, c := range s.cavities {
		if body, ok := s.Found[i].Body.(*clearance.Surface); ok {
			out = append(out, solid{string(c.What), distanceTo(body), c.UAt})
		}
	}
	return out
}

func distanceTo(s *clearance.Surface) func(geom.Vec) float64 {
	return func(p geom.Vec) float64 {
		d, _ := s.Nearest(p)
		return d
	}
}

// first is what a ray meets before the bone's outer surface: what the scan shows there, or
// a body that is nearer; unsure is not Known where that is a surface whose distance is not.
func (list solids) first(from, along geom.Vec, d bone.Distance, shown *bone.Obstacle) (first *bone.Obstacle, unsure bone.Why) {
	first = shown
	end := bone.Reach
	switch {
	case shown != nil:
		end = shown.MM
	case d.Why == bone.Known:
		end = d.Value
	case d.Why == bone.NotInBone:
		return nil, bone.Known
	case !math.IsNaN(d.High):
		end = d.High
	}
	for _, s := range list {
		for x := 0.0; x < end; {
			gap := s.distance(r3.Add(from, r3.Scale(x, along)))
			if gap > firstStep {
				x += gap
				continue
			}
			if x == 0 {
				x = gap // inside already, by as much at least
			}
			if shown == nil || s.what != shown.What || x < shown.MM-shownBetter {
				first, end = &bone.Obstacle{What: s.what, MM: x}, x
				unsure = s.unsure(from, along, x)
			}
			break
		}
	}
	return first, unsure
}
