// Package intensity finds the rigid transform between two scans of one jaw
// from their voxels alone, how well it is known, and when it was not found.
//
// Conventions: the planning scan (pre) is fixed, the follow-up scan (post) is
// moving; all points are in the planning frame unless a name says otherwise.
// Inside, transforms run from planning to follow-up scan (preToPost), the way
// samples travel; what comes out is registration.Result with PostToPre.
//
// Start with Align. It searches every rotation up to 40° and every place of the
// fixtures in the follow-up scan on coarse cells (template), refines the best
// candidates through the levels of a resolution pyramid by a local normalised
// correlation (metric) on the fixtures' own jaw (region), and takes the one of the
// best score. Afterwards it lets the three scales go free, to find a wrong voxel
// size (scaleCheck), and accepts, doubts or refuses the outcome.
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

// How many candidates are kept for each level; the best of the middle level goes
// to the fine one. Where both scans show much of the arch the true place leads from
// the coarsest level on. In follow-up scans cropped to 38 mm it came as late as
// 54th there, but second after a few steps of the coarse level (the preview), and
// first after the middle level.
const (
	keptPerRotation = 12 // local maxima of the search
	keptForCoarsest = 200
	keptForPreview  = 60
	keptForCoarse   = 15
	keptForMiddle   = 6
)

// Distances, mm (transformDistance), below which two candidates are one place; they
// shrink as the candidates converge. The last is rivalDistance.
const (
	distinctForCoarsest = 3.0
	distinctForPreview  = 2.0
	distinctForCoarse   = 1.0
	distinctForMiddle   = 1.5
)

// Align finds PostToPre for the jaw that carries the targets.
//
// Errors: ErrNoMatch (wrapped, with the figures that say so) when the scans
// cannot be brought together; other errors for targets outside the planning
// scan.
func Align(pre, post *volume.Volume, jaw tooth.Jaw, targets []Target, o Options) (*registration.Result, error) {
	p, err := prepare(pre, post, jaw, targets)
	if err != nil {
		return nil, err
	}
	progress := o.steps()
	progress(0.1)
	if o.Start == nil {
		return p.converge(p.search(), progress)
	}
	out, err := p.converge([]candidate{{preToPost: o.Start.Inverse()}}, progress)
	if err != nil {
		return nil, err
	}
	back := o.Start.Inverse()
	most := 0.0
	for _, t := range targets {
		for _, p := range []geom.Vec{t.Planned.Entry, t.Planned.Apex} {
			most = max(most, r3.Norm(r3.Sub(out.PostToPre.Apply(back.Apply(p)), p)))
		}
	}
	out.Quality[RefinementMoved] = most
	out.Quality["refined_by_deg"] = geom.Degrees(o.Start.After(out.PostToPre.Inverse()).Angle())
	return out, nil
}

// Verify finds PostToPre as Align does, to judge o.Start by it: refined from
// there, and, where the outcome is refused, doubtful or does not agree, searched
// for in the whole scan. Where both are refused the scans cannot tell.
//
// Errors: those of Align.
func Verify(pre, post *volume.Volume, jaw tooth.Jaw, targets []Target, o Options, agrees func(*registration.Result) bool) (*registration.Result, error) {
	p, err := prepare(pre, post, jaw, targets)
	if err != nil {
		return nil, err
	}
	progress := o.steps()
	progress(0.1)
	near, err := p.converge([]candidate{{preToPost: o.Start.Inverse()}}, func(f float64) { progress(0.4 * f) })
	if err == nil && agrees(near) {
		progress(1)
		return near, nil
	}
	out, far := p.converge(p.search(), func(f float64) { progress(max(0.4, f)) })
	if far != nil && err == nil {
		return near, nil
	}
	return out, far
}

func (o Options) steps() func(float64) {
	if o.Progress == nil {
		return func(float64) {}
	}
	return o.Progress
}

// scanPair is what both ways to candidates have in common.
type scanPair struct {
	fixed, moving *pyramid
	region        *region
}

func prepare(pre, post *volume.Volume, jaw tooth.Jaw, targets []Target) (*scanPair, error) {
	if err := check(pre, targets); err != nil {
		return nil, err
	}
	return &scanPair{newPyramid(pre), newPyramid(post), newRegion(targets, jaw)}, nil
}

// search is the exhaustive search, with its candidates improved on the coarsest
// level.
func (p *scanPair) search() []candidate {
	found := newTemplate(p.fixed.coarse[1], p.region).search(p.moving.coarse[1], p.region, keptPerRotation)
	found = suppressNonMaxima(found, p.region.centre, distinctForCoarsest, keptForCoarsest)
	s := selectSamples(p.fixed.coarsest, p.region, coarsestLevel.sampleSpacing, coarsestLevel.blockSide)
	found = s.improve(p.moving.coarsest, found, coarsestLevel)
	return suppressNonMaxima(found, p.region.centre, distinctForPreview, keptForPreview)
}

// converge takes candidates through the finer levels and judges the best.
func (p *scanPair) converge(found []candidate, progress func(float64)) (*registration.Result, error) {
	progress(0.5)
	centre := p.region.centre
	s := selectSamples(p.fixed.coarse[0], p.region, coarseLevel.sampleSpacing, coarseLevel.blockSide)
	found = s.improve(p.moving.coarse[0], found, previewLevel)
	found = suppressNonMaxima(found, centre, distinctForCoarse, keptForCoarse)
	found = s.improve(p.moving.coarse[0], found, coarseLevel)
	found = suppressNonMaxima(found, centre, distinctForMiddle, keptForMiddle)
	progress(0.7)

	r := newRefinement(p.fixed, p.moving, p.region)
	found = r.improve(found, middleLevel)
	found = suppressNonMaxima(found, centre, rivalDistance, keptForMiddle)
	progress(0.85)
	if len(found) == 0 {
		return nil, errNoOverlap
	}
	out, err := r.conclude(found)
	progress(1)
	return out, err
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

// improve refines each candidate on a whole-scan level, the candidates side by
// side.
func (s *samples) improve(moving *volume.Field, all []candidate, l level) []candidate {
	out := make([]candidate, len(all))
	parallel.For(len(all), func(i int) {
		preToPost, ev := s.refine(moving, all[i].preToPost, l, oneSided, serial)
		out[i] = newCandidate(preToPost, ev)
	})
	return out
}

func newCandidate(preToPost geom.Rigid, ev *evaluation) candidate {
	return candidate{preToPost: preToPost, similarity: ev.similarity(), coverage: ev.coverage(), score: ev.score()}
}

// refinement is the registration on the levels that work around the region.
type refinement struct {
	fixed, moving *pyramid
	region        *region
	points        []geom.Vec // of the region, planning frame
}

func newRefinement(fixed, moving *pyramid, reg *region) *refinement {
	return &refinement{fixed: fixed, moving: moving, region: reg, points: reg.points()}
}

// fieldMargin, mm, that a level's field reaches beyond the region's points: half
// their spacing, and what smoothing and a step can ask for.
const fieldMargin = 4.0

// spacing is the coarsest spacing of both scans, mm.
func (r *refinement) spacing() float64 {
	most := 0.0
	for _, p := range []*pyramid{r.fixed, r.moving} {
		sp := p.vol.Spacing()
		most = max(most, sp[0], sp[1], sp[2])
	}
	return most
}

// smoothing is the standard deviation, mm, to which a level smooths both scans.
func (r *refinement) smoothing(l level) float64 { return max(l.sigma, minSigma*r.spacing()) }

// field is the part of a scan that the region meets under any of the transforms;
// nil where the scan has next to nothing there.
func (r *refinement) field(p *pyramid, l level, toScan ...geom.Rigid) *volume.Field {
	return p.local(l.cell, r.smoothing(l), fieldMargin, r.transformedPoints(toScan...))
}

// transformedPoints are the region's points under each transform.
func (r *refinement) transformedPoints(toScan ...geom.Rigid) []geom.Vec {
	var points []geom.Vec
	for _, m := range toScan {
		for _, p := range r.points {
			points = append(points, m.Apply(p))
		}
	}
	return points
}

// samples are the level's samples of the planning scan; none where it has next to
// nothing around the region.
func (r *refinement) samples(l level) *samples {
	field := r.field(r.fixed, l, geom.Identity())
	if field == nil {
		return &samples{blockStart: []int{0}}
	}
	return selectSamples(field, r.region, l.sampleSpacing, l.blockSide)
}

// improve refines the candidates, on one field of the follow-up scan where that is
// smaller than all of theirs together; candidates that meet nothing drop out.
func (r *refinement) improve(all []candidate, l level) []candidate {
	var transforms []geom.Rigid
	separate := 0 // voxels
	size := func(toScan ...geom.Rigid) int {
		lo, hi := r.moving.vol.Box(fieldMargin, r.transformedPoints(toScan...)...)
		return r.moving.vol.Sub(lo, hi).Len()
	}
	for _, c := range all {
		transforms = append(transforms, c.preToPost)
		separate += size(c.preToPost)
	}
	var shared *volume.Field
	if size(transforms...) <= separate {
		shared = r.field(r.moving, l, transforms...)
	}
	s := r.samples(l)
	found := make([]*candidate, len(all))
	one := func(i int, forEach func(int, func(int))) {
		moving := shared
		if moving == nil {
			moving = r.field(r.moving, l, all[i].preToPost)
		}
		if moving == nil {
			return
		}
		preToPost, ev := s.refine(moving, all[i].preToPost, l, oneSided, forEach)
		c := newCandidate(preToPost, ev)
		c.disagreement = ev.disagreement(r.region.centre)
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

// conclude takes the best candidate through the fine level and the scale check.
func (r *refinement) conclude(found []candidate) (*registration.Result, error) {
	s := r.samples(fineLevel)
	moving := r.field(r.moving, fineLevel, found[0].preToPost)
	if moving == nil {
		return nil, errNoOverlap
	}
	preToPost, ev := s.refine(moving, found[0].preToPost, fineLevel, crossHessian, parallel.For)
	scaled, free := s.refineScales(moving, preToPost, fineLevel)
	out, err := r.accept(preToPost, ev, found, s.checkScales(free, scaled, r.smoothing(fineLevel)))
	if err != nil {
		return nil, err
	}
	out.Motion = r.seenMotion(s, moving, preToPost, fineLevel)
	reportMotion(out)
	return out, nil
}
