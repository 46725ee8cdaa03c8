package surface

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/stats/orderstat"
	"plumbline/internal/volume"
)

// Enamel is the enamel of a planning scan: where its outer edge lies.
//
// Method: along a surface's normal the edge response of a step is the integral of the point
// spread, whose middle is where the grey value falls fastest, whatever the spread's width.
// No level of the whole scan is taken for the edge; levels only tell enamel from gum.
type Enamel struct {
	field         *volume.Field
	soft          float64 // grey level of soft tissue
	least, mostly float64 // grey levels that enamel lies between
	step          float64 // least fall of the grey value at the edge
}

const (
	profileStep = 0.15 // mm, half a voxel of a usual planning scan
	across      = 0.6  // mm to each side of an edge, for its step; beyond a usual scan's blur
	// Shares of the step from soft tissue to the densest hundredth: enamel is beyond the
	// half, metal and dense restorations beyond two and a half (volume.VoxelMetal); an edge
	// of enamel to soft tissue falls by a third of it at least, to air by more.
	enamelShare, edgeShare = 0.55, 0.35
)

// NewEnamel finds the levels of a planning scan around the given places, within reach, mm.
func NewEnamel(v *volume.Volume, reach float64, places ...geom.Vec) *Enamel {
	e := &Enamel{field: v.Region(v.Box(reach, places...))}
	var greys []float32
	for i := 0; i < len(e.field.Grey); i += 7 {
		if g := e.field.Grey[i]; g == g {
			greys = append(greys, g)
		}
	}
	if len(greys) < 1000 {
		return nil
	}
	e.soft = float64(orderstat.Select(greys, len(greys)/2))
	dense := float64(orderstat.Select(greys, len(greys)*volume.VoxelMetal.DensePercentile/100))
	e.least = e.soft + enamelShare*(dense-e.soft)
	e.mostly = volume.VoxelMetal.Threshold(e.soft, dense)
	e.step = edgeShare * (dense - e.soft)
	return e
}

// crowns is the area of edges that a coarse search looks at, mm²: that of the crowns of a
// jaw, fourteen of some 150 mm² each. From memory.
const crowns = 2000.0

// Surface is points on the border of what is as bright as enamel, with outward normals:
// those of the steepest edges, which are enamel's, not bone's.
func (e *Enamel) Surface() *Cloud {
	f := e.field
	sp := f.Spacing()
	parts := make([]Cloud, f.Size[2])
	steep := make([][]float32, f.Size[2])
	parallel.For(max(0, f.Size[2]-2), func(plane int) {
		k := plane + 1
		c := &parts[k]
		for j := 1; j+1 < f.Size[1]; j++ {
			for i := 1; i+1 < f.Size[0]; i++ {
				g := float64(f.At(i, j, k))
				if !(g >= e.least) {
					continue
				}
				fall := math.Inf(1)
				var gradient geom.Vec
				for axis, d := range [3][3]int{{1, 0, 0}, {0, 1, 0}, {0, 0, 1}} {
					up, down := float64(f.At(i+d[0], j+d[1], k+d[2])), float64(f.At(i-d[0], j-d[1], k-d[2]))
					fall = min(fall, up, down)
					gradient = r3.Add(gradient, r3.Scale((up-down)/(2*sp[axis]*sp[axis]), f.Step[axis]))
				}
				l := r3.Norm(gradient)
				if !(fall < e.least) || !(l > 0) {
					continue
				}
				n := r3.Scale(-1/l, gradient)
				p := r3.Add(f.Patient(float64(i), float64(j), float64(k)), r3.Scale(min((g-e.least)/l, sp[0]), n))
				c.Points = append(c.Points, p)
				c.Normals = append(c.Normals, n)
				c.Area = append(c.Area, sp[0]*sp[1])
				c.Rim = append(c.Rim, false)
				steep[k] = append(steep[k], float32(l))
			}
		}
	})
	all := slices.Concat(steep...)
	most := int(crowns / (sp[0] * sp[1]))
	least := float32(0)
	if len(all) > most {
		least = orderstat.Select(all, len(all)-most)
	}
	out := &Cloud{}
	for i := range parts {
		for j := range parts[i].Points {
			if steep[i][j] >= least {
				out.add(&parts[i], j)
			}
		}
	}
	return out
}

// outside is how many points of a cloud see the grey value fall along their normals, less
// those that see it rise: negative where the normals face inwards.
func (e *Enamel) outside(c *Cloud) float64 {
	sum := 0.0
	for i, p := range c.Points {
		n := c.Normals[i]
		d := e.field.Sample(r3.Sub(p, n)) - e.field.Sample(r3.Add(p, n))
		if math.Abs(d) > e.step {
			sum += math.Copysign(1, d)
		}
	}
	return sum
}

// edge is where the grey value falls from enamel along a line.
type edge struct {
	offset float64 // mm
	fall   float64 // per step of the profile, smoothed as slope does
	step   float64 // from enamel to what is outside
}

// OnEdge matches with the edge of enamel along the outward normal.
func (e *Enamel) OnEdge(p, normal geom.Vec, reach float64) (Match, bool) {
	found, ok := e.along(p, normal, reach)
	return Match{found.offset, normal}, ok
}

// along finds the edge of enamel along the outward normal.
func (e *Enamel) along(p, normal geom.Vec, reach float64) (edge, bool) {
	const beside = int(across / profileStep)
	half := int(math.Ceil(reach/profileStep)) + beside
	if half > 40 {
		half = 40
	}
	var grey [81]float64
	n := 2*half + 1
	e.field.Line(r3.Sub(p, r3.Scale(float64(half)*profileStep, normal)), r3.Scale(profileStep, normal), grey[:n])
	best, at := 0.0, -1
	slope := func(k int) float64 { // a smoothed fall for a step
		return grey[k-2] + 2*grey[k-1] - 2*grey[k+1] - grey[k+2]
	}
	for k := beside; k < n-beside; k++ {
		if s := slope(k); s > best {
			best, at = s, k
		}
	}
	if at < beside+1 || at >= n-beside-1 {
		return edge{}, false
	}
	inside := grey[at-beside]
	for k := at - beside; k < at; k++ {
		inside = max(inside, grey[k])
	}
	if !(inside >= e.least && inside <= e.mostly) || !(inside-grey[at+beside] >= e.step) {
		return edge{}, false
	}
	a, b, c := slope(at-1), best, slope(at+1)
	shift := 0.0
	if d := a - 2*b + c; d < 0 {
		shift = (a - c) / (2 * d)
	}
	offset := (float64(at-half) + shift) * profileStep
	if math.Abs(offset) > reach {
		return edge{}, false
	}
	return edge{offset, best, inside - grey[at+beside]}, true
}

// blur is the standard deviation of the point spread, mm, by which the edges at a fit's points
// are seen: the median of those of an edge response of their step and fall.
func (e *Enamel) blur(c *Cloud, s *State) float64 {
	shares := make([]float32, len(c.Points)) // of the step, in the fall; zero for none
	parallel.For(len(c.Points), func(i int) {
		if s.Robust[i] == 0 {
			return
		}
		if found, ok := e.along(s.ToFixed.Apply(c.Points[i]), s.ToFixed.Rotate(c.Normals[i]), 0.3); ok {
			shares[i] = float32(found.fall / found.step)
		}
	})
	shares = slices.DeleteFunc(shares, func(x float32) bool { return x == 0 })
	if len(shares) == 0 {
		return 0
	}
	share := float64(orderstat.Select(shares, len(shares)/2))
	low, high := 0.01, 1.0
	for range 30 { // the ratio falls from 3 to 1 as the blur grows
		middle := (low + high) / 2
		h := profileStep / (middle * math.Sqrt2)
		// The step is taken from across to across, which a wide blur goes beyond.
		if math.Erf(2*h)+2*math.Erf(h) > share*math.Erf(across/profileStep*h) {
			low = middle
		} else {
			high = middle
		}
	}
	return (low + high) / 2
}

// curved, mm, is around a point what its curvature is taken from: what a usual scan's blur
// covers.
const curved = 1.2

// inside is how far the steepest fall lies inside of the surface at each of a fit's points, mm.
//
// Method: of a ball of radius r that is blurred by σ the grey value falls in proportion to
// exp(−(ρ−r)²/2σ²)/ρ but for a term of σ²/r², steepest where ρ − r = −σ²/ρ; of a cylinder to the
// same over √ρ, where it is −σ²/2ρ. To first order both are σ² times the mean curvature; the
// ball's is solved, since a cusp is nearer to one.
func (e *Enamel) inside(c *Cloud, s *State) []float64 {
	sigma := e.blur(c, s)
	out := c.curvature(curved)
	for i, h := range out {
		h = max(-1/curved, min(h, 1/curved))
		if h != 0 {
			out[i] = (1 - math.Sqrt(max(0, 1-4*sigma*sigma*h*h))) / (2 * h)
		}
	}
	return out
}
