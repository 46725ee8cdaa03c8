// Package canal follows a mandibular canal through a planning scan, between points that a
// person gave.
//
// Conventions: planning frame, patient LPS, mm. The line runs in the canal's middle, and its
// radius is that of the canal within its wall. Start with Find.
//
// Method: a minimal path leads through what is dark and tubular. In sections across it the
// grey value rises most at the canal's border, wherever along a ray that is; where the
// borders of most rays lie on one circle the canal is seen, and its middle is the circle's.
// What is not seen is bridged by a cubic. A way that is not seen is made dear and another
// one looked for; where a second way is seen as well, the canal is not told from it.
//
// Limits: a canal that divides, and one whose border does not show over more than a bridge,
// are refused. The line ends where the points do.
package canal

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// Line is a canal's centre line.
type Line struct {
	Points []geom.Vec // step mm apart or a little less
	Radius []float64  // mm, at each point
	// U is the standard uncertainty of the canal's surface towards one side at each point, mm.
	U    []float64
	Seen []bool // false where the line is bridged
}

// Length is the line's length, and how much of it is bridged, mm.
func (l *Line) Length() (all, bridged float64) {
	for i := 1; i < len(l.Points); i++ {
		d := r3.Norm(r3.Sub(l.Points[i], l.Points[i-1]))
		all += d
		if !l.Seen[i-1] || !l.Seen[i] {
			bridged += d
		}
	}
	return all, bridged
}

const (
	// marginLeast and marginShare are how far beside the points the scan is looked through,
	// mm and as a share of their distance: a canal sags by some 10 mm on 40 mm of its way
	// (from memory).
	marginLeast, marginShare = 6.0, 0.35
	// apart is the least distance of neighbouring points, mm: the sections across of a
	// shorter way overlap.
	apart = 3.0
	// attempts bounds how often another way is looked for.
	attempts = 4
	// dear is the factor by which a way is made dearer.
	dear = 4.0
	// wellSeen is the share of a way from which on no better one is looked for.
	wellSeen = 0.95
)

// Find follows the canal through points in their order.
//
// Errors: fewer than two points, points that are too near to each other or outside the
// scan; and why the canal was not found, in words for the person who gave them.
func Find(v *volume.Volume, through []geom.Vec) (*Line, error) {
	if len(through) < 2 {
		return nil, errors.New("it takes two points or more that the canal passes through")
	}
	longest := 0.0
	for i, p := range through {
		if !v.Contains(p) {
			return nil, fmt.Errorf("point %d lies outside the scan", i+1)
		}
		if i > 0 {
			d := r3.Norm(r3.Sub(p, through[i-1]))
			if d < apart {
				return nil, fmt.Errorf("points %d and %d lie %.1f mm apart; give points that are %.0f mm apart or more", i, i+1, d, apart)
			}
			longest = max(longest, d)
		}
	}
	lo, hi := v.Box(max(marginLeast, marginShare*longest), through...)
	s, err := newSearch(v.Region(lo, hi), through)
	if err != nil {
		return nil, err
	}
	best, err := s.best()
	if err != nil {
		return nil, err
	}
	line, err := best.bridged(through)
	if err == nil && s.another(best) {
		return nil, errors.New("two ways are seen between the points; give a point on the right one between them")
	}
	return line, err
}

// search is a region with the ways through it.
type search struct {
	field *volume.Field
	tubes *tubes
	ends  []int // nodes at the points given
	cost  []float64
}

// best is the way that is seen for the largest share of its length.
func (s *search) best() (*way, error) {
	var best *way
	for range attempts {
		w, err := s.way()
		if err != nil {
			return nil, err
		}
		if best == nil || shareOf(w.seen) > shareOf(best.seen) {
			best = w
		}
		if shareOf(w.seen) >= wellSeen {
			break
		}
		s.makeDear(w, false)
	}
	return best, nil
}

// another reports whether there is another way that is seen.
func (s *search) another(w *way) bool {
	s.makeDear(w, true)
	other, err := s.way()
	if err != nil {
		return false
	}
	off, seen := 0.0, 0.0
	for i := range other.sections {
		if distance(other.sections[i].at, w.line()) > aside {
			off++
			if other.seen[i] {
				seen++
			}
		}
	}
	return off*step > apart && seen >= wellSeen*off
}

// aside is how far beside a way another one runs, mm: a canal's radius.
const aside = 1.5

// makeDear makes what lies on a way dearer where it is seen, or where it is not; the points
// given stay as they are.
func (s *search) makeDear(w *way, seen bool) {
	near := map[int]bool{}
	for j := range w.sections {
		if w.seen[j] == seen {
			s.tubes.within(aside, w.sections[j].at, func(node int) { near[node] = true })
		}
	}
	for _, e := range s.ends {
		s.tubes.within(aside, s.tubes.place(e), func(node int) { delete(near, node) })
	}
	for node := range near {
		s.cost[node] *= dear
	}
}

// distance is that of a point from a line.
func distance(p geom.Vec, line []geom.Vec) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		along := r3.Sub(line[i], line[i-1])
		t := 0.0
		if l := r3.Norm2(along); l > 0 {
			t = max(0, min(1, r3.Dot(r3.Sub(p, line[i-1]), along)/l))
		}
		best = min(best, r3.Norm2(r3.Sub(p, r3.Add(line[i-1], r3.Scale(t, along)))))
	}
	return math.Sqrt(best)
}
