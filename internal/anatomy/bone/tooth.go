package bone

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// toothLike says what of a ray may be a tooth: dense is how far from soft tissue to cortical
// bone it reaches at least in the blur, and thick how much of a ray is in it, mm.
// In the shadows of metal nothing of a crown is seen: shaded is whether what leads into them
// counts as a tooth.
type toothLike struct {
	dense, thick float64
	shaded       bool
}

var (
	// surely is a tooth: struts of spongy bone and the linings of sockets are thinner or less
	// dense.
	surely = toothLike{0.8, 0.8, false}
	// perhaps is one that a ray meets at its tip or glances off, or the lining of its socket.
	perhaps = toothLike{0.6, 0.6, true}
)

const (
	// liningBefore is how far before a tooth the lining of its socket may begin along a slant
	// ray, mm. What begins farther before it is another tooth, perhaps.
	liningBefore = 1.0
	// A tooth goes on coronally into a crown, from its root to crownAbove the platform, mm,
	// by trackStep, mm, with a lean of trackLean at most. A disc of trackRadius, mm, about
	// its middle is as dense as trackTip of the way to cortical bone on the first tipLength,
	// mm, and as trackRoot farther up: a cortical plate is narrower, and ends at the crest.
	crownAbove, trackStep, trackLean = 3.0, 0.5, 0.4
	trackRadius, tipLength           = 0.8, 3.0
	trackTip, trackRoot              = 0.5, 0.7
	// crownGap is how far from the end of what is seen of a root a crown of metal may begin,
	// mm: the crest lies 2 mm below a margin (textbooks, from memory).
	crownGap = 1.5
	// ligamentHalf is half the width of a periodontal ligament, mm (0.2 mm in textbooks,
	// from memory): the middle of the dark line beside a root is that far from it.
	ligamentHalf = 0.1
	// ligamentReach is how far before the half level of a root's border that line is looked
	// for, mm.
	ligamentReach = 0.7
)

// behindTooth is the distance of a wall, and what is met before it, where a tooth is met, or
// perhaps one; a tooth that is perhaps there is no reason to give up a border that is.
func (s *reader) behindTooth(r ray, d Distance) (Distance, *Obstacle) {
	end := Reach
	if d.Why == Known {
		end = d.Value
	}
	tooth := s.tooth(r, end, surely)
	if tooth == nil && d.Why != FarAway {
		return d, nil
	}
	if t := s.tooth(r, end, perhaps); t != nil && (tooth == nil || t.MM < tooth.MM-liningBefore) {
		return unknown(Behind), nil
	}
	if tooth == nil {
		return d, nil
	}
	return unknown(Behind), tooth
}

// tooth is the first tooth-like body on a ray that begins before end.
func (s *reader) tooth(r ray, end float64, like toothLike) *Obstacle {
	bone := s.Cortex.Mean - s.Soft
	from := s.Soft + like.dense*bone
	begin, softer := math.NaN(), false // softer: something less dense came before
	for x := -s.Diameter / 2; x <= end+like.thick; x += step {
		g := s.Sample(r.at(x))
		switch {
		case math.IsNaN(g):
			return nil
		case g < from:
			begin, softer = math.NaN(), true
			continue
		case !softer: // the cortex that the fixture stands in
			continue
		case math.IsNaN(begin):
			begin = x
		}
		if begin > end {
			return nil
		}
		if x-begin >= like.thick && x > 0 && s.hasCrown(r.at(x), like.shaded) {
			return &Obstacle{"root", s.rootBorder(r, begin, x)}
		}
	}
	return nil
}

// hasCrown reports whether a dense body goes on from a point coronally beyond the crest, or,
// where shaded, into the shadows of metal.
func (s *reader) hasCrown(p geom.Vec, shaded bool) bool {
	u, v := geom.Perpendicular(s.axis)
	disc := []geom.Vec{{}}
	for k := range 8 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 4)
		disc = append(disc, r3.Add(r3.Scale(cos, u), r3.Scale(sin, v)))
	}
	density := func(q geom.Vec) float64 {
		sum := 0.0
		for _, d := range disc {
			sum += s.Sample(r3.Add(q, r3.Scale(trackRadius, d)))
		}
		return (sum/float64(len(disc)) - s.Soft) / (s.Cortex.Mean - s.Soft)
	}
	begin := p
	for r3.Dot(r3.Sub(s.Entry, p), s.axis) < crownAbove {
		p = r3.Sub(p, r3.Scale(trackStep, s.axis))
		best, at := math.Inf(-1), p
		for _, d := range disc {
			q := r3.Add(p, r3.Scale(trackLean*trackStep, d))
			if g := density(q); g > best {
				best, at = g, q
			}
		}
		p = at
		least := trackRoot
		if r3.Norm(r3.Sub(p, begin)) < tipLength {
			least = trackTip
		}
		if best < least {
			return s.meetsMetal(p) || shaded && s.Shaded(p) // a stump beneath metal is dark
		}
	}
	return true
}

// meetsMetal reports whether there is metal up to crownGap from a point or coronally of it.
func (s *reader) meetsMetal(p geom.Vec) bool {
	u, v := geom.Perpendicular(s.axis)
	for up := 0.0; up <= crownGap; up += trackStep {
		q := r3.Sub(p, r3.Scale(up, s.axis))
		for _, d := range []geom.Vec{{}, u, v, r3.Scale(-1, u), r3.Scale(-1, v)} {
			if s.Metal(r3.Add(q, r3.Scale(crownGap, d))) {
				return true
			}
		}
	}
	return false
}

// rootBorder is the border of a root on a ray: beside the ligament's dark line, or, where
// none shows, its half level.
func (s *reader) rootBorder(r ray, begin, inside float64) float64 {
	least, at := s.Sample(r.at(begin)), math.NaN()
	for x := begin - step/2; x >= begin-ligamentReach; x -= step / 2 {
		g := s.Within(r.at(x), r.along)
		if g < least {
			least, at = g, x
		} else if g > least+s.Noise && !math.IsNaN(at) {
			return at + ligamentHalf // the lining of the socket lies before it
		}
	}
	half := (s.Soft + s.Within(r.at(inside), r.along)) / 2
	for x := begin; x >= begin-ligamentReach; x -= step / 2 {
		if s.Within(r.at(x), r.along) < half {
			return x
		}
	}
	return begin
}
