package measure

import (
	"errors"
	"fmt"
	"path/filepath"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/registration/intensity"
)

// Align brings the two scans of a case into one frame by the case file's own
// method.
//
// Errors: fixtures in both jaws, scans that do not match, landmarks that give no
// transform, scans that share no frame; each says what to do.
func Align(in *Inputs, o Options) (*registration.Result, error) {
	given := in.Plan.Alignment
	o.progress("aligning the scans", 0.15)
	for _, f := range in.Plan.Fixtures {
		if f.Site.Jaw() != in.Plan.Fixtures[0].Site.Jaw() {
			return nil, fmt.Errorf("%s: the case has fixtures in both jaws, and the jaws move against each other; make one case folder for each jaw", in.Plan.File)
		}
	}
	switch given.Method {
	case casefile.FromScans:
		return fromScans(in, nil, o)
	case casefile.SameFrame:
		r, err := registration.SameFrame(in.Pre.FrameOfReferenceUID, in.Post.FrameOfReferenceUID, o.SameFrame)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", in.Plan.File, err)
		}
		return &r, nil
	case casefile.FromLandmarks:
		pairs := make([]registration.Pair, len(given.Landmarks))
		for i, l := range given.Landmarks {
			pairs[i] = registration.Pair{Pre: l.Pre, Post: l.Post}
		}
		fit, err := registration.FromLandmarks(pairs)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", in.Plan.File, err)
		}
		for _, f := range in.Plan.Fixtures {
			if fit.Quality == nil {
				fit.Quality = map[string]float64{}
			}
			fit.Quality["expected_tre_entry_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Entry)
			fit.Quality["expected_tre_apex_"+f.Site.String()+"_mm"] = fit.ExpectedTRE(f.Planned.Apex)
		}
		if given.Refine {
			return fromScans(in, &fit.Result, o)
		}
		return &fit.Result, nil
	case casefile.FromMatrix:
		postToPre := given.PostToPre
		if in.registration != nil {
			m, err := in.registration.Between(in.Pre.FrameOfReferenceUID, in.Post.FrameOfReferenceUID)
			if err != nil {
				return nil, fmt.Errorf("%s: %s: %w; export the registration of these two scans, or write method = \"scans\" in [alignment]", in.Plan.File, filepath.Base(in.registration.File), err)
			}
			postToPre = &m
		}
		r := registration.Given(*postToPre)
		if given.Refine {
			return fromScans(in, &r, o)
		}
		return &r, nil
	}
	return nil, fmt.Errorf("%s: alignment method %q is not known", in.Plan.File, given.Method)
}

// fromScans finds the transform from the voxels, from start where there is one.
func fromScans(in *Inputs, start *registration.Result, o Options) (*registration.Result, error) {
	targets := make([]intensity.Target, len(in.Plan.Fixtures))
	for i, f := range in.Plan.Fixtures {
		targets[i] = intensity.Target{Planned: f.Planned, Diameter: f.Diameter}
	}
	opts := intensity.Options{Progress: func(f float64) { o.progress("aligning the scans", 0.15+0.55*f) }}
	if start != nil {
		opts.Start = &start.PostToPre
	}
	r, err := intensity.Align(&in.Pre.Volume, &in.Post.Volume, in.Plan.Fixtures[0].Site.Jaw(), targets, opts)
	if errors.Is(err, intensity.ErrNoMatch) {
		return nil, fmt.Errorf("%s: %w; check that pre and post are of the same patient and jaw and both show the site, or give landmarks in [alignment]", in.Plan.File, err)
	}
	if err != nil {
		return nil, fmt.Errorf("%s: %w", in.Plan.File, err)
	}
	if start != nil {
		r.Flags = append(r.Flags, measurement.Flag{Code: "alignment-refined", Level: measurement.Notice,
			Message: fmt.Sprintf("the %s start was refined on the scans and moved the planned fixture by up to %.2f mm", start.Method, r.Quality[intensity.RefinementMoved])})
		r.Method = start.Method + ", refined on the scans"
	}
	return r, nil
}
