package meshaxis

import (
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/stats/orderstat"
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
	for _, v := range s.vertices {
		z, _, _ := s.frame.cylindrical(v.p)
		low, high = min(low, z), max(high, z)
	}
	return s.on(low), s.on(high)
}

// on is the axis' point at height z.
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

	points := make([]axialPoint, len(s.points))
	from, to := math.Inf(1), math.Inf(-1)
	for i, q := range s.points {
		_, x, y := s.frame.cylindrical(q.p)
		points[i] = axialPoint{depth: depth(q.p), radius: math.Hypot(x, y), angle: math.Atan2(y, x), axialNormal: math.Abs(r3.Dot(q.n, dir))}
		from, to = min(from, points[i].depth), max(to, points[i].depth)
	}
	outline := make([]float64, int((to-from)/bin)+1)
	for _, d := range points {
		k := int((d.depth - from) / bin)
		outline[k] = max(outline[k], d.radius)
	}
	first, last, topped := fixtureExtent(outline)
	apexNear, entryNear := from+bin*float64(first), from+bin*float64(last+1)

	radius := percentile(outline[first:last+1], 0.9)
	vertices := make([]axialPoint, 0, len(s.vertices))
	for _, v := range s.vertices {
		_, x, y := s.frame.cylindrical(v.p)
		vertices = append(vertices, axialPoint{depth: depth(v.p), radius: math.Hypot(x, y), angle: math.Atan2(y, x)})
	}
	neck := percentile(outline[max(first, last-10):last+1], 0.8)
	entry, ok := s.platform(points, vertices, entryNear, neck)
	if !ok {
		return Fixture{}, fmt.Errorf("%w: its coronal end is not there", ErrNoFixture)
	}
	tip := outline[min(last, first+int(1/bin))]
	apex, ok := s.apex(points, vertices, apexNear, tip)
	if !ok {
		return Fixture{}, fmt.Errorf("%w: its apical end is not there", ErrNoFixture)
	}

	var fitted []float64
	squares, n := 0.0, 0
	for _, d := range s.wall {
		if z := sense * d.z; z > apex && z < entry {
			fitted = append(fitted, d.fitted)
			squares += d.residual * d.residual
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
	if out.Residual > maxOutOfRound*radius {
		return Fixture{}, fmt.Errorf("%w: its wall is not round (off by %.2f mm, root mean square); export one fixture alone", ErrNoFixture, out.Residual)
	}
	return out, nil
}

// axialPoint is a point by its depth from the apical end (mm), its distance from the axis
// (mm), its angle about it (rad), and the magnitude of its unit normal's axial component.
type axialPoint struct{ depth, radius, angle, axialNormal float64 }

// fixtureExtent finds the fixture in an outline from the apical end: its first and last
// step, and whether something stands on it.
func fixtureExtent(outline []float64) (first, last int, topped bool) {
	// The radius that half the surface has at least: a drawn axis has little.
	typical := weightedMedian(outline)
	for first < len(outline)-1 && outline[first] < thin*typical {
		first++
	}
	// A dome may begin with a few thin steps; they belong to it.
	for first > 0 && outline[first-1] > 0 && thinStepsUpTo(outline, first-1, thin*typical) <= int(stays/bin) {
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
			if r > wider*before && r > wider*widest && slices.Min(outline[k:min(len(outline), k+long)]) > wider*before && k+long/2 < len(outline) {
				return first, k - 1, true
			}
			neck := slices.Max(outline[max(first, k-long) : k+1])
			ahead := outline[k:]
			if r < narrower*neck && len(ahead) >= int(gap/bin) && slices.Max(ahead[:min(len(ahead), long)]) < narrower*neck && slices.Max(ahead[:min(len(ahead), int(gap/bin))]) > 0 {
				return first, k - 1, true
			}
		}
		widest = max(widest, r)
	}
	return first, len(outline) - 1 - empty, false
}

// thinStepsUpTo is how many steps in a row up to k are thin.
func thinStepsUpTo(outline []float64, k int, limit float64) int {
	n := 0
	for ; k >= 0 && outline[k] > 0 && outline[k] < limit; k-- {
		n++
	}
	return n
}

// weightedMedian is the median of x with the values as their own weights; 0 when empty.
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

// percentile is the value at a share of the sorted list, stepwise; 0 when empty.
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
func (s *Solid) platform(points, vertices []axialPoint, end, radius float64) (float64, bool) {
	var face []float64
	for _, d := range points {
		if d.axialNormal > level && d.depth > end-near && d.depth < end+beyond && d.radius < 1.05*radius {
			face = append(face, d.depth)
		}
	}
	if float64(len(face))*s.area > someFace*math.Pi*radius*radius {
		return shorthMean(face), true
	}
	return openEndDepth(vertices, end-near, end+beyond, radius, 1)
}

// apex is the depth at which the axis leaves the apical end.
func (s *Solid) apex(points, vertices []axialPoint, end, radius float64) (float64, bool) {
	middle := 0.5 * radius
	var depth, square []float64
	for _, d := range points {
		if d.axialNormal > 0.5 && d.radius < middle && d.depth < end+near && d.depth > end-beyond {
			depth, square = append(depth, d.depth), append(square, d.radius*d.radius)
		}
	}
	if float64(len(depth))*s.area > 0.4*math.Pi*middle*middle {
		return paraboloidApex(depth, square), true
	}
	return openEndDepth(vertices, end-beyond, end+near, radius, -1)
}

// shorthMean is the mean of the shortest interval that holds half of x (the shorth): a
// location that the other half does not move. It sorts x.
func shorthMean(x []float64) float64 {
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

// paraboloidApex fits depth = a + b·radius² by iteratively reweighted least squares with
// Tukey's weights and gives a, the depth on the axis.
func paraboloidApex(depth, square []float64) float64 {
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
		if variance := sxx - sx*sx/w; variance > 0 {
			b = (sxy - sx*sy/w) / variance
		}
		a = (sy - b*sx) / w
		for i, y := range depth {
			off[i] = math.Abs(y - a - b*square[i])
		}
		far := cutoff * max(madToSD*orderstat.UpperMedian(slices.Clone(off)), 0.01)
		for i, e := range off {
			weight[i] = 0
			if u := e / far; u < 1 {
				weight[i] = (1 - u*u) * (1 - u*u)
			}
		}
	}
	return a
}

// openEndDepth is the depth of an open end: the median of the outermost vertices in
// each of the sectors about the axis, so that a hole does not count. sense is 1
// where the end is the coronal one.
func openEndDepth(vertices []axialPoint, from, to, radius, sense float64) (float64, bool) {
	const sectors = 36
	var outermost [sectors]float64
	for i := range outermost {
		outermost[i] = math.Inf(-1)
	}
	for _, c := range vertices {
		if c.depth < from || c.depth > to || c.radius < 0.5*radius || c.radius > 1.1*radius {
			continue
		}
		k := min(sectors-1, int((c.angle+math.Pi)/(2*math.Pi)*sectors))
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
	return sense * orderstat.UpperMedian(found), true
}
