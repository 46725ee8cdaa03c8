package measure

import (
	"fmt"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/whereabouts"
	"plumbline/internal/measurement"
)

// mostSampled bounds the points of a surface that are looked at to judge where it
// lies: its borders are known to a per cent or two then.
const mostSampled = 4000

// bodies are the case's structures as points on them.
func (in *Inputs) bodies() []whereabouts.Body {
	out := make([]whereabouts.Body, len(in.structures))
	for i, st := range in.structures {
		if s, ok := st.(*clearance.Surface); ok {
			points, normals := s.Sample(mostSampled)
			out[i] = whereabouts.Body{Points: points, Normals: normals, Surface: true, Size: s.Size()}
			continue
		}
		out[i] = whereabouts.Line(in.Plan.Structures[i].Path, in.Plan.Structures[i].Radius)
	}
	return out
}

// goesRound is the winding number of a surface with holes, at a fixture's axis, up
// to which the fixture is taken to lie outside: seen from well outside, the holes
// of a body and its far wall nearly cancel, while a hole in front of the fixture or
// a sheet beside it takes up a quarter of the sphere.
const goesRound = 0.25

// open flags the surfaces that should bound a body and do not: a doubt about the
// distance of a fixture that one goes round or whose nearest point lies at a hole,
// else a notice.
func (s *Study) open(in *Inputs, bodies []body) {
	for j, st := range in.Plan.Structures {
		surface, ok := in.structures[j].(*clearance.Surface)
		if !ok || surface.OpenEdges() == 0 {
			continue
		}
		what := fmt.Sprintf("the surface of %q is not closed (%d open edges)", st.Name, surface.OpenEdges())
		doubted := false
		for i, b := range bodies {
			why := atOpen(surface, b)
			if why == "" {
				continue
			}
			doubted = true
			out := s.Sites[i].Figures
			out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeSurfaceOpen, Level: measurement.Doubt,
				Message: fmt.Sprintf("site %s: %s and %s; do not rely on the distance, and export the structure as one closed surface", out.Site, what, why)})
		}
		if !doubted {
			s.Result.Flags = append(s.Result.Flags, measurement.Flag{Code: measurement.CodeSurfaceOpen, Level: measurement.Notice,
				Message: what + "; no fixture lies in it or next to a hole of it"})
		}
	}
}

// atOpen says in words why a fixture's distance to an open surface, as planned or
// as placed, depends on what is missing; empty where it does not.
func atOpen(surface *clearance.Surface, b body) string {
	winding, atHole := 0.0, false
	for _, e := range []*clearance.Envelope{&b.planned, b.placed} {
		if e != nil {
			winding, atHole = max(winding, surface.Around(*e)), atHole || surface.AtHole(*e)
		}
	}
	switch {
	case winding >= goesRound && surface.Closed():
		return "goes round the fixture; its holes were taken for closed by flat caps"
	case winding >= goesRound:
		return "goes round the fixture; which side of it is the inside cannot be told, so the distance has no sign"
	case atHole:
		return "has a hole or its end where the fixture comes nearest, so that the structure itself may be nearer"
	}
	return ""
}
