package measure

import (
	"fmt"
	"math"
	"slices"

	"plumbline/internal/anatomy/cavity"
	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
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
	name string
}{
	cavity.Sinus: {casefile.Sinus, "sinus (found)"},
	cavity.Nose:  {casefile.OtherStructure, "nasal floor (found)"},
}

// findCavities finds the sinus and the nose beyond a fixture of the upper jaw, but for the
// sinus where the case names one near the site.
func (s *Site) findCavities(in *Inputs) {
	if s.Plan.Site.Jaw() != tooth.Upper || s.Directions == nil {
		return
	}
	seen := map[cavity.What]bool{}
	for _, c := range cavity.Find(s.region, cavity.Site{Number: s.Plan.Site, Poses: s.poses(), Mesial: s.Directions.Mesial, Buccal: s.Directions.Buccal}) {
		wall, err := clearance.NewSurface(c.Wall, false)
		if err != nil || !wall.Closed() || seen[c.What] || c.What == cavity.Sinus && s.named(in, casefile.Sinus) {
			continue
		}
		air, err := clearance.NewSurface(c.Air, false)
		if err != nil || !air.Closed() {
			continue
		}
		as := cavityKinds[c.What]
		st := casefile.Structure{Name: as.name, Kind: as.kind}
		if !s.placesWall(c, wall, &st) {
			continue
		}
		seen[c.What] = true
		s.cavities = append(s.cavities, foundCavity{c, air})
		s.Found = append(s.Found, Structure{Plan: st, Body: wall})
	}
}

// named reports whether the case names a structure of a kind near the planned fixture.
func (s *Site) named(in *Inputs, kind casefile.Kind) bool {
	e, err := clearance.Nominal(s.Plan.Diameter).Place(s.Plan.Planned)
	if err != nil {
		return false
	}
	for i, st := range in.Plan.Structures {
		if st.Kind == kind && clearance.Of(e, in.structures[i]).Distance <= severity.CheckedWithin {
			return true
		}
	}
	return false
}

// placesWall states the uncertainty of a cavity's wall where a fixture comes nearest to it;
// false where the scan does not show the wall there.
func (s *Site) placesWall(c cavity.Cavity, wall *clearance.Surface, st *casefile.Structure) bool {
	for i, p := range s.poses() {
		diameter := s.Plan.Diameter
		if i == 1 {
			diameter = s.Achieved.Diameter
		}
		e, err := clearance.Nominal(diameter).Place(p)
		if err != nil {
			return false
		}
		st.DrawnUncertainty = max(st.DrawnUncertainty, c.UAt(clearance.Of(e, wall).OnStructure))
	}
	return !math.IsInf(st.DrawnUncertainty, 1)
}

// clearancesFound are the distances to what was found beside a fixture, with a flag for
// each, and for a sinus that is due and was not.
func (s *Site) clearancesFound(b body, seed uint64) ([]measurement.Clearance, error) {
	var out []measurement.Clearance
	flag := func(code measurement.Code, format string, args ...any) {
		s.Figures.Flags = append(s.Figures.Flags, measurement.Flag{Code: code, Level: measurement.Notice,
			Message: fmt.Sprintf("site %s: ", s.Plan.Site) + fmt.Sprintf(format, args...)})
	}
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
		flag(measurement.CodeCavityFound, "%s was found in the planning scan by its air and the bone behind its mucosa; look at the pictures whether it is right", st.Plan.Name)
		out = append(out, c)
	}
	if known := slices.Concat(s.Figures.Clearance, out); slices.Contains(severity.NotPlanned(s.Figures.Site, known), string(casefile.Sinus)) {
		flag(measurement.CodeCavityNotFound, "the planning scan shows no air-filled sinus within %.0f mm beyond the apex, or not the bone in front of it: it is farther off, full of fluid or tissue, or cut by the scan's border; the distance to it is not checked", siteBeyond)
	}
	return out, nil
}
