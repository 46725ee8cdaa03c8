package surfacescan

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/parallel"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/registration/surface"
	"plumbline/internal/scanbody"
)

const (
	// aroundSite, mm, of the planning scan that a surface is held against: a full arch.
	aroundSite = 45.0
	// beforeShift, mm, and beforeTurn, radians, are the standard uncertainties of how a surface
	// that was brought into the planning scan's frame lies there: surface and planning scan
	// differ by 0.03 to 0.18 mm after a registration by points (skull with markers, 2020,
	// acemap.info/paper/49285450).
	beforeShift = 0.06
	beforeTurn  = 0.15 * math.Pi / 180
	// disagrees is the chance by which two right alignments are called apart: as in
	// registration.Compare.
	disagrees = 0.001
	// apart, mm and degrees, is what a surface before may be off in the planning scan without
	// doubt.
	apartShift, apartTurn = 0.5, 1.5
	// stretched is the share by which surface and scan may differ in size, and beyond how
	// many standard uncertainties it counts.
	stretched, stretchedU = 0.005, 4
	// bodiesTried of each fixture's kind, for starts.
	bodiesTried = 3
)

// Register finds how the surface lies to the planning scan; progress is called with the share
// done.
//
// Errors: a surface that fits neither, or in more than one place; an alignment by landmarks or
// an object, which are for scans.
func (s *Scan) Register(progress func(fraction float64)) (*registration.Result, error) {
	m, err := s.moving()
	if err != nil {
		return nil, err
	}
	progress(0.1)
	found, err := s.fromSurfaces(m, progress)
	switch given := s.Plan.Alignment; {
	case given.Method == casefile.FromLandmarks || given.File != "":
		return nil, fmt.Errorf("%s: an alignment by landmarks or by an object is for two scans; write method = \"scans\" in [alignment]", s.Plan.File)
	case s.Plan.Post != "" || given.Method == casefile.FromScans: // what is given is for the scans
		return found, err
	default:
		exact := registration.Given(geom.Identity())
		if given.PostToPre != nil {
			exact = registration.Given(*given.PostToPre)
		}
		exact.Method = string(given.Method)
		if err != nil {
			out := registration.Unverified(exact, err.Error())
			return &out, nil
		}
		var planned []geom.Pose
		for _, f := range s.Plan.Fixtures {
			planned = append(planned, f.Planned)
		}
		out := registration.Compare(exact, *found, planned).Result()
		return &out, nil
	}
}

// moving is the surface with starts from each scan body that may be a fixture's.
func (s *Scan) moving() (surface.Moving, error) {
	m := surface.Moving{Cloud: s.after}
	seen := 0.0
	for i, f := range s.Plan.Fixtures {
		for k, b := range s.found[i] {
			if k >= max(bodiesTried, len(s.Plan.Fixtures)) {
				break
			}
			m.Starts = append(m.Starts, scanbody.Starts(b.ToSurface, f.Planned)...)
			m.Bodies = append(m.Bodies, b.ToSurface.T)
			if b.Seen > seen {
				seen, m.Inward, m.Up = b.Seen, b.Inward, b.ToSurface.Rotate(geom.Vec{Z: 1})
			}
		}
	}
	if len(m.Bodies) == 0 {
		return m, fmt.Errorf("%s: %w; check scan_body, its unit (mm) and frame (platform centre at the origin, +z coronal), and that post_surface was scanned with it seated", s.Plan.File, errNoBody)
	}
	return m, nil
}

// fromSurfaces registers onto the surface before and onto the planning scan, as far as there
// are both.
func (s *Scan) fromSurfaces(m surface.Moving, progress func(fraction float64)) (*registration.Result, error) {
	var places []geom.Vec
	for _, f := range s.Plan.Fixtures {
		places = append(places, f.Planned.Entry)
	}
	var (
		scanned *surface.Fixed
		f       *surface.Found
		err     error
	)
	parallel.For(2, func(i int) {
		if i == 0 {
			if e := surface.NewEnamel(&s.pre.Volume, aroundSite, places...); e != nil {
				scanned = surface.OntoScan(e)
			}
		} else if s.before != nil {
			f, err = surface.Align(m, surface.OntoSurface(s.before))
		}
	})
	progress(0.6)
	if s.before == nil {
		if scanned == nil {
			return nil, fmt.Errorf("%s: the planning scan shows nothing around the planned fixtures; check frame", s.Plan.File)
		}
		if f, err = surface.Align(m, scanned); err != nil {
			return nil, s.refused("the planning scan", err, f)
		}
		progress(1)
		s.fitted = f
		return s.result("surface onto planning scan", f), nil
	}
	if err != nil {
		return nil, s.refused("the surface before (pre_surface)", err, f)
	}
	s.fitted = f
	out := s.result("surface onto surface", f)
	out.Cov = sum(out.Cov, s.lies(out.Centre))
	if scanned == nil {
		return s.unchecked(out, nil), nil
	}
	g, err := surface.Refine(m, f.ToFixed, scanned)
	if err != nil {
		// Perhaps the surface before is not in the planning scan's frame.
		if g, err = surface.Align(m, scanned); err != nil {
			progress(1)
			return s.unchecked(out, g), nil
		}
	}
	progress(1)
	other := s.result("surface onto planning scan", g)
	both, chi := registration.Combine(*out, *other)
	motion := g.ToFixed.After(f.ToFixed.Inverse())
	shift := 0.0
	for _, x := range s.Plan.Fixtures {
		for _, p := range []geom.Vec{x.Planned.Entry, x.Planned.Apex} {
			shift = math.Max(shift, r3.Norm(r3.Sub(motion.Apply(p), p)))
		}
	}
	turn := geom.Degrees(motion.Angle())
	both.Quality["surface_and_scan_differ_mm"], both.Quality["surface_and_scan_differ_deg"] = shift, turn
	both.Method = "surface onto surface and planning scan"
	if (distuv.ChiSquared{K: 6}).Survival(chi) < disagrees && (shift > apartShift || turn > apartTurn) {
		s.fitted = g
		other.Quality["surface_and_scan_differ_mm"], other.Quality["surface_and_scan_differ_deg"] = shift, turn
		other.Flags = append(other.Flags, measurement.Flag{Code: measurement.CodeSurfaceOffScan, Level: measurement.Doubt,
			Message: fmt.Sprintf("pre_surface lies %.1f mm and %.1f° off what the planning scan shows at the planned fixture; the planning scan was followed. Export the surface in the planning scan's coordinates, or leave it out", shift, turn)})
		return other, nil
	}
	return &both, nil
}

// lies is the covariance of a surface's own registration, as a motion about a centre.
func (s *Scan) lies(centre geom.Vec) *mat.SymDense {
	at := mat.NewSymDense(6, nil)
	for k := range 3 {
		at.SetSym(k, k, beforeTurn*beforeTurn)
		at.SetSym(3+k, 3+k, beforeShift*beforeShift)
	}
	own := registration.Result{Cov: at, Centre: s.middle}
	return own.About(centre)
}

func sum(a, b *mat.SymDense) *mat.SymDense {
	out := mat.NewSymDense(6, nil)
	out.AddSym(a, b)
	return out
}

// unchecked flags a registration onto the surface before that none onto the planning scan
// confirms; tried is the best of those, nil where there is none.
func (s *Scan) unchecked(r *registration.Result, tried *surface.Found) *registration.Result {
	f := measurement.Flag{Code: measurement.CodeSurfaceNotChecked, Level: measurement.Notice,
		Message: "the planning scan shows too little enamel to check that pre_surface lies in its coordinates; that was taken on trust"}
	if tried != nil && tried.Overlap >= surface.LeastOverlap {
		f.Level = measurement.Doubt
		f.Message = fmt.Sprintf("neither surface scan fits the crowns of the planning scan (%.0f mm² lie near them, %.0f %% of that on them); check that both are of this patient, and that pre_surface is in the planning scan's coordinates", tried.Overlap, 100*tried.On)
	}
	r.Flags = append(r.Flags, f)
	return r
}

// refused says why a surface was not registered.
func (s *Scan) refused(onto string, err error, f *surface.Found) error {
	seen := ""
	if f != nil {
		seen = fmt.Sprintf(" (%.0f mm² lie near it, %.0f %% of that on it, at a median distance of %.2f mm)", f.Overlap, 100*f.On, f.Typical)
	}
	if errors.Is(err, surface.ErrAmbiguous) {
		return fmt.Errorf("%s: the surface scan fits %s in more than one place%s; give a scan of more of the arch", s.Plan.File, onto, seen)
	}
	return fmt.Errorf("%s: the surface scan does not fit %s around the planned fixtures%s; check that it is of this patient, this jaw and this site, in its true size and not mirrored, and shows the teeth beside it", s.Plan.File, onto, seen)
}

// result is a registration as it is reported.
func (s *Scan) result(method string, f *surface.Found) *registration.Result {
	out := &registration.Result{Method: method, PostToPre: f.ToFixed, Centre: f.Centre, Cov: f.Cov, Quality: map[string]float64{
		"overlap_mm2": f.Overlap, "on_surface_ratio": f.On, "residual_mm": f.Residual, "median_distance_mm": f.Typical, "runner_up_ratio": f.Runner, "scale_ratio": f.Scale, "scale_u_ratio": f.ScaleU,
	}}
	worst := 0.0
	for _, x := range s.Plan.Fixtures {
		worst = math.Max(worst, math.Max(out.ExpectedTRE(x.Planned.Entry), out.ExpectedTRE(x.Planned.Apex)))
	}
	out.Quality["error_u_mm"] = worst
	if d := math.Abs(f.Scale - 1); d > stretched && d > stretchedU*f.ScaleU {
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeScaleMismatch, Level: measurement.Doubt,
			Message: fmt.Sprintf("the surface scan is %.1f %% larger or smaller than what it was aligned to; check surface_unit and the exports", 100*d)})
	}
	if worst > registration.DoubtfulError {
		out.Flags = append(out.Flags, measurement.Flag{Code: measurement.CodeAlignmentDoubtful, Level: measurement.Doubt,
			Message: fmt.Sprintf("the surface scan shares too little with the planning scan around the fixtures to tell how it lies to it (expected error %.2f mm); give a scan of more of the arch", worst)})
	}
	return out
}
