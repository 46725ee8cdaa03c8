package dentalarch

import (
	"math"
	"regexp"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// neighbour is a tooth or fixture of the case with its number and the middle of
// its coronal end, planning frame.
type neighbour struct {
	number tooth.Number
	at     geom.Vec
}

// label finds what may be a tooth's number in a structure's name, as in
// "root 36.2" or "tooth 36, mesial root".
var label = regexp.MustCompile(`\b[0-9]{1,2}\b`)

// numbered lists the teeth of a case that have a number: its fixtures, and roots
// and fixtures among its structures whose name has one tooth number of the
// fixtures' jaw and no second. Several roots of a tooth make one.
func numbered(c *casefile.Case, system tooth.System, jaw tooth.Jaw) []neighbour {
	var out []neighbour
	for _, f := range c.Fixtures {
		if f.Site.Jaw() == jaw {
			out = append(out, neighbour{f.Site, f.Planned.Entry})
		}
	}
	ends := map[tooth.Number][]geom.Vec{}
	var order []tooth.Number
	for _, s := range c.Structures {
		if s.Kind != casefile.Root && s.Kind != casefile.FixtureBody || len(s.Path) == 0 {
			continue
		}
		n, ok := NumberIn(s.Name, system, jaw)
		if !ok {
			continue
		}
		if ends[n] == nil {
			order = append(order, n)
		}
		first, last := s.Path[0], s.Path[len(s.Path)-1]
		if (first.Z > last.Z) == (jaw == tooth.Upper) { // roots point up in an upper jaw
			first = last
		}
		ends[n] = append(ends[n], first)
	}
	for _, n := range order {
		middle := geom.Vec{}
		for _, e := range ends[n] {
			middle = r3.Add(middle, r3.Scale(1/float64(len(ends[n])), e))
		}
		out = append(out, neighbour{n, middle})
	}
	return out
}

// NumberIn is the one tooth number of a jaw in a structure's name; false where it has none,
// or several.
func NumberIn(name string, system tooth.System, jaw tooth.Jaw) (tooth.Number, bool) {
	var found tooth.Number
	for _, at := range label.FindAllStringIndex(name, -1) {
		if at[0] > 0 && name[at[0]-1] == '.' { // the second part of 36.2
			continue
		}
		n, err := tooth.Parse(name[at[0]:at[1]], system)
		if err != nil || n.Jaw() != jaw || n == found {
			continue
		}
		if found != 0 {
			return 0, false
		}
		found = n
	}
	return found, found != 0
}

const (
	// farthestNeighbour is how far along the arch a tooth may stand to show a
	// site's direction, mm: farther off the arch's own bend is too uncertain.
	farthestNeighbour = 25.0
	// shortestChord is the least distance between two teeth that shows a
	// direction, mm: with each a millimetre beside the arch it is 7° off.
	shortestChord = 12.0
	// besideArch is how far beside the arch a tooth or a planned fixture stands,
	// mm (standard deviation), and bendError by how much the arch's own bend
	// between two of them differs from the usual, degrees (common practice, no
	// source; on synthetic jaws both together were 3° over 20 mm).
	besideArch, bendError = 0.7, 2.0
)

// byNeighbours is the mesial direction that two teeth near a site show, one of
// which may be the site's own; of the pairs that are far enough apart the
// nearest one on both sides of it.
//
// Method: the chord between both, turned by the angle that the usual arch has
// between that chord and its direction at the site.
func byNeighbours(site tooth.Number, entry geom.Vec, all []neighbour) (reading, bool) {
	side := 1.0
	if site.Side() == tooth.Right {
		side = -1
	}
	ahead := func(n neighbour) float64 { return side * (arcOf(site) - arcOf(n.number)) } // + = mesial
	all = append([]neighbour{{site, entry}}, all...)
	var front, back neighbour
	least := math.Inf(1)
	for _, m := range all {
		for _, d := range all {
			f, b := ahead(m), ahead(d)
			span := max(f, -b)
			chord := r3.Sub(m.at, d.at)
			if f < 0 || b > 0 || span > farthestNeighbour || math.Hypot(chord.X, chord.Y) < shortestChord {
				continue
			}
			if span < least {
				front, back, least = m, d, span
			}
		}
	}
	if math.IsInf(least, 1) {
		return reading{}, false
	}
	middle, _ := usual(site.Jaw())
	line := middle.draw()
	at := func(n tooth.Number) int { return formEnd + int(math.Round(arcOf(n))) }
	usualChord := line[at(front.number)].minus(line[at(back.number)])
	usualMesial := mesialOf(along(line[:], at(site)), site)
	turn := math.Atan2(usualChord.x*usualMesial.y-usualChord.y*usualMesial.x, usualChord.dot(usualMesial))
	chord := geom.Rotation(geom.Vec{Z: turn}).Rotate(r3.Sub(front.at, back.at))
	u := math.Hypot(geom.Degrees(math.Sqrt2*besideArch/math.Hypot(chord.X, chord.Y)), bendError)
	return reading{r3.Unit(chord), u}, true
}

// mesialOf is the mesial one of the two directions along the arch; t points from
// right to left.
func mesialOf(t point, site tooth.Number) point {
	if site.Side() == tooth.Left {
		return point{-t.x, -t.y}
	}
	return t
}
