package conebeam

import (
	"errors"
	"fmt"
	"path/filepath"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/registration/intensity"
)

// Register finds the transform from the follow-up to the planning scan by the
// case file's own method; progress is called with the share done.
//
// Errors: scans that do not match, landmarks that give no transform, scans that
// share no frame; each says what to do.
func (s *Scan) Register(progress func(fraction float64)) (*registration.Result, error) {
	given := s.Plan.Alignment
	switch given.Method {
	case casefile.FromScans:
		return s.fromScans(nil, progress)
	case casefile.SameFrame:
		r, err := registration.SameFrame(s.pre.FrameOfReferenceUID, s.post.FrameOfReferenceUID, s.sameFrame)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", s.Plan.File, err)
		}
		return &r, nil
	case casefile.FromLandmarks:
		r, err := s.fromLandmarks()
		if err != nil || !given.Refine {
			return r, err
		}
		return s.fromScans(r, progress)
	case casefile.FromMatrix:
		postToPre := given.PostToPre
		if s.registration != nil {
			m, err := s.registration.Between(s.pre.FrameOfReferenceUID, s.post.FrameOfReferenceUID)
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w; export the registration of these two scans, or write method = \"scans\" in [alignment]", s.Plan.File, filepath.Base(s.registration.File), err)
			}
			postToPre = &m
		}
		r := registration.Given(*postToPre)
		if given.Refine {
			return s.fromScans(&r, progress)
		}
		return &r, nil
	}
	return nil, fmt.Errorf("%s: alignment method %q is not known", s.Plan.File, given.Method)
}

// fromLandmarks registers by the case's landmark pairs.
func (s *Scan) fromLandmarks() (*registration.Result, error) {
	marks := s.Plan.Alignment.Landmarks
	pairs := make([]registration.Pair, len(marks))
	for i, l := range marks {
		pairs[i] = registration.Pair{Pre: l.Pre, Post: l.Post}
	}
	fit, err := registration.FromLandmarks(pairs)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Plan.File, err)
	}
	for _, f := range s.Plan.Fixtures {
		fit.Quality["expected_tre_entry_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Entry)
		fit.Quality["expected_tre_apex_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Apex)
	}
	return &fit.Result, nil
}

// fromScans registers by the voxels, from start where there is one.
func (s *Scan) fromScans(start *registration.Result, progress func(fraction float64)) (*registration.Result, error) {
	targets := make([]intensity.Target, len(s.Plan.Fixtures))
	for i, f := range s.Plan.Fixtures {
		targets[i] = intensity.Target{Planned: f.Planned, Diameter: f.Diameter}
	}
	o := intensity.Options{Progress: progress}
	if start != nil {
		o.Start = &start.PostToPre
	}
	r, err := intensity.Align(&s.pre.Volume, &s.post.Volume, s.Plan.Fixtures[0].Site.Jaw(), targets, o)
	if errors.Is(err, intensity.ErrNoMatch) {
		return nil, fmt.Errorf("%s: %w; check that pre and post are of the same patient and jaw and both show the site, or give landmarks in [alignment]", s.Plan.File, err)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.Plan.File, err)
	}
	if start != nil {
		r.Flags = append(r.Flags, measurement.Flag{Code: measurement.CodeAlignmentRefined, Level: measurement.Notice,
			Message: fmt.Sprintf("the %s start was refined on the scans and moved the planned fixture by up to %.2f mm", start.Method, r.Quality[intensity.RefinementMoved])})
		r.Method = start.Method + ", refined on the scans"
	}
	return r, nil
}
