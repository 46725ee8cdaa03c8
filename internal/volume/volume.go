// Package volume holds a scan's voxels with their place in the patient.
//
// Conventions: a voxel index (i, j, k) counts columns, rows and slices from 0
// and names the voxel's centre; patient coordinates are LPS, mm. Grey values
// are what the scan says after its own rescale; a cone-beam scan's grey values
// are not calibrated. Start with Grid and Volume; Region gives the part of a
// volume that an algorithm works on, as plain floats.
package volume

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// Grid is the regular lattice of voxel centres. Columns and rows are perpendicular; the
// step from slice to slice may lean against them (gantry tilt).
type Grid struct {
	Size   [3]int      // columns, rows, slices
	Origin geom.Vec    // centre of voxel (0, 0, 0)
	Step   [3]geom.Vec // from one voxel to the next along columns, rows and slices
}

// Axes are the unit directions of columns and rows, and the slices' normal.
func (g Grid) Axes() [3]geom.Vec {
	return [3]geom.Vec{r3.Unit(g.Step[0]), r3.Unit(g.Step[1]), r3.Unit(r3.Cross(g.Step[0], g.Step[1]))}
}

// Lean is the angle between the step from slice to slice and the slices' normal, rad.
func (g Grid) Lean() float64 { return geom.Angle(g.Step[2], g.Axes()[2]) }

// Leans reports whether the stack leans, by more than rounding.
func (g Grid) Leans() bool { return g.Lean() > 1e-6 }

// Spacing is the distance between neighbouring columns, rows and slices, mm; between
// slices it is along their normal.
func (g Grid) Spacing() [3]float64 {
	return [3]float64{r3.Norm(g.Step[0]), r3.Norm(g.Step[1]), math.Abs(r3.Dot(g.Step[2], g.Axes()[2]))}
}

// Inverse are the vectors whose products with p − Origin are the index of p, 1/mm.
func (g Grid) Inverse() [3]geom.Vec {
	n := r3.Cross(g.Step[0], g.Step[1])
	k := r3.Scale(1/r3.Dot(n, g.Step[2]), n)
	inSlice := func(s geom.Vec) geom.Vec {
		return r3.Scale(1/r3.Dot(s, s), r3.Sub(s, r3.Scale(r3.Dot(s, g.Step[2]), k)))
	}
	return [3]geom.Vec{inSlice(g.Step[0]), inSlice(g.Step[1]), k}
}

// Patient is the place of the (fractional) voxel index.
func (g Grid) Patient(i, j, k float64) geom.Vec {
	p := g.Origin
	p = r3.Add(p, r3.Scale(i, g.Step[0]))
	p = r3.Add(p, r3.Scale(j, g.Step[1]))
	return r3.Add(p, r3.Scale(k, g.Step[2]))
}

// Index is the inverse of Patient. It relies on columns and rows being perpendicular.
func (g Grid) Index(p geom.Vec) (i, j, k float64) {
	n := r3.Cross(g.Step[0], g.Step[1])
	d := r3.Sub(p, g.Origin)
	k = r3.Dot(d, n) / r3.Dot(g.Step[2], n)
	d = r3.Sub(d, r3.Scale(k, g.Step[2]))
	along := func(s geom.Vec) float64 { return r3.Dot(d, s) / r3.Dot(s, s) }
	return along(g.Step[0]), along(g.Step[1]), k
}

// Contains reports whether p lies inside the outer faces of the grid's voxels.
func (g Grid) Contains(p geom.Vec) bool {
	i, j, k := g.Index(p)
	in := func(x float64, n int) bool { return x >= -0.5 && x <= float64(n)-0.5 }
	return in(i, g.Size[0]) && in(j, g.Size[1]) && in(k, g.Size[2])
}

// Centre is the middle of the grid.
func (g Grid) Centre() geom.Vec {
	return g.Patient(float64(g.Size[0]-1)/2, float64(g.Size[1]-1)/2, float64(g.Size[2]-1)/2)
}

// Len is the number of voxels.
func (g Grid) Len() int { return g.Size[0] * g.Size[1] * g.Size[2] }

// Sub is the grid of the voxels lo (included) to hi (excluded).
func (g Grid) Sub(lo, hi [3]int) Grid {
	return Grid{
		Size:   [3]int{hi[0] - lo[0], hi[1] - lo[1], hi[2] - lo[2]},
		Origin: g.Patient(float64(lo[0]), float64(lo[1]), float64(lo[2])),
		Step:   g.Step,
	}
}

// Box is the range of voxel indices, clipped to the grid, that covers all
// points within radius mm of the given points.
func (g Grid) Box(radius float64, points ...geom.Vec) (lo, hi [3]int) {
	inverse := g.Inverse()
	for a := range 3 {
		lo[a], hi[a] = g.Size[a], 0
	}
	for _, p := range points {
		i, j, k := g.Index(p)
		for a, x := range [3]float64{i, j, k} {
			r := radius * r3.Norm(inverse[a])
			lo[a] = min(lo[a], max(0, int(math.Floor(x-r))))
			hi[a] = max(hi[a], min(g.Size[a], int(math.Ceil(x+r))+1))
		}
	}
	for a := range 3 {
		hi[a] = max(lo[a], hi[a])
	}
	return lo, hi
}

// Volume is a scan as stored: one unsigned 16-bit number a voxel, columns
// fastest, then rows, then slices, and each slice's linear rescale to grey
// values. Signed stored values are kept shifted by the reader, which takes the
// shift out again in Intercept.
type Volume struct {
	Grid
	Stored    []uint16
	Slope     []float64 // per slice
	Intercept []float64 // per slice
	Padding   *Range    // stored values that mean "outside the patient"; nil when there are none
}

// Range is an inclusive range of stored values.
type Range struct{ Low, High uint16 }

// Padded reports whether a stored value means "outside".
func (v *Volume) Padded(s uint16) bool {
	return v.Padding != nil && s >= v.Padding.Low && s <= v.Padding.High
}

// Grey is the grey value of voxel (i, j, k), NaN where the scan has padding.
// The index must lie inside the grid.
func (v *Volume) Grey(i, j, k int) float64 {
	s := v.Stored[(k*v.Size[1]+j)*v.Size[0]+i]
	if v.Padded(s) {
		return math.NaN()
	}
	return v.Slope[k]*float64(s) + v.Intercept[k]
}

// Field is a block of grey values as floats, columns fastest; NaN marks voxels
// with no value.
type Field struct {
	Grid
	Grey []float32
}

// Region copies the voxels lo (included) to hi (excluded) as grey values. The
// range must lie inside the grid.
func (v *Volume) Region(lo, hi [3]int) *Field {
	f := &Field{Grid: v.Sub(lo, hi)}
	f.Grey = make([]float32, f.Len())
	nan := float32(math.NaN())
	parallel.For(f.Size[2], func(plane int) {
		k := lo[2] + plane
		slope, intercept := v.Slope[k], v.Intercept[k]
		for j := range f.Size[1] {
			row := f.Grey[(plane*f.Size[1]+j)*f.Size[0]:][:f.Size[0]]
			at := (k*v.Size[1]+lo[1]+j)*v.Size[0] + lo[0]
			for i, s := range v.Stored[at:][:len(row)] {
				if v.Padded(s) {
					row[i] = nan
				} else {
					row[i] = float32(slope*float64(s) + intercept)
				}
			}
		}
	})
	return f
}

// At is the grey value at voxel (i, j, k) of the field, which must lie inside.
func (f *Field) At(i, j, k int) float32 { return f.Grey[(k*f.Size[1]+j)*f.Size[0]+i] }

// Sample is the trilinear grey value at a patient point; NaN outside the voxel
// centres or next to a voxel with no value.
func (f *Field) Sample(p geom.Vec) float64 { return f.interpolated(f.Index(p)) }

// Line is the grey values at p, p + step and so on, as Sample gives them.
func (f *Field) Line(p, step geom.Vec, grey []float64) {
	x, y, z := f.Index(p)
	u, v, w := f.Index(r3.Add(p, step))
	for n := range grey {
		t := float64(n)
		grey[n] = f.interpolated(x+t*(u-x), y+t*(v-y), z+t*(w-z))
	}
}

// interpolated is the trilinear grey value at a place in voxels.
func (f *Field) interpolated(x, y, z float64) float64 {
	i, j, k := int(math.Floor(x)), int(math.Floor(y)), int(math.Floor(z))
	if i < 0 || j < 0 || k < 0 || i+1 >= f.Size[0] || j+1 >= f.Size[1] || k+1 >= f.Size[2] {
		return math.NaN()
	}
	fx, fy, fz := x-float64(i), y-float64(j), z-float64(k)
	at := (k*f.Size[1]+j)*f.Size[0] + i
	row, slice := f.Size[0], f.Size[0]*f.Size[1]
	lerp := func(a, b float32, t float64) float64 { return float64(a) + t*(float64(b)-float64(a)) }
	c00 := lerp(f.Grey[at], f.Grey[at+1], fx)
	c10 := lerp(f.Grey[at+row], f.Grey[at+row+1], fx)
	c01 := lerp(f.Grey[at+slice], f.Grey[at+slice+1], fx)
	c11 := lerp(f.Grey[at+slice+row], f.Grey[at+slice+row+1], fx)
	c0 := c00 + fy*(c10-c00)
	c1 := c01 + fy*(c11-c01)
	return c0 + fz*(c1-c0)
}
