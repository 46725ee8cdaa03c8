// Package reslice cuts scans along any plane, fast enough to step through them.
//
// Conventions: a Cut is a rectangle of square pixels in a patient frame, mm, that is
// seen with Right to the right and Up upwards; rows run from the top, as on a screen. A
// level is 0 outside of the scan and next to padding, else 1 to 65535, linear in the
// grey value from the lowest to the highest of the scan. Start with New.
//
// Method: trilinear interpolation between voxel centres.
package reslice

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// Cut is where to cut.
type Cut struct {
	Centre        geom.Vec
	Right, Up     geom.Vec // unit vectors at a right angle
	Columns, Rows int
	Pixel         float64 // side of a pixel, mm
}

// Moved is the cut that shows in a moved patient what c shows in an unmoved one.
func (c Cut) Moved(m geom.Rigid) Cut {
	c.Centre, c.Right, c.Up = m.Apply(c.Centre), m.Rotate(c.Right), m.Rotate(c.Up)
	return c
}

// Highest is the level of the scan's highest grey value.
const Highest = math.MaxUint16

// Slicer cuts one scan.
type Slicer struct {
	volume *volume.Volume
	low    float64 // grey value of level 1
	scale  float64 // levels for each grey value
}

// New prepares a scan whose grey values run from low to high.
func New(v *volume.Volume, low, high float64) *Slicer {
	s := &Slicer{volume: v, low: low, scale: (Highest - 1) / (high - low)}
	if !(high > low) {
		s.scale = 0
	}
	return s
}

// Level is the level of a grey value.
func (s *Slicer) Level(grey float64) uint16 {
	return uint16(math.Round(min(max(1+(grey-s.low)*s.scale, 1), Highest)))
}

// Levels are the levels of a cut, row by row from the top left.
func (s *Slicer) Levels(c Cut) []uint16 {
	out := make([]uint16, c.Columns*c.Rows)
	v := s.volume
	// The index is linear along a row: its value at the middle of the cut and its steps.
	at := index(v, c.Centre)
	right := minus(index(v, r3.Add(c.Centre, r3.Scale(c.Pixel, c.Right))), at)
	down := minus(index(v, r3.Sub(c.Centre, r3.Scale(c.Pixel, c.Up))), at)
	parallel.For(c.Rows, func(row int) {
		y, x := float64(row)-float64(c.Rows-1)/2, -float64(c.Columns-1)/2
		var from [3]float64
		for a := range 3 {
			from[a] = at[a] + y*down[a] + x*right[a]
		}
		s.row(out[row*c.Columns:][:c.Columns], from, right)
	})
	return out
}

func index(v *volume.Volume, p geom.Vec) [3]float64 {
	i, j, k := v.Index(p)
	return [3]float64{i, j, k}
}

func minus(a, b [3]float64) [3]float64 { return [3]float64{a[0] - b[0], a[1] - b[1], a[2] - b[2]} }

// row fills a row whose first pixel lies at an index and whose others follow by a step.
func (s *Slicer) row(out []uint16, from, step [3]float64) {
	v := s.volume
	first, last := inside(from, step, v.Size, len(out))
	columns, plane := v.Size[0], v.Size[0]*v.Size[1]
	for n := first; n < last; n++ {
		t := float64(n)
		x, y, z := from[0]+t*step[0], from[1]+t*step[1], from[2]+t*step[2]
		// A scan ends at its last voxels, which have no next one.
		i, j, k := min(int(x), v.Size[0]-2), min(int(y), v.Size[1]-2), min(int(z), v.Size[2]-2)
		fx, fy, fz := x-float64(i), y-float64(j), z-float64(k)
		at := k*plane + j*columns + i
		near, far := v.Stored[at:at+columns+2], v.Stored[at+plane:at+plane+columns+2]
		if v.Padding != nil && (anyPadded(v, near, columns) || anyPadded(v, far, columns)) {
			continue
		}
		grey := (1-fz)*(v.Slope[k]*bilinear(near, columns, fx, fy)+v.Intercept[k]) +
			fz*(v.Slope[k+1]*bilinear(far, columns, fx, fy)+v.Intercept[k+1])
		out[n] = uint16(min(max(1.5+(grey-s.low)*s.scale, 1), Highest))
	}
}

// bilinear interpolates between the four voxels of a slice whose first is the first of v.
func bilinear(v []uint16, columns int, fx, fy float64) float64 {
	a, b := float64(v[0]), float64(v[columns])
	a += fx * (float64(v[1]) - a)
	b += fx * (float64(v[columns+1]) - b)
	return a + fy*(b-a)
}

func anyPadded(v *volume.Volume, four []uint16, columns int) bool {
	return v.Padded(four[0]) || v.Padded(four[1]) || v.Padded(four[columns]) || v.Padded(four[columns+1])
}

// inside is the range of the pixels of a row that lie between voxel centres.
func inside(from, step [3]float64, size [3]int, n int) (first, last int) {
	low, high := 0.0, float64(n-1)
	for a := range 3 {
		end := float64(size[a] - 1)
		switch {
		case end < 1: // a single voxel has no next one
			return 0, 0
		case math.Abs(step[a]) < 1e-12:
			if from[a] < 0 || from[a] > end {
				return 0, 0
			}
		default:
			p, q := -from[a]/step[a], (end-from[a])/step[a]
			low, high = max(low, min(p, q)), min(high, max(p, q))
		}
	}
	if !(low <= high) {
		return 0, 0
	}
	// Rounding must not lead out of the scan at either end.
	first, last = int(math.Ceil(low)), int(math.Floor(high))+1
	for first < last && !within(from, step, size, first) {
		first++
	}
	for first < last && !within(from, step, size, last-1) {
		last--
	}
	return first, last
}

func within(from, step [3]float64, size [3]int, n int) bool {
	for a := range 3 {
		if x := from[a] + float64(n)*step[a]; !(x >= 0 && x <= float64(size[a]-1)) {
			return false
		}
	}
	return true
}
