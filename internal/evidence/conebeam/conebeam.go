// Package conebeam observes placed fixtures in a follow-up scan, such as a
// cone-beam machine makes: it registers the scan to the planning scan and finds
// the fixtures in it.
//
// Conventions: what comes out is in the planning frame, patient LPS, mm. Start
// with Open.
package conebeam

import (
	"fmt"
	"path/filepath"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/dicom/spatialreg"
	"plumbline/internal/evidence"
	"plumbline/internal/fixture"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
)

// Options of Open.
type Options struct {
	scan.Options
	SameFrame bool // take same-frame cases without a shared Frame of Reference UID
}

// Scan is a follow-up scan beside the planning scan.
type Scan struct {
	// Plan has the case's coordinates in the planning frame, those of landmarks
	// in their scans' own.
	Plan  *casefile.Case
	Flags []measurement.Flag

	pre, post    *scan.Scan
	registration *spatialreg.Object // nil where the case names none
	sameFrame    bool
}

// Open reads the follow-up scan of a case, and what the case says of its
// registration.
//
// Errors: those of scan.Open, casefile.Case.Locate and spatialreg.Read; a
// follow-up scan that is the planning scan.
func Open(c *casefile.Case, pre *scan.Scan, o Options) (*Scan, error) {
	post, err := scan.Open(c.Post, o.Options)
	if err != nil {
		return nil, fmt.Errorf("follow-up scan: %w", err)
	}
	plan, flags, err := c.Locate(pre.Grid, post.Grid)
	if err != nil {
		return nil, err
	}
	s := &Scan{Plan: plan, pre: pre, post: post, sameFrame: o.SameFrame}
	if c.Alignment.File != "" {
		if s.registration, err = spatialreg.Read(c.Alignment.File); err != nil {
			return nil, fmt.Errorf("%s: %w", c.File, err)
		}
	}
	if pre.Grid == post.Grid && pre.SHA256() == post.SHA256() {
		return nil, fmt.Errorf("%s: the planning and the follow-up scan are the same scan; give the scan that was taken after surgery as post", c.File)
	}
	s.Flags = append(measurement.Prefixed("follow-up scan", post.Flags), flags...)
	if pre.Taken != "" && post.Taken != "" && post.Taken < pre.Taken {
		s.Flags = append(s.Flags, measurement.Flag{Code: measurement.CodeScansOutOfOrder, Level: measurement.Doubt,
			Message: fmt.Sprintf("the follow-up scan (%s) is older than the planning scan (%s); check which is pre and which is post", post.Taken, pre.Taken)})
	}
	return s, nil
}

// Identify adds the scan and the registration object to what was measured.
func (s *Scan) Identify(in *measurement.Inputs) {
	in.PostSeries, in.PostSHA256, in.PostDate = s.post.SeriesUID, s.post.SHA256(), s.post.Taken
	if s.registration != nil {
		in.Files = append(in.Files, measurement.File{Name: filepath.Base(s.registration.File), SHA256: s.registration.SHA256})
	}
}

// Who is whom the scan's header names.
func (s *Scan) Who() scan.Identity { return s.post.Identity }

// Observe finds the planned fixtures in the registered scan.
func (s *Scan) Observe(r registration.Result) evidence.Set {
	plans := plansInPost(s.Plan.Fixtures, r)
	found := fixture.Find(&s.post.Volume, s.post.Ceiling, plans)
	out := evidence.Set{Fixtures: make([]evidence.Achieved, len(found)), View: s.View(r)}
	for i, f := range found {
		out.Fixtures[i].Kind, out.Fixtures[i].Flags = evidence.FollowUpScan, f.Flags
		if !f.Present {
			continue
		}
		pose := r.PostToPre.ApplyPose(f.Pose)
		out.Fixtures[i].Pose = &pose
		out.Fixtures[i].Diameter, out.Fixtures[i].Length = s.Plan.Fixtures[i].PlacedDiameter, f.Length
		out.Fixtures[i].Shown = &evidence.ShownLength{Confirmed: f.Shown.Verdict == fixture.Confirmed, Length: f.Shown.Length, U: f.Shown.U}
		out.Fixtures[i].Flags = assumedSizes(f.Flags, s.Plan.Fixtures[i])
		out.Fixtures[i].Budget = budget(f.Sources, pose, r, s.Plan.Fixtures)
		if r.Motion != nil {
			out.Fixtures[i].Budget = append(out.Fixtures[i].Budget, headMotion(pose, s.Plan.Fixtures[i].PlacedDiameter, r, s.post.Grid))
		}
	}
	for _, f := range []*measurement.Flag{mirrored(found), fixture.OffScale(plans, found)} {
		if f != nil {
			out.Flags = append(out.Flags, *f)
		}
	}
	for _, b := range fixture.Others(&s.post.Volume, s.post.Ceiling, plans, found) {
		p := r.PostToPre.Apply(b.Centre)
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeOtherFixture, Level: measurement.Notice,
			Message: fmt.Sprintf("metal about %.0f mm wide and %.0f mm long around (%.1f, %.1f, %.1f) in the planning scan's coordinates looks like a fixture that this case has no plan for; it was not measured. If it belongs to the case, add its plan", b.Width, b.Length, p.X, p.Y, p.Z)})
	}
	return out
}

// assumedSizes adds to what flags say of a fixture's size that the case file does not
// state what was placed.
func assumedSizes(flags []measurement.Flag, f casefile.Fixture) []measurement.Flag {
	out := slices.Clone(flags)
	for i := range out {
		switch c := out[i].Code; {
		case (c == measurement.CodeLengthOnTrust || c == measurement.CodeLengthMismatch) && !f.LengthGiven:
			out[i].Message += "; the case file gives no placed_length, so the planned length was assumed"
		case c == measurement.CodeDiameterMismatch && !f.DiameterGiven:
			out[i].Message += "; the case file gives no placed_diameter, so the planned diameter was assumed"
		}
	}
	return out
}

// View is the registered scan for pictures.
func (s *Scan) View(r registration.Result) evidence.View {
	return evidence.Scan{Volume: &s.post.Volume, ToScan: r.PostToPre.Inverse()}
}

// plansInPost brings the plans into the follow-up frame, with the size of what
// went in: a fixture of another length is looked for with its platform at the
// planned place.
func plansInPost(fixtures []casefile.Fixture, r registration.Result) []fixture.Plan {
	preToPost := r.PostToPre.Inverse()
	moved := 0.0
	if r.Motion != nil {
		moved = r.Motion.RMS
	}
	plans := make([]fixture.Plan, len(fixtures))
	for i, f := range fixtures {
		p := preToPost.ApplyPose(f.Planned)
		p.Apex = r3.Add(p.Entry, r3.Scale(f.PlacedLength, p.Axis()))
		plans[i] = fixture.Plan{Site: f.Site.String(), Pose: p, Diameter: f.PlacedDiameter, Length: f.PlacedLength, Motion: moved}
	}
	return plans
}
