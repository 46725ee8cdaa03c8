// Package intensity finds the rigid transform between two scans of one jaw
// from their voxels alone, how well it is known, and when it was not found.
//
// Conventions: the planning scan (pre) is fixed, the follow-up scan (post) is
// moving; all points are in the planning frame unless a name says otherwise.
// Inside, transforms run from planning to follow-up scan (preToPost), the way
// samples travel; what comes out is registration.Result with PostToPre.
//
// Start with Align. It searches every turn up to 40° and every place of the
// fixtures in the follow-up scan on coarse cells, refines the best candidates
// through finer levels by a local normalised correlation on the fixtures' own
// jaw (region), and keeps the one that explains the region best. Afterwards it
// lets the three scales go free, to find a wrong voxel size (ruler).
//
// Limits: one rigid jaw; a follow-up scan of another kind (magnetic resonance,
// surface scan) is not handled; a head turned by more than 40° between the
// scans is not found and refused.
package intensity

import (
	"errors"
	"fmt"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/registration"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// Target is a planned fixture in the planning frame; Diameter in mm.
type Target struct {
	Planned  geom.Pose
	Diameter float64
}

// Options of Align. Start, when given, is a post-to-pre transform to refine in
// place of the search. Progress, when given, is called with the share done.
type Options struct {
	Start    *geom.Rigid
	Progress func(fraction float64)
}

// RefinementMoved names the quality of a refined start: the largest distance, mm,
// by which the refinement moved an end of a planned fixture.
const RefinementMoved = "refinement_moved_mm"

// ErrNoMatch says that no transform brings the two scans together: they show
// different people or regions, or too little of the same region.
var ErrNoMatch = errors.New("the scans do not show the same region of the same jaw")

var errNoOverlap = fmt.Errorf("%w: the follow-up scan has nothing of what surrounds the planned fixtures; check that both scans are of this patient and that the follow-up scan shows the fixtures' jaw", ErrNoMatch)

// level is one resolution of the refinement.
type level struct {
	cell   float64 // mm, aimed at by binning whole voxels
	sigma  float64 // mm, standard deviation of the smoothing; at least minSigma voxels
	stride float64 // mm between samples, aimed at
	side   float64 // mm, side of a block
	steps  int     // at most
	reach  float64 // mm, largest step
	settle float64 // mm, a step below which the fit has settled
}

const (
	// minSigma, voxels: below this the cubic B-spline alone smooths more.
	minSigma = 0.9
	// noted, carried, hopeful and finalists are how many candidates go to the
	// broad, the coarse (a few steps, then the rest) and the middle level; the
	// best of these goes to the fine one. Where both scans see much of the arch
	// the true place leads from the broad level on. In follow-up scans cropped to
	// 38 mm it came as late as 54th there, but second after a few coarse steps,
	// and first after the middle level.
	noted     = 200
	carried   = 60
	hopeful   = 15
	finalists = 6
	// perTurn is how many places are kept of each turn of the search.
	perTurn = 12
)

var (
	broadLevel  = level{side: 25, steps: 10, reach: 5, settle: 0.2}
	hasteLevel  = level{side: 9, steps: 3, reach: 3, settle: 0.02}
	coarseLevel = level{side: 9, steps: 15, reach: 3, settle: 0.02}
	middleLevel = level{cell: 0.6, sigma: 0.6, stride: 1.2, side: 6, steps: 12, reach: 1, settle: 0.005}
	fineLevel   = level{cell: 0, sigma: 0.3, stride: 0.7, side: 2.5, steps: 12, reach: 0.5, settle: 0.0005}
)

// Align finds PostToPre for the jaw that carries the targets.
//
// Errors: ErrNoMatch (wrapped, with the figures that say so) when the scans
// cannot be brought together; other errors for targets outside the planning
// scan.
func Align(pre, post *volume.Volume, jaw tooth.Jaw, targets []Target, o Options) (*registration.Result, error) {
	progress := o.Progress
	if progress == nil {
		progress = func(float64) {}
	}
	if err := check(pre, targets); err != nil {
		return nil, err
	}
	reg := newRegion(targets, jaw)
	fixed, moving := newScan(pre), newScan(post)
	progress(0.1)

	var found []candidate
	if o.Start != nil {
		found = []candidate{{preToPost: o.Start.Inverse()}}
	} else {
		found = newTemplate(fixed.coarse[1], reg).search(moving.coarse[1], reg, perTurn)
		found = distinct(found, reg.centre, 3, noted)
		s := gather(fixed.broad, reg, 0, broadLevel.side)
		found = s.improve(moving.broad, found, broadLevel)
		found = distinct(found, reg.centre, 2, carried)
	}
	progress(0.5)

	s := gather(fixed.coarse[0], reg, 0, coarseLevel.side)
	found = s.improve(moving.coarse[0], found, hasteLevel)
	found = distinct(found, reg.centre, 1, hopeful)
	found = s.improve(moving.coarse[0], found, coarseLevel)
	found = distinct(found, reg.centre, 1.5, finalists)
	progress(0.7)

	f := newFit(fixed, moving, reg)
	found = f.improve(found, middleLevel)
	found = distinct(found, reg.centre, rivalDistance, finalists)
	progress(0.85)
	if len(found) == 0 {
		return nil, errNoOverlap
	}
	out, err := f.conclude(found)
	progress(1)
	if err != nil {
		return nil, err
	}
	if o.Start != nil {
		back := o.Start.Inverse()
		most := 0.0
		for _, t := range targets {
			for _, p := range []geom.Vec{t.Planned.Entry, t.Planned.Apex} {
				most = max(most, r3.Norm(r3.Sub(out.PostToPre.Apply(back.Apply(p)), p)))
			}
		}
		out.Quality[RefinementMoved] = most
		out.Quality["refined_by_deg"] = geom.Degrees(o.Start.After(out.PostToPre.Inverse()).Angle())
	}
	return out, nil
}

func check(pre *volume.Volume, targets []Target) error {
	if len(targets) == 0 {
		return errors.New("no planned fixture: nothing says which jaw and place to align")
	}
	for i, t := range targets {
		for _, p := range []geom.Vec{t.Planned.Entry, t.Planned.Apex} {
			if !geom.Finite(p) || !pre.Contains(p) {
				return fmt.Errorf("planned fixture %d: point (%.2f, %.2f, %.2f) mm lies outside the planning scan; check the plan's frame of coordinates", i+1, p.X, p.Y, p.Z)
			}
		}
		if !(t.Planned.Length() > 0) {
			return fmt.Errorf("planned fixture %d: entry and apex coincide", i+1)
		}
	}
	return nil
}

// improve refines each candidate on one pair of fields, the candidates side by
// side.
func (s *samples) improve(moving *volume.Field, all []candidate, l level) []candidate {
	out := make([]candidate, len(all))
	parallel.For(len(all), func(i int) {
		m, ev := s.refine(moving, all[i].preToPost, l, brisk, serial)
		out[i] = newCandidate(m, ev)
	})
	return out
}

func newCandidate(preToPost geom.Rigid, ev *evaluation) candidate {
	return candidate{preToPost: preToPost, similarity: ev.similarity(), coverage: ev.coverage(), score: ev.score()}
}

// fit has what the local levels share.
type fit struct {
	fixed, moving *scan
	reg           *region
	spread        []geom.Vec // over the region
}

func newFit(fixed, moving *scan, reg *region) *fit {
	return &fit{fixed: fixed, moving: moving, reg: reg, spread: reg.spread()}
}

// margin, mm, that a local field reaches beyond the points of region.spread:
// half their grain, and what the smoothing and a step can ask for.
const margin = 4.0

// spacing is the larger of the scans' finest spacings.
func (f *fit) spacing() float64 {
	most := 0.0
	for _, s := range []*scan{f.fixed, f.moving} {
		sp := s.vol.Spacing()
		most = max(most, sp[0], sp[1], sp[2])
	}
	return most
}

// smoothing is the standard deviation, mm, to which both scans are smoothed.
func (f *fit) smoothing(l level) float64 { return max(l.sigma, minSigma*f.spacing()) }

// field is the part of a scan that the region meets where any of the transforms
// puts it; nil where the scan has next to nothing there.
func (f *fit) field(s *scan, l level, toScan ...geom.Rigid) *volume.Field {
	return s.local(l.cell, f.smoothing(l), margin, f.places(toScan...))
}

// places is where the transforms put the region.
func (f *fit) places(toScan ...geom.Rigid) []geom.Vec {
	var points []geom.Vec
	for _, m := range toScan {
		for _, p := range f.spread {
			points = append(points, m.Apply(p))
		}
	}
	return points
}

func (f *fit) samples(l level) *samples {
	field := f.field(f.fixed, l, geom.Identity())
	if field == nil {
		return &samples{block: []int{0}}
	}
	return gather(field, f.reg, l.stride, l.side)
}

// improve refines the candidates at a local level, on one field where that is
// smaller than all of theirs together; candidates that meet nothing drop out.
func (f *fit) improve(all []candidate, l level) []candidate {
	var transforms []geom.Rigid
	apart := 0
	size := func(toScan ...geom.Rigid) int {
		lo, hi := f.moving.vol.Box(margin, f.places(toScan...)...)
		return f.moving.vol.Sub(lo, hi).Len()
	}
	for _, c := range all {
		transforms = append(transforms, c.preToPost)
		apart += size(c.preToPost)
	}
	var shared *volume.Field
	if size(transforms...) <= apart {
		shared = f.field(f.moving, l, transforms...)
	}
	s := f.samples(l)
	found := make([]*candidate, len(all))
	one := func(i int, each func(int, func(int))) {
		moving := shared
		if moving == nil {
			moving = f.field(f.moving, l, all[i].preToPost)
		}
		if moving == nil {
			return
		}
		m, ev := s.refine(moving, all[i].preToPost, l, brisk, each)
		c := newCandidate(m, ev)
		c.disagree = ev.disagreement(f.reg.centre)
		found[i] = &c
	}
	if shared != nil {
		parallel.For(len(all), func(i int) { one(i, serial) })
	} else {
		serial(len(all), func(i int) { one(i, parallel.For) })
	}
	var out []candidate
	for _, c := range found {
		if c != nil {
			out = append(out, *c)
		}
	}
	return out
}

// conclude takes the best candidate to the fine level and judges it.
func (f *fit) conclude(found []candidate) (*registration.Result, error) {
	s := f.samples(fineLevel)
	moving := f.field(f.moving, fineLevel, found[0].preToPost)
	if moving == nil {
		return nil, errNoOverlap
	}
	m, ev := s.refine(moving, found[0].preToPost, fineLevel, full, parallel.For)
	mo, free := s.stretch(moving, m, fineLevel)
	return f.judge(m, ev, found, s.ruler(free, mo, f.smoothing(fineLevel)))
}
