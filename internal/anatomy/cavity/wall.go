package cavity

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/plate"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/trimesh"
)

const (
	// wallReach is how far beyond the air bone is looked for, mm: swollen mucosa is 2 to
	// 10 mm thick (anchors of the literature say no more).
	wallReach = 11.0
	// besideNearest is how much farther from a fixture than its nearest point air may lie and
	// be what the nearest wall is behind, mm.
	besideNearest = 5.0
	// disc is the radius of the disc whose mean is a profile's sample, mm: the contrast of
	// mucosa and spongy bone is a tenth of that of cortical bone.
	disc = 0.8
	// boneRise is how far from mucosa to spongy bone the mean grey value has to rise, and
	// over which length it has to stay there, mm.
	boneRise, boneStays = 0.5, 1.0
	// blend is how far from a vertex its neighbours count, mm: mucosa is as thick there but
	// for some tenths.
	blend = 2.0
	// wide is how far around a vertex the wall is compared with it, mm: twice as far as a
	// gap in spongy bone is wide.
	wide = 5.0
	// fitBefore and fitInside bound the profile that is fitted about where bone begins, mm:
	// further in, a dense strut of spongy bone would pass for the wall.
	fitBefore, fitInside = 1.2, 0.9
	// leastU is the least standard uncertainty of one profile's border, mm, so that none
	// outweighs its neighbours, and bareU the same where no cortex is surely seen, from
	// surelyThick standard uncertainties of its thickness on: a dense plate some tenths deeper
	// looks the same there.
	leastU, bareU, surelyThick = 0.1, 0.15, 1.645
	// wallError is the standard uncertainty of a border that bends and is uneven, mm
	// (TestFloorAccuracy).
	wallError = 0.05
)

// wall places the bony wall of a cavity as far as it lies near the fixture.
func (c *Cavity) wall(r *tissue.Region, s Site) {
	n := len(c.Air.Vertices)
	normals := vertexNormals(c.Air)
	depth, weight := make([]float64, n), make([]float64, n)
	least := math.Inf(1)
	for _, p := range c.Air.Vertices {
		least = min(least, s.distance(p))
	}
	parallel.For(n, func(i int) {
		if s.distance(c.Air.Vertices[i]) > least+besideNearest || r.Streaked(c.Air.Vertices[i]) {
			return
		}
		if d, u, ok := border(r, c.Air.Vertices[i], normals[i]); ok {
			depth[i], weight[i] = d, 1/(u*u)
		}
	})
	c.Wall = &trimesh.Mesh{Vertices: make([]geom.Vec, n), Triangles: c.Air.Triangles}
	c.U = make([]float64, n)
	usual := math.NaN() // depth where none was looked for
	if known := slices.DeleteFunc(slices.Clone(depth), func(d float64) bool { return d == 0 }); len(known) > 0 {
		slices.Sort(known)
		usual = known[len(known)/2]
	}
	grid := newBuckets(c.Air.Vertices, blend)
	parallel.For(n, func(i int) {
		p := c.Air.Vertices[i]
		var ds, ws []float64
		grid.each(p, func(j int) {
			if d := r3.Norm(r3.Sub(c.Air.Vertices[j], p)); d <= blend && weight[j] > 0 && r3.Dot(normals[i], normals[j]) > 0.5 {
				ds, ws = append(ds, depth[j]), append(ws, weight[j]*(1-d/(blend+1e-9)*0.7))
			}
		})
		mean, u, ok := joined(ds, ws)
		if !ok {
			c.Wall.Vertices[i], c.U[i] = r3.Add(p, r3.Scale(usual, normals[i])), math.Inf(1)
			return
		}
		c.Wall.Vertices[i] = r3.Add(p, r3.Scale(mean, normals[i]))
		c.U[i] = math.Hypot(u, wallError)
	})
	c.dropPits(normals)
}

// dropPits takes the wall for not placed where it lies deeper or less deep behind the air
// than most of what is around it: behind thin mucosa, a gap in spongy bone passes for
// swollen mucosa.
func (c *Cavity) dropPits(normals []geom.Vec) {
	depth := make([]float64, len(c.U))
	for i, v := range c.Wall.Vertices {
		depth[i] = r3.Norm(r3.Sub(v, c.Air.Vertices[i]))
	}
	grid := newBuckets(c.Air.Vertices, wide)
	pit := make([]bool, len(c.U))
	parallel.For(len(c.U), func(i int) {
		if math.IsInf(c.U[i], 1) {
			return
		}
		var around []float64
		grid.each(c.Air.Vertices[i], func(j int) {
			if !math.IsInf(c.U[j], 1) && r3.Norm(r3.Sub(c.Air.Vertices[j], c.Air.Vertices[i])) <= wide && r3.Dot(normals[i], normals[j]) > 0.5 {
				around = append(around, depth[j])
			}
		})
		slices.Sort(around)
		pit[i] = math.Abs(depth[i]-around[len(around)/2]) > agreeing
	})
	for i, is := range pit {
		if is {
			c.U[i] = math.Inf(1)
		}
	}
}

// joined is the mean of those neighbouring depths that agree, by their weights, and its
// standard uncertainty: that of a few independent ones, or of their own spread where that is
// larger; ok is false where too few agree. A profile that misses the border goes on to a strut
// of spongy bone, at any depth: what agrees is the border.
func joined(ds, ws []float64) (mean, u float64, ok bool) {
	most, from := 0.0, 0.0
	for _, low := range ds {
		n := 0.0
		for _, d := range ds {
			if d >= low && d <= low+agreeing {
				n++
			}
		}
		if n > most {
			most, from = n, low
		}
	}
	if most < fewestAgree || most < shareAgrees*float64(len(ds)) {
		return 0, 0, false
	}
	var sum, sums, squares float64
	for i, d := range ds {
		if d >= from && d <= from+agreeing {
			sum, sums, squares = sum+ws[i], sums+ws[i]*d, squares+ws[i]*d*d
		}
	}
	mean = sums / sum
	spread := math.Sqrt(max(0, squares/sum-mean*mean))
	return mean, math.Hypot(math.Sqrt(1/sum*most/4), spread/2), true // four of them are independent
}

const (
	// agreeing is the width within which depths agree, mm: that of a border and its
	// uncertainty. fewestAgree have to, and shareAgrees of all.
	agreeing, fewestAgree, shareAgrees = 0.8, 5, 0.4
)

// border finds where bone begins beyond the air along a normal, mm.
func border(r *tissue.Region, p, n geom.Vec) (depth, u float64, ok bool) {
	x, g := profile(r, p, n, profileFrom, wallReach)
	air := withoutAir(r, x, g)
	if math.IsNaN(air) {
		return 0, 0, false
	}
	at := func(d float64) int { return int(math.Round((d - profileFrom) / tissue.ProfileStep)) }
	mean := func(from, to float64) float64 {
		sum, count := 0.0, 0.0
		for i := at(from); i <= at(to) && i < len(g); i++ {
			sum, count = sum+g[i], count+1
		}
		return sum / count
	}
	bone := r.Cortex.Mean - r.Soft
	clear := air + 3*r.Blur // where the air is not seen any more
	mucosa := mean(clear, clear+0.4)
	if math.IsNaN(mucosa) {
		return 0, 0, false
	}
	marrow := max(r.Marrow.Mean, r.Soft+bone/8)
	thin := mucosa > r.Soft+boneRise*(marrow-r.Soft) // bone where the air's blur ends
	if thin {
		clear, mucosa = air-r.Blur, r.Soft
	}
	first := math.NaN()
	for d := max(clear, -r.Blur); d <= wallReach-boneStays; d += tissue.ProfileStep {
		if !thin { // the mucosa's own grey value, as far as it was seen
			mucosa = mean(clear, max(clear+0.4, d))
		}
		rise := mucosa + boneRise*(marrow-mucosa)
		if mean(d, d+0.3) >= rise && mean(d, d+boneStays) >= rise+0.2*(marrow-mucosa) {
			first = d
			break
		}
	}
	if math.IsNaN(first) {
		return 0, 0, false
	}
	// From the bone's side: x + is towards the air.
	var xs, gs []float64
	for i := len(g) - 1; i >= 0; i-- {
		if d := x[i]; d <= first+fitInside && d >= max(first-fitBefore, clear) {
			xs, gs = append(xs, first-d), append(gs, g[i])
		}
	}
	m := plate.Model{
		Inside: r.Marrow, Plate: r.Cortex, Outside: plate.Level{Mean: mucosa, SD: bone / 20},
		Blur: r.Blur, Noise: max(r.Noise, bone/40), Correlation: 2 * r.Blur,
	}
	f, ok := m.Fit(xs, gs)
	if !ok {
		return 0, 0, false
	}
	u = math.Max(f.U, leastU)
	if f.Thickness < surelyThick*f.ThickU {
		u = math.Max(f.U, bareU)
	}
	if thin {
		if f.Residual > thinResidual*m.Noise {
			return 0, 0, false
		}
		u = math.Hypot(u, thinError)
	}
	return first - f.Outer, u, true
}

const (
	// profileFrom is where a profile begins before the air's surface, mm, and up to airTo there is
	// nothing but air: beyond the blur, whatever bone behind thin mucosa has moved that surface.
	profileFrom, airTo = -1.7, -1.1
	// thinResidual is the residual of a profile, in noises, from which on it is not that of
	// mucosa and bone.
	thinResidual = 4.0
	// thinError is the standard uncertainty of a border behind thin mucosa besides, mm: of the
	// air that is taken out of the profile (TestFloorAccuracy).
	thinError = 0.1
)

// withoutAir takes the air out of a profile, as if the mucosa went on, and gives the place of
// its border; NaN where it is not seen.
//
// Method: one and a half standard deviations of the blur before the border a step has risen by
// Φ(−1.5), and bone behind mucosa of a blur's width adds nothing yet.
func withoutAir(r *tissue.Region, x, g []float64) float64 {
	const before = 1.5
	air, n := 0.0, 0
	for n < len(x) && x[n] <= airTo {
		air, n = air+g[n], n+1
	}
	air /= float64(n)
	if !(air < (r.Air+r.Soft)/2) {
		return math.NaN()
	}
	step := r.Soft - air
	level := air + 0.5*math.Erfc(before/math.Sqrt2)*step
	border := math.NaN()
	for i := n; i < len(g) && x[i] <= -airTo; i++ {
		if g[i] >= level {
			border = x[i] - tissue.ProfileStep*(g[i]-level)/(g[i]-g[i-1]) + before*r.Blur
			break
		}
	}
	for i, d := range x {
		g[i] += step * 0.5 * math.Erfc((d-border)/(math.Sqrt2*r.Blur))
	}
	return border
}

// profile is the mean grey value of discs along a normal.
func profile(r *tissue.Region, p, n geom.Vec, low, high float64) (x, g []float64) {
	u, v := geom.Perpendicular(n)
	var around []geom.Vec
	for k := range 6 {
		sin, cos := math.Sincos(float64(k) * math.Pi / 3)
		dir := r3.Add(r3.Scale(cos, u), r3.Scale(sin, v))
		around = append(around, r3.Scale(disc, dir), r3.Scale(disc/2, dir))
	}
	for i := range int(math.Round((high-low)/tissue.ProfileStep)) + 1 {
		at := low + tissue.ProfileStep*float64(i)
		q := r3.Add(p, r3.Scale(at, n))
		sum := r.Sample(q)
		for _, d := range around {
			sum += r.Sample(r3.Add(q, d))
		}
		x, g = append(x, at), append(g, sum/float64(len(around)+1))
	}
	return x, g
}

// distance is that of a point from the nearer of the axes.
func (s Site) distance(p geom.Vec) float64 {
	least := math.Inf(1)
	for _, f := range s.Poses {
		along := r3.Sub(f.Apex, f.Entry)
		t := max(0, min(1, r3.Dot(r3.Sub(p, f.Entry), along)/r3.Dot(along, along)))
		least = min(least, r3.Norm(r3.Sub(p, r3.Add(f.Entry, r3.Scale(t, along)))))
	}
	return least
}

// vertexNormals are the unit normals at vertices, the mean of their triangles' by area.
func vertexNormals(m *trimesh.Mesh) []geom.Vec {
	out := make([]geom.Vec, len(m.Vertices))
	for i, t := range m.Triangles {
		a, b, c := m.Corners(i)
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		for _, v := range t {
			out[v] = r3.Add(out[v], n)
		}
	}
	// Smoothed over neighbours: the steps of noise on the surface are short.
	for range 3 {
		sum := make([]geom.Vec, len(out))
		for _, t := range m.Triangles {
			n := r3.Add(out[t[0]], r3.Add(out[t[1]], out[t[2]]))
			for _, v := range t {
				sum[v] = r3.Add(sum[v], n)
			}
		}
		for i, v := range sum {
			if l := r3.Norm(v); l > 0 {
				out[i] = r3.Scale(1/l, v)
			}
		}
	}
	return out
}

// buckets find points that are near.
type buckets struct {
	edge   float64
	points map[[3]int][]int
}

func newBuckets(points []geom.Vec, edge float64) *buckets {
	b := &buckets{edge, map[[3]int][]int{}}
	for i, p := range points {
		k := b.key(p)
		b.points[k] = append(b.points[k], i)
	}
	return b
}

func (b *buckets) key(p geom.Vec) [3]int {
	return [3]int{int(math.Floor(p.X / b.edge)), int(math.Floor(p.Y / b.edge)), int(math.Floor(p.Z / b.edge))}
}

// each visits what may lie within the edge of p.
func (b *buckets) each(p geom.Vec, visit func(i int)) {
	at := b.key(p)
	for n := range 27 {
		for _, i := range b.points[[3]int{at[0] + n%3 - 1, at[1] + n/3%3 - 1, at[2] + n/9 - 1}] {
			visit(i)
		}
	}
}
