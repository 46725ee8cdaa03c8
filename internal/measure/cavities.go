package measure

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"plumbline/internal/anatomy/cavity"
	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/deviation"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// foundCavity is a cavity with its air surface as a body.
type foundCavity struct {
	cavity.Cavity
	air *clearance.Surface
}

// cavityKinds are the kinds and names under which found cavities are listed.
var cavityKinds = map[cavity.What]struct {
	kind casefile.Kind
	find casefile.Find
	name string
}{
	cavity.Sinus: {casefile.Sinus, casefile.FindSinus, "sinus (found)"},
	cavity.Nose:  {casefile.OtherStructure, casefile.FindNasalFloor, "nasal floor (found)"},
}

// beyond is a site beyond which cavities are looked for.
type beyond struct {
	plan       casefile.Fixture
	directions *deviation.Directions // nil where they are not known
	region     *tissue.Region        // nil where the planning scan does not show the site
	poses      []geom.Pose           // as planned and as placed, or one of them
	diameters  []float64             // in the order of poses
}

// cavitiesBeyond finds the sinus and the nose beyond a site of the upper jaw, but for the sinus
// where the case draws one near the site. One that the case asks for has its name and margin.
func (in *Inputs) cavitiesBeyond(b beyond) (found []Structure, out []foundCavity) {
	if b.plan.Site.Jaw() != tooth.Upper || b.directions == nil || b.region == nil {
		return nil, nil
	}
	envelopes := make([]clearance.Envelope, len(b.poses))
	for i, p := range b.poses {
		var err error
		if envelopes[i], err = clearance.Nominal(b.diameters[i]).Place(p); err != nil {
			return nil, nil
		}
	}
	seen := map[cavity.What]bool{}
	for _, c := range cavity.Find(b.region, cavity.Site{Number: b.plan.Site, Poses: b.poses, Mesial: b.directions.Mesial, Buccal: b.directions.Buccal}) {
		wall, err := clearance.NewSurface(c.Wall, false)
		if err != nil || !wall.Closed() || seen[c.What] || c.What == cavity.Sinus && in.draws(casefile.Sinus, envelopes[0]) {
			continue
		}
		air, err := clearance.NewSurface(c.Air, false)
		if err != nil || !air.Closed() {
			continue
		}
		st := in.asCavity(c.What, b.plan.Site)
		for _, e := range envelopes {
			st.DrawnUncertainty = max(st.DrawnUncertainty, c.UAt(clearance.Of(e, wall).OnStructure))
		}
		if math.IsInf(st.DrawnUncertainty, 1) { // the scan does not show the wall there
			continue
		}
		seen[c.What] = true
		out = append(out, foundCavity{c, air})
		found = append(found, Structure{Plan: st, Body: wall})
	}
	return found, out
}

// asCavity is the structure as which a cavity beyond a site is listed: the case's own, or
// one that it does not have.
func (in *Inputs) asCavity(what cavity.What, site tooth.Number) casefile.Structure {
	as, other := cavityKinds[what], tooth.Left
	if site.Side() == tooth.Left {
		other = tooth.Right
	}
	for _, st := range in.cavities {
		if st.Find == as.find && !strings.Contains(strings.ToLower(st.Name), string(other)) {
			return st
		}
	}
	return casefile.Structure{Name: as.name, Kind: as.kind}
}

// notFound flags the cavities that the case asks for and that were found beyond no site.
func (in *Inputs) notFound(sites ...[]Structure) []measurement.Flag {
	var out []measurement.Flag
	for _, st := range in.cavities {
		if !slices.ContainsFunc(slices.Concat(sites...), func(f Structure) bool { return f.Plan.Name == st.Name }) {
			out = append(out, measurement.Flag{Code: measurement.CodeCavityNotFound, Level: measurement.Doubt,
				Message: fmt.Sprintf("%q was not found in the planning scan beyond any fixture; it is not checked, so draw it", st.Name)})
		}
	}
	return out
}

// draws reports whether the case has a structure of a kind near the planned fixture.
func (in *Inputs) draws(kind casefile.Kind, planned clearance.Envelope) bool {
	for i, st := range in.Plan.Structures {
		if st.Kind == kind && clearance.Of(planned, in.structures[i]).Distance <= severity.CheckedWithin {
			return true
		}
	}
	return false
}

// foundFlag tells of a cavity that was found beyond a site.
func foundFlag(site tooth.Number, name string) measurement.Flag {
	return measurement.Flag{Code: measurement.CodeCavityFound, Level: measurement.Notice,
		Message: fmt.Sprintf("site %s: %s was found in the planning scan by its air and the bone behind its mucosa; check in the pictures that it is right", site, name)}
}

// dueFlag tells of a sinus that is due at a site and that nobody drew or found; nil where
// there is one, or none is due.
func dueFlag(site tooth.Number, known []measurement.Clearance) *measurement.Flag {
	if !slices.Contains(severity.NotPlanned(site.String(), known), string(casefile.Sinus)) {
		return nil
	}
	return &measurement.Flag{Code: measurement.CodeCavityNotFound, Level: measurement.Notice,
		Message: fmt.Sprintf("site %s: the planning scan shows no air-filled sinus within %.0f mm beyond the apex, or not the bone in front of it: it is farther off, full of fluid or tissue, or cut by the scan's border; the distance to it is not checked", site, siteBeyond)}
}

// clearancesFound are the distances to what was found beside a fixture, with a flag for
// each, and for a sinus that is due and was not.
func (s *Site) clearancesFound(b body, seed uint64) ([]measurement.Clearance, error) {
	var out []measurement.Clearance
	for i, st := range s.Found {
		c, err := b.toStructure(st.Plan, st.Body, seed+uint64(i))
		if err != nil {
			return nil, fmt.Errorf("%s: %w", st.Plan.Name, err)
		}
		c.Found = true
		c.AirPlanned = new(clearance.Of(b.planned, s.cavities[i].air).Distance)
		if b.placed != nil {
			c.AirAchieved = new(clearance.Of(*b.placed, s.cavities[i].air).Distance)
		}
		s.Figures.Flags = append(s.Figures.Flags, foundFlag(s.Plan.Site, st.Plan.Name))
		out = append(out, c)
	}
	if f := dueFlag(s.Plan.Site, slices.Concat(s.Figures.Clearance, out)); f != nil {
		s.Figures.Flags = append(s.Figures.Flags, *f)
	}
	return out, nil
}
