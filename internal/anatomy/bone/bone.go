// Package bone reads from the planning scan how much bone a fixture stands in: around its
// wall, at the crest and beyond its apex. The planning scan has no fixture in it, so that
// no metal hides the bone beside a fixture as placed.
//
// Conventions: planning frame, patient LPS, mm. Depths are from the platform along the axis,
// + apically. Directions stand about the axis by eighths of a turn from buccal towards mesial.
// Distances are from the fixture's nominal cylindrical wall outwards to the outer surface of
// the bone; negative where the wall is outside. Start with Around.
//
// Method: package tissue tells the outside of the jaw; the first border to it along a ray
// is placed by package plate in a profile square to the surface.
//
// Limits: grey values of cone-beam scans are not calibrated, so nothing is said about density.
// Bone remodels after surgery: this is the bone of the planning scan.
package bone

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/plate"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// Directions are the names of the eight directions, in their order about the axis.
var Directions = [8]string{"buccal", "mesiobuccal", "mesial", "mesiolingual", "lingual", "distolingual", "distal", "distobuccal"}

// Reach is how far from the wall bone is looked for, mm.
const Reach = 12.0

const (
	// apicalLevel is the height above the apex of the last depth, mm.
	apicalLevel = 1.0
	// crestBeside is how far outside the wall the crest is looked for, mm.
	crestBeside = 0.2
	// crestAbove is how far above the platform, mm.
	crestAbove = 6.0
	// crownFrom is the height above the platform, mm, from which on what goes up beside a
	// fixture may be a tooth.
	crownFrom = 1.5
	// resolvable is the thickness of a plate in blurs from which on its outer border is
	// one border of two: two edges closer together do not show apart (the distance of the
	// inflections of a Gaussian).
	resolvable = 2.0
	// thinnest is the least thickness that is called resolved in any scan, mm.
	thinnest = 0.5
	// unmeasured is the same where the scan does not show its blur, mm: two blurs of a coarse
	// scan.
	unmeasured = 1.0
	// grazing is the least cosine of a ray's angle with a surface's normal at which the
	// border along the ray follows from the profile across: at 78° a place is uncertain by
	// five times as much along the ray.
	grazing = 0.2
	// surfaceError is the standard uncertainty of a border that is bent, rough and uneven
	// in its grey value, where the profile takes it for plane, mm (TestBoneAccuracy).
	surfaceError = 0.02
	// disturbed is the residual of a profile, in noises, from which on it is not that of a
	// plate, and disturbedShare the same as a share of the step from soft tissue to bone.
	disturbed, disturbedShare = 6.0, 0.2
	// surelySD is the number of standard deviations that a disturbance seldom exceeds: with
	// them gum must not pass for bone, nor bone for gum.
	surelySD = 3.0
	// streakStep is the step along a ray at which streaks are looked for, mm.
	streakStep = 1.5
	// metalBeside is how near to a ray metal may lie, mm: its halo is some blurs wide.
	metalBeside = 2.0
)

// Why a distance is left out.
type Why string

// The reasons, as they are stored.
const (
	Known      Why = ""
	NotInBone  Why = "not-in-bone" // the axis lies outside
	FarAway    Why = "far"         // farther than Reach
	NotScanned Why = "not-scanned" // the scan ends before the border
	NearMetal  Why = "metal"       // beside the ray, or its streaks run through it
	Disturbed  Why = "disturbed"   // the profile is not that of a plate
	TooThin    Why = "too-thin"    // the plate is not resolved
	Grazing    Why = "grazing"     // the ray runs along the surface
	Behind     Why = "behind"      // something else comes first
)

// Distance is one distance with its 95 % interval, mm.
type Distance struct {
	Why             Why     // Known, or why there is no Value
	Value           float64 // where Known
	Low, High       float64 // NaN where not known
	Thickness       float64 // of the plate at the border, NaN where none was fitted
	OfPlan, OfPlace float64 // standard uncertainties: of the border, and of pose and direction along the ray
}

// Obstacle is something else than bone on a ray.
type Obstacle struct {
	What string  // as stored: root
	MM   float64 // from the wall
}

// Wall is the bone beside the wall at one depth in one direction.
type Wall struct {
	Depth       float64
	Direction   int
	From, Along geom.Vec // the ray: a point of the wall, and the direction
	Distance
	First *Obstacle // nil where the outer surface comes first, or something that is not sure
}

// Crest is how far the crest lies above the platform just outside the wall.
type Crest struct {
	Direction int
	Distance
}

// Surroundings are the bone around one pose.
type Surroundings struct {
	Wall   []Wall // by depth, then direction
	Crest  []Crest
	Apical Distance
}

// Body is a fixture's pose with its directions.
type Body struct {
	geom.Pose
	Diameter       float64
	Mesial, Buccal geom.Vec      // any length; made square to the axis
	Turn           float64       // standard uncertainty of the directions about the axis, rad
	Cov            *mat.SymDense // of (entry, apex), mm²; nil where exact
}

// Depths are the depths at which the wall is read: 1, 3, 5 mm, half the length and 1 mm
// above the apex, ascending, each once.
func Depths(length float64) []float64 {
	length = math.Round(100*length) / 100 // a found pose has the stated length but for rounding
	out := []float64{1, 3, 5, length / 2, length - apicalLevel}
	slices.Sort(out)
	return slices.Compact(out)
}

// rays of a body.
type reader struct {
	Body
	*tissue.Region
	axis geom.Vec
	out  [8]geom.Vec
}

// Around reads the bone around a body.
func Around(r *tissue.Region, b Body) Surroundings {
	s := newReader(r, b)
	depths := Depths(b.Length())
	out := Surroundings{Wall: make([]Wall, len(depths)*8), Crest: make([]Crest, 8)}
	parallel.For(len(out.Wall)+len(out.Crest)+1, func(i int) {
		switch {
		case i < len(out.Wall):
			out.Wall[i] = s.wall(depths[i/8], i%8)
		case i < len(out.Wall)+8:
			k := i - len(out.Wall)
			out.Crest[k] = Crest{k, s.crest(k)}
		default:
			out.Apical = s.beyond()
		}
	})
	return out
}

func newReader(r *tissue.Region, b Body) *reader {
	return &reader{Body: b, Region: r, axis: b.Axis(), out: Ways(b.Axis(), b.Mesial, b.Buccal)}
}

// Ways are the unit vectors of Directions about an axis.
func Ways(axis, mesial, buccal geom.Vec) (out [8]geom.Vec) {
	square := func(v geom.Vec, to ...geom.Vec) geom.Vec {
		for _, t := range to {
			v = r3.Sub(v, r3.Scale(r3.Dot(v, t), t))
		}
		return r3.Unit(v)
	}
	m := square(mesial, axis)
	u := square(buccal, axis, m)
	for k := range out {
		sin, cos := math.Sincos(float64(k) * math.Pi / 4)
		out[k] = r3.Add(r3.Scale(cos, u), r3.Scale(sin, m))
	}
	return out
}

// ray runs from a point of the body, at a share of its length from the entry.
type ray struct {
	from, along geom.Vec
	share       float64
}

func (r ray) at(x float64) geom.Vec { return r3.Add(r.from, r3.Scale(x, r.along)) }

// step is that of a search along a ray, mm: below the cells' edge.
const step = 0.1

// wall reads one direction at one depth.
func (s *reader) wall(depth float64, k int) Wall {
	radius := s.Diameter / 2
	r := ray{r3.Add(s.Entry, r3.Add(r3.Scale(depth, s.axis), r3.Scale(radius, s.out[k]))), s.out[k], depth / s.Length()}
	w := Wall{Depth: depth, Direction: k, From: r.from, Along: r.along}
	w.Distance = s.firstBorder(r, -radius, Reach)
	if w.Why != NearMetal {
		w.Distance, w.First = s.behindTooth(r, w.Distance)
	}
	return w
}

func unknown(why Why) Distance {
	return Distance{Why: why, Low: math.NaN(), High: math.NaN(), Thickness: math.NaN()}
}

// firstBorder is the first border from bone to the outside along a ray from 0 to high; where
// the ray begins outside, the last one between low and 0.
func (s *reader) firstBorder(r ray, low, high float64) Distance {
	at, why := s.search(r, low, high)
	from, to := min(0, at), max(0, at)
	switch why {
	case NotInBone:
		from, to = low, 0
	case FarAway, NotScanned:
		from, to = 0, high
	}
	streaks, ok := s.streaks(r, from, to)
	if why == Known { // the border itself has to be seen
		_, _, seen := s.Disturbance(r.at(at))
		ok = ok && seen && !s.metalBeside(r, from-1, to+1)
	}
	switch {
	case !ok:
		return unknown(NearMetal)
	case why == Known:
		return s.border(r, at, streaks)
	}
	d := unknown(why)
	if why == FarAway {
		d.Low = high
	}
	return d
}

// search is where firstBorder is by the region's cells, or why there is none.
func (s *reader) search(r ray, low, high float64) (at float64, why Why) {
	if s.Outside(r.at(0)) {
		for x := -step; x >= low; x -= step {
			if !s.Outside(r.at(x)) {
				return x + step/2, Known
			}
		}
		return math.NaN(), NotInBone
	}
	for x := 0.0; x <= high; x += step {
		if !s.Seen(r.at(x)) {
			return math.NaN(), NotScanned
		}
		if s.Outside(r.at(x)) && s.Outside(r.at(x+2*step)) {
			return x - step/2, Known
		}
	}
	return math.NaN(), FarAway
}

// streaks is the standard deviation by which streaks of metal disturb a stretch of a ray, grey
// values; ok is false where they run through it too densely, or by how much is not seen.
func (s *reader) streaks(r ray, from, to float64) (sd float64, ok bool) {
	n := int(math.Ceil((to - from) / streakStep))
	for i := range n + 1 {
		p := r.at(from + (to-from)*float64(i)/float64(max(1, n)))
		if s.Shaded(p) {
			return 0, false
		}
		offset, spread, seen := s.Disturbance(p)
		switch {
		case offset+surelySD*spread > s.HardFrom()-s.Soft: // little gum speaks against it, too
			return 0, false
		case seen:
			sd, ok = max(sd, spread), true
		}
	}
	return sd, ok
}

// metalBeside reports whether a stretch of a ray passes metal.
func (s *reader) metalBeside(r ray, from, to float64) bool {
	u, v := geom.Perpendicular(r.along)
	for x := from; x <= to; x += metalBeside / 2 {
		p := r.at(x)
		for _, off := range []geom.Vec{{}, u, v, r3.Scale(-1, u), r3.Scale(-1, v)} {
			for _, d := range []float64{metalBeside / 2, metalBeside} {
				if s.Metal(r3.Add(p, r3.Scale(d, off))) {
					return true
				}
			}
		}
	}
	return false
}

// border places a border near x on a ray, in an image that streaks disturb by a standard
// deviation, grey values.
func (s *reader) border(r ray, x, streaks float64) Distance {
	x = s.halfLevel(r, x)
	p := r.at(x)
	n, ok := s.Normal(p)
	if !ok {
		return unknown(NotScanned)
	}
	cos := r3.Dot(n, r.along)
	if cos < grazing {
		return unknown(Grazing)
	}
	f, ok := s.fit(p, n)
	if !ok {
		return unknown(NotScanned)
	}
	d := Distance{Value: x + f.Outer/cos, Thickness: f.Thickness}
	d.OfPlan = math.Hypot(math.Hypot(f.U, surfaceError), s.moved(streaks)) / cos
	d.OfPlace = math.Hypot(s.poseError(r, n), s.turnError(d.Value, r, n)) / cos
	u := math.Hypot(d.OfPlan, d.OfPlace)
	d.Low, d.High = d.Value-1.96*u, d.Value+1.96*u
	switch {
	case f.Residual > max(disturbed*s.Noise, disturbedShare*(s.Cortex.Mean-s.Soft)):
		return unknown(Disturbed)
	case s.shown(f)-f.ThickU < s.resolvable():
		d.Why, d.Low, d.Value = TooThin, math.NaN(), 0
	}
	return d
}

// moved is the standard uncertainty of a border in an image that is disturbed by a standard
// deviation, mm: the image of a step of height h falls by h/(√(2π)·σ) a mm where it falls most.
// Bands that are wider than the profile move its plateaus as well, and the border less.
func (s *reader) moved(streaks float64) float64 {
	return math.Sqrt(2*math.Pi) * s.Blur * streaks / (s.Cortex.Mean - s.Soft)
}

// shown is the thickness of a plate of no less than the usual grey value that has its contrast,
// mm: within the blur a thin plate with a strut behind it looks like a thick one of little density.
func (s *reader) shown(f plate.Fit) float64 {
	return f.Thickness * min(1, (f.Dense-f.Beyond)/(s.Cortex.Mean-s.Soft))
}

// resolvable is the thickness from which on a plate is resolved, mm.
func (s *reader) resolvable() float64 {
	if !s.Measured {
		return unmeasured
	}
	return max(thinnest, resolvable*s.Blur)
}

const (
	// profileFrom and profileTo bound the profile of a border, mm from its half level: a
	// plate and some of what lies within, and the outside as far as it is one tissue.
	profileFrom, profileTo = -2.4, 1.0
	// halfBefore and halfAfter are how far from the border of the cells the half level is
	// looked for, mm.
	halfBefore, halfAfter = 1.0, 0.6
)

// halfLevel is the last place about x where a ray falls below half of the highest grey
// value before it.
func (s *reader) halfLevel(r ray, x float64) float64 {
	top, place := math.Inf(-1), x
	for at := x - halfBefore; at <= x+halfAfter/2; at += step / 2 {
		if g := s.Within(r.at(at), r.along); g > top {
			top, place = g, at
		}
	}
	half := (top + s.Soft) / 2
	for at := place; at <= x+halfAfter; at += step / 2 {
		if s.Within(r.at(at), r.along) < half {
			return at
		}
	}
	return x
}

// fit fits the plate at a border.
func (s *reader) fit(p, n geom.Vec) (plate.Fit, bool) {
	x, g := s.Profile(p, n, profileFrom, profileTo)
	bone := s.Cortex.Mean - s.Soft
	if !math.IsNaN(s.Air) { // beyond the gum there may be air: none of it and its blur
		for i, v := range g {
			if x[i] > 0 && v < (s.Soft+2*s.Air)/3 {
				for j := max(0, i-int(3*s.Blur/tissue.ProfileStep)); j < len(g); j++ {
					if x[j] > 0.3 {
						g[j] = math.NaN()
					}
				}
				break
			}
		}
	}
	m := plate.Model{
		Inside: s.Marrow, Plate: s.Cortex, Outside: plate.Level{Mean: s.Soft, SD: bone / 8},
		Blur: s.Blur, Noise: s.Noise, Correlation: 2 * s.Blur,
	}
	return m.Fit(x, g)
}

// poseError is the standard uncertainty of a ray's beginning along a normal, mm.
func (s *reader) poseError(r ray, n geom.Vec) float64 {
	if s.Cov == nil {
		return 0
	}
	w := [2]float64{1 - r.share, r.share}
	c := [3]float64{n.X, n.Y, n.Z}
	v := 0.0
	for i := range 6 {
		for j := range 6 {
			v += w[i/3] * c[i%3] * s.Cov.At(i, j) * w[j/3] * c[j%3]
		}
	}
	return math.Sqrt(max(0, v))
}

// turnError is the standard uncertainty along a normal of a point x along a ray across the
// axis that comes from how well the directions are known, mm.
func (s *reader) turnError(x float64, r ray, n geom.Vec) float64 {
	across := r3.Cross(s.axis, r.along)
	if r3.Norm(across) < 0.5 { // along the axis
		return 0
	}
	return s.Turn * math.Abs(r3.Dot(n, across)) * (s.Diameter/2 + x)
}

// crest is how far the crest lies above the platform beside the wall in one direction.
func (s *reader) crest(k int) Distance {
	r := ray{r3.Add(s.Entry, r3.Scale(s.Diameter/2+crestBeside, s.out[k])), r3.Scale(-1, s.axis), 0}
	d := s.firstBorder(r, -s.Length(), crestAbove)
	if (d.Why == FarAway || d.Value > crownFrom) && s.hasCrown(r.at(crownFrom), true) {
		return unknown(Behind)
	}
	return d
}

// beyond is the bone beyond the apex, on the axis.
func (s *reader) beyond() Distance {
	return s.firstBorder(ray{s.Apex, s.axis, 1}, -s.Length(), Reach)
}
