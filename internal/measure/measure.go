// Package measure takes one case from its folder to its figures: it reads the
// plan and both scans, brings the scans into one frame, finds the fixtures and
// states their deviations, clearances and uncertainty.
//
// Conventions: everything in a Study is in the planning frame, patient LPS, mm,
// unless a name says post. Start with Open for the inputs alone, or Case for
// the whole measurement.
package measure

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"os"
	"path/filepath"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/dicom/spatialreg"
	"plumbline/internal/fixture"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
)

// Options says how to measure.
type Options struct {
	PreSeries, PostSeries string  // Series Instance UID, where a scan's folder has several
	SliceSpacing          float64 // mm, for multi-frame files that do not say it
	SameFrame             bool    // take same-frame cases without a shared Frame of Reference UID
	Version               string  // of the program, for the record
	Seed                  uint64  // of the Monte Carlo draws
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
	Result    measurement.Case
	Plan      *casefile.Case // coordinates in the planning frame
	Pre, Post *scan.Scan
	Alignment registration.Result
	Found     []fixture.Found // in the follow-up frame, in the order of Plan.Fixtures
	Sites     []Site          // the same order
}

// Inputs are a case's plan and scans, read and checked against each other.
type Inputs struct {
	Plan      *casefile.Case // coordinates in the planning frame
	written   *casefile.Case // as the file has it
	Pre, Post *scan.Scan
	Flags     []measurement.Flag

	structures   []clearance.Structure // in the order of Plan.Structures
	registration *spatialreg.Object    // nil where the case names none
	files        []measurement.File
}

// Open reads a case: its plan and both scans.
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
	o.progress("reading the follow-up scan", 0.08)
	post, err := scan.Open(c.Post, scan.Options{SeriesUID: o.PostSeries, SliceSpacing: o.SliceSpacing, Names: scan.Names{SeriesUID: o.Names.PostSeries, SliceSpacing: o.Names.SliceSpacing}})
	if err != nil {
		return nil, fmt.Errorf("follow-up scan: %w", err)
	}
	located, flags, err := c.Locate(pre.Grid, post.Grid)
	if err != nil {
		return nil, err
	}
	in := &Inputs{Plan: located, written: c, Pre: pre, Post: post}
	in.Flags = append(in.Flags, named("planning scan", pre.Flags)...)
	in.Flags = append(in.Flags, named("follow-up scan", post.Flags)...)
	in.Flags = append(in.Flags, flags...)
	for _, st := range located.Structures {
		body, err := clearance.FromCase(st, func(p geom.Vec) geom.Vec { return c.Frame.ToLPS(p, pre.Grid) })
		if err != nil {
			return nil, fmt.Errorf("%s: structure %q: %w", c.File, st.Name, err)
		}
		in.structures = append(in.structures, body)
	}
	if c.Alignment.File != "" {
		if in.registration, err = spatialreg.Read(c.Alignment.File); err != nil {
			return nil, fmt.Errorf("%s: %w", c.File, err)
		}
	}
	if in.files, err = in.otherFiles(); err != nil {
		return nil, err
	}
	if pre.Grid == post.Grid && pre.SHA256() == post.SHA256() {
		return nil, fmt.Errorf("%s: the planning and the follow-up scan are the same scan; give the scan that was taken after surgery as post", c.File)
	}
	if pre.StudyDate != "" && post.StudyDate != "" && post.StudyDate < pre.StudyDate {
		in.Flags = append(in.Flags, measurement.Flag{Code: "scans-out-of-order", Level: measurement.Doubt,
			Message: fmt.Sprintf("the follow-up scan (%s) is older than the planning scan (%s); check which is pre and which is post", post.StudyDate, pre.StudyDate)})
	}
	return in, nil
}

// Identity says what would be measured, by hash.
func (in *Inputs) Identity() measurement.Inputs {
	return measurement.Inputs{
		PlanSHA256: in.Plan.PlanSHA256,
		PreSeries:  in.Pre.SeriesUID, PostSeries: in.Post.SeriesUID,
		PreSHA256: in.Pre.SHA256(), PostSHA256: in.Post.SHA256(),
		Files: in.files,
	}
}

// otherFiles lists the files that the case names besides the scans.
func (in *Inputs) otherFiles() ([]measurement.File, error) {
	var out []measurement.File
	for _, f := range in.Plan.Fixtures {
		if f.Mesh != nil {
			out = append(out, measurement.File{Name: filepath.Base(f.Mesh.File), SHA256: f.Mesh.SHA256, Site: f.Site.String(), ResidualMM: &f.Mesh.Residual})
		}
	}
	for _, st := range in.Plan.Structures {
		if st.Surface == "" {
			continue
		}
		data, err := os.ReadFile(st.Surface)
		if err != nil {
			return nil, fmt.Errorf("read surface: %w", err)
		}
		sum := sha256.Sum256(data)
		out = append(out, measurement.File{Name: filepath.Base(st.Surface), SHA256: hex.EncodeToString(sum[:])})
	}
	if in.registration != nil {
		out = append(out, measurement.File{Name: filepath.Base(in.registration.File), SHA256: in.registration.SHA256})
	}
	return out, nil
}

func named(scan string, flags []measurement.Flag) []measurement.Flag {
	out := make([]measurement.Flag, len(flags))
	for i, f := range flags {
		f.Message = scan + ": " + f.Message
		out[i] = f
	}
	return out
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
	al, err := Align(in, o)
	if err != nil {
		return nil, err
	}
	o.progress("finding the fixtures", 0.7)
	s := &Study{Plan: in.Plan, Pre: in.Pre, Post: in.Post, Alignment: *al}
	s.Result = measurement.Case{
		Schema: measurement.Schema, Case: in.Plan.Name, Placed: in.Plan.Placed, Clinician: in.Plan.Clinician,
		Program:   measurement.Program{Version: o.Version, Seed: o.Seed},
		Inputs:    in.Identity(),
		Alignment: measurement.Alignment{Method: al.Method, PostToPre: al.PostToPre.Matrix(), Quality: al.Quality, Flags: al.Flags},
		Flags:     in.Flags,
	}
	plans := plansInPost(in.Plan.Fixtures, al.PostToPre)
	var sites []dentalarch.Finding
	parallel.For(2, func(i int) {
		if i == 0 {
			s.Found = fixture.Find(&in.Post.Volume, in.Post.Ceiling, plans)
		} else {
			sites = dentalarch.Find(in.Plan, in.written, &in.Pre.Volume)
		}
	})
	for _, b := range fixture.Others(&in.Post.Volume, in.Post.Ceiling, plans, s.Found) {
		p := al.PostToPre.Apply(b.Centre)
		s.Result.Flags = append(s.Result.Flags, measurement.Flag{Code: "other-fixture", Level: measurement.Notice,
			Message: fmt.Sprintf("metal about %.0f mm wide and %.0f mm long around (%.1f, %.1f, %.1f) in the planning scan's coordinates looks like a fixture that this case has no plan for; it was not measured", b.Width, b.Length, p.X, p.Y, p.Z)})
	}
	s.Result.Fixtures = make([]measurement.Fixture, len(s.Found))
	s.Sites = make([]Site, len(s.Found))
	o.progress("carrying the uncertainty", 0.9)
	for i := range s.Found {
		if s.Result.Fixtures[i], s.Sites[i], err = s.fixture(in, i, sites[i], o.Seed); err != nil {
			return nil, err
		}
	}
	if err := s.clearances(in, o.Seed); err != nil {
		return nil, err
	}
	return s, nil
}

// plansInPost carries the plans to the follow-up frame, with the size of what
// went in: a fixture of another length is looked for with its platform at the
// planned place.
func plansInPost(fixtures []casefile.Fixture, postToPre geom.Rigid) []fixture.Plan {
	preToPost := postToPre.Inverse()
	plans := make([]fixture.Plan, len(fixtures))
	for i, f := range fixtures {
		p := preToPost.ApplyPose(f.Planned)
		p.Apex = r3.Add(p.Entry, r3.Scale(f.PlacedLength, p.Axis()))
		plans[i] = fixture.Plan{Site: f.Site.String(), Pose: p, Diameter: f.PlacedDiameter, Length: f.PlacedLength}
	}
	return plans
}

// Site is one fixture's pose in the planning frame with its uncertainty, and
// the directions of its site.
type Site struct {
	Achieved   *geom.Pose            // nil when no fixture was found
	Ends       *mat.SymDense         // covariance of (entry, apex), mm²
	Own        *mat.SymDense         // the same without the alignment, which all fixtures share
	Directions *deviation.Directions // nil when they are not known
}

// fixture states the figures of fixture i but its clearances.
func (s *Study) fixture(in *Inputs, i int, at dentalarch.Finding, seed uint64) (measurement.Fixture, Site, error) {
	plan, found := in.Plan.Fixtures[i], s.Found[i]
	out := measurement.Fixture{
		Site: plan.Site.String(), Guidance: string(plan.Guidance),
		Planned: placement(plan.Planned, plan.Diameter, plan.Length),
		Flags:   found.Flags,
	}
	directions := at.Directions
	out.Flags = append(out.Flags, at.Flags...)
	site := Site{Directions: directions}
	if !found.Present {
		return out, site, nil
	}
	achieved := s.Alignment.PostToPre.ApplyPose(found.Pose)
	site.Achieved = &achieved
	placed := placement(achieved, plan.PlacedDiameter, found.Length)
	out.Achieved = &placed
	d, err := deviation.Of(plan.Planned, achieved, directions)
	if err != nil {
		return out, site, fmt.Errorf("site %s: %w", plan.Site, err)
	}
	out.Deviation = &d
	contributions := s.contributions(in.written.Fixtures[i], found, achieved)
	site.Ends = mat.NewSymDense(6, nil)
	site.Own = mat.NewSymDense(6, nil)
	for _, c := range contributions {
		site.Ends.AddSym(site.Ends, c.Cov)
		if c.Name != alignmentSource {
			site.Own.AddSym(site.Own, c.Cov)
		}
	}
	u, err := uncertainty.Propagate(plan.Planned, achieved, contributions, directions, seed)
	if err != nil {
		return out, site, fmt.Errorf("site %s: %w", plan.Site, err)
	}
	out.Uncertainty = &u
	if math.Abs(found.Length-plan.Length) > 0.05 {
		out.Flags = append(out.Flags, measurement.Flag{Code: "other-length", Level: measurement.Notice,
			Message: fmt.Sprintf("site %s: the placed fixture is %.1f mm long, the planned one %.1f mm; the apex deviation compares the two real apex points", plan.Site, found.Length, plan.Length)})
	}
	return out, site, nil
}

func placement(p geom.Pose, diameter, length float64) measurement.Placement {
	return measurement.Placement{
		Entry:    [3]float64{p.Entry.X, p.Entry.Y, p.Entry.Z},
		Apex:     [3]float64{p.Apex.X, p.Apex.Y, p.Apex.Z},
		Diameter: diameter, Length: length,
	}
}
