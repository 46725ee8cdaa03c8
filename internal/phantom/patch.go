package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// metalFraction is the partial volume of one metal body in each voxel of a box.
type metalFraction struct {
	of     alloy
	lo, hi [3]int
	size   [3]int
	sharp  []float32 // averaged over the voxel
	blurry []float32 // and after the point spread
}

// fineCell is the largest edge of the cells that metal is rendered in, mm. The
// blur is then sampled at a third of its width or finer, where a sampled
// Gaussian equals the continuous one to 1e-6.
const fineCell = 0.1

// rasteriseMetal computes the partial volumes of the scan's metal in the slices from kLow (included) to kHigh
// (excluded), each body on its own fine cells.
func (st *scanScene) rasteriseMetal(g volume.Grid, c Scan, parts []headPosition, kLow, kHigh int) []*metalFraction {
	bodies := st.metalPre
	if st.post {
		bodies = st.metalPost
	}
	toScan := st.toOwn.Inverse()
	var patches []*metalFraction
	for _, m := range bodies {
		a, b, r := m.capsule()
		p := &metalFraction{of: m.alloy()}
		p.setBox(g, toScan.Apply(a), toScan.Apply(b), r+c.Motion+3.5*c.sigma()+c.Voxel, c.sliceStep(), kLow, kHigh)
		if p.size[0] > 0 && p.size[1] > 0 && p.size[2] > 0 {
			p.rasterise(g, c, parts, st.toOwn, m)
			patches = append(patches, p)
		}
	}
	return patches
}

// setBox sets the range of voxels, which may reach outside the scan in the slice.
func (p *metalFraction) setBox(g volume.Grid, a, b geom.Vec, r, slice float64, kLow, kHigh int) {
	ai, aj, ak := g.Index(a)
	bi, bj, bk := g.Index(b)
	from, to := [3]float64{ai, aj, ak}, [3]float64{bi, bj, bk}
	for n, s := range g.Spacing() {
		p.lo[n] = int(math.Floor(min(from[n], to[n]) - r/s))
		p.hi[n] = int(math.Ceil(max(from[n], to[n])+r/s)) + 1
	}
	p.lo[2], p.hi[2] = max(p.lo[2], kLow), min(p.hi[2], kHigh)
	for n := range 3 {
		p.size[n] = max(0, p.hi[n]-p.lo[n])
	}
}

// blurredBoxWeights is the weight of each fine cell for a voxel, from the voxel's
// centre outwards: the voxel's box blurred by a Gaussian. A cell is an average
// itself, so the Gaussian is narrower by a cell's variance.
func blurredBoxWeights(sigma, voxel float64, f int) []float32 {
	cell := voxel / float64(f)
	sigma = math.Sqrt(max(0, sigma*sigma-cell*cell/12))
	n := f // reaches f cells past the voxel's faces at least
	if sigma > 0 {
		n = max(n, int(math.Ceil(3.5*sigma/cell)))
	}
	w := make([]float64, f+2*n)
	sum := 0.0
	for i := range w {
		x := (float64(i-n) + 0.5 - float64(f)/2) * cell
		if sigma > 0 {
			w[i] = math.Erf((x+voxel/2)/(math.Sqrt2*sigma)) - math.Erf((x-voxel/2)/(math.Sqrt2*sigma))
		} else if math.Abs(x) < voxel/2 {
			w[i] = 1
		}
		sum += w[i]
	}
	out := make([]float32, len(w))
	for i := range w {
		out[i] = float32(w[i] / sum)
	}
	return out
}

// rasterise renders the body into fine cells and gathers them into voxels, sharp and
// blurred.
func (p *metalFraction) rasterise(g volume.Grid, c Scan, parts []headPosition, toJaw geom.Rigid, m metal) {
	f := max(2, int(math.Ceil(c.Voxel/fineCell-1e-9)))
	fz := max(2, int(math.Ceil(c.sliceStep()/fineCell-1e-9)))
	blurX, blurZ := blurredBoxWeights(c.sigma(), c.Voxel, f), blurredBoxWeights(c.sigma(), c.sliceStep(), fz)
	boxX, boxZ := blurredBoxWeights(0, c.Voxel, f), blurredBoxWeights(0, c.sliceStep(), fz)
	marginX, marginZ := (len(blurX)-f)/2, (len(blurZ)-fz)/2
	nx, ny, nz := p.size[0]*f+2*marginX, p.size[1]*f+2*marginX, p.size[2]*fz+2*marginZ

	sx, sy := p.size[0], p.size[1]
	layer := sx * sy
	sharp, blurry := make([]float32, layer*nz), make([]float32, layer*nz)
	cellX, cellZ := c.Voxel/float64(f), c.sliceStep()/float64(fz)
	first := g.Patient(float64(p.lo[0])-0.5, float64(p.lo[1])-0.5, float64(p.lo[2])-0.5)
	first.X += (0.5 - float64(marginX)) * cellX
	first.Y += (0.5 - float64(marginX)) * cellX
	first.Z += (0.5 - float64(marginZ)) * cellZ
	parallel.For(nz, func(k int) {
		row := make([]float32, nx)
		rowsSharp, rowsBlurry := make([]float32, sx*ny), make([]float32, sx*ny)
		any := false
		for j := range ny {
			clear(row)
			hit := false
			for _, pt := range parts {
				at := geom.Vec{X: first.X, Y: first.Y + float64(j)*cellX, Z: first.Z + float64(k)*cellZ}
				hit = addFractions(row, r3.Sub(at, pt.shift), cellX, max(cellX, cellZ), float32(pt.weight), toJaw, m) || hit
			}
			if !hit {
				continue
			}
			any = true
			downsampleRow(rowsBlurry[j*sx:][:sx], row, blurX, f)
			downsampleRow(rowsSharp[j*sx:][:sx], row[marginX-(len(boxX)-f)/2:], boxX, f)
		}
		if !any {
			return
		}
		downsampleRows(blurry[k*layer:][:layer], rowsBlurry, sx, blurX, f)
		downsampleRows(sharp[k*layer:][:layer], rowsSharp[(marginX-(len(boxX)-f)/2)*sx:], sx, boxX, f)
	})
	p.sharp, p.blurry = make([]float32, layer*p.size[2]), make([]float32, layer*p.size[2])
	parallel.For(p.size[2], func(k int) {
		addWeighted(p.blurry[k*layer:][:layer], blurry[k*fz*layer:], layer, blurZ)
		addWeighted(p.sharp[k*layer:][:layer], sharp[(k*fz+marginZ-(len(boxZ)-fz)/2)*layer:], layer, boxZ)
	})
}

// addFractions adds to row the partial volume of the body in each cell along x, and
// reports whether there is any. Steps as large as the distance to the surface allows
// skip what is all inside or outside (sphere tracing).
func addFractions(row []float32, at geom.Vec, step, cell float64, weight float32, toJaw geom.Rigid, m metal) bool {
	hit := false
	q := toJaw.Apply(at)
	along := toJaw.Rotate(geom.Vec{X: step})
	// Within a thread's depth of the surface the distance may be too large, so
	// leaps stop short of it.
	const outside, inside, careful = 0.3, 0.5, 0.6
	for i := 0; i < len(row); {
		d := m.distance(r3.Add(q, r3.Scale(float64(i), along)))
		n := 1
		v := float32(0)
		switch {
		case d > 0:
			n = max(1, int(careful*(d-outside)/step))
		case d < 0:
			n = max(1, int(careful*(-d-inside)/step))
		}
		if v = float32(planeFraction(d, cell)); v > 0 {
			hit = true
			for k := i; k < min(i+n, len(row)); k++ {
				row[k] += weight * v
			}
		}
		i += n
	}
	return hit
}

// downsampleRow sums weighted fine cells into voxels along a row.
func downsampleRow(out, fine, w []float32, f int) {
	for i := range out {
		var s float32
		for k, x := range fine[i*f:][:len(w)] {
			s += w[k] * x
		}
		out[i] = s
	}
}

// downsampleRows sums weighted fine rows into voxel rows.
func downsampleRows(out, rows []float32, width int, w []float32, f int) {
	for j := 0; j*width < len(out); j++ {
		addWeighted(out[j*width:][:width], rows[j*f*width:], width, w)
	}
}

// addMetal mixes the metal into the tissue by its partial volume.
func (b *block) addMetal(patches []*metalFraction) { b.replace(patches, metalGrey) }

// replace moves each voxel towards the grey value of the alloy, by its partial volume.
func (b *block) replace(patches []*metalFraction, greys [alloys]float64) {
	for _, p := range patches {
		grey := float32(greys[p.of])
		parallel.For(p.size[2], func(k int) {
			z := p.lo[2] + k - b.lo[2]
			if z < 0 || z >= b.size[2] {
				return
			}
			for j := range p.size[1] {
				y := p.lo[1] + j - b.lo[1]
				if y < 0 || y >= b.size[1] {
					continue
				}
				src := p.blurry[(k*p.size[1]+j)*p.size[0]:][:p.size[0]]
				dst := b.grey[(z*b.size[1]+y)*b.size[0]:][:b.size[0]]
				for i, v := range src {
					if x := p.lo[0] + i - b.lo[0]; v > 0 && x >= 0 && x < len(dst) {
						dst[x] += v * (grey - dst[x])
					}
				}
			}
		})
	}
}
