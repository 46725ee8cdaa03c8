package phantom

import (
	"math"

	"plumbline/internal/parallel"
)

// detector samples the parallel projections of metal: bins of pitch mm, a whole number
// of them to a voxel, from −half to half about the axis.
type detector struct {
	bins  int
	pitch float64
	half  int
	// footprint is the share of a voxel's area that falls on each of footBins bins,
	// for each view and each of phases places of the voxel's middle in a bin.
	footprint [][footprintPhases][footprintBins]float32
	cos       []float64
	sin       []float64
}

const (
	footprintPhases = 16
	footprintBins   = 6
	// widestBin of the detector, mm; a machine's, seen in the patient.
	widestBin = 0.2
	// backprojectionUpsampling is how finely the filtered shadow is tabulated for projecting
	// back, in parts of a voxel.
	backprojectionUpsampling = 4
	// minTransmission is the least transmitted fraction that is detected (photon
	// starvation); it keeps the logarithm and the noise finite.
	minTransmission = 2e-5
	// noisePath is the path in water, mm, for which Scan.Noise is stated.
	noisePath = 130.0
)

func newDetector(voxel, reach float64) *detector {
	d := &detector{bins: int(math.Ceil(voxel/widestBin - 1e-9))}
	d.pitch = voxel / float64(d.bins)
	d.half = int(math.Ceil(reach/d.pitch)) + 2*footprintBins
	for v := range views {
		sin, cos := math.Sincos(math.Pi * float64(v) / views)
		d.cos, d.sin = append(d.cos, cos), append(d.sin, sin)
		// A square seen under an angle casts a trapezoid: the convolution of
		// two boxes, whose integral is the second difference of a parabola.
		a, b := voxel*math.Abs(cos)/d.pitch, voxel*math.Abs(sin)/d.pitch
		a, b = max(a, 1e-3), max(b, 1e-3)
		ramp := func(x float64) float64 { // ∫∫ of a step
			if x < 0 {
				return 0
			}
			return x * x / 2
		}
		below := func(x float64) float64 { // share of the shadow left of x, by a difference in each width
			g := func(y float64) float64 { return ramp(y+b/2) - ramp(y-b/2) }
			return (g(x+a/2) - g(x-a/2)) / (a * b)
		}
		var rows [footprintPhases][footprintBins]float32
		for p := range footprintPhases {
			middle := (float64(p) + 0.5) / footprintPhases // of the voxel, from the bin's low edge
			for k := range footprintBins {
				edge := float64(k - footprintBins/2 + 1)
				rows[p][k] = float32(below(edge+0.5+0.5-middle) - below(edge-0.5+0.5-middle))
			}
		}
		d.footprint = append(d.footprint, rows)
	}
	return d
}

// metalVoxel is the metal in one voxel of a slice.
type metalVoxel struct {
	x, y float64 // from the axis, mm
	fill float32 // mm² of metal
	of   alloy
}

// metalVoxels lists the metal of slice k of the scan.
func (b *block) metalVoxels(c Scan, patches []*metalFraction, k int) (list []metalVoxel, reach float64) {
	for _, p := range patches {
		if k < p.lo[2] || k >= p.hi[2] {
			continue
		}
		at := (k - p.lo[2]) * p.size[0] * p.size[1]
		for j := range p.size[1] {
			for i := range p.size[0] {
				v := p.sharp[at+j*p.size[0]+i]
				if v <= 1e-4 {
					continue
				}
				x := (float64(p.lo[0]+i) - float64(b.grid.Size[0]-1)/2) * c.Voxel
				y := (float64(p.lo[1]+j) - float64(b.grid.Size[1]-1)/2) * c.Voxel
				list = append(list, metalVoxel{x, y, v * float32(c.Voxel*c.Voxel), p.of})
				reach = max(reach, x*x+y*y)
			}
		}
	}
	return list, math.Sqrt(reach)
}

// addMetalArtefact adds beam hardening, scatter and photon starvation of metal, slice
// by slice.
func (st *scanScene) addMetalArtefact(b *block, c Scan, s *tissueProjections, patches []*metalFraction) {
	if len(patches) == 0 {
		return
	}
	reach := b.fieldRadius()
	for _, p := range patches {
		for a := range 2 {
			for _, i := range [2]int{p.lo[a], p.hi[a]} {
				reach = max(reach, math.Sqrt2*math.Abs(float64(i)-float64(b.grid.Size[a])/2)*c.Voxel)
			}
		}
	}
	d := newDetector(c.Voxel, reach+c.Voxel)
	// Half of the blur arises before the logarithm, in focus and detector; the
	// rest is the reconstruction's.
	before := c.sigma() / math.Sqrt2
	h := rampKernel(d.pitch, math.Sqrt(c.sigma()*c.sigma()-before*before), 2*d.half)
	pre := gaussianKernel(before, d.pitch)
	seed := hash64(st.spec.Seed, 19, boolBit(st.post), 0)

	// Noise of one bin that gives the stated noise after reconstruction.
	square := float64(h[0] * h[0])
	for _, x := range h[1:] {
		square += 2 * float64(x*x)
	}
	noise := c.Noise / (1000 / muWater * math.Pi / math.Sqrt(views) * d.pitch * math.Sqrt(square))
	clear := ray{soft: noisePath}
	sh := &metalArtefact{detector: d, scan: c, shadows: s, ramp: h, blurKernel: pre, noise: noise * math.Sqrt(clear.intensity()), seed: seed}
	// The point spread blurs an artefact along z as it does the metal itself; else the
	// end of a body across z would appear farther out than it is.
	psf := sliceKernel(c)
	around := len(psf) / 2
	layers := make([][]float32, b.size[2]+2*around)
	parallel.For(len(layers), func(k int) {
		grains, _ := b.metalVoxels(c, patches, b.lo[2]+k-around)
		if len(grains) > 0 {
			layers[k] = sh.reconstruct(b, b.lo[2]+k-around, grains)
		}
	})
	parallel.For(b.size[2], func(k int) {
		out := b.grey[k*b.size[0]*b.size[1]:]
		for n, w := range psf {
			for i, x := range layers[k+n] {
				out[i] += w * x
			}
		}
	})
}

// sliceKernel is the point spread along z, slice steps.
func sliceKernel(c Scan) []float32 { return gaussianKernel(c.sigma(), c.sliceStep()) }

// metalArtefact computes the metal artefact of a slice.
type metalArtefact struct {
	*detector
	scan       Scan
	shadows    *tissueProjections
	ramp       []float32
	blurKernel []float32
	noise      float64 // of −ln(I) at full intensity
	seed       uint64
}

// reconstruct is the filtered back-projection of the projection errors of the metal in
// slice k of the scan, over the block's columns and rows.
func (s *metalArtefact) reconstruct(b *block, k int, grains []metalVoxel) []float32 {
	n := 2*s.half + 1
	var path [alloys][]float32
	for a := range path {
		path[a] = make([]float32, n)
	}
	e := make([]float32, n)
	field := int(math.Ceil(b.fieldRadius()/s.scan.Voxel)) + 3 // outputs a voxel apart, from −field to field
	q := make([]float32, 2*field+1)
	table := make([]float32, 2*field*backprojectionUpsampling)
	work := make([]float32, 4*n)
	sum := make([]float32, b.size[0]*b.size[1])
	z := float64(k)*s.scan.sliceStep()/coarseCell - float64(s.shadows.first)
	for v := range views {
		for a := range path {
			clear(path[a])
		}
		lo, hi := n, 0
		for i := range grains {
			g := &grains[i]
			u := (g.x*s.cos[v]+g.y*s.sin[v])/s.pitch + float64(s.half) + 0.5
			bin := int(u)
			foot := &s.footprint[v][int((u-float64(bin))*footprintPhases)]
			first := bin - footprintBins/2 + 1
			row := path[g.of][first:][:footprintBins]
			for m, w := range foot {
				row[m] += w * g.fill
			}
			lo, hi = min(lo, first), max(hi, first+footprintBins)
		}
		m := len(s.blurKernel) / 2
		lo, hi = max(m, lo-m), min(n-m, hi+m)
		s.projectionErrors(e, path, work, lo, hi, v, k, z)
		s.filter(q, e, lo, hi, field)
		upsampleCubic(table, q)
		s.backproject(sum, table, b, v, field)
	}
	gain := float32(1000 / muWater * math.Pi / views * s.scan.Streaks)
	for i := range sum {
		sum[i] *= gain
	}
	return sum
}

// projectionErrors sets e from lo to hi to the measured attenuation of metal, after the
// correction for water, less the monochromatic one, of view v.
func (s *metalArtefact) projectionErrors(e []float32, path [alloys][]float32, work []float32, lo, hi, v, k int, z float64) {
	n := len(e)
	with, without, mono := work[:n], work[n:2*n], work[2*n:3*n]
	m := len(s.blurKernel) / 2
	perBin := float32(1 / s.pitch)
	scatter := float32(s.shadows.scatterAt(z))
	for u := lo - m; u < hi+m; u++ {
		r := s.shadows.rayAt(z, v, float64(u-s.half)*s.pitch)
		without[u] = float32(r.intensity()) + scatter
		with[u] = without[u]
		mono[u] = 0
		for a := range path {
			if x := path[a][u] * perBin; x > 0 {
				r.metal[a] = float64(x)
				mono[u] += x * float32(muMetal(alloy(a), reference))
			}
		}
		if mono[u] > 0 {
			with[u] = float32(r.intensity()) + scatter
		}
	}
	for u := lo; u < hi; u++ {
		var a, b, c float32
		for i, w := range s.blurKernel {
			a += w * with[u+i-m]
			b += w * without[u+i-m]
			c += w * mono[u+i-m]
		}
		e[u] = 0
		if c < 1e-4 {
			continue
		}
		got, bare := max(minTransmission, float64(a)), max(minTransmission, float64(b))
		value := s.shadows.waterCorrection.at(-math.Log(got)) - s.shadows.waterCorrection.at(-math.Log(bare)) - float64(c)
		// Quantum noise beyond that without metal, which addNoise gives.
		extra := s.noise * math.Sqrt(max(0, 1/got-1/bare))
		value += extra * float64(normalFromBits(hash64(s.seed, uint64(k), uint64(v), uint64(u))))
		e[u] = float32(value)
	}
}

// scatterAt interpolates the scatter between coarse slices.
func (s *tissueProjections) scatterAt(z float64) float64 {
	k := int(z)
	return s.scatter[k] + (z-float64(k))*(s.scatter[k+1]-s.scatter[k])
}

// filter convolves a projection, nonzero from lo to hi, with the ramp kernel; q is at
// voxel steps.
func (s *metalArtefact) filter(q, e []float32, lo, hi, field int) {
	for i := range q {
		at := (i-field)*s.bins + s.half
		var sum float32
		for u, x := range e[lo:hi] {
			d := at - (lo + u)
			if d < 0 {
				d = -d
			}
			if d < len(s.ramp) {
				sum += s.ramp[d] * x
			}
		}
		q[i] = sum * float32(s.pitch)
	}
}

// upsampleCubic interpolates q between its samples by the cubic of Catmull and Rom.
func upsampleCubic(table, q []float32) {
	for i := range len(q) - 1 {
		p0, p1, p2, p3 := q[max(0, i-1)], q[i], q[i+1], q[min(len(q)-1, i+2)]
		for k := range backprojectionUpsampling {
			t := (float32(k) + 0.5) / backprojectionUpsampling
			table[i*backprojectionUpsampling+k] = p1 + 0.5*t*(p2-p0+t*(2*p0-5*p1+4*p2-p3+t*(3*(p1-p2)+p3-p0)))
		}
	}
}

// backproject adds one filtered view to a slice of the block.
func (s *metalArtefact) backproject(sum, table []float32, b *block, v, field int) {
	// Positions in the table in units of 2⁻¹⁶, counted from the whole scan's
	// first column, so that a block gets the same sums as the whole.
	const unit = 1 << 16
	dx := int64(math.Round(s.cos[v] * backprojectionUpsampling * unit))
	dy := int64(math.Round(s.sin[v] * backprojectionUpsampling * unit))
	cx, cy := float64(b.grid.Size[0]-1)/2, float64(b.grid.Size[1]-1)/2
	start := int64(math.Round((float64(field) - cx*s.cos[v] - cy*s.sin[v]) * backprojectionUpsampling * unit))
	for j := range b.size[1] {
		i0, i1 := b.columnsInField(j)
		at := start + int64(b.lo[1]+j)*dy + int64(b.lo[0]+i0)*dx
		row := sum[j*b.size[0]:][:b.size[0]]
		for i := i0; i < i1; i++ {
			row[i] += table[at>>16]
			at += dx
		}
	}
}

// columnsInField is the range of columns of row j of the block that lie in the field.
func (b *block) columnsInField(j int) (i0, i1 int) {
	y := (float64(b.lo[1]+j) - float64(b.grid.Size[1]-1)/2) * b.grid.Step[1].Y
	r := b.fieldRadius()
	w := math.Sqrt(max(0, r*r-y*y))/b.grid.Step[0].X + 0.5
	mid := float64(b.grid.Size[0]-1) / 2
	i0 = max(0, int(math.Ceil(mid-w))-b.lo[0])
	i1 = min(b.size[0], int(math.Floor(mid+w))+1-b.lo[0])
	return i0, max(i0, i1)
}
