package measure

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"slices"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/anatomy/whereabouts"
	"plumbline/internal/deviation"
	"plumbline/internal/dicom/bodies"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/pseudonym"
	"plumbline/internal/tooth"
	"plumbline/internal/trimesh"
)

// Planned is a plan held against its planning scan alone, as before surgery.
type Planned struct {
	Plan  *casefile.Case // coordinates in the planning frame
	Sites []PlannedSite  // in the order of the plan
	Flags []measurement.Flag
	// Canals are those that the case asks for, found or not.
	Canals []FoundCanal

	Planning   evidence.View // the planning scan
	Structures []Structure   // in the order of the plan
}

// PlannedSite is one planned fixture.
type PlannedSite struct {
	Plan       casefile.Fixture
	Directions *deviation.Directions // nil where they are not known
	Flags      []measurement.Flag
	// Distances are to the structures that are there, to what the planning scan shows and to
	// the other fixtures.
	Distances []PlannedDistance
	Found     []FoundWall // beyond this fixture, that the case does not draw
}

// FoundWall is the bony wall of a cavity beyond a planned fixture.
type FoundWall struct {
	Structure               // without a surface file
	Wall      *trimesh.Mesh // planning frame
}

// PlannedDistance is the distance of a planned fixture to a structure, and where it
// is the least.
type PlannedDistance struct {
	measurement.Clearance
	At clearance.Clearance
}

// Sizes beyond which a fixture is seldom placed, mm: those for the cheekbone are longer,
// one-piece ones may be thinner. Common practice, no source.
const (
	longest          = 20.0
	thinnest, widest = 2.5, 7.0
)

// CheckPlan holds a case's plan against its planning scan; today is an ISO date, "" where
// it is not known. Structures whose surface is not there yet are left out.
//
// Errors: those of casefile.Case.Locate and pseudonym.Check, and a surface that cannot be
// read.
func CheckPlan(c *casefile.Case, pre *scan.Scan, today string) (*Planned, error) {
	if err := c.CheckFrames(pre.FrameOfReferenceUID); err != nil {
		return nil, err
	}
	names, err := pseudonym.Check(c, pre.Identity)
	if err != nil {
		return nil, err
	}
	located, flags, err := c.Locate(pre.Grid, pre.Grid)
	if err != nil {
		return nil, err
	}
	written := *c
	written.Structures = slices.DeleteFunc(slices.Clone(c.Structures), notThere)
	located.Structures = slices.DeleteFunc(located.Structures, notThere)
	in := &Inputs{Plan: located, Written: &written, Pre: pre}
	if err := in.openStructures(); err != nil {
		return nil, err
	}
	out := &Planned{Plan: located, Sites: make([]PlannedSite, len(located.Fixtures)), Canals: in.canals, Planning: in.View()}
	out.Flags = slices.Concat(dates{pre: pre.Taken, placed: c.Placed, today: today}.flags(false), names, flags, in.Flags, whereabouts.Check(located, &written, in.bodies(), &pre.Volume))
	for i, st := range located.Structures {
		out.Structures = append(out.Structures, Structure{st, in.structures[i]})
	}
	envelopes := make([]clearance.Envelope, len(located.Fixtures))
	for i, f := range located.Fixtures {
		if envelopes[i], err = clearance.Nominal(f.Diameter).Place(f.Planned); err != nil {
			return nil, fmt.Errorf("%s: site %s: %w", c.File, f.Site, err)
		}
	}
	directions := dentalarch.Find(located, &written, &pre.Volume)
	found, walls := make([][]Structure, len(located.Fixtures)), make([][]foundCavity, len(located.Fixtures))
	parallel.For(len(found), func(i int) {
		f := located.Fixtures[i]
		if f.Site.Jaw() != tooth.Upper {
			return
		}
		if region, ok := tissue.Look(&pre.Volume, around(f.Planned)); ok {
			found[i], walls[i] = in.cavitiesBeyond(beyond{f, directions[i].Directions, region, []geom.Pose{f.Planned}, []float64{f.Diameter}})
		}
	})
	out.Flags = append(out.Flags, in.notFound(found...)...)
	for i, f := range located.Fixtures {
		site := PlannedSite{Plan: f, Directions: directions[i].Directions, Flags: directions[i].Flags}
		add := func(st casefile.Structure, found bool, other clearance.Structure) {
			d := PlannedDistance{At: clearance.Of(envelopes[i], other)}
			d.Clearance = measurement.Clearance{Structure: st.Name, Kind: string(st.Kind), Planned: d.At.Distance, Found: found}
			setMargin(&d.Clearance, casefile.MarginOf(st.Kind, st.Margin))
			site.Distances = append(site.Distances, d)
		}
		for j, st := range located.Structures {
			add(st, st.Find != "", in.structures[j])
		}
		for j, st := range found[i] {
			site.Found = append(site.Found, FoundWall{st, walls[i][j].Wall})
			add(st.Plan, true, st.Body)
			site.Flags = append(site.Flags, foundFlag(f.Site, st.Plan.Name))
		}
		for j, other := range located.Fixtures {
			if j != i {
				add(casefile.Structure{Name: "fixture at " + other.Site.String(), Kind: casefile.FixtureBody}, false, envelopes[j])
			}
		}
		if flag := site.due(); flag != nil {
			site.Flags = append(site.Flags, *flag)
		}
		if f.Length > longest || f.Diameter < thinnest || f.Diameter > widest {
			site.Flags = append(site.Flags, measurement.Flag{Code: measurement.CodeUnusualSize, Level: measurement.Notice,
				Message: fmt.Sprintf("site %s: a fixture of %.1f × %.1f mm is seldom placed; check diameter and length", f.Site, f.Diameter, f.Length)})
		}
		out.Sites[i] = site
	}
	return out, nil
}

// due is the flag of a sinus that is due and not there.
func (s *PlannedSite) due() *measurement.Flag {
	known := make([]measurement.Clearance, len(s.Distances))
	for i, d := range s.Distances {
		known[i] = d.Clearance
	}
	return dueFlag(s.Plan.Site, known)
}

// AllFlags are the flags of the plan and of its sites.
func (p *Planned) AllFlags() []measurement.Flag {
	out := slices.Clone(p.Flags)
	for _, s := range p.Sites {
		out = append(out, s.Flags...)
	}
	return out
}

func notThere(st casefile.Structure) bool {
	if st.Surface == "" {
		return false
	}
	_, err := os.Stat(st.Surface)
	return errors.Is(err, fs.ErrNotExist)
}

// openStructures makes the bodies of the plan's structures. A line in an object becomes the
// structure's path, and so does a canal that is found; what is not found leaves the plan.
func (in *Inputs) openStructures() error {
	var there []casefile.Structure
	for _, st := range in.Plan.Structures {
		var body clearance.Structure
		var err error
		switch {
		case st.Find == casefile.FindCanal:
			body, err = in.findCanal(&st)
		case st.Find != "":
			in.cavities = append(in.cavities, st)
		case st.Object:
			body, err = in.openObject(&st)
		default:
			body, err = clearance.FromCase(st, func(p geom.Vec) geom.Vec { return in.Written.Frame.ToLPS(p, in.Pre.Grid) })
		}
		if err != nil {
			return fmt.Errorf("%s: structure %q: %w", in.Written.File, st.Name, err)
		}
		if body != nil {
			there, in.structures = append(there, st), append(in.structures, body)
		}
	}
	in.Plan.Structures = there
	return nil
}

// openObject makes the body of a structure that a DICOM object has.
func (in *Inputs) openObject(st *casefile.Structure) (clearance.Structure, error) {
	name := filepath.Base(st.Surface)
	b, err := bodies.Structure(st.Surface, st.Name)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", name, err)
	}
	if pre := in.Pre.FrameOfReferenceUID; pre == "" || b.Frame != pre {
		return nil, fmt.Errorf("%s lies in %s; export it from this planning scan", name, casefile.OtherFrame(pre))
	}
	if st.DrawnUncertainty == 0 {
		st.DrawnUncertainty = b.Grain / math.Sqrt(12)
	}
	if b.Mesh != nil {
		if len(st.Radius) > 0 {
			return nil, fmt.Errorf("%s has a surface, to which no radius belongs; remove it", name)
		}
		return clearance.NewSurface(b.Mesh, st.Kind.Spec().FromInside)
	}
	if len(st.Radius) == 0 {
		return nil, fmt.Errorf("%s has a line, which is the middle of the structure; write its radius, as in radius = 1.4", name)
	}
	radius := st.Radius[0]
	st.Path, st.Radius = b.Line, make([]float64, len(b.Line))
	for i := range st.Radius {
		st.Radius[i] = radius
	}
	return clearance.NewChain(st.Path, st.Radius)
}
