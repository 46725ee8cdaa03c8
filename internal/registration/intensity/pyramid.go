package intensity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// level is one level of the resolution pyramid with its optimisation.
type level struct {
	cell          float64 // mm, aimed at by binning whole voxels; 0: the scan's own voxels
	sigma         float64 // mm, standard deviation of the smoothing; at least minSigma voxels
	sampleSpacing float64 // mm between samples, aimed at; 0: every cell
	blockSide     float64 // mm, see samples
	maxIterations int
	maxStep       float64 // mm, longest displacement by one step
	tolerance     float64 // mm, displacement by a step below which the optimisation has converged
}

// minSigma, voxels: below this the cubic B-spline alone smooths more.
const minSigma = 0.9

// The levels from coarse to fine. The first three work on whole scans: on cells of
// twice coarseCell, and of coarseCell; the others on the part around the region.
var (
	coarsestLevel = level{blockSide: 25, maxIterations: 10, maxStep: 5, tolerance: 0.2}
	previewLevel  = level{blockSide: 9, maxIterations: 3, maxStep: 3, tolerance: 0.02}
	coarseLevel   = level{blockSide: 9, maxIterations: 15, maxStep: 3, tolerance: 0.02}
	middleLevel   = level{cell: 0.6, sigma: 0.6, sampleSpacing: 1.2, blockSide: 6, maxIterations: 12, maxStep: 1, tolerance: 0.005}
	fineLevel     = level{cell: 0, sigma: 0.3, sampleSpacing: 0.7, blockSide: 2.5, maxIterations: 12, maxStep: 0.5, tolerance: 0.0005}
)

// coarseCell is the cell, mm, of the finer of the two whole-scan levels: a
// tooth is 5 to 10 mm wide, so a slip by one tooth is several cells.
const coarseCell = 1.5

// pyramid is a scan at several resolutions.
type pyramid struct {
	vol    *volume.Volume
	fov    fieldOfView
	metal  float64         // grey value from which on a voxel counts as metal
	coarse []*volume.Field // whole scan in cells of coarseCell and twice that, clipped at dense bone
	// coarsest is the latter with its rim dilated, so that a spline over cells as
	// large as these can be read up to the rim.
	coarsest *volume.Field
}

// newPyramid makes the coarse levels.
func newPyramid(v *volume.Volume) *pyramid {
	p := &pyramid{vol: v}
	p.fov.constant, p.fov.known = outsideConstant(v)
	sp := v.Spacing()
	for a := range 3 {
		p.fov.factor[a] = max(1, min(v.Size[a], int(math.Round(coarseCell/sp[a]))))
	}
	fine, outsideShare := p.bin()
	outside := floodFill(fine.Size, outsideShare)
	for i := range outside {
		if outside[i] {
			fine.Grey[i] = float32(math.NaN())
		}
	}
	p.fov.outside, p.fov.cells = dilateMask(fine.Size, outside), fine.Size
	dense := p.levels(fine)
	for i, g := range fine.Grey {
		if float64(g) > dense {
			fine.Grey[i] = float32(dense)
		}
	}
	p.coarse = []*volume.Field{fine, fine.Halve()}
	p.coarsest = p.coarse[1].Dilate()
	return p
}

// levels finds the metal threshold, and the grey value of dense bone and teeth, at
// which the coarse levels are clipped so that metal's extent does not weigh there.
func (p *pyramid) levels(f *volume.Field) (dense float64) {
	rule := volume.CellMetal
	hist := volume.NewHistogram(f.Grey)
	median, dense := hist.Quantile(0.5), hist.Quantile(float64(rule.DensePercentile)/100)
	p.metal = rule.ClippedThreshold(median, dense, p.vol.SaturationLevel(p.vol.Extremes()))
	return dense
}

// binned is the grid of cells of whole voxels; each lies in the middle of its own.
func binned(g volume.Grid, factor [3]int) volume.Grid {
	var out volume.Grid
	var mid [3]float64
	for a := range 3 {
		out.Size[a] = g.Size[a] / factor[a]
		out.Step[a] = r3.Scale(float64(factor[a]), g.Step[a])
		mid[a] = float64(factor[a]-1) / 2
	}
	out.Origin = g.Patient(mid[0], mid[1], mid[2])
	return out
}

// bin is the mean of each coarse cell's voxels without padding, NaN where half of
// them or more are padding, and their share that hold the outside constant.
func (p *pyramid) bin() (*volume.Field, []float32) {
	v, factor := p.vol, p.fov.factor
	f := &volume.Field{Grid: binned(v.Grid, factor)}
	f.Grey = make([]float32, f.Len())
	share := make([]float32, f.Len())
	parallel.For(f.Size[2], func(ck int) {
		plane := f.Size[0] * f.Size[1]
		sums := newCellSums(plane, factor[0], p.fov.constant)
		for k := ck * factor[2]; k < (ck+1)*factor[2]; k++ {
			for j := range f.Size[1] * factor[1] {
				row := v.Stored[(k*v.Size[1]+j)*v.Size[0]:][:f.Size[0]*factor[0]]
				at := (j / factor[1]) * f.Size[0]
				if v.Padding == nil {
					sums.addRow(at, row, v.Slope[k])
				} else {
					sums.addPaddedRow(at, row, v.Slope[k], v.Padding)
				}
			}
		}
		// The intercept is one a slice, so it joins after the row sums.
		intercept := 0.0
		for k := ck * factor[2]; k < (ck+1)*factor[2]; k++ {
			intercept += v.Intercept[k] / float64(factor[2])
		}
		perCell := factor[0] * factor[1] * factor[2]
		for i := range plane {
			out, n := ck*plane+i, sums.n[i]
			if 2*n <= perCell {
				f.Grey[out] = float32(math.NaN())
				share[out] = 1
				continue
			}
			f.Grey[out] = float32(sums.sum[i]/float64(n) + intercept)
			if p.fov.known {
				share[out] = float32(sums.constants[i]) / float32(n)
			}
		}
	})
	return f, share
}

// cellSums are sums over the voxels of one plane of cells.
type cellSums struct {
	width     int    // voxels of a row per cell
	constant  uint16 // stored value that is counted
	sum       []float64
	n         []int // voxels that are not padding
	constants []int // of these, that hold the constant
}

func newCellSums(cells, width int, constant uint16) *cellSums {
	return &cellSums{width, constant, make([]float64, cells), make([]int, cells), make([]int, cells)}
}

// addRow adds a row of stored values to the cells from at on.
func (c *cellSums) addRow(at int, row []uint16, slope float64) {
	for ; len(row) > 0; row, at = row[c.width:], at+1 {
		total, constants := 0, 0
		for _, s := range row[:c.width] {
			total += int(s)
			if s == c.constant {
				constants++
			}
		}
		c.n[at] += c.width
		c.constants[at] += constants
		c.sum[at] += slope * float64(total)
	}
}

// addPaddedRow is addRow for a scan with padding, which it leaves out.
func (c *cellSums) addPaddedRow(at int, row []uint16, slope float64, padding *volume.Range) {
	for ; len(row) > 0; row, at = row[c.width:], at+1 {
		total := 0
		for _, s := range row[:c.width] {
			if s >= padding.Low && s <= padding.High {
				continue
			}
			total += int(s)
			c.n[at]++
			if s == c.constant {
				c.constants[at]++
			}
		}
		c.sum[at] += slope * float64(total)
	}
}

// local is the part of the scan within margin, mm, of the points, binned to cells
// of about the given size, mm (0: not at all), without metal and what lies outside
// the field of view (NaN), smoothed to the standard deviation sigma, mm; nil where
// the scan has next to nothing there.
func (p *pyramid) local(cell, sigma, margin float64, points []geom.Vec) *volume.Field {
	const fewestCells = 4 // along each index: what the spline needs
	var factor [3]int
	lo, hi := p.vol.Box(margin, points...)
	for a, sp := range p.vol.Spacing() {
		factor[a] = max(1, int(math.Round(cell/sp)))
		if hi[a]-lo[a] < fewestCells*factor[a] {
			return nil
		}
	}
	f := &volume.Field{Grid: binned(p.vol.Sub(lo, hi), factor)}
	f.Grey = make([]float32, f.Len())
	parallel.For(f.Size[2], func(k int) {
		if factor == [3]int{1, 1, 1} {
			for j := range f.Size[1] {
				p.maskedRow(f.Grey[(k*f.Size[1]+j)*f.Size[0]:][:f.Size[0]], lo[0], lo[1]+j, lo[2]+k)
			}
			return
		}
		// Row by row, so that the whole is never there at full resolution. A cell
		// with a voxel missing is NaN.
		row := make([]float32, f.Size[0]*factor[0])
		scale := 1 / float32(factor[0]*factor[1]*factor[2])
		for kk := k * factor[2]; kk < (k+1)*factor[2]; kk++ {
			for j := range f.Size[1] * factor[1] {
				p.maskedRow(row, lo[0], lo[1]+j, lo[2]+kk)
				out := f.Grey[(k*f.Size[1]+j/factor[1])*f.Size[0]:][:f.Size[0]]
				for i := range out {
					sum := float32(0)
					for _, g := range row[i*factor[0] : (i+1)*factor[0]] {
						sum += g
					}
					out[i] += sum * scale
				}
			}
		}
	})
	smooth(f, sigma)
	return f
}

// maskedRow gives the grey values from voxel (i, j, k) on; NaN for metal, padding
// and what lies outside the field of view.
func (p *pyramid) maskedRow(out []float32, i, j, k int) {
	v := p.vol
	slope, intercept := v.Slope[k], v.Intercept[k]
	stored := v.Stored[(k*v.Size[1]+j)*v.Size[0]+i:][:len(out)]
	padded, bounded := v.Padding != nil, p.fov.known
	nan := float32(math.NaN())
	for n, s := range stored {
		g := slope*float64(s) + intercept
		if g >= p.metal || padded && v.Padded(s) || bounded && s == p.fov.constant && p.fov.excludes(i+n, j, k) {
			out[n] = nan
		} else {
			out[n] = float32(g)
		}
	}
}

// smooth convolves the field in place with a Gaussian so that, together with the
// cubic B-spline it is read with, it has the standard deviation sigma, mm. NaN
// spreads as far as the kernel reaches, which also keeps the rim of metal out.
func smooth(f *volume.Field, sigma float64) {
	sp := f.Spacing()
	for a := range 3 {
		variance := sigma*sigma/(sp[a]*sp[a]) - splineVariance
		if variance > 0 {
			f.Convolve(a, volume.Gaussian(math.Sqrt(variance)))
		}
	}
}
