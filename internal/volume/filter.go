package volume

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/parallel"
)

// Halve bins the field by two along each index (mean of eight voxels); a cell with
// a value in fewer than half of its voxels is NaN.
func (f *Field) Halve() *Field {
	h := &Field{}
	for a := range 3 {
		h.Size[a] = max(1, f.Size[a]/2)
		h.Step[a] = r3.Scale(2, f.Step[a])
	}
	h.Origin = f.Patient(0.5, 0.5, 0.5)
	h.Grey = make([]float32, h.Len())
	parallel.For(h.Size[2], func(k int) {
		for j := range h.Size[1] {
			for i := range h.Size[0] {
				sum, n := float32(0), 0
				for c := range 8 {
					x, y, z := 2*i+c&1, 2*j+c>>1&1, 2*k+c>>2
					if x >= f.Size[0] || y >= f.Size[1] || z >= f.Size[2] {
						continue
					}
					if g := f.At(x, y, z); g == g {
						sum += g
						n++
					}
				}
				g := float32(math.NaN())
				if n >= 4 {
					g = sum / float32(n)
				}
				h.Grey[(k*h.Size[1]+j)*h.Size[0]+i] = g
			}
		}
	})
	return h
}

// Dilate grows the field's valid part by one voxel: a voxel without a value gets
// the mean of those of its 26 neighbours that have one.
func (f *Field) Dilate() *Field {
	out := &Field{Grid: f.Grid, Grey: make([]float32, len(f.Grey))}
	copy(out.Grey, f.Grey)
	parallel.For(f.Size[2], func(k int) {
		for j := range f.Size[1] {
			for i := range f.Size[0] {
				if g := f.At(i, j, k); g == g {
					continue
				}
				sum, n := float32(0), float32(0)
				for z := max(0, k-1); z <= min(f.Size[2]-1, k+1); z++ {
					for y := max(0, j-1); y <= min(f.Size[1]-1, j+1); y++ {
						for x := max(0, i-1); x <= min(f.Size[0]-1, i+1); x++ {
							if g := f.At(x, y, z); g == g {
								sum += g
								n++
							}
						}
					}
				}
				if n > 0 {
					out.Grey[(k*f.Size[1]+j)*f.Size[0]+i] = sum / n
				}
			}
		}
	})
	return out
}

// Gaussian is one side, the middle first, of a Gaussian kernel of standard
// deviation sigma voxels whose whole sums to one. It is truncated at 2.5 sigma, two
// voxels at least.
func Gaussian(sigma float64) []float32 {
	n := max(2, int(math.Ceil(2.5*sigma)))
	k := make([]float64, n+1)
	total := 0.0
	for i := range k {
		k[i] = math.Exp(-float64(i*i) / (2 * sigma * sigma))
		total += k[i]
		if i > 0 {
			total += k[i]
		}
	}
	out := make([]float32, n+1)
	for i := range k {
		out[i] = float32(k[i] / total)
	}
	return out
}

// Convolve filters the field in place along one index with a symmetric kernel,
// given as one side from the middle outwards. Beyond the ends the outermost values
// are repeated; NaN spreads as far as the kernel reaches.
func (f *Field) Convolve(axis int, kernel []float32) {
	if axis == 0 {
		f.convolveRows(kernel)
		return
	}
	// Whole rows at a time: slabs across the other slow index are independent.
	nx, n := f.Size[0], f.Size[axis]
	rowStride, slabs, slabStride := nx, f.Size[2], nx*f.Size[1]
	if axis == 2 {
		rowStride, slabs, slabStride = slabStride, f.Size[1], nx
	}
	r := len(kernel) - 1
	parallel.For(slabs, func(slab int) {
		in := make([]float32, n*nx)
		for j := range n {
			copy(in[j*nx:][:nx], f.Grey[slab*slabStride+j*rowStride:])
		}
		row := func(j int) []float32 { return in[min(max(j, 0), n-1)*nx:][:nx] }
		for j := range n {
			out := f.Grey[slab*slabStride+j*rowStride:][:nx]
			k := kernel[0]
			for i, x := range row(j) {
				out[i] = k * x
			}
			for t := 1; t <= r; t++ {
				k, before, after := kernel[t], row(j-t), row(j+t)
				for i := range out {
					out[i] += k * (before[i] + after[i])
				}
			}
		}
	})
}

func (f *Field) convolveRows(kernel []float32) {
	nx, r := f.Size[0], len(kernel)-1
	parallel.For(f.Size[2], func(k int) {
		line := make([]float32, nx+2*r)
		for j := range f.Size[1] {
			row := f.Grey[(k*f.Size[1]+j)*nx:][:nx]
			copy(line[r:], row)
			for i := range r {
				line[i], line[r+nx+i] = row[0], row[nx-1]
			}
			w := kernel[0]
			for i := range row {
				row[i] = w * line[r+i]
			}
			for t := 1; t <= r; t++ {
				w, before, after := kernel[t], line[r-t:][:nx], line[r+t:][:nx]
				for i := range row {
					row[i] += w * (before[i] + after[i])
				}
			}
		}
	})
}
