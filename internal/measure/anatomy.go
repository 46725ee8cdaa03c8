package measure

import (
	"fmt"
	"math/rand/v2"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// draws is the number of Monte Carlo draws of a pose for the interval of a
// clearance. Its 2.5 % points then stray by about 6 % of its standard
// uncertainty.
const draws = 2000

// body is a fixture as planned and as placed, with poses drawn from its
// uncertainty.
type body struct {
	planned  clearance.Envelope
	shape    clearance.Shape     // as placed
	placed   *clearance.Envelope // nil when no fixture was found
	poses    []geom.Pose
	unshared []geom.Pose // without the sources that all fixtures share
}

// clearances measures every fixture's distance to the case's structures and to
// its other fixtures, as planned and as placed.
func (s *Study) clearances(in *Inputs, seed uint64) error {
	bodies := make([]body, len(s.Sites))
	for i, site := range s.Sites {
		var err error
		if bodies[i], err = newBody(site, seed+uint64(i)); err != nil {
			return fmt.Errorf("site %s: %w", site.Plan.Site, err)
		}
	}
	s.open(in, bodies)
	for i := range bodies {
		out := s.Sites[i].Figures
		for j, st := range in.Plan.Structures {
			c, err := bodies[i].toStructure(st, in.structures[j], seed+uint64(j))
			if err != nil {
				return fmt.Errorf("site %s, %s: %w", out.Site, st.Name, err)
			}
			c.Found = st.Find != ""
			out.Clearance = append(out.Clearance, c)
		}
		found, err := s.Sites[i].clearancesFound(bodies[i], seed)
		if err != nil {
			return fmt.Errorf("site %s: %w", out.Site, err)
		}
		out.Clearance = append(out.Clearance, found...)
		for j := range bodies {
			if j == i {
				continue
			}
			c, err := bodies[i].toFixture(s.Sites[j].Figures.Site, bodies[j])
			if err != nil {
				return fmt.Errorf("site %s: %w", out.Site, err)
			}
			out.Clearance = append(out.Clearance, c)
		}
		for j := range out.Clearance {
			c := &out.Clearance[j]
			c.Share = severity.Share(*c)
			out.Flags = append(out.Flags, breaches(out.Site, *c)...)
		}
	}
	return nil
}

func newBody(site Site, seed uint64) (body, error) {
	plan, achieved := site.Plan, site.Achieved
	b := body{shape: clearance.Nominal(achieved.Diameter)}
	var err error
	if b.planned, err = clearance.Nominal(plan.Diameter).Place(plan.Planned); err != nil || achieved.Pose == nil {
		return b, err
	}
	placed, err := b.shape.Place(*achieved.Pose)
	if err != nil {
		return b, err
	}
	b.placed = &placed
	if b.poses, err = uncertainty.Poses(*achieved.Pose, achieved.Budget.OfPlace(), draws, seed); err != nil {
		return b, err
	}
	b.unshared, err = uncertainty.Poses(*achieved.Pose, achieved.Budget.Unshared(), draws, seed)
	return b, err
}

// toStructure is the clearance to a structure of the case; seed starts the draws of its
// line.
func (b body) toStructure(st casefile.Structure, other clearance.Structure, seed uint64) (measurement.Clearance, error) {
	out := measurement.Clearance{Structure: st.Name, Kind: string(st.Kind), Planned: clearance.Of(b.planned, other).Distance}
	margin := setMargin(&out, casefile.MarginOf(st.Kind, st.Margin))
	if b.placed == nil {
		return out, nil
	}
	d := clearance.Of(*b.placed, other).Distance
	drawn, err := clearance.Distances(b.shape, b.poses, other)
	if err != nil {
		return out, err
	}
	spread(drawn, st.DrawnUncertainty, seed)
	return out, setAchieved(&out, d, drawn, margin)
}

// spread adds the error of a structure's drawn line to draws of its distance: to first
// order a distance changes by what the line is moved towards the fixture.
func spread(distances []float64, u float64, seed uint64) {
	if u == 0 {
		return
	}
	rng := rand.New(rand.NewPCG(seed, drawnLine))
	for i := range distances {
		distances[i] += u * rng.NormFloat64()
	}
}

// drawnLine keeps the draws of a structure's line apart from those of a pose.
const drawnLine = 0x6c696e65

// toFixture is the clearance to another fixture. A shared error, such as that of
// the registration, moves both alike and does not count.
func (b body) toFixture(site string, other body) (measurement.Clearance, error) {
	out := measurement.Clearance{Structure: "fixture at " + site, Kind: string(casefile.FixtureBody), Planned: clearance.Of(b.planned, other.planned).Distance}
	margin := setMargin(&out, casefile.MarginOf(casefile.FixtureBody, nil))
	if b.placed == nil || other.placed == nil {
		return out, nil
	}
	d := clearance.Of(*b.placed, *other.placed).Distance
	drawn, err := clearance.Between(b.shape, b.unshared, other.shape, other.unshared)
	if err != nil {
		return out, err
	}
	return out, setAchieved(&out, d, drawn, margin)
}

// setMargin states the margin asked for.
func setMargin(c *measurement.Clearance, m *casefile.Margin) *float64 {
	if m == nil {
		return nil
	}
	c.Margin, c.MarginSource = &m.MM, m.Source
	return c.Margin
}

// setAchieved states an achieved clearance with its interval from the draws.
func setAchieved(c *measurement.Clearance, achieved float64, drawn []float64, margin *float64) error {
	s, err := clearance.Coverage(drawn, margin)
	if err != nil {
		return err
	}
	c.Achieved, c.Low, c.High, c.Breached = &achieved, &s.Low, &s.High, s.Breached
	return nil
}

// breaches flags a clearance that is less than asked for, as it was placed and as
// it was planned. They are no doubt about the figures.
func breaches(site string, c measurement.Clearance) []measurement.Flag {
	var out []measurement.Flag
	flag := func(code measurement.Code, text string) {
		out = append(out, measurement.Flag{Code: code, Level: measurement.Notice, Message: fmt.Sprintf("site %s: %s", site, text)})
	}
	const treat = "; treat the patient by clinical findings"
	switch severity.Achieved(c) {
	case severity.Entered:
		entered := measurement.CodePenetration
		if c.Found {
			entered = measurement.CodeFoundEntered
		}
		flag(entered, severity.Sentence(c)+treat)
	case severity.Missed:
		flag(measurement.CodeMarginNotKept, severity.Sentence(c)+treat)
	}
	if severity.Planned(c) <= severity.Missed {
		flag(measurement.CodeMarginNotPlanned, severity.OfPlan(c))
	}
	return out
}
