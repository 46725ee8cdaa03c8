package intensity

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// scan is one volume with what the search needs to know about its greys.
type scan struct {
	vol     *volume.Volume
	edge    edge
	metal   float64         // grey at and above which a voxel counts as metal
	ceiling float64         // grey at which the coarse levels clip
	coarse  []*volume.Field // whole scan at coarseCell and twice that, mm
	broad   *volume.Field   // the coarser of these with its rim carried one cell outwards
}

// edge is what a scanner writes outside its cylindrical field of view: one
// constant, reaching in from the corners.
type edge struct {
	known  bool
	stored uint16
	cells  []bool // per cell of coarse[0]: joined to the border through that constant, or next to such a cell
	factor [3]int // voxels a cell along each index
}

// coarseCell is the cell, mm, of the finer of the two whole-scan levels: a
// tooth is 5 to 10 mm wide, so that a slip by one tooth is several cells.
const coarseCell = 1.5

// newScan reads the volume once: the coarse levels and the grey landmarks.
func newScan(v *volume.Volume) *scan {
	s := &scan{vol: v}
	s.edge.stored, s.edge.known = outsideValue(v)
	factor := [3]int{}
	sp := v.Spacing()
	for a := range 3 {
		factor[a] = max(1, min(v.Size[a], int(math.Round(coarseCell/sp[a]))))
	}
	fine, share := s.average(factor)
	out := flood(fine.Size, share)
	for i := range out {
		if out[i] {
			fine.Grey[i] = float32(math.NaN())
		}
	}
	s.edge.cells, s.edge.factor = grow(fine.Size, out), factor
	s.greys(fine)
	for i, g := range fine.Grey {
		if float64(g) > s.ceiling {
			fine.Grey[i] = float32(s.ceiling)
		}
	}
	s.coarse = []*volume.Field{fine, fine.Halve()}
	s.broad = s.coarse[1].Dilate()
	return s
}

// outsideValue is the stored value that a scanner wrote outside its field of
// view: the most frequent one on the lateral faces of the volume, if a tenth of
// them holds it. Noise spreads tissue's greys over dozens of values.
func outsideValue(v *volume.Volume) (uint16, bool) {
	const least = 0.1
	count := make([]int, 1<<16)
	n := 0
	tally := func(i, j, k int) {
		count[v.Stored[(k*v.Size[1]+j)*v.Size[0]+i]]++
		n++
	}
	for k := range v.Size[2] {
		for i := range v.Size[0] {
			tally(i, 0, k)
			tally(i, v.Size[1]-1, k)
		}
		for j := range v.Size[1] {
			tally(0, j, k)
			tally(v.Size[0]-1, j, k)
		}
	}
	best := 0
	for g, c := range count {
		if c > count[best] {
			best = g
		}
	}
	return uint16(best), float64(count[best]) > least*float64(n)
}

// average bins the volume by whole voxels, without padding, and tells each
// cell's share of voxels that hold the outside value.
func (s *scan) average(factor [3]int) (*volume.Field, []float32) {
	v := s.vol
	f := &volume.Field{}
	mid := [3]float64{}
	for a := range 3 {
		f.Size[a] = v.Size[a] / factor[a]
		f.Step[a] = r3.Scale(float64(factor[a]), v.Step[a])
		mid[a] = float64(factor[a]-1) / 2
	}
	f.Origin = v.Patient(mid[0], mid[1], mid[2])
	f.Grey = make([]float32, f.Len())
	share := make([]float32, f.Len())
	parallel.For(f.Size[2], func(ck int) {
		plane := f.Size[0] * f.Size[1]
		sum, n, same := make([]float64, plane), make([]int, plane), make([]int, plane)
		for k := ck * factor[2]; k < (ck+1)*factor[2]; k++ {
			for j := range f.Size[1] * factor[1] {
				row := v.Stored[(k*v.Size[1]+j)*v.Size[0]:]
				at := (j / factor[1]) * f.Size[0]
				for i := range f.Size[0] {
					total := 0
					if cell := row[i*factor[0] : (i+1)*factor[0]]; v.Padding == nil {
						held := 0
						for _, g := range cell {
							total += int(g)
							if g == s.edge.stored {
								held++
							}
						}
						n[at+i] += len(cell)
						same[at+i] += held
					} else {
						for _, g := range cell {
							if v.Padded(g) {
								continue
							}
							total += int(g)
							n[at+i]++
							if g == s.edge.stored {
								same[at+i]++
							}
						}
					}
					sum[at+i] += v.Slope[k] * float64(total)
				}
			}
			// The intercept is one a slice, so it joins after the row sums.
		}
		per := factor[0] * factor[1] * factor[2]
		intercept := 0.0
		for k := ck * factor[2]; k < (ck+1)*factor[2]; k++ {
			intercept += v.Intercept[k] / float64(factor[2])
		}
		for i := range plane {
			out := ck*plane + i
			if 2*n[i] <= per {
				f.Grey[out] = float32(math.NaN())
				share[out] = 1
				continue
			}
			f.Grey[out] = float32(sum[i]/float64(n[i]) + intercept)
			if s.edge.known {
				share[out] = float32(same[i]) / float32(n[i])
			}
		}
	})
	return f, share
}

// flood marks the cells that are joined to the lateral border of the grid
// through cells that hold the outside value in at least a quarter of their
// voxels.
func flood(size [3]int, share []float32) []bool {
	const least = 0.25
	out := make([]bool, len(share))
	var stack []int
	push := func(at int) {
		if !out[at] && share[at] >= least {
			out[at] = true
			stack = append(stack, at)
		}
	}
	nx, ny, nz := size[0], size[1], size[2]
	for k := range nz {
		for j := range ny {
			for i := range nx {
				if i == 0 || j == 0 || i == nx-1 || j == ny-1 {
					push((k*ny+j)*nx + i)
				}
			}
		}
	}
	for len(stack) > 0 {
		at := stack[len(stack)-1]
		stack = stack[:len(stack)-1]
		i, j, k := at%nx, at/nx%ny, at/nx/ny
		if i > 0 {
			push(at - 1)
		}
		if i < nx-1 {
			push(at + 1)
		}
		if j > 0 {
			push(at - nx)
		}
		if j < ny-1 {
			push(at + nx)
		}
		if k > 0 {
			push(at - nx*ny)
		}
		if k < nz-1 {
			push(at + nx*ny)
		}
	}
	return out
}

// grow adds the neighbours of marked cells.
func grow(size [3]int, cells []bool) []bool {
	out := cells
	for a, stride := range [3]int{1, size[0], size[0] * size[1]} {
		in := out
		out = make([]bool, len(in))
		for at := range in {
			i := at / stride % size[a]
			out[at] = in[at] || i > 0 && in[at-stride] || i+1 < size[a] && in[at+stride]
		}
	}
	return out
}

// outside tells whether a voxel that holds the outside value lies in or next to
// a cell outside the field of view, or beyond the last whole cell.
func (e *edge) outside(size [3]int, i, j, k int) bool {
	i, j, k = i/e.factor[0], j/e.factor[1], k/e.factor[2]
	return i >= size[0] || j >= size[1] || k >= size[2] || e.cells[(k*size[1]+j)*size[0]+i]
}

// greys finds where metal begins and where the coarse levels clip: at dense bone
// and teeth, the 97th percentile of the coarse cells.
func (s *scan) greys(f *volume.Field) {
	rule := volume.CellMetal
	hist := volume.NewHistogram(f.Grey)
	median, dense := hist.Quantile(0.5), hist.Quantile(float64(rule.DensePercentile)/100)
	s.ceiling = dense
	s.metal = rule.ClippedThreshold(median, dense, s.vol.SaturationLevel(s.vol.Extremes()))
}

// local is the part of the scan within reach, mm, of the given points, binned
// to cells of about the given size, mm (0: not at all), with metal and everything
// outside the field of view taken out (NaN) and smoothed to the standard
// deviation sigma, mm; nil where the scan has next to nothing there.
func (s *scan) local(cell, sigma, reach float64, points []geom.Vec) *volume.Field {
	var factor [3]int
	lo, hi := s.vol.Box(reach, points...)
	for a, sp := range s.vol.Spacing() {
		factor[a] = max(1, int(math.Round(cell/sp)))
		if hi[a]-lo[a] < 4*factor[a] {
			return nil
		}
	}
	whole := s.vol.Sub(lo, hi)
	f := &volume.Field{}
	var mid [3]float64
	for a := range 3 {
		f.Size[a] = whole.Size[a] / factor[a]
		f.Step[a] = r3.Scale(float64(factor[a]), whole.Step[a])
		mid[a] = float64(factor[a]-1) / 2
	}
	f.Origin = whole.Patient(mid[0], mid[1], mid[2])
	f.Grey = make([]float32, f.Len())
	parallel.For(f.Size[2], func(k int) {
		if factor == [3]int{1, 1, 1} {
			for j := range f.Size[1] {
				s.row(f.Grey[(k*f.Size[1]+j)*f.Size[0]:][:f.Size[0]], lo[0], lo[1]+j, lo[2]+k)
			}
			return
		}
		// Row by row, so that the whole is never there at full resolution. A cell
		// with a voxel missing is NaN.
		row := make([]float32, f.Size[0]*factor[0])
		scale := 1 / float32(factor[0]*factor[1]*factor[2])
		for kk := k * factor[2]; kk < (k+1)*factor[2]; kk++ {
			for j := range f.Size[1] * factor[1] {
				s.row(row, lo[0], lo[1]+j, lo[2]+kk)
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

// row gives the greys from voxel (i, j, k) on, without metal and what lies
// outside.
func (s *scan) row(out []float32, i, j, k int) {
	v, cells := s.vol, s.coarse[0].Size
	slope, intercept := v.Slope[k], v.Intercept[k]
	stored := v.Stored[(k*v.Size[1]+j)*v.Size[0]+i:][:len(out)]
	padded, edge := v.Padding != nil, s.edge.known
	nan := float32(math.NaN())
	for n, w := range stored {
		g := slope*float64(w) + intercept
		if g >= s.metal || padded && v.Padded(w) || edge && w == s.edge.stored && s.edge.outside(cells, i+n, j, k) {
			out[n] = nan
		} else {
			out[n] = float32(g)
		}
	}
}

// smooth convolves the field in place, one index after the other, so that
// together with the cubic B-spline it is read with (variance 1/3 voxel²) it has
// the standard deviation sigma, mm. NaN spreads as far as the kernel reaches,
// which also keeps the rim of metal out.
func smooth(f *volume.Field, sigma float64) {
	sp := f.Spacing()
	for a := range 3 {
		variance := sigma*sigma/(sp[a]*sp[a]) - 1.0/3
		if variance > 0 {
			f.Convolve(a, volume.Gaussian(math.Sqrt(variance)))
		}
	}
}

// reader samples a field at patient points of the other scan: it has the
// affine map from those points to the field's index.
type reader struct {
	f *volume.Field
	m [3][3]float64 // index = m·p + b
	b [3]float64
}

// newReader reads f at the places where toField takes points.
func newReader(f *volume.Field, toField motion) reader {
	rd := reader{f: f}
	m, t := toField.affine()
	for a := range 3 {
		s := r3.Scale(1/r3.Dot(f.Step[a], f.Step[a]), f.Step[a])
		for c := range 3 {
			rd.m[a][c] = s.X*m[0][c] + s.Y*m[1][c] + s.Z*m[2][c]
		}
		rd.b[a] = r3.Dot(s, r3.Sub(t, f.Origin))
	}
	return rd
}

// weights are the four cubic B-spline weights at the fraction t past the
// second node.
func weights(t float32) (w [4]float32) {
	u := 1 - t
	t2, u2 := t*t, u*u
	return [4]float32{
		u2 * u * (1. / 6),
		2./3 - t2 + t2*t*0.5,
		2./3 - u2 + u2*u*0.5,
		t2 * t * (1. / 6),
	}
}

// slopes are the derivatives of weights.
func slopes(t float32) [4]float32 {
	u := 1 - t
	t2, u2 := t*t, u*u
	return [4]float32{-u2 * 0.5, 1.5*t2 - 2*t, 2*u - 1.5*u2, t2 * 0.5}
}

// locate is the first of the four nodes along each index that p is read from,
// as a place in the field's greys, and the fractions past the second ones; at
// is negative where they do not all lie inside.
func (rd *reader) locate(p geom.Vec) (at int, fx, fy, fz float32) {
	x := rd.m[0][0]*p.X + rd.m[0][1]*p.Y + rd.m[0][2]*p.Z + rd.b[0]
	y := rd.m[1][0]*p.X + rd.m[1][1]*p.Y + rd.m[1][2]*p.Z + rd.b[1]
	z := rd.m[2][0]*p.X + rd.m[2][1]*p.Y + rd.m[2][2]*p.Z + rd.b[2]
	size := &rd.f.Size
	if !(x >= 1 && y >= 1 && z >= 1) {
		return -1, 0, 0, 0
	}
	i, j, k := int(x), int(y), int(z)
	if i+2 >= size[0] || j+2 >= size[1] || k+2 >= size[2] {
		return -1, 0, 0, 0
	}
	return ((k-1)*size[1]+j-1)*size[0] + i - 1, float32(x - float64(i)), float32(y - float64(j)), float32(z - float64(k))
}

// value is the cubic B-spline with the field's greys as its coefficients.
// Leaving out the interpolation prefilter makes the spline one more smoothing
// kernel, equal at every place between the voxels, so the similarity has no
// preference for voxel centres. NaN outside, or next to a voxel with no value.
//
// Method: Unser M. Splines: a perfect fit for signal and image processing.
// IEEE Signal Process Mag 1999;16(6):22-38.
func (rd *reader) value(p geom.Vec) float64 {
	at, fx, fy, fz := rd.locate(p)
	if at < 0 {
		return math.NaN()
	}
	wx, wy, wz := weights(fx), weights(fy), weights(fz)
	nx := rd.f.Size[0]
	plane := nx * rd.f.Size[1]
	var s float32
	for c := range 4 {
		g := rd.f.Grey[at+c*plane:]
		a, b := (*[4]float32)(g), (*[4]float32)(g[nx:])
		d, e := (*[4]float32)(g[2*nx:]), (*[4]float32)(g[3*nx:])
		s += wz[c] * (wy[0]*(a[0]*wx[0]+a[1]*wx[1]+a[2]*wx[2]+a[3]*wx[3]) +
			wy[1]*(b[0]*wx[0]+b[1]*wx[1]+b[2]*wx[2]+b[3]*wx[3]) +
			wy[2]*(d[0]*wx[0]+d[1]*wx[1]+d[2]*wx[2]+d[3]*wx[3]) +
			wy[3]*(e[0]*wx[0]+e[1]*wx[1]+e[2]*wx[2]+e[3]*wx[3]))
	}
	return float64(s)
}

// at is value with its gradient with respect to the point.
func (rd *reader) at(p geom.Vec) (v float64, g geom.Vec) {
	at, fx, fy, fz := rd.locate(p)
	if at < 0 {
		return math.NaN(), geom.Vec{}
	}
	wx, wy, wz := weights(fx), weights(fy), weights(fz)
	dx, dy, dz := slopes(fx), slopes(fy), slopes(fz)
	nx := rd.f.Size[0]
	plane := nx * rd.f.Size[1]
	var s, sx, sy, sz float32
	for c := range 4 {
		var ps, px, py float32
		for b := range 4 {
			r := (*[4]float32)(rd.f.Grey[at+c*plane+b*nx:])
			line := r[0]*wx[0] + r[1]*wx[1] + r[2]*wx[2] + r[3]*wx[3]
			slope := r[0]*dx[0] + r[1]*dx[1] + r[2]*dx[2] + r[3]*dx[3]
			ps += wy[b] * line
			px += wy[b] * slope
			py += dy[b] * line
		}
		s += wz[c] * ps
		sx += wz[c] * px
		sy += wz[c] * py
		sz += dz[c] * ps
	}
	gx, gy, gz := float64(sx), float64(sy), float64(sz)
	return float64(s), geom.Vec{
		X: rd.m[0][0]*gx + rd.m[1][0]*gy + rd.m[2][0]*gz,
		Y: rd.m[0][1]*gx + rd.m[1][1]*gy + rd.m[2][1]*gz,
		Z: rd.m[0][2]*gx + rd.m[1][2]*gy + rd.m[2][2]*gz,
	}
}
