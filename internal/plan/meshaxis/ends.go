package meshaxis

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Fixture is what a surface says of a planned fixture.
type Fixture struct {
	Pose     geom.Pose
	Diameter float64 // outer, at the widest, mm
	Residual float64 // of the outer wall's radius about the fit, root mean square, mm
	Topped   bool    // something stands coronally of the platform on the same axis, such as a sleeve
}

// Ends are the points where the surface as a whole begins and ends along its
// axis.
func (s *Solid) Ends() (a, b geom.Vec) {
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range s.corners {
		z, _, _ := s.frame.cylinder(v.p)
		low, high = min(low, z), max(high, z)
	}
	return s.on(low), s.on(high)
}

func (s *Solid) on(z float64) geom.Vec {
	return r3.Add(s.frame.at, r3.Scale(z, s.frame.along))
}

const (
	// bin is the step of an outline, which is the largest radius by the depth from
	// the apical end, 0 where there is nothing; mm.
	bin = 0.1
	// gap is the least empty stretch that parts a sleeve from a fixture, mm.
	gap = 0.3
	// jump is the height within which a step happens, mm; a flaring neck takes
	// more than that for as much.
	jump = 0.3
	// wider is the least step outwards, as a share of the fixture's radius: a
	// sleeve has room for the drill or the mount and a wall of half a millimetre.
	wider = 1.12
	// narrower is the greatest radius of what sticks out of a platform, such as a
	// hexagon or a drawn axis, as a share of the neck's. A thread's root has more.
	narrower = 0.75
	// stays is how long an outline must stay changed to be another part, mm: more
	// than a thread's flank.
	stays = 1.0
	// shortest is the least length of a fixture, mm.
	shortest = 3.0
	// thin is the radius of a drawn axis at most, as a share of the fixture's.
	thin = 0.4
)

// Fixture gives the fixture's ends, the apex being the one that lies apically.
// What stands on the platform is left out.
//
// Errors: ErrNoFixture.
//
// Method: from the apical end the outline is followed to the first gap or step.
// The platform is the plane that most of what faces coronally there lies in, or
// where the surface is open, the middle height of its rim. The apex is where a
// paraboloid through the middle of the apical end meets the axis, or the rim.
func (s *Solid) Fixture(apical geom.Vec) (Fixture, error) {
	// Depth counts coronally from the apical end.
	dir := s.frame.along
	if r3.Dot(dir, apical) > 0 {
		dir = r3.Scale(-1, dir)
	}
	depth := func(p geom.Vec) float64 { return r3.Dot(r3.Sub(p, s.frame.at), dir) }
	sense := r3.Dot(dir, s.frame.along)

	dots := make([]sideDot, len(s.points))
	from, to := math.Inf(1), math.Inf(-1)
	for i, q := range s.points {
		_, x, y := s.frame.cylinder(q.p)
		dots[i] = sideDot{depth: depth(q.p), radius: math.Hypot(x, y), turn: math.Atan2(y, x), up: math.Abs(r3.Dot(q.n, dir))}
		from, to = min(from, dots[i].depth), max(to, dots[i].depth)
	}
	outline := make([]float64, int((to-from)/bin)+1)
	for _, d := range dots {
		k := int((d.depth - from) / bin)
		outline[k] = max(outline[k], d.radius)
	}
	first, last, topped := body(outline)
	apexNear, entryNear := from+bin*float64(first), from+bin*float64(last+1)

	radius := percentile(outline[first:last+1], 0.9)
	rims := make([]sideDot, 0, len(s.corners))
	for _, v := range s.corners {
		_, x, y := s.frame.cylinder(v.p)
		rims = append(rims, sideDot{depth: depth(v.p), radius: math.Hypot(x, y), turn: math.Atan2(y, x)})
	}
	neck := percentile(outline[max(first, last-10):last+1], 0.8)
	entry, ok := s.platform(dots, rims, entryNear, neck)
	if !ok {
		return Fixture{}, fmt.Errorf("%w: its coronal end is not there", ErrNoFixture)
	}
	tip := outline[min(last, first+int(1/bin))]
	apex, ok := s.apex(dots, rims, apexNear, tip)
	if !ok {
		return Fixture{}, fmt.Errorf("%w: its apical end is not there", ErrNoFixture)
	}

	var fitted []float64
	squares, n := 0.0, 0
	for _, d := range s.wall {
		if z := sense * d.z; z > apex && z < entry {
			fitted = append(fitted, d.fitted)
			squares += d.off * d.off
			n++
		}
	}
	if n == 0 || entry-apex < shortest {
		return Fixture{}, fmt.Errorf("%w: along its axis it is %.1f mm long", ErrNoFixture, entry-apex)
	}
	out := Fixture{
		Pose:     geom.Pose{Entry: s.on(sense * entry), Apex: s.on(sense * apex)},
		Diameter: 2 * percentile(fitted, 0.98),
		Residual: math.Sqrt(squares / float64(n)),
		Topped:   topped,
	}
	if out.Residual > roundest*radius {
		return Fixture{}, fmt.Errorf("%w: its wall is not round (off by %.2f mm, root mean square); export one fixture alone", ErrNoFixture, out.Residual)
	}
	return out, nil
}

// sideDot is a point by its depth from the apical end, distance from the axis,
// turn about it, and how far its normal points along it.
type sideDot struct{ depth, radius, turn, up float64 }

// body finds the fixture in an outline from the apical end: its first and last
// step, and whether something stands on it.
func body(outline []float64) (first, last int, topped bool) {
	// The radius that half the surface has at least: a drawn axis has little.
	typical := weightedMedian(outline)
	for first < len(outline)-1 && outline[first] < thin*typical {
		first++
	}
	// A dome may begin with a few thin steps; they belong to it.
	for first > 0 && outline[first-1] > 0 && thinRun(outline, first-1, thin*typical) <= int(stays/bin) {
		first--
	}
	long := int(stays / bin)
	least := first + int(shortest/bin)
	widest := 0.0
	empty := 0
	for k := first; k < len(outline); k++ {
		r := outline[k]
		if r == 0 {
			empty++
			continue
		}
		if empty >= int(gap/bin) && k > least {
			return first, k - empty - 1, true
		}
		empty = 0
		if k > least {
			before := 0.0
			for j := first; j <= max(first, k-int(jump/bin)); j++ {
				before = max(before, outline[j])
			}
			if r > wider*before && r > wider*widest && lowest(outline[k:min(len(outline), k+long)]) > wider*before && k+long/2 < len(outline) {
				return first, k - 1, true
			}
			neck := highest(outline[max(first, k-long) : k+1])
			ahead := outline[k:]
			if r < narrower*neck && len(ahead) >= int(gap/bin) && highest(ahead[:min(len(ahead), long)]) < narrower*neck && highest(ahead[:min(len(ahead), int(gap/bin))]) > 0 {
				return first, k - 1, true
			}
		}
		widest = max(widest, r)
	}
	return first, len(outline) - 1 - empty, false
}

// thinRun is how many steps in a row up to k are thin.
func thinRun(outline []float64, k int, limit float64) int {
	n := 0
	for ; k >= 0 && outline[k] > 0 && outline[k] < limit; k-- {
		n++
	}
	return n
}

func lowest(x []float64) float64  { return slices.Min(x) }
func highest(x []float64) float64 { return slices.Max(x) }

func weightedMedian(x []float64) float64 {
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	total := 0.0
	for _, v := range sorted {
		total += v
	}
	sum := 0.0
	for _, v := range sorted {
		if sum += v; sum >= total/2 {
			return v
		}
	}
	return 0
}

func percentile(x []float64, share float64) float64 {
	if len(x) == 0 {
		return 0
	}
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	return sorted[min(len(sorted)-1, int(share*float64(len(sorted))))]
}

const (
	// level is the cosine of the normal to the axis from which a piece of
	// surface counts as an end face: 37° leave room for noise and none for the
	// bevel of a connection.
	level = 0.8
	// near is how far from where the outline ends an end face may lie, mm.
	near = 0.6
	// beyond is how far past that end noise may carry it, mm; less than a gap.
	beyond = 0.25
	// someFace is the least area of an end face as a share of the end's disc: the
	// rim of a platform with a wide bore has a fifth.
	someFace = 0.08
)

// platform is the depth of the coronal end.
func (s *Solid) platform(dots, rims []sideDot, end, radius float64) (float64, bool) {
	var face []float64
	for _, d := range dots {
		if d.up > level && d.depth > end-near && d.depth < end+beyond && d.radius < 1.05*radius {
			face = append(face, d.depth)
		}
	}
	if float64(len(face))*s.area > someFace*math.Pi*radius*radius {
		return densest(face), true
	}
	return rim(rims, end-near, end+beyond, radius, 1)
}

// apex is the depth at which the axis leaves the apical end.
func (s *Solid) apex(dots, rims []sideDot, end, radius float64) (float64, bool) {
	middle := 0.5 * radius
	var depth, square []float64
	for _, d := range dots {
		if d.up > 0.5 && d.radius < middle && d.depth < end+near && d.depth > end-beyond {
			depth, square = append(depth, d.depth), append(square, d.radius*d.radius)
		}
	}
	if float64(len(depth))*s.area > 0.4*math.Pi*middle*middle {
		return paraboloid(depth, square), true
	}
	return rim(rims, end-beyond, end+near, radius, -1)
}

// densest is the middle of the shortest stretch that holds half of x.
func densest(x []float64) float64 {
	slices.Sort(x)
	half := (len(x) + 1) / 2
	at, least := 0, math.Inf(1)
	for i := 0; i+half <= len(x); i++ {
		if w := x[i+half-1] - x[i]; w < least {
			at, least = i, w
		}
	}
	sum := 0.0
	for _, v := range x[at : at+half] {
		sum += v
	}
	return sum / float64(half)
}

// paraboloid fits depth = a + b·square robustly and gives a.
func paraboloid(depth, square []float64) float64 {
	weight := make([]float64, len(depth))
	for i := range weight {
		weight[i] = 1
	}
	a := 0.0
	off := make([]float64, len(depth))
	for range 5 {
		var w, sx, sy, sxx, sxy float64
		for i, y := range depth {
			x := square[i]
			w, sx, sy, sxx, sxy = w+weight[i], sx+weight[i]*x, sy+weight[i]*y, sxx+weight[i]*x*x, sxy+weight[i]*x*y
		}
		b := 0.0
		if bend := sxx - sx*sx/w; bend > 0 {
			b = (sxy - sx*sy/w) / bend
		}
		a = (sy - b*sx) / w
		for i, y := range depth {
			off[i] = math.Abs(y - a - b*square[i])
		}
		far := cutoff * max(1.4826*median(off), 0.01)
		for i, e := range off {
			weight[i] = 0
			if u := e / far; u < 1 {
				weight[i] = (1 - u*u) * (1 - u*u)
			}
		}
	}
	return a
}

// rim is the depth of an open end: the middle one of the outermost corners in
// each of the sectors about the axis, so that a hole does not count. sense is 1
// where the end is the coronal one.
func rim(corners []sideDot, from, to, radius, sense float64) (float64, bool) {
	const sectors = 36
	var outermost [sectors]float64
	for i := range outermost {
		outermost[i] = math.Inf(-1)
	}
	for _, c := range corners {
		if c.depth < from || c.depth > to || c.radius < 0.5*radius || c.radius > 1.1*radius {
			continue
		}
		k := min(sectors-1, int((c.turn+math.Pi)/(2*math.Pi)*sectors))
		outermost[k] = max(outermost[k], sense*c.depth)
	}
	var found []float64
	for _, d := range outermost {
		if !math.IsInf(d, -1) {
			found = append(found, d)
		}
	}
	const fewSectors = 6 // half the corners of a twelve-sided prism
	if len(found) < fewSectors {
		return 0, false
	}
	return sense * median(found), true
}
