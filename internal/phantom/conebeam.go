package phantom

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// A cone beam for the accuracy runs. Render computes artefacts slice by slice
// in parallel beams, which is quick; here metal is seen as a machine sees it:
// rays from a source that circles the head, detector elements that average
// intensity over their own area, the logarithm after that, and reconstruction
// from the cone. Averaging intensities instead of attenuations underestimates the
// attenuation where an element covers an edge, so that metal appears smaller than it is.
//
// Method: L. A. Feldkamp, L. C. Davis and J. W. Kress, Practical cone-beam
// algorithm, J Opt Soc Am A 1984; 1(6): 612-619. The edge's effect: P. M. Joseph
// and R. D. Spital, The exponential edge-gradient effect in x-ray computed
// tomography, Phys Med Biol 1981; 26(3): 473-487. The machine's own figures are
// those of dental machines, common practice, no source; views, rays and cells are
// our own choice.
const (
	sourceDistance = 550.0 // from the axis, mm
	coneViews      = 300   // over a full turn
	elementShare   = 0.8   // of a voxel that a detector element spans at the axis
	subRays        = 3     // of each element along each edge
	metalMapCell   = 0.05  // of the map that rays are followed through, mm
)

// ConeBeam makes the same block of the follow-up scan as RenderPost, with its
// metal projected and reconstructed in a cone beam. It takes some ten times as
// long. A head that moves does so once, between two views.
func ConeBeam(s Spec, radius float64) (*volume.Volume, *Truth, error) {
	sc, plans, err := newScene(s)
	if err != nil {
		return nil, nil, err
	}
	sc.addAnatomy()
	truth := sc.truth(plans)
	c := s.Post
	g := sc.scanGrid(c, plans)
	toPost := jawToScan(c)
	var points []geom.Vec
	for i, f := range s.Fixtures {
		at := achievedFrame(plans[i], f)
		points = append(points, toPost.Apply(at.origin), toPost.Apply(at.toJaw(geom.Vec{Z: f.Length})))
	}
	lo, hi := g.Box(radius, points...)
	st := sc.inScan(c, true)
	b := newBlock(g, lo, hi)
	st.renderTissue(b, c, c.headPositions(s.Seed))
	// Metal stands in the place of tissue, which is taken out as water: grey value 0.
	b.replace(st.rasteriseMetal(g, c, c.headPositions(s.Seed), lo[2], hi[2]), [alloys]float64{})
	shadows := st.projectTissue(b, c)
	st.addTissueHardening(b, c, shadows)
	newConeScan(st, b, c, shadows).addMetal()
	b.addNoise(c, hash64(s.Seed, 9, 1, 0))
	return b.store(c), &truth, nil
}

// coneScan is the scanner: detector elements pitch mm apart at the axis.
type coneScan struct {
	*block
	scan       Scan
	parts      []headPosition
	shadows    *tissueProjections
	pitch      float64
	cols       int // from −half to half
	half       int
	rows       int // the first one row0 elements above the source's plane
	row0       int
	centre     geom.Vec // on the axis in the source's plane
	bodies     []*metalMap
	blurKernel []float32 // focus and detector, element steps
	ramp       []float32
	noise      float64
	seed       uint64
}

func newConeScan(st *scanScene, b *block, c Scan, s *tissueProjections) *coneScan {
	m := &coneScan{block: b, scan: c, parts: c.headPositions(st.spec.Seed), shadows: s, pitch: max(0.1, elementShare*c.Voxel), seed: hash64(st.spec.Seed, 23, 0, 0)}
	m.centre = b.grid.Centre()
	toScan := st.toOwn.Inverse()
	reach := 0.0
	for _, body := range st.metalPost {
		o := newMetalMap(body, st.toOwn, toScan)
		m.bodies = append(m.bodies, o)
		for _, p := range []geom.Vec{o.a, o.b} {
			reach = max(reach, math.Hypot(p.X-m.centre.X, p.Y-m.centre.Y)+o.r)
		}
	}
	m.half = int(math.Ceil(reach*sourceDistance/(sourceDistance-reach)/m.pitch)) + 8
	m.cols = 2*m.half + 1
	low, high := b.grid.Patient(0, 0, float64(b.lo[2])).Z, b.grid.Patient(0, 0, float64(b.hi[2])).Z
	far := sourceDistance / (sourceDistance - b.fieldRadius())
	m.row0 = int(math.Floor(min(0, (low-m.centre.Z)*far)/m.pitch)) - 4
	m.rows = int(math.Ceil(max(0, (high-m.centre.Z)*far)/m.pitch)) + 5 - m.row0

	// Half of the blur arises before the logarithm, in focus and detector.
	before := c.sigma() / math.Sqrt2
	m.blurKernel = gaussianKernel(math.Sqrt(max(0, before*before-m.pitch*m.pitch/12)), m.pitch)
	m.ramp = rampKernel(m.pitch, before, m.cols)
	square := float64(m.ramp[0] * m.ramp[0])
	for _, x := range m.ramp[1:] {
		square += 2 * float64(x*x)
	}
	clear := ray{soft: noisePath}
	m.noise = c.Noise / (1000 / muWater * math.Pi / math.Sqrt(coneViews) * m.pitch * math.Sqrt(square)) * math.Sqrt(clear.intensity())
	return m
}

// metalMap is the partial volume of one metal body in the small cells of a box, in the
// scan's frame.
type metalMap struct {
	of     alloy
	origin geom.Vec
	size   [3]int
	fill   []uint8
	a, b   geom.Vec // of the capsule around it
	r      float64
}

func newMetalMap(m metal, toJaw, toScan geom.Rigid) *metalMap {
	a, b, r := m.capsule()
	a, b = toScan.Apply(a), toScan.Apply(b)
	o := &metalMap{of: m.alloy(), a: a, b: b, r: r}
	r += metalMapCell
	o.origin = geom.Vec{X: min(a.X, b.X) - r, Y: min(a.Y, b.Y) - r, Z: min(a.Z, b.Z) - r}
	top := geom.Vec{X: max(a.X, b.X) + r, Y: max(a.Y, b.Y) + r, Z: max(a.Z, b.Z) + r}
	d := r3.Sub(top, o.origin)
	o.size = [3]int{int(d.X/metalMapCell) + 1, int(d.Y/metalMapCell) + 1, int(d.Z/metalMapCell) + 1}
	o.fill = make([]uint8, o.size[0]*o.size[1]*o.size[2])
	parallel.For(o.size[2], func(k int) {
		row := make([]float32, o.size[0])
		for j := range o.size[1] {
			clear(row)
			at := r3.Add(o.origin, r3.Scale(metalMapCell, geom.Vec{X: 0.5, Y: float64(j) + 0.5, Z: float64(k) + 0.5}))
			if addFractions(row, at, metalMapCell, metalMapCell, 1, toJaw, m) {
				out := o.fill[(k*o.size[1]+j)*o.size[0]:]
				for i, v := range row {
					out[i] = uint8(math.Round(255 * float64(min(1, v))))
				}
			}
		}
	})
	return o
}

// pathLength is the length of metal on the ray from p in the unit direction d, mm.
func (o *metalMap) pathLength(p, d geom.Vec) float64 {
	// Positions in cells.
	q := r3.Scale(1/metalMapCell, r3.Sub(p, o.origin))
	from, to := 0.0, math.Inf(1)
	for a, n := range o.size {
		x, v := [3]float64{q.X, q.Y, q.Z}[a], [3]float64{d.X, d.Y, d.Z}[a]
		if math.Abs(v) < 1e-12 {
			if x < 0 || x >= float64(n) {
				return 0
			}
			continue
		}
		t0, t1 := -x/v, (float64(n)-x)/v
		from, to = max(from, min(t0, t1)), min(to, max(t0, t1))
	}
	sum := 0
	for t := math.Ceil(from) + 0.5; t < to; t++ {
		i, j, k := int(q.X+t*d.X), int(q.Y+t*d.Y), int(q.Z+t*d.Z)
		if i < o.size[0] && j < o.size[1] && k < o.size[2] {
			sum += int(o.fill[(k*o.size[1]+j)*o.size[0]+i])
		}
	}
	return float64(sum) / 255 * metalMapCell
}

// addMetal projects the metal view by view and adds its reconstruction.
func (m *coneScan) addMetal() {
	const batch = 24 // views at a time
	views := make([][]float32, batch)
	layer := m.size[0] * m.size[1]
	gain := float32(1000 / muWater * math.Pi / coneViews)
	for v0 := 0; v0 < coneViews; v0 += batch {
		parallel.For(batch, func(n int) { views[n] = m.filteredProjection(v0 + n) })
		parallel.For(m.size[2], func(k int) {
			for n, q := range views {
				m.backproject(m.grey[k*layer:][:layer], q, v0+n, k, gain)
			}
		})
	}
}

// filteredProjection is the ramp-filtered attenuation that metal adds to one view, rows
// × cols.
func (m *coneScan) filteredProjection(v int) []float32 {
	sin, cos := math.Sincos(2 * math.Pi * float64(v) / coneViews)
	axis := geom.Vec{X: cos, Y: sin}
	source := r3.Add(m.centre, r3.Scale(sourceDistance, axis))
	n := m.rows * m.cols
	with, without := make([]float32, n), make([]float32, n)
	point := func(x, y float64) geom.Vec {
		return r3.Add(m.centre, geom.Vec{X: -x * sin, Y: x * cos, Z: y})
	}
	scattered := m.shadows.scatter[len(m.shadows.scatter)/2]
	off := m.headShift(v)
	moved := r3.Sub(source, off) // the source as the head sees it
	for at, near := range m.shadowMask(moved, axis, func(x, y float64) geom.Vec { return r3.Sub(point(x, y), off) }) {
		if near == 0 {
			continue
		}
		x, y := float64(at%m.cols-m.half)*m.pitch, float64(at/m.cols+m.row0)*m.pitch
		tissue := m.tissueRay(v, x, y)
		without[at] = float32(tissue.intensity() + scattered)
		with[at] = without[at]
		if near&^blurredOnly == 0 {
			continue
		}
		sum := 0.0
		for i := range subRays * subRays {
			p := point(x+m.pitch*((float64(i%subRays)+0.5)/subRays-0.5), y+m.pitch*((float64(i/subRays)+0.5)/subRays-0.5))
			d := r3.Unit(r3.Sub(p, source))
			ray := tissue
			for k, o := range m.bodies {
				if near&(1<<k) != 0 {
					l := o.pathLength(moved, d)
					ray.metal[o.of] += l
					ray.soft -= l
				}
			}
			sum += ray.intensity()
		}
		with[at] = float32(sum/(subRays*subRays) + scattered)
	}
	m.blur(with)
	m.blur(without)
	out := make([]float32, n)
	line := make([]float32, m.cols)
	from, to := m.columnRange(axis)
	for r := range m.rows {
		y := float64(r+m.row0) * m.pitch
		any := false
		for c := range m.cols {
			at := r*m.cols + c
			line[c] = 0
			got, bare := max(minTransmission, float64(with[at])), max(minTransmission, float64(without[at]))
			if bare-got < 1e-7 {
				continue
			}
			any = true
			value := m.shadows.waterCorrection.at(-math.Log(got)) - m.shadows.waterCorrection.at(-math.Log(bare))
			value += m.noise * math.Sqrt(max(0, 1/got-1/bare)) * float64(normalFromBits(hash64(m.seed, uint64(v), uint64(r+m.row0+1<<20), uint64(c))))
			x := float64(c-m.half) * m.pitch
			line[c] = float32(value * sourceDistance / math.Sqrt(sourceDistance*sourceDistance+x*x+y*y))
		}
		if !any {
			continue
		}
		q := out[r*m.cols:][:m.cols]
		for c, e := range line {
			if e == 0 {
				continue
			}
			e *= float32(m.pitch)
			for i := from; i < to; i++ {
				d := i - c
				if d < 0 {
					d = -d
				}
				q[i] += e * m.ramp[d]
			}
		}
	}
	return out
}

// headShift is the displacement of the head during view v from its mean position.
func (m *coneScan) headShift(v int) geom.Vec {
	share := 0.0
	for _, p := range m.parts {
		if share += p.weight; float64(v) < share*coneViews {
			return p.shift
		}
	}
	return m.parts[len(m.parts)-1].shift
}

// blurredOnly marks an element that no metal shades but whose neighbour's blur
// reaches it.
const blurredOnly = 1 << 31

// shadowMask has a bit set for each body that may attenuate the rays to an element.
func (m *coneScan) shadowMask(source, axis geom.Vec, point func(x, y float64) geom.Vec) []uint32 {
	out := make([]uint32, m.rows*m.cols)
	w := len(m.blurKernel) / 2
	for k, o := range m.bodies {
		lo, hi := m.detectorRange(source, axis, o)
		for r := lo[1]; r < hi[1]; r++ {
			for c := lo[0]; c < hi[0]; c++ {
				d := r3.Unit(r3.Sub(point(float64(c-m.half)*m.pitch, float64(r+m.row0)*m.pitch), source))
				if lineToSegment(source, d, o.a, o.b) > o.r+m.pitch {
					continue
				}
				for y := max(0, r-2*w); y <= min(m.rows-1, r+2*w); y++ {
					for x := max(0, c-2*w); x <= min(m.cols-1, c+2*w); x++ {
						out[y*m.cols+x] |= blurredOnly
					}
				}
				out[r*m.cols+c] |= 1 << k
			}
		}
	}
	return out
}

// detectorRange is the range of columns and rows that a body's capsule may shade, for a
// source that lies sourceDistance along axis from the middle of the turn.
func (m *coneScan) detectorRange(source, axis geom.Vec, o *metalMap) (lo, hi [2]int) {
	lo, hi = [2]int{m.cols, m.rows}, [2]int{}
	across := geom.Vec{X: -axis.Y, Y: axis.X}
	for _, p := range [2]geom.Vec{o.a, o.b} {
		d := r3.Sub(p, source)
		w := sourceDistance / -r3.Dot(d, axis)
		widest := sourceDistance / (-r3.Dot(d, axis) - o.r)
		for a, at := range [2]float64{w*r3.Dot(d, across)/m.pitch + float64(m.half), w*d.Z/m.pitch - float64(m.row0)} {
			reach := 1.2*widest*o.r/m.pitch + 2 // slanted rays see a sphere a little wider
			lo[a] = min(lo[a], int(math.Floor(at-reach)))
			hi[a] = max(hi[a], int(math.Ceil(at+reach))+1)
		}
	}
	return [2]int{max(0, lo[0]), max(0, lo[1])}, [2]int{min(m.cols, hi[0]), min(m.rows, hi[1])}
}

// columnRange is the range of columns that the block's voxels are projected to.
func (m *coneScan) columnRange(axis geom.Vec) (from, to int) {
	near := m.grid.Patient(float64(m.lo[0]), float64(m.lo[1]), 0)
	far := m.grid.Patient(float64(m.hi[0]-1), float64(m.hi[1]-1), 0)
	from, to = m.cols, 0
	for _, x := range [2]float64{near.X - m.centre.X, far.X - m.centre.X} {
		for _, y := range [2]float64{near.Y - m.centre.Y, far.Y - m.centre.Y} {
			u := sourceDistance / (sourceDistance - x*axis.X - y*axis.Y) * (y*axis.X - x*axis.Y) / m.pitch
			from = min(from, int(math.Floor(u))+m.half)
			to = max(to, int(math.Floor(u))+m.half+2)
		}
	}
	return max(0, from), min(m.cols, to)
}

// lineToSegment is the distance between the line through p along the unit
// vector d and the segment from a to b.
func lineToSegment(p, d, a, b geom.Vec) float64 {
	// Across the line, the segment is one in the plane.
	across := func(q geom.Vec) geom.Vec {
		w := r3.Sub(q, p)
		return r3.Sub(w, r3.Scale(r3.Dot(w, d), d))
	}
	u, v := across(a), across(b)
	e := r3.Sub(v, u)
	t := 0.0
	if l := r3.Dot(e, e); l > 0 {
		t = clamp01(-r3.Dot(u, e) / l)
	}
	return norm(r3.Add(u, r3.Scale(t, e)))
}

// tissueRay is what the ray to the detector's (x, y) crosses besides metal. The
// map is of parallel views; over a jaw the cone's rays differ little from them.
func (m *coneScan) tissueRay(v int, x, y float64) ray {
	// The ray travels along the source's direction; a parallel view at angle
	// theta has its bins along (cos theta, sin theta).
	half := coneViews / 2
	z := (m.centre.Z + y - m.grid.Origin.Z) / coarseCell
	z = max(0, min(float64(m.shadows.count)-1.001, z-float64(m.shadows.first)))
	t := v + coneViews/4
	if (t/half)%2 == 1 {
		x = -x
	}
	return m.shadows.rayAt(z, t%half*views/half, x)
}

// blur blurs one view's intensity by focus and detector.
func (m *coneScan) blur(image []float32) {
	w := len(m.blurKernel) / 2
	if w == 0 {
		return
	}
	blurred := make([]float32, len(image))
	for r := range m.rows {
		row := image[r*m.cols:][:m.cols]
		for c := range row {
			var sum float32
			for i, k := range m.blurKernel {
				sum += k * row[max(0, min(m.cols-1, c+i-w))]
			}
			blurred[r*m.cols+c] = sum
		}
	}
	for r := range m.rows {
		out := image[r*m.cols:][:m.cols]
		clear(out)
		for i, k := range m.blurKernel {
			row := blurred[max(0, min(m.rows-1, r+i-w))*m.cols:][:m.cols]
			for c, x := range row {
				out[c] += k * x
			}
		}
	}
}

// noMetal reports whether a filtered view has no metal in the rows that slice k projects
// to: they are zero throughout.
func (m *coneScan) noMetal(q []float32, k int) bool {
	z := m.grid.Patient(0, 0, float64(m.lo[2]+k)).Z - m.centre.Z
	r := m.fieldRadius()
	near, far := z*sourceDistance/(sourceDistance-r), z*sourceDistance/(sourceDistance+r)
	from := max(0, int(math.Floor(min(near, far)/m.pitch))-m.row0)
	to := min(m.rows-1, int(math.Floor(max(near, far)/m.pitch))-m.row0+1)
	for r := from; r <= to; r++ {
		if slices.ContainsFunc(q[r*m.cols:][:m.cols], func(x float32) bool { return x != 0 }) {
			return false
		}
	}
	return true
}

// backproject adds one filtered view to slice k of the block.
func (m *coneScan) backproject(out, q []float32, v, k int, gain float32) {
	sin, cos := math.Sincos(2 * math.Pi * float64(v) / coneViews)
	if m.noMetal(q, k) {
		return
	}
	first := r3.Sub(m.grid.Patient(float64(m.lo[0]), float64(m.lo[1]), float64(m.lo[2]+k)), m.centre)
	for j := range m.size[1] {
		y := first.Y + float64(j)*m.scan.Voxel
		row := out[j*m.size[0]:][:m.size[0]]
		i0, i1 := m.columnsInField(j)
		for i := i0; i < i1; i++ {
			x := first.X + float64(i)*m.scan.Voxel
			w := sourceDistance / (sourceDistance - x*cos - y*sin)
			u := w*(y*cos-x*sin)/m.pitch + float64(m.half)
			v := w*first.Z/m.pitch - float64(m.row0)
			c, r := int(u), int(v)
			if u < 0 || v < 0 || c+1 >= m.cols || r+1 >= m.rows {
				continue
			}
			fx, fy := float32(u-float64(c)), float32(v-float64(r))
			a, b := q[r*m.cols+c:], q[(r+1)*m.cols+c:]
			top, low := a[0]+fx*(a[1]-a[0]), b[0]+fx*(b[1]-b[0])
			row[i] += gain * float32(w*w) * (top + fy*(low-top))
		}
	}
}
