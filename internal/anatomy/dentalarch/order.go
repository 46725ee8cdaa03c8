package dentalarch

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

const (
	// turnedAround is the angle from which two teeth lie in the opposite order,
	// degrees: half way between right (a head turned by 30°, neighbours some
	// millimetres out of the row) and exchanged.
	turnedAround = 120.0
	// apart is the least distance of two places that tells of an order, mm: nearer
	// ones are one place, such as a fixture in a tooth's own socket.
	apart = 4.0
	// plainlyNearer is by how much nearer another tooth's place has to be than the
	// site's own, mm: less than half a tooth, since teeth lean into a gap by a
	// millimetre or two. Common practice, no source.
	plainlyNearer = 3.0
	// widestGap is the farthest that the teeth on both sides stand apart along the
	// arch to tell of what is between, mm: two molars missing make 30.
	widestGap = 32.0
	// nearBy is how far from the entry a tooth stands at most whose distance tells of
	// the site's number, mm: over two molars the teeth's widths add up to a millimetre
	// or two of error.
	nearBy = 25.0
)

// outOfOrder flags a site whose number does not fit the numbered teeth and fixtures
// of its jaw: it comes after one that it should come before, has the number of a
// tooth that stands elsewhere, stands where the teeth on both sides of it have
// another tooth's place between them, or at another tooth's distance from the nearest
// one. That last may be a gap that has closed, so that it is a notice, but where two
// premolars or more are wanting. nil where none of these is seen.
//
// Method: the usual arch gives each number its place; only directions and shares of
// the distance between two teeth are compared, so that the size of the arch and the
// place of the midline do not matter; a distance to the nearest tooth is short.
func (s *site) outOfOrder() *measurement.Flag {
	f := s.plan.Fixtures[s.index]
	flag := func(level measurement.Level, code measurement.Code, format string, args ...any) *measurement.Flag {
		return &measurement.Flag{Code: code, Level: level,
			Message: fmt.Sprintf("site %s: ", f.Site) + fmt.Sprintf(format, args...)}
	}
	for _, n := range s.view.neighbours {
		between := level(r3.Sub(n.at, f.Planned.Entry))
		if r3.Norm(between) < apart {
			continue
		}
		if n.number == f.Site {
			return flag(measurement.Doubt, measurement.CodeSiteAtOtherTooth, "a tooth of the same number stands %.0f mm from the planned entry point; check the tooth number of the site and the structure's name", r3.Norm(between))
		}
		if geom.Degrees(geom.Angle(between, usualChord(f.Site, n.number))) > turnedAround {
			return flag(measurement.Doubt, measurement.CodeSitesOutOfOrder, "it lies on the other side of %s than their numbers say; check whether the sites or their coordinates are exchanged", n.number)
		}
	}
	if other := s.nearerTooth(); other != 0 {
		return flag(measurement.Doubt, measurement.CodeSiteAtOtherTooth, "between the numbered teeth on both sides of it the planned entry point lies where tooth %s usually stands; check the tooth number", other)
	}
	if d := s.distance(); d.other != 0 {
		level, code := measurement.Notice, measurement.CodePlanAtOtherTooth
		if d.misfit > misnumbered {
			level, code = measurement.Doubt, measurement.CodeSiteAtOtherTooth
		}
		return flag(level, code, "the planned entry point lies %.0f mm from tooth %s, where %s usually stands; %s usually stands %.0f mm from it; check the tooth numbers of both", d.seen, d.from, d.other, f.Site, d.usual)
	}
	return nil
}

// distance is how far a planned entry lies from the nearest numbered tooth.
type distance struct {
	from, other         tooth.Number // the tooth, and one that fits plainly better than the site's own; 0 for none
	seen, usual, misfit float64      // mm
}

func (s *site) distance() distance {
	f := s.plan.Fixtures[s.index]
	d := distance{seen: nearBy}
	for _, n := range s.view.neighbours {
		if r := r3.Norm(level(r3.Sub(n.at, f.Planned.Entry))); r > apart && r < d.seen {
			d.from, d.seen = n.number, r
		}
	}
	if d.from == 0 {
		return d
	}
	usually := func(n tooth.Number) float64 { return r3.Norm(usualChord(d.from, n)) }
	d.usual = usually(f.Site)
	d.misfit = math.Abs(d.usual - d.seen)
	side := arcOf(f.Site) > arcOf(d.from)
	least := d.misfit - plainlyNearer
	for _, n := range tooth.All() {
		if n.Jaw() != f.Site.Jaw() || n == d.from || (arcOf(n) > arcOf(d.from)) != side {
			continue
		}
		if off := math.Abs(usually(n) - d.seen); off < least {
			d.other, least = n, off
		}
	}
	return d
}

// level is a vector without its vertical part.
func level(v geom.Vec) geom.Vec { v.Z = 0; return v }

// usualChord is the vector from one tooth's usual place to another's.
func usualChord(from, to tooth.Number) geom.Vec {
	form, _ := usual(from.Jaw())
	line := form.draw()
	at := func(n tooth.Number) point { return line[formEnd+int(math.Round(arcOf(n)))] }
	d := at(to).minus(at(from))
	return geom.Vec{X: d.x, Y: d.y}
}

// nearerTooth is the tooth whose usual place between the nearest numbered teeth on
// both sides of the site fits the planned entry plainly better than the site's own;
// 0 where there is none.
func (s *site) nearerTooth() tooth.Number {
	f := s.plan.Fixtures[s.index]
	own := arcOf(f.Site)
	var right, left *neighbour
	for i := range s.view.neighbours {
		switch n, arc := &s.view.neighbours[i], arcOf(s.view.neighbours[i].number); {
		case arc < own && (right == nil || arc > arcOf(right.number)):
			right = n
		case arc > own && (left == nil || arc < arcOf(left.number)):
			left = n
		}
	}
	if right == nil || left == nil {
		return 0
	}
	from, to := arcOf(right.number), arcOf(left.number)
	chord := level(r3.Sub(left.at, right.at))
	if to-from > widestGap || r3.Norm(chord) < shortestChord {
		return 0
	}
	share := r3.Dot(level(r3.Sub(f.Planned.Entry, right.at)), chord) / r3.Norm2(chord)
	arc := from + share*(to-from)
	best, least := tooth.Number(0), math.Abs(arc-own)-plainlyNearer
	for _, n := range tooth.All() {
		if a := arcOf(n); n.Jaw() == f.Site.Jaw() && from < a && a < to && math.Abs(arc-a) < least {
			best, least = n, math.Abs(arc-a)
		}
	}
	return best
}
