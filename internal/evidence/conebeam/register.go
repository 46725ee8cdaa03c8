package conebeam

import (
	"errors"
	"fmt"
	"path/filepath"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/registration/intensity"
	"plumbline/internal/tooth"
)

// Register finds the transform from the follow-up to the planning scan by the
// case file's own method, and holds a given one against the scans; progress is
// called with the share done.
//
// Errors: scans that do not match, landmarks that give no transform, scans that
// share no frame; each says what to do.
func (s *Scan) Register(progress func(fraction float64)) (*registration.Result, error) {
	if s.Plan.Alignment.Method == casefile.FromScans {
		return s.fromScans(nil, progress)
	}
	given, err := s.given()
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Plan.File, err)
	}
	if s.Plan.Alignment.Refine {
		return s.fromScans(&given, progress)
	}
	out := s.verified(given, progress)
	return &out, nil
}

// given is the transform that the case file gives.
func (s *Scan) given() (registration.Result, error) {
	switch given := s.Plan.Alignment; given.Method {
	case casefile.SameFrame:
		return registration.SameFrame(s.pre.FrameOfReferenceUID, s.post.FrameOfReferenceUID, s.sameFrame)
	case casefile.FromLandmarks:
		pairs := make([]registration.Pair, len(given.Landmarks))
		for i, l := range given.Landmarks {
			pairs[i] = registration.Pair{Pre: l.Pre, Post: l.Post}
		}
		fit, err := registration.FromLandmarks(pairs)
		if err != nil {
			return registration.Result{}, err
		}
		for _, f := range s.Plan.Fixtures {
			fit.Quality["expected_tre_entry_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Entry)
			fit.Quality["expected_tre_apex_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Apex)
		}
		return fit.Result, nil
	case casefile.FromMatrix:
		if s.registration == nil {
			return registration.Given(*given.PostToPre), nil
		}
		m, err := s.registration.Between(s.pre.FrameOfReferenceUID, s.post.FrameOfReferenceUID)
		if err != nil {
			return registration.Result{}, fmt.Errorf("%s: %w; export the registration of these two scans, or write method = \"scans\" in [alignment]", filepath.Base(s.registration.File), err)
		}
		return registration.Given(m), nil
	}
	return registration.Result{}, fmt.Errorf("alignment method %q is not known", s.Plan.Alignment.Method)
}

// verified is a given transform with what the scans show of its error.
func (s *Scan) verified(given registration.Result, progress func(fraction float64)) registration.Result {
	fixtures := make([]geom.Pose, len(s.Plan.Fixtures))
	for i, f := range s.Plan.Fixtures {
		fixtures[i] = f.Planned
	}
	o := intensity.Options{Start: &given.PostToPre, Progress: progress}
	found, err := intensity.Verify(&s.pre.Volume, &s.post.Volume, s.jaw(), s.targets(), o, func(near *registration.Result) bool {
		return registration.Compare(given, *near, fixtures).Agrees()
	})
	switch {
	case errors.Is(err, intensity.ErrNoMatch):
		return registration.Unverified(given, "they have too little in common around the planned fixtures")
	case err != nil:
		return registration.Unverified(given, err.Error())
	}
	return registration.Compare(given, *found, fixtures).Result()
}

func (s *Scan) jaw() tooth.Jaw { return s.Plan.Fixtures[0].Site.Jaw() }

func (s *Scan) targets() []intensity.Target {
	targets := make([]intensity.Target, len(s.Plan.Fixtures))
	for i, f := range s.Plan.Fixtures {
		targets[i] = intensity.Target{Planned: f.Planned, Diameter: f.Diameter}
	}
	return targets
}

// fromScans registers by the voxels, from start where there is one.
func (s *Scan) fromScans(start *registration.Result, progress func(fraction float64)) (*registration.Result, error) {
	o := intensity.Options{Progress: progress}
	if start != nil {
		o.Start = &start.PostToPre
	}
	r, err := intensity.Align(&s.pre.Volume, &s.post.Volume, s.jaw(), s.targets(), o)
	if errors.Is(err, intensity.ErrNoMatch) {
		return nil, fmt.Errorf("%s: %w; check that pre and post are of the same patient and jaw and both show the site, or give landmarks in [alignment]", s.Plan.File, err)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Plan.File, err)
	}
	if start != nil {
		r.Flags = append(r.Flags, measurement.Flag{Code: measurement.CodeAlignmentRefined, Level: measurement.Notice,
			Message: fmt.Sprintf("the alignment given by %s was refined on the scans, which moved the planned fixture by up to %.2f mm", start.Method, r.Quality[intensity.RefinementMoved])})
		r.Method = start.Method + ", refined on the scans"
	}
	return r, nil
}
