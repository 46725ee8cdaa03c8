package intensity

import "plumbline/internal/volume"

// fieldOfView is the part of a scan inside the scanner's cylinder. Outside of it
// many scanners write one constant, which reaches in from the volume's corners.
type fieldOfView struct {
	known    bool   // such a constant was found
	constant uint16 // stored value
	outside  []bool // cells of the coarse level that lie outside, or next to such a cell
	cells    [3]int // size of the coarse level
	factor   [3]int // voxels per cell along each index
}

const (
	// outsideFraction of the voxels on the lateral faces must hold the constant;
	// noise spreads tissue over dozens of stored values.
	outsideFraction = 0.1
	// outsideCellFraction of a cell's voxels must hold it for the cell to lie outside.
	outsideCellFraction = 0.25
)

// outsideConstant is the most frequent stored value on the lateral faces of the
// volume; ok is false where too few voxels hold it.
func outsideConstant(v *volume.Volume) (constant uint16, ok bool) {
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
	return uint16(best), float64(count[best]) > outsideFraction*float64(n)
}

// floodFill marks the cells that are connected (6 neighbours) to the lateral faces
// of the grid through cells whose share of the constant is high enough.
func floodFill(size [3]int, share []float32) []bool {
	out := make([]bool, len(share))
	var stack []int
	push := func(at int) {
		if !out[at] && share[at] >= outsideCellFraction {
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

// dilateMask adds the neighbours of marked cells, one index after the other.
func dilateMask(size [3]int, mask []bool) []bool {
	out := mask
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

// excludes reports whether a voxel that holds the constant lies outside: in or
// next to a cell that does, or beyond the last whole cell.
func (f *fieldOfView) excludes(i, j, k int) bool {
	i, j, k = i/f.factor[0], j/f.factor[1], k/f.factor[2]
	return i >= f.cells[0] || j >= f.cells[1] || k >= f.cells[2] || f.outside[(k*f.cells[1]+j)*f.cells[0]+i]
}
