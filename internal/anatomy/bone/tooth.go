package bone

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	// dentine is how far from soft tissue to cortical bone a tooth's dentine reaches at
	// least in the blur, and rootThick how much of a ray is in it, mm: struts of spongy bone
	// and the linings of sockets are thinner or less dense.
	dentine, rootThick = 0.8, 1.0
	// A tooth goes on coronally into a crown: from its root, by trackStep, mm, with a lean of
	// trackLean at most, all the way as dense as trackDense, to crownAbove the platform, mm.
	// A cortical plate ends at the crest.
	trackStep, trackLean, trackDense, crownAbove = 0.5, 0.35, 0.65, 3.0
	// ligamentHalf is half the width of a periodontal ligament, mm (0.2 mm in textbooks,
	// from memory): the middle of the dark line beside a root is that far from it.
	ligamentHalf = 0.1
	// ligamentReach is how far before the half level of a root's border that line is looked
	// for, mm.
	ligamentReach = 0.7
)

// tooth is the first tooth-like body on a ray that begins before end.
func (s *reader) tooth(r ray, end float64) *Obstacle {
	bone := s.Cortex.Mean - s.Soft
	from := s.Soft + dentine*bone
	begin := math.NaN()
	for x := -s.Diameter / 2; x <= end+rootThick; x += step {
		g := s.Sample(r.at(x))
		switch {
		case math.IsNaN(g):
			return nil
		case g < from:
			begin = math.NaN()
			continue
		case math.IsNaN(begin):
			begin = x
		}
		if begin > end {
			return nil
		}
		if x-begin >= rootThick && x > 0 && s.hasCrown(r.at(x)) {
			return &Obstacle{"root", s.rootBorder(r, begin, x)}
		}
	}
	return nil
}

// hasCrown reports whether dense tissue goes on from a point coronally beyond the crest.
func (s *reader) hasCrown(p geom.Vec) bool {
	u, v := geom.Perpendicular(s.axis)
	least := s.Soft + trackDense*(s.Cortex.Mean-s.Soft)
	for r3.Dot(r3.Sub(s.Entry, p), s.axis) < crownAbove {
		p = r3.Sub(p, r3.Scale(trackStep, s.axis))
		best, at := math.Inf(-1), p
		for _, off := range []geom.Vec{{}, u, v, r3.Scale(-1, u), r3.Scale(-1, v), r3.Add(u, v), r3.Sub(u, v), r3.Sub(v, u), r3.Scale(-1, r3.Add(u, v))} {
			q := r3.Add(p, r3.Scale(trackLean*trackStep, off))
			if g := s.Sample(q); g > best {
				best, at = g, q
			}
		}
		if best < least {
			return false
		}
		p = at
	}
	return true
}

// rootBorder is the border of a root on a ray: beside the ligament's dark line, or, where
// none shows, its half level.
func (s *reader) rootBorder(r ray, begin, inside float64) float64 {
	least, at := s.Sample(r.at(begin)), math.NaN()
	for x := begin - step/2; x >= begin-ligamentReach; x -= step / 2 {
		g := s.Within(r.at(x), r.along)
		if g < least {
			least, at = g, x
		} else if g > least+s.Noise {
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
