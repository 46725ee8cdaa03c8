package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// Pair is a rendered case.
type Pair struct {
	Pre, Post *volume.Volume
	Truth     Truth
}

// Render makes both scans of a case and the truth about it.
//
// Errors: what Spec.Check finds, and a crown at a site that cannot have one.
func Render(s Spec) (*Pair, error) {
	sc, plans, err := newScene(s)
	if err != nil {
		return nil, err
	}
	sc.addAnatomy()
	pre, post := sc.scanGrid(s.Pre, plans), sc.scanGrid(s.Post, plans)
	return &Pair{
		Pre:   sc.render(s.Pre, pre, false, [3]int{}, pre.Size),
		Post:  sc.render(s.Post, post, true, [3]int{}, post.Size),
		Truth: sc.truth(plans),
	}, nil
}

// RenderPost makes only the part of the follow-up scan within radius mm of the
// fixtures' achieved (or, where missing, planned) axes: a block of the same
// voxels that Render gives, at the same places.
func RenderPost(s Spec, radius float64) (*volume.Volume, *Truth, error) {
	sc, plans, err := newScene(s)
	if err != nil {
		return nil, nil, err
	}
	sc.addAnatomy()
	truth := sc.truth(plans)
	g := sc.scanGrid(s.Post, plans)
	toPost := jawToScan(s.Post)
	var points []geom.Vec
	for i, f := range s.Fixtures {
		at := achievedFrame(plans[i], f)
		points = append(points, toPost.Apply(at.origin), toPost.Apply(at.toJaw(geom.Vec{Z: f.Length})))
	}
	lo, hi := g.Box(radius, points...)
	return sc.render(s.Post, g, true, lo, hi), &truth, nil
}

// RenderPre makes the planning scan alone.
//
// Errors: those of Render.
func RenderPre(s Spec) (*volume.Volume, *Truth, error) {
	sc, plans, err := newScene(s)
	if err != nil {
		return nil, nil, err
	}
	sc.addAnatomy()
	truth := sc.truth(plans)
	g := sc.scanGrid(s.Pre, plans)
	return sc.render(s.Pre, g, false, [3]int{}, g.Size), &truth, nil
}

// headPosition is one position of the head during a scan and its share of the time.
type headPosition struct {
	shift  geom.Vec // mm, in the scan's frame
	weight float64
}

// headPositions are two positions Motion apart whose weighted mean is the true one.
func (c Scan) headPositions(seed uint64) []headPosition {
	if c.Motion == 0 {
		return []headPosition{{weight: 1}}
	}
	r := newRandomSource(seed, 300)
	d := r3.Scale(c.Motion, r3.Unit(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}))
	const first = 0.6
	return []headPosition{{r3.Scale(first-1, d), first}, {r3.Scale(first, d), 1 - first}}
}

// render makes the voxels lo (included) to hi (excluded) of a scan.
func (sc *scene) render(c Scan, g volume.Grid, post bool, lo, hi [3]int) *volume.Volume {
	st := sc.inScan(c, post)
	parts := c.headPositions(sc.spec.Seed)
	f := newBlock(g, lo, hi)
	st.renderTissue(f, c, parts)
	around := len(sliceKernel(c)) / 2
	patches := st.rasteriseMetal(g, c, parts, lo[2]-around, hi[2]+around)
	f.addMetal(patches)
	if path := c.headPath(hash64(sc.spec.Seed, boolBit(post), 0, 31)); path != nil {
		f.drift(path)
	}
	if c.Streaks > 0 {
		st.addStreaks(f, c, patches)
	}
	f.addNoise(c, hash64(sc.spec.Seed, 9, boolBit(post), 0))
	return f.store(c)
}

func boolBit(b bool) uint64 {
	if b {
		return 1
	}
	return 0
}

// block is the part of a scan that is being rendered.
type block struct {
	grid   volume.Grid // whole scan
	lo, hi [3]int
	size   [3]int
	grey   []float32
}

func newBlock(g volume.Grid, lo, hi [3]int) *block {
	b := &block{grid: g, lo: lo, hi: hi}
	for a := range 3 {
		b.size[a] = hi[a] - lo[a]
	}
	b.grey = make([]float32, b.size[0]*b.size[1]*b.size[2])
	return b
}

// radius2 is the squared distance of a column from the field's axis, mm².
func (b *block) radius2(i, j int) float64 {
	x := (float64(i) - float64(b.grid.Size[0]-1)/2) * b.grid.Step[0].X
	y := (float64(j) - float64(b.grid.Size[1]-1)/2) * b.grid.Step[1].Y
	return x*x + y*y
}

// fieldRadius is the radius of the scanned cylinder, mm.
func (b *block) fieldRadius() float64 {
	return float64(min(b.grid.Size[0], b.grid.Size[1])) / 2 * b.grid.Step[0].X
}

// gaussianKernel samples the point spread at voxel steps, from −n to n.
func gaussianKernel(sigma, step float64) []float32 {
	n := int(math.Ceil(3.3 * sigma / step))
	w := make([]float64, 2*n+1)
	sum := 0.0
	for i := range w {
		x := float64(i-n) * step
		w[i] = 1
		if sigma > 0 {
			w[i] = math.Exp(-x * x / (2 * sigma * sigma))
		}
		sum += w[i]
	}
	out := make([]float32, len(w))
	for i := range w {
		out[i] = float32(w[i] / sum)
	}
	return out
}

// tileEdge is the edge of a tile of voxels that share one list of bodies, voxels.
const tileEdge = 8

// renderTissue renders everything but metal: cells averaged over their volume,
// then the point spread.
func (st *scanScene) renderTissue(b *block, c Scan, parts []headPosition) {
	kx, kz := gaussianKernel(c.sigma(), c.Voxel), gaussianKernel(c.sigma(), c.sliceStep())
	mx, mz := len(kx)/2, len(kz)/2
	lo := [3]int{b.lo[0] - mx, b.lo[1] - mx, b.lo[2] - mz}
	hi := [3]int{b.hi[0] + mx, b.hi[1] + mx, b.hi[2] + mz}
	nx, ny, nz := hi[0]-lo[0], hi[1]-lo[1], hi[2]-lo[2]
	raw := make([]float32, nx*ny*nz)

	floor := func(a int) int { return a >> 3 } // by tileEdge
	ty, tz := floor(hi[1]-1)-floor(lo[1])+1, floor(hi[2]-1)-floor(lo[2])+1
	parallel.For(ty*tz, func(n int) {
		j0 := (floor(lo[1]) + n%ty) * tileEdge
		k0 := (floor(lo[2]) + n/ty) * tileEdge
		for i0 := floor(lo[0]) * tileEdge; i0 < hi[0]; i0 += tileEdge {
			st.renderTile(b, c, parts, raw, lo, hi, [3]int{i0, j0, k0})
		}
	})
	b.blur(raw, [3]int{nx, ny, nz}, kx, kz)
}

// renderTile renders the voxels of one tile that lie between lo and hi.
func (st *scanScene) renderTile(b *block, c Scan, parts []headPosition, raw []float32, lo, hi, at [3]int) {
	g := &b.grid
	nx, ny := hi[0]-lo[0], hi[1]-lo[1]
	var from, to [3]int
	for a := range 3 {
		from[a], to[a] = max(lo[a], at[a]), min(hi[a], at[a]+tileEdge)
	}
	const mid = float64(tileEdge-1) / 2
	middle := g.Patient(float64(at[0])+mid, float64(at[1])+mid, float64(at[2])+mid)
	half := float64(tileEdge) / 2
	radius := math.Sqrt(2*half*half*c.Voxel*c.Voxel + half*half*c.sliceStep()*c.sliceStep())
	outside := b.fieldRadius() + radius + 4*c.sigma() + c.Voxel
	empty := b.radius2(at[0]+tileEdge/2, at[1]+tileEdge/2) > outside*outside

	// A cell that a surface may cut is split in eight.
	cell := math.Max(c.Voxel, c.sliceStep())
	cut := math.Sqrt(2*c.Voxel*c.Voxel+c.sliceStep()*c.sliceStep()) / 2
	for _, pt := range parts {
		var t tile
		if !empty {
			t = st.bodiesNear(r3.Sub(middle, pt.shift), radius)
		}
		for k := from[2]; k < to[2]; k++ {
			for j := from[1]; j < to[1]; j++ {
				row := raw[((k-lo[2])*ny+j-lo[1])*nx:][:nx]
				for i := from[0]; i < to[0]; i++ {
					v := greyAir
					switch {
					case empty:
					case t.plain:
						v = t.grey
					default:
						p := r3.Sub(g.Patient(float64(i), float64(j), float64(k)), pt.shift)
						var edge float64
						v, edge = st.grey(&t, p, cell)
						if edge < cut {
							v = st.meanOfOctants(&t, p, c)
						}
					}
					row[i-lo[0]] += float32(pt.weight * v)
				}
			}
		}
	}
}

// meanOfOctants is the mean grey value over the eight octants of a voxel (supersampling).
func (st *scanScene) meanOfOctants(t *tile, p geom.Vec, c Scan) float64 {
	q, qz := c.Voxel/4, c.sliceStep()/4
	w := math.Max(c.Voxel, c.sliceStep()) / 2
	sum := 0.0
	for n := range 8 {
		s := geom.Vec{X: p.X - q, Y: p.Y - q, Z: p.Z - qz}
		if n&1 != 0 {
			s.X += 2 * q
		}
		if n&2 != 0 {
			s.Y += 2 * q
		}
		if n&4 != 0 {
			s.Z += 2 * qz
		}
		v, _ := st.grey(t, s, w)
		sum += v
	}
	return sum / 8
}

// blur filters raw, which has a margin of half a kernel on each side, into b.
func (b *block) blur(raw []float32, n [3]int, kx, kz []float32) {
	// Along x and y, slice by slice; rows keep their margin until used up.
	sx, sy := b.size[0], b.size[1]
	flat := make([]float32, sx*sy*n[2])
	parallel.For(n[2], func(k int) {
		in := raw[k*n[0]*n[1]:][:n[0]*n[1]]
		rows := make([]float32, sx*n[1])
		for j := range n[1] {
			convolveRow(rows[j*sx:][:sx], in[j*n[0]:][:n[0]], kx)
		}
		out := flat[k*sx*sy:][:sx*sy]
		for j := range sy {
			addWeighted(out[j*sx:][:sx], rows[j*sx:], sx, kx)
		}
	})
	parallel.For(b.size[2], func(k int) {
		addWeighted(b.grey[k*sx*sy:][:sx*sy], flat[k*sx*sy:], sx*sy, kz)
	})
}

// convolveRow writes the valid part of in ∗ w.
func convolveRow(out, in, w []float32) {
	for i := range out {
		var s float32
		for k, x := range in[i : i+len(w)] {
			s += w[k] * x
		}
		out[i] = s
	}
}

// addWeighted adds to out the sum of w[k] times the run of in that starts at
// k·stride.
func addWeighted(out, in []float32, stride int, w []float32) {
	for k, a := range w {
		src := in[k*stride:][:len(out)]
		for i, x := range src {
			out[i] += a * x
		}
	}
}

// noiseFilter gives white noise the in-plane power spectrum of a reconstruction: the
// ramp attenuates low frequencies and its window the high ones, which a difference of
// two Gaussians imitates. Rays from front to back cross more of the arch, so the
// correlation length is larger that way.
type noiseFilter struct {
	narrow, wide [2][]float32 // along x and y, voxel steps
	share        float32      // of the wide one that is taken off
	scale        float32      // to unit variance
}

// noiseAlong is the noise filter along z.
var noiseAlong = [3]float32{0.1, 1, 0.1}

func newNoiseFilter(c Scan) *noiseFilter {
	n := &noiseFilter{share: 0.85}
	const widening = 1.6
	square := 0.0
	for a, long := range [2]float64{1.05, 1.4} {
		s := max(0.4, long*c.sigma()/c.Voxel)
		n.narrow[a], n.wide[a] = gaussianKernel(s, 1), gaussianKernel(widening*s, 1)
	}
	dx, dy := n.margin(0), n.margin(1)
	for j, wy := range n.wide[1] {
		for i, wx := range n.wide[0] {
			v := -n.share * wx * wy
			if p, q := i-dx, j-dy; p >= 0 && q >= 0 && p < len(n.narrow[0]) && q < len(n.narrow[1]) {
				v += n.narrow[0][p] * n.narrow[1][q]
			}
			square += float64(v * v)
		}
	}
	a := noiseAlong
	square *= float64(a[0]*a[0] + a[1]*a[1] + a[2]*a[2])
	n.scale = float32(1 / math.Sqrt(square))
	return n
}

// margin is how much further the wide filter reaches along an axis.
func (n *noiseFilter) margin(axis int) int { return (len(n.wide[axis]) - len(n.narrow[axis])) / 2 }

// addNoise adds noise that depends only on the voxel's place in the whole scan.
func (b *block) addNoise(c Scan, seed uint64) {
	if c.Noise == 0 {
		return
	}
	n := newNoiseFilter(c)
	layer := b.size[0] * b.size[1]
	layers := make([]float32, layer*(b.size[2]+2))
	parallel.For(b.size[2]+2, func(l int) {
		n.filteredNoise(layers[l*layer:][:layer], b, seed, b.lo[2]+l-1)
	})
	scale := n.scale * float32(c.Noise)
	rr := b.fieldRadius() * b.fieldRadius()
	parallel.For(b.size[2], func(k int) {
		out := b.grey[k*layer:][:layer]
		below, here, above := layers[k*layer:][:layer], layers[(k+1)*layer:][:layer], layers[(k+2)*layer:][:layer]
		for j := range b.size[1] {
			for i := range b.size[0] {
				at := j*b.size[0] + i
				v := noiseAlong[0]*below[at] + noiseAlong[1]*here[at] + noiseAlong[2]*above[at]
				// Amid the field the rays are attenuated most.
				amid := float32(1 - 0.3*min(1, b.radius2(b.lo[0]+i, b.lo[1]+j)/rr))
				out[at] += scale * amid * v
			}
		}
	})
}

// filteredNoise fills one slice with filtered white noise.
func (n *noiseFilter) filteredNoise(out []float32, b *block, seed uint64, k int) {
	const bias = 1 << 20 // keeps indices positive
	mx, my := len(n.wide[0])/2, len(n.wide[1])/2
	dx, dy := n.margin(0), n.margin(1)
	sx := b.size[0]
	nx, ny := sx+2*mx, b.size[1]+2*my
	white := make([]float32, nx)
	fine, broad := make([]float32, sx*ny), make([]float32, sx*ny)
	for j := range ny {
		for i := range white {
			white[i] = normalFromBits(hash64(seed, uint64(b.lo[0]+i-mx+bias), uint64(b.lo[1]+j-my+bias), uint64(k+bias)))
		}
		convolveRow(fine[j*sx:][:sx], white[dx:nx-dx], n.narrow[0])
		convolveRow(broad[j*sx:][:sx], white, n.wide[0])
	}
	for j := range b.size[1] {
		row := out[j*sx:][:sx]
		addWeighted(row, broad[j*sx:], sx, n.wide[1])
		for i := range row {
			row[i] *= -n.share
		}
		addWeighted(row, fine[(j+dy)*sx:], sx, n.narrow[1])
	}
}

// greyLow and the two tops are the ends of the grey values that are stored;
// twelve bits from −1000 end at 3095.
const (
	greyLow   = -1000.0
	greyTop   = 32000.0
	greyTop12 = 3095.0
)

// store applies gain and offset, rounds to whole grey values, and sets what
// lies outside the scanned cylinder to the lowest one.
func (b *block) store(c Scan) *volume.Volume {
	top := greyTop
	if c.Clip12 {
		top = greyTop12
	}
	v := &volume.Volume{Grid: b.grid.Sub(b.lo, b.hi)}
	v.Stored = make([]uint16, len(b.grey))
	rr := b.fieldRadius() * b.fieldRadius()
	for range b.size[2] {
		v.Slope = append(v.Slope, 1)
		v.Intercept = append(v.Intercept, greyLow)
	}
	parallel.For(b.size[2], func(k int) {
		for j := range b.size[1] {
			at := (k*b.size[1] + j) * b.size[0]
			for i := range b.size[0] {
				if b.radius2(b.lo[0]+i, b.lo[1]+j) > rr {
					continue
				}
				g := c.Gain*float64(b.grey[at+i]) + c.Offset
				v.Stored[at+i] = uint16(math.Round(max(greyLow, min(top, g)) - greyLow))
			}
		}
	})
	return v
}
