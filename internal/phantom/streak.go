package phantom

import (
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// Artefacts are computed from parallel projections of each slice: the polychromatic
// attenuation by tissue and metal, with scatter and photon noise, less the
// monochromatic one. The filtered back-projection of the difference is the artefact,
// which is added to the exact image. So edges stay in place, and cupping, dark and
// bright bands between metal and the noise along them are realistic in kind and size.
//
// Method: filtered back-projection, A. C. Kak and M. Slaney, Principles of
// Computerized Tomographic Imaging, IEEE Press 1988, section 3.3.

const (
	views       = 300 // over half a turn
	coarseCell  = 2.0 // of the map of tissue, mm
	coarseSpan  = 80  // its cells along each edge; 160 mm hold a head
	coarseViews = views / 2
	coarsePitch = 2.0  // of the detector for tissue, mm
	coarseBins  = 116  // 232 mm hold the map's diagonal
	scatter     = 0.02 // of the mean primary beam, what a machine's correction leaves
)

// tissueProjections are the path lengths of all but metal for the slices that a block
// needs.
type tissueProjections struct {
	first, count    int       // coarse slices, coarseCell apart along z from the scan's first slice
	x, y            float64   // of the map's middle and the rotation's axis, mm
	soft, bone      []float32 // mm, [slice][view 0…coarseViews][bin]
	scatter         []float64 // intensity, per slice
	waterCorrection *waterCorrection
}

// addStreaks adds the artefacts of beam hardening, scatter and photon starvation.
func (st *scanScene) addStreaks(b *block, c Scan, patches []*metalFraction) {
	s := st.projectTissue(b, c)
	st.addTissueHardening(b, c, s)
	st.addMetalArtefact(b, c, s, patches)
}

// axis is the axis of rotation, the middle of the scan's field.
func (b *block) axis() (x, y float64) {
	p := b.grid.Centre()
	return p.X, p.Y
}

// projectTissue computes the projections of everything but metal.
func (st *scanScene) projectTissue(b *block, c Scan) *tissueProjections {
	s := &tissueProjections{waterCorrection: newWaterCorrection()}
	around := len(sliceKernel(c)) / 2
	s.first = int(math.Floor(float64(b.lo[2]-around) * c.sliceStep() / coarseCell))
	s.count = int(math.Floor(float64(b.hi[2]-1+around)*c.sliceStep()/coarseCell)) + 2 - s.first
	head := st.toSkull.Inverse().Apply(geom.Vec{Y: headMiddle})
	s.x, s.y = b.axis()
	// The map is centred on the head, to the nearest cell from the axis.
	ox := s.x + coarseCell*math.Round((head.X-s.x)/coarseCell)
	oy := s.y + coarseCell*math.Round((head.Y-s.y)/coarseCell)

	const n = coarseSpan
	size := (coarseViews + 1) * coarseBins
	s.soft, s.bone = make([]float32, s.count*size), make([]float32, s.count*size)
	s.scatter = make([]float64, s.count)
	parallel.For(s.count, func(k int) {
		z := b.grid.Origin.Z + float64(s.first+k)*coarseCell
		soft, bone := make([]float32, n*n), make([]float32, n*n)
		st.fillDensityMap(soft, bone, ox, oy, z)
		at := k * size
		for v := range coarseViews + 1 {
			theta := math.Pi * float64(v) / coarseViews
			s.project(s.soft[at+v*coarseBins:], s.bone[at+v*coarseBins:], soft, bone, theta, ox-s.x, oy-s.y)
		}
		s.scatter[k] = scatter * c.Streaks * s.meanIntensity(s.soft[at:][:size], s.bone[at:][:size])
	})
	return s
}

// fillDensityMap computes one slice of the coarse map, in densities of water.
func (st *scanScene) fillDensityMap(soft, bone []float32, ox, oy, z float64) {
	const n, group = coarseSpan, 4
	for j0 := 0; j0 < n; j0 += group {
		for i0 := 0; i0 < n; i0 += group {
			at := func(i, j float64) geom.Vec {
				return geom.Vec{X: ox + (i-float64(n-1)/2)*coarseCell, Y: oy + (j-float64(n-1)/2)*coarseCell, Z: z}
			}
			t := st.bodiesNear(at(float64(i0)+1.5, float64(j0)+1.5), coarseCell*group/math.Sqrt2)
			for j := j0; j < j0+group; j++ {
				for i := i0; i < i0+group; i++ {
					g := t.grey
					if !t.plain {
						g, _ = st.grey(&t, at(float64(i), float64(j)), coarseCell)
					}
					rho := max(0, g/1000+1)
					soft[j*n+i] = float32(min(rho, softTop))
					bone[j*n+i] = float32(max(0, rho-softTop))
				}
			}
		}
	}
}

// project integrates the density map along the rays of one view.
func (s *tissueProjections) project(soft, bone, mapSoft, mapBone []float32, theta, dx, dy float64) {
	const n = coarseSpan
	sin, cos := math.Sincos(theta)
	reach := float64(n) / 2 * coarseCell * math.Sqrt2
	for u := range coarseBins {
		r := (float64(u) - float64(coarseBins-1)/2) * coarsePitch
		// The ray is axis + r·(cos, sin) + l·(−sin, cos); its foot next to the
		// map's middle is at l0.
		l0 := -dx*sin + dy*cos
		if math.Abs(r-(dx*cos+dy*sin)) > reach {
			continue
		}
		from, to := clipToMap(r*cos-dx, -sin, l0-reach, l0+reach)
		from, to = clipToMap(r*sin-dy, cos, from, to)
		var a, bb float32
		first := math.Ceil((from - (l0 - reach)) / coarseCell)
		for l := l0 - reach + first*coarseCell; l <= to; l += coarseCell {
			x := (r*cos-l*sin-dx)/coarseCell + float64(n-1)/2
			y := (r*sin+l*cos-dy)/coarseCell + float64(n-1)/2
			if x < 0 || y < 0 || x >= n-1 || y >= n-1 {
				continue
			}
			i, j := int(x), int(y)
			fx, fy := float32(x-float64(i)), float32(y-float64(j))
			at := j*n + i
			w00, w10, w01, w11 := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
			a += w00*mapSoft[at] + w10*mapSoft[at+1] + w01*mapSoft[at+n] + w11*mapSoft[at+n+1]
			bb += w00*mapBone[at] + w10*mapBone[at+1] + w01*mapBone[at+n] + w11*mapBone[at+n+1]
		}
		soft[u], bone[u] = a*coarseCell, bb*coarseCell
	}
}

// clipToMap narrows from…to to where a + l·b lies within the coarse map's half
// width, mm.
func clipToMap(a, b, from, to float64) (float64, float64) {
	const half = coarseSpan * coarseCell / 2
	if math.Abs(b) < 1e-9 {
		return from, to
	}
	x, y := (-half-a)/b, (half-a)/b
	return max(from, min(x, y)), min(to, max(x, y))
}

// meanIntensity is the mean over the rays that cross at least 20 mm.
func (s *tissueProjections) meanIntensity(soft, bone []float32) float64 {
	sum, n := 0.0, 0
	for i := 0; i < len(soft); i += 7 {
		if soft[i] > 20 {
			r := ray{soft: float64(soft[i]), bone: float64(bone[i])}
			sum += r.intensity()
			n++
		}
	}
	return sum / float64(max(1, n))
}

// rampKernel samples the ramp filter with a Gaussian window of the given
// width, mm, at steps of pitch: ∫ |f|·exp(−2π²σ²f²)·cos(2πfu) df up to the
// Nyquist frequency, from 0 to n steps, 1/mm².
func rampKernel(pitch, sigma float64, n int) []float32 {
	const m = 400
	top := 1 / (2 * pitch)
	df := top / m
	out := make([]float32, n+1)
	for i := range out {
		u := float64(i) * pitch
		sum := 0.0
		for k := range m {
			// Midpoints; with u·top up to n/2 periods the sum needs df·u < 1/2.
			f := (float64(k) + 0.5) * df
			sum += f * math.Exp(-2*math.Pi*math.Pi*sigma*sigma*f*f) * math.Cos(2*math.Pi*f*u)
		}
		out[i] = float32(2 * sum * df)
	}
	return out
}

// addTissueHardening adds the cupping and bands of beam hardening by tissue alone.
func (st *scanScene) addTissueHardening(b *block, c Scan, s *tissueProjections) {
	h := rampKernel(coarsePitch, 0.8, coarseBins)
	size := (coarseViews + 1) * coarseBins
	nx := int(math.Ceil(b.fieldRadius()/coarseCell)) + 2 // cells from the axis outwards
	width := 2*nx + 1
	layers := make([]float32, s.count*width*width)
	gain := float32(1000 / muWater * math.Pi / coarseViews * c.Streaks)
	parallel.For(s.count, func(k int) {
		out := layers[k*width*width:][:width*width]
		e := make([]float32, coarseBins)
		q := make([]float32, coarseBins)
		for v := range coarseViews {
			at := k*size + v*coarseBins
			for u := range e {
				r := ray{soft: float64(s.soft[at+u]), bone: float64(s.bone[at+u])}
				e[u] = 0
				if r.soft > 0 {
					p := -math.Log(r.intensity() + s.scatter[k])
					e[u] = float32(s.waterCorrection.at(p) - muWater*(r.soft+r.bone))
				}
			}
			for u := range q {
				sum := float32(0)
				for w, x := range e {
					d := u - w
					if d < 0 {
						d = -d
					}
					sum += h[d] * x
				}
				q[u] = sum * coarsePitch
			}
			sin, cos := math.Sincos(math.Pi * float64(v) / coarseViews)
			for j := range width {
				for i := range width {
					r := (float64(i-nx)*cos+float64(j-nx)*sin)*coarseCell/coarsePitch + float64(coarseBins-1)/2
					w := int(r)
					if w < 0 || w+1 >= coarseBins {
						continue
					}
					f := float32(r - float64(w))
					out[j*width+i] += gain * (q[w] + f*(q[w+1]-q[w]))
				}
			}
		}
	})
	parallel.For(b.size[2], func(k int) {
		z := float64(b.lo[2]+k)*c.sliceStep()/coarseCell - float64(s.first)
		k0 := int(z)
		fz := float32(z - float64(k0))
		l0, l1 := layers[k0*width*width:][:width*width], layers[(k0+1)*width*width:][:width*width]
		for j := range b.size[1] {
			y := (float64(b.lo[1]+j)-float64(b.grid.Size[1]-1)/2)*c.Voxel/coarseCell + float64(nx)
			j0 := int(y)
			fy := float32(y - float64(j0))
			for i := range b.size[0] {
				x := (float64(b.lo[0]+i)-float64(b.grid.Size[0]-1)/2)*c.Voxel/coarseCell + float64(nx)
				i0 := int(x)
				fx := float32(x - float64(i0))
				at := j0*width + i0
				plane := func(l []float32) float32 {
					a := l[at] + fx*(l[at+1]-l[at])
					d := l[at+width] + fx*(l[at+width+1]-l[at+width])
					return a + fy*(d-a)
				}
				a := plane(l0)
				b.grey[(k*b.size[1]+j)*b.size[0]+i] += a + fz*(plane(l1)-a)
			}
		}
	})
}

// rayAt interpolates the path lengths of a ray in tissue: z in coarse slices from the
// first, v the fine view, u mm from the axis.
func (s *tissueProjections) rayAt(z float64, v int, u float64) ray {
	x := max(0, min(coarseBins-1.001, u/coarsePitch+float64(coarseBins-1)/2))
	i, k := int(x), int(z)
	fx, fz := float32(x-float64(i)), float32(z-float64(k))
	size := (coarseViews + 1) * coarseBins
	at := k*size + v/2*coarseBins + i
	half := float32(v%2) / 2
	sample := func(p []float32) float64 {
		row := func(at int) float32 { return p[at] + fx*(p[at+1]-p[at]) }
		a := row(at) + half*(row(at+coarseBins)-row(at))
		b := row(at+size) + half*(row(at+size+coarseBins)-row(at+size))
		return float64(a + fz*(b-a))
	}
	return ray{soft: sample(s.soft), bone: sample(s.bone)}
}
