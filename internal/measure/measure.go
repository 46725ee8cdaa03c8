// Package measure takes one case from its folder to its figures: it reads the
// plan, the planning scan and what shows the placed fixtures, and states their
// deviations, clearances and uncertainty.
//
// Conventions: everything in a Study is in the planning frame, patient LPS, mm.
// Start with Open for the inputs alone, or Case for the whole measurement. What
// shows the placed fixtures is an Observation; observe is the one place that
// knows its kinds.
package measure

import (
	"fmt"
	"math"
	"path/filepath"
	"slices"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/anatomy/severity"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/anatomy/whereabouts"
	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/evidence"
	"plumbline/internal/evidence/conebeam"
	"plumbline/internal/evidence/surfacescan"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/pseudonym"
	"plumbline/internal/registration"
)

// Options says how to measure.
type Options struct {
	PreSeries, PostSeries string  // Series Instance UID, where a scan's folder has several
	SliceSpacing          float64 // mm, for multi-frame files that do not say it
	SameFrame             bool    // take same-frame cases without a shared Frame of Reference UID
	Version               string  // of the program, for the record
	Seed                  uint64  // of the Monte Carlo draws
	Today                 string  // ISO, against which dates are held; "" = not known
	Names                 Names
	// Progress, when given, is called with what is being done and the share of
	// the whole that is done.
	Progress func(step string, fraction float64)
}

// Names are what the caller's users know three of the Options as. An error that
// asks for one names it so, or says in words what is needed.
type Names struct {
	PreSeries, PostSeries, SliceSpacing string
}

func (o Options) progress(step string, fraction float64) {
	if o.Progress != nil {
		o.Progress(step, fraction)
	}
}

// Study is a measured case with all that its reports are drawn from.
type Study struct {
	Result   measurement.Case
	Sites    []Site        // in the order of the plan
	Planning evidence.View // the planning scan
	Observed evidence.View // what the placed fixtures were observed in
	Beside   evidence.View // another record of them; nil where there is none

	Structures []Structure // in the order of the plan
}

// Structure is a body to keep clear of, as the case describes it.
type Structure struct {
	Plan casefile.Structure
	Body clearance.Structure // planning frame
}

// Site is one fixture as planned and as placed.
type Site struct {
	Plan casefile.Fixture
	// Achieved is where the fixture lies. Its budget has the plan's own
	// errors besides, which every figure against the plan has a share of.
	Achieved   evidence.Achieved
	Directions *deviation.Directions // nil when they are not known
	Figures    *measurement.Fixture  // in Study.Result
	// Found are the structures that the planning scan shows beside this fixture and the
	// case does not name.
	Found []Structure

	region   *tissue.Region // of the planning scan; nil where it does not show the site
	cavities []foundCavity  // in the order of Found
}

// Inputs are a case's plan, its planning scan and what shows the placed
// fixtures, read and checked against each other.
type Inputs struct {
	Plan     *casefile.Case // coordinates in the planning frame; of what is to be found, what was
	Written  *casefile.Case // the same as its file has it
	Pre      *scan.Scan
	Observed Observation
	Second   Observation // another record of the same fixtures; nil where there is none
	Flags    []measurement.Flag

	structures []clearance.Structure // in the order of Plan.Structures
	canals     []FoundCanal          // that the plan asks for
	cavities   []casefile.Structure  // that the plan asks for, each site to be looked at by itself
}

// Observation is a record that shows the placed fixtures, opened beside the
// planning scan and not yet evaluated.
type Observation interface {
	// Identify adds the record to what is measured: its hash and the day it is of.
	Identify(*measurement.Inputs)
	// Who is whom the record's header names.
	Who() scan.Identity
	// Register finds how the record lies to the planning scan; progress is called
	// with the share done.
	//
	// Errors: why it cannot be told, and what to do.
	Register(progress func(fraction float64)) (*registration.Result, error)
	// Observe states where the fixtures of the plan lie.
	Observe(registration.Result) evidence.Set
	// View is the registered record for pictures.
	View(registration.Result) evidence.View
}

// observed is what shows the placed fixtures of a case, opened.
type observed struct {
	main, second Observation // second is nil where there is one record
	plan         *casefile.Case
	flags        []measurement.Flag
}

// observe opens what shows the placed fixtures of a case; a follow-up scan goes before a
// surface scan.
func observe(c *casefile.Case, pre *scan.Scan, o Options) (*observed, error) {
	o.progress("reading the follow-up scan", 0.08)
	var out observed
	if c.Post != "" {
		s, err := conebeam.Open(c, pre, conebeam.Options{
			Options:   scan.Options{SeriesUID: o.PostSeries, SliceSpacing: o.SliceSpacing, Names: scan.Names{SeriesUID: o.Names.PostSeries, SliceSpacing: o.Names.SliceSpacing}},
			SameFrame: o.SameFrame,
		})
		if err != nil {
			return nil, err
		}
		out = observed{main: s, plan: s.Plan, flags: s.Flags}
	}
	if c.PostSurface == "" {
		return &out, nil
	}
	s, err := surfacescan.Open(c, pre)
	if err != nil {
		return nil, err
	}
	if out.main != nil {
		out.second = s
		return &out, nil
	}
	return &observed{main: s, plan: s.Plan, flags: s.Flags}, nil
}

// Open reads a case: its plan, the planning scan and what shows the fixtures.
//
// Errors: what is wrong with the case file or a scan, in a sentence that names
// the file.
func Open(path string, o Options) (*Inputs, error) {
	o.progress("reading the plan", 0)
	c, err := casefile.Read(path)
	if err != nil {
		return nil, err
	}
	o.progress("reading the planning scan", 0.02)
	pre, err := scan.Open(c.Pre, scan.Options{SeriesUID: o.PreSeries, SliceSpacing: o.SliceSpacing, Names: scan.Names{SeriesUID: o.Names.PreSeries, SliceSpacing: o.Names.SliceSpacing}})
	if err != nil {
		return nil, fmt.Errorf("planning scan: %w", err)
	}
	if err := c.CheckFrames(pre.FrameOfReferenceUID); err != nil {
		return nil, err
	}
	shown, err := observe(c, pre, o)
	if err != nil {
		return nil, err
	}
	located := shown.plan
	in := &Inputs{Plan: located, Pre: pre, Observed: shown.main, Second: shown.second, Written: c}
	in.Flags = append(measurement.Prefixed("planning scan", pre.Flags), shown.flags...)
	if err := in.openStructures(); err != nil {
		return nil, err
	}
	if _, err := pseudonym.Check(c, pre.Identity, shown.main.Who()); err != nil {
		return nil, err
	}
	in.Flags = append(in.Flags, whereabouts.Check(located, c, in.bodies(), &pre.Volume)...)
	id := in.Identity()
	in.Flags = append(in.Flags, dates{id.PreDate, id.PostDate, c.Placed, o.Today}.flags(id.PostSHA256 != "")...)
	return in, nil
}

// Identity says what would be measured, by hash.
func (in *Inputs) Identity() measurement.Inputs {
	out := measurement.Inputs{
		PlanSHA256: in.Plan.PlanSHA256,
		PreSeries:  in.Pre.SeriesUID, PreSHA256: in.Pre.SHA256(), PreDate: in.Pre.Taken, PreFrame: in.Pre.FrameOfReferenceUID,
		Files: planFiles(in.Plan),
	}
	in.Observed.Identify(&out)
	if in.Second != nil {
		in.Second.Identify(&out)
	}
	return out
}

// MeasuredAlready reports whether measuring with these options would give an
// earlier measurement again: the inputs, the program and the seed are its own, and the
// surgery was not still to come.
func (in *Inputs) MeasuredAlready(old *measurement.Case, o Options) bool {
	toCome := func(f measurement.Flag) bool { return f.Code == measurement.CodeSurgeryToCome }
	return !slices.ContainsFunc(old.Flags, toCome) && old.Inputs.Same(in.Identity()) && old.Program.Version == o.Version && old.Program.Seed == o.Seed
}

// SameCase reports whether an earlier measurement is of this case: of its name
// and its planning scan. Plan and follow-up scan may have changed since.
func (in *Inputs) SameCase(old *measurement.Case) bool {
	return old.Case == in.Plan.Name && old.Inputs.PreSHA256 == in.Pre.SHA256()
}

// View is the planning scan for pictures.
func (in *Inputs) View() evidence.View {
	return evidence.Scan{Volume: &in.Pre.Volume, ToScan: geom.Identity()}
}

// planFiles lists the files that the plan names besides the planning scan.
func planFiles(c *casefile.Case) []measurement.File {
	var out []measurement.File
	for _, f := range c.Files {
		file := measurement.File{Name: filepath.Base(f.Path), SHA256: f.SHA256}
		for i := range c.Fixtures {
			if m := c.Fixtures[i].Mesh; m != nil && m.File == f.Path {
				file.Site, file.ResidualMM = c.Fixtures[i].Site.String(), &m.Residual
			} else if o := c.Fixtures[i].Object; o != nil && o.Path == f.Path {
				file.Site = c.Fixtures[i].Site.String()
			}
		}
		out = append(out, file)
	}
	return out
}

// Align finds how what shows the placed fixtures lies to the planning scan, by
// the case file's own method.
//
// Errors: fixtures in both jaws; those of the Observation's Register.
func Align(in *Inputs, o Options) (*registration.Result, error) {
	o.progress("aligning the scans", 0.15)
	for _, f := range in.Plan.Fixtures {
		if f.Site.Jaw() != in.Plan.Fixtures[0].Site.Jaw() {
			return nil, fmt.Errorf("%s: the case has fixtures in both jaws, and the jaws move against each other; make one case folder for each jaw", in.Plan.File)
		}
	}
	return in.Observed.Register(func(f float64) { o.progress("aligning the scans", min(0.7, 0.15+0.55*f)) })
}

// Case measures the case at path, a case folder or its case file.
//
// Errors: those of Open and Align, after which nothing was measured. A fixture
// that is not there is no error but a flag.
func Case(path string, o Options) (*Study, error) {
	in, err := Open(path, o)
	if err != nil {
		return nil, err
	}
	return Measure(in, o)
}

// Measure measures a case that was opened.
//
// Errors: those of Align.
func Measure(in *Inputs, o Options) (*Study, error) {
	var (
		al         *registration.Result
		err        error
		observed   evidence.Set
		directions []dentalarch.Finding
	)
	parallel.For(2, func(i int) {
		if i == 1 {
			directions = dentalarch.Find(in.Plan, in.Written, &in.Pre.Volume)
		} else if al, err = Align(in, o); err == nil {
			o.progress("finding the fixtures", 0.7)
			observed = in.Observed.Observe(*al)
		}
	})
	if err != nil {
		return nil, err
	}
	n := len(in.Plan.Fixtures)
	s := &Study{Sites: make([]Site, n), Planning: in.View(), Observed: observed.View}
	s.Result = measurement.Case{
		Schema: measurement.Schema, Case: in.Plan.Name, Placed: in.Plan.Placed, Clinician: in.Plan.Clinician, Simulated: in.Plan.Simulated,
		Program:   measurement.Program{Version: o.Version, Seed: o.Seed},
		Inputs:    in.Identity(),
		Alignment: al.Alignment(),
		Fixtures:  make([]measurement.Fixture, n),
		Flags:     slices.Concat(in.Flags, observed.Flags),
	}
	o.progress("propagating the uncertainty", 0.9)
	for i, plan := range in.Plan.Fixtures {
		achieved := observed.Fixtures[i]
		if achieved.Pose != nil {
			achieved.Budget = append(achieved.Budget, planErrors(in.Written.Fixtures[i])...)
		}
		s.Sites[i] = Site{Plan: plan, Achieved: achieved, Directions: directions[i].Directions, Figures: &s.Result.Fixtures[i]}
		if err := s.Sites[i].figures(directions[i].Flags, o.Seed); err != nil {
			return nil, fmt.Errorf("site %s: %w", plan.Site, err)
		}
	}
	for i, st := range in.Plan.Structures {
		s.Structures = append(s.Structures, Structure{st, in.structures[i]})
	}
	s.look(in)
	var found [][]Structure
	for i := range s.Sites {
		found = append(found, s.Sites[i].Found)
	}
	s.Result.Flags = append(s.Result.Flags, in.notFound(found...)...)
	if err := s.clearances(in, o.Seed); err != nil {
		return nil, err
	}
	s.surroundings(in)
	if in.Second != nil {
		o.progress("measuring the surface scan", 0.95)
		if err := s.second(in, o.Seed); err != nil {
			return nil, err
		}
	}
	whole, each := severity.Case(&s.Result, severity.UsualLimits)
	s.Result.Verdict = &whole
	for i := range each {
		s.Result.Fixtures[i].Verdict = &each[i]
	}
	return s, nil
}

// lengthShown is the least difference of two lengths, mm, that shows where they
// are given to a tenth.
const lengthShown = 0.05

// figures states the figures of a site but its clearances; flags are those of
// its directions.
func (s *Site) figures(flags []measurement.Flag, seed uint64) error {
	plan, achieved := s.Plan, s.Achieved
	out := s.Figures
	*out = measurement.Fixture{
		Site: plan.Site.String(), Guidance: string(plan.Guidance), Evidence: string(achieved.Kind),
		Planned: placement(plan.Planned, plan.Diameter, plan.Length),
		Flags:   slices.Concat(achieved.Flags, flags),
	}
	if achieved.Pose == nil {
		return nil
	}
	placed := placement(*achieved.Pose, achieved.Diameter, achieved.Length)
	out.Achieved = &placed
	if shown := achieved.Shown; shown != nil {
		out.LengthSeen = &shown.Confirmed
		if shown.U == shown.U {
			out.LengthFound = &measurement.Estimate{Value: shown.Length, U: shown.U}
		}
	}
	d, err := deviation.Of(plan.Planned, *achieved.Pose, s.Directions)
	if err != nil {
		return err
	}
	out.Deviation = &d
	u, err := uncertainty.Propagate(plan.Planned, *achieved.Pose, achieved.Budget, s.Directions, seed)
	if err != nil {
		return err
	}
	out.Uncertainty = &u
	if math.Abs(achieved.Length-plan.Length) > lengthShown {
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeOtherLength, Level: measurement.Notice,
			Message: fmt.Sprintf("site %s: the placed fixture is %.1f mm long, the planned one %.1f mm; the apex deviation compares the two real apex points", plan.Site, achieved.Length, plan.Length)})
	}
	return nil
}

func placement(p geom.Pose, diameter, length float64) measurement.Placement {
	return measurement.Placement{
		Entry:    [3]float64{p.Entry.X, p.Entry.Y, p.Entry.Z},
		Apex:     [3]float64{p.Apex.X, p.Apex.Y, p.Apex.Z},
		Diameter: diameter, Length: length,
	}
}
