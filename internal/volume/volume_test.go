package volume

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
)

func vec(x, y, z float64) geom.Vec { return geom.Vec{X: x, Y: y, Z: z} }

func requireNear(t require.TestingT, want, got geom.Vec, tolerance float64, what ...any) {
	require.LessOrEqual(t, r3.Norm(r3.Sub(want, got)), tolerance, what...)
}

// drawGrid draws a small oblique grid with three different spacings, which leans by up to
// 30° in half of the draws.
func drawGrid(t *rapid.T) Grid {
	x := rapid.Float64Range(-1, 1)
	turn := geom.Rotation(r3.Scale(3, vec(x.Draw(t, "wx"), x.Draw(t, "wy"), x.Draw(t, "wz"))))
	at := rapid.Float64Range(-200, 200)
	g := Grid{Origin: vec(at.Draw(t, "ox"), at.Draw(t, "oy"), at.Draw(t, "oz"))}
	for a, axis := range []geom.Vec{{X: 1}, {Y: 1}, {Z: 1}} {
		g.Size[a] = rapid.IntRange(2, 7).Draw(t, "size")
		g.Step[a] = r3.Scale(rapid.Float64Range(0.05, 2).Draw(t, "spacing"), turn.Rotate(axis))
	}
	if rapid.Bool().Draw(t, "leans") {
		towards := rapid.Float64Range(-0.4, 0.4)
		slice := r3.Norm(g.Step[2])
		for a := range 2 {
			g.Step[2] = r3.Add(g.Step[2], r3.Scale(slice*towards.Draw(t, "towards"), r3.Unit(g.Step[a])))
		}
	}
	return g
}

// Source: DICOM PS3.3 C.7.6.2.1.1, equation C.7.6.2.1-1, P = S + X·Δi·i + Y·Δj·j,
// where the spacing along a row (between columns) is the second value of Pixel
// Spacing. Slices follow along the normal X × Y. Worked with unequal spacings,
// so that an exchange shows.
func TestPatientWorked(t *testing.T) {
	// Row (0,1,0), column (0,0,1), first voxel (10,20,30), Pixel Spacing 1.5\0.5,
	// slices 2 mm apart. Source: a worked example of the standard's affine
	// mapping in an imaging library's manual, voxel [slice 2, column 3, row 1].
	sagittal := Grid{Size: [3]int{9, 9, 9}, Origin: vec(10, 20, 30), Step: [3]geom.Vec{vec(0, 0.5, 0), vec(0, 0, 1.5), vec(2, 0, 0)}}
	requireNear(t, vec(14, 21.5, 31.5), sagittal.Patient(3, 1, 2), 1e-9)

	// Worked by hand: row (cos 30°, sin 30°, 0), column (0,0,−1), first voxel
	// (−40.5, 12.25, 100), Pixel Spacing 0.4\0.25, column 10, row 20.
	sin, cos := math.Sincos(geom.Radians(30))
	row, col := vec(cos, sin, 0), vec(0, 0, -1)
	normal := r3.Cross(row, col)
	requireNear(t, vec(-0.5, 0.8660254037844387, 0), normal, 1e-15)
	oblique := Grid{Size: [3]int{40, 40, 40}, Origin: vec(-40.5, 12.25, 100), Step: [3]geom.Vec{r3.Scale(0.25, row), r3.Scale(0.4, col), r3.Scale(0.8, normal)}}
	requireNear(t, vec(-38.33493649053890, 13.5, 92), oblique.Patient(10, 20, 0), 1e-9)
	requireNear(t, vec(-38.33493649053890-0.8, 13.5+0.8*math.Sqrt(3), 92), oblique.Patient(10, 20, 2), 1e-9)

	// Slices along the normal, by hand: coronal, row (1,0,0), column (0,0,−1),
	// normal (0,1,0), 1.5 mm, slice 2.
	coronal := Grid{Size: [3]int{4, 4, 4}, Step: [3]geom.Vec{vec(1, 0, 0), vec(0, 0, -1), vec(0, 1.5, 0)}}
	requireNear(t, vec(0, 3, 0), coronal.Patient(0, 0, 2), 1e-9)
}

func TestIndexInvertsPatient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGrid(t)
		x := rapid.Float64Range(-20, 20)
		i, j, k := x.Draw(t, "i"), x.Draw(t, "j"), x.Draw(t, "k")
		bi, bj, bk := g.Index(g.Patient(i, j, k))
		for _, d := range []float64{bi - i, bj - j, bk - k} {
			require.InDelta(t, 0, d, 1e-10)
		}
		sp := g.Spacing()
		for a := range 2 {
			require.InDelta(t, r3.Norm(g.Step[a]), sp[a], 1e-15)
		}
		// A voxel's volume is the parallelepiped's.
		require.InEpsilon(t, math.Abs(r3.Dot(r3.Cross(g.Step[0], g.Step[1]), g.Step[2])), sp[0]*sp[1]*sp[2], 1e-12)
		require.InDelta(t, sp[2], r3.Norm(g.Step[2])*math.Cos(g.Lean()), 1e-12)
		d := r3.Sub(g.Patient(i, j, k), g.Origin)
		for a, v := range g.Inverse() {
			require.InDelta(t, [3]float64{i, j, k}[a], r3.Dot(v, d), 1e-10)
		}
	})
}

func TestGridEdges(t *testing.T) {
	g := Grid{Size: [3]int{4, 5, 6}, Origin: vec(1, 2, 3), Step: [3]geom.Vec{vec(0.5, 0, 0), vec(0, 1, 0), vec(0, 0, 2)}}
	assert.Equal(t, 120, g.Len())
	assert.Equal(t, vec(1+0.75, 2+2, 3+5), g.Centre())
	assert.Equal(t, [3]float64{0.5, 1, 2}, g.Spacing())
	// The outer faces lie half a voxel beyond the outer centres.
	for _, p := range []geom.Vec{vec(0.75, 2, 3), vec(2.75, 2, 3), vec(1, 1.5, 3), vec(1, 6.5, 3), vec(1, 2, 2), vec(1, 2, 14)} {
		assert.True(t, g.Contains(p), "%v", p)
	}
	for _, p := range []geom.Vec{vec(0.74, 2, 3), vec(2.76, 2, 3), vec(1, 1.49, 3), vec(1, 6.51, 3), vec(1, 2, 1.99), vec(1, 2, 14.01), vec(math.NaN(), 2, 3)} {
		assert.False(t, g.Contains(p), "%v", p)
	}
}

func TestSubKeepsPlaces(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGrid(t)
		var lo, hi [3]int
		for a := range 3 {
			lo[a] = rapid.IntRange(0, g.Size[a]-1).Draw(t, "lo")
			hi[a] = rapid.IntRange(lo[a]+1, g.Size[a]).Draw(t, "hi")
		}
		s := g.Sub(lo, hi)
		require.Equal(t, [3]int{hi[0] - lo[0], hi[1] - lo[1], hi[2] - lo[2]}, s.Size)
		requireNear(t, g.Patient(float64(hi[0]-1), float64(hi[1]-1), float64(hi[2]-1)),
			s.Patient(float64(s.Size[0]-1), float64(s.Size[1]-1), float64(s.Size[2]-1)), 1e-10)
	})
}

// Every voxel centre within the radius of a point must be in the box, and the
// box must lie in the grid.
func TestBoxCoversTheBalls(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGrid(t)
		var points []geom.Vec
		x := rapid.Float64Range(-6, 12)
		for range rapid.IntRange(1, 3).Draw(t, "points") {
			points = append(points, g.Patient(x.Draw(t, "i"), x.Draw(t, "j"), x.Draw(t, "k")))
		}
		radius := rapid.Float64Range(0, 4).Draw(t, "radius")
		lo, hi := g.Box(radius, points...)
		for a := range 3 {
			require.GreaterOrEqual(t, lo[a], 0)
			require.LessOrEqual(t, lo[a], hi[a])
			require.LessOrEqual(t, hi[a], g.Size[a])
		}
		for k := range g.Size[2] {
			for j := range g.Size[1] {
				for i := range g.Size[0] {
					c := g.Patient(float64(i), float64(j), float64(k))
					for _, p := range points {
						if r3.Norm(r3.Sub(c, p)) > radius {
							continue
						}
						for a, n := range [3]int{i, j, k} {
							require.True(t, n >= lo[a] && n < hi[a], "voxel %d %d %d within %g of %v lies outside %v to %v", i, j, k, radius, p, lo, hi)
						}
					}
				}
			}
		}
	})
	g := Grid{Size: [3]int{10, 10, 10}, Step: [3]geom.Vec{vec(0.5, 0, 0), vec(0, 1, 0), vec(0, 0, 2)}}
	lo, hi := g.Box(1, vec(2, 5, 8))
	assert.Equal(t, [3]int{2, 4, 3}, lo)
	assert.Equal(t, [3]int{7, 7, 6}, hi, "no larger than need be")
	lo, hi = g.Box(1, vec(100, 5, 8))
	assert.LessOrEqual(t, hi[0]-lo[0], 0, "empty where no voxel is near")
}

// linear is a volume whose grey value is 2i − 3j + 5k − 7, stored with another
// rescale in each slice.
func linear(g Grid) *Volume {
	v := &Volume{Grid: g}
	for k := range g.Size[2] {
		slope := 0.5 + 0.25*float64(k%3)
		intercept := -1000 + 10*float64(k)
		v.Slope, v.Intercept = append(v.Slope, slope), append(v.Intercept, intercept)
		for j := range g.Size[1] {
			for i := range g.Size[0] {
				grey := linearGrey(float64(i), float64(j), float64(k))
				v.Stored = append(v.Stored, uint16(math.Round(4*(grey-intercept)/slope)))
			}
		}
		v.Slope[k] /= 4
	}
	return v
}

func linearGrey(i, j, k float64) float64 { return 2*i - 3*j + 5*k - 7 }

func TestGreyTakesEachSlicesRescale(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := linear(drawGrid(t))
		for k := range v.Size[2] {
			for j := range v.Size[1] {
				for i := range v.Size[0] {
					require.InDelta(t, linearGrey(float64(i), float64(j), float64(k)), v.Grey(i, j, k), 0.5*v.Slope[k]+1e-9)
				}
			}
		}
	})
}

func TestRegionIsGreyOfTheSameVoxels(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		v := linear(drawGrid(t))
		v.Padding = &Range{Low: v.Stored[0], High: v.Stored[0] + 20}
		var lo, hi [3]int
		for a := range 3 {
			lo[a] = rapid.IntRange(0, v.Size[a]-1).Draw(t, "lo")
			hi[a] = rapid.IntRange(lo[a]+1, v.Size[a]).Draw(t, "hi")
		}
		f := v.Region(lo, hi)
		require.Len(t, f.Grey, f.Len())
		require.Equal(t, v.Sub(lo, hi), f.Grid)
		for k := range f.Size[2] {
			for j := range f.Size[1] {
				for i := range f.Size[0] {
					want := v.Grey(lo[0]+i, lo[1]+j, lo[2]+k)
					if math.IsNaN(want) {
						require.True(t, math.IsNaN(float64(f.At(i, j, k))))
						continue
					}
					require.Equal(t, float32(want), f.At(i, j, k))
				}
			}
		}
	})
}

func TestPaddingHasNoGrey(t *testing.T) {
	v := &Volume{Grid: Grid{Size: [3]int{4, 1, 1}}, Stored: []uint16{9, 10, 12, 13}, Slope: []float64{2}, Intercept: []float64{-5}}
	assert.False(t, v.Padded(10), "no padding unless the scan says so")
	assert.InDelta(t, 15, v.Grey(1, 0, 0), 0)
	v.Padding = &Range{Low: 10, High: 12}
	assert.InDelta(t, 13, v.Grey(0, 0, 0), 0)
	assert.True(t, math.IsNaN(v.Grey(1, 0, 0)))
	assert.True(t, math.IsNaN(v.Grey(2, 0, 0)))
	assert.InDelta(t, 21, v.Grey(3, 0, 0), 0)
}

// A trilinear sample is exact on a field that is linear along each index, also
// with a product of all three.
func TestSampleIsTrilinear(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		g := drawGrid(t)
		grey := func(i, j, k float64) float64 { return linearGrey(i, j, k) + 0.5*i*j*k - i*k }
		f := &Field{Grid: g}
		for k := range g.Size[2] {
			for j := range g.Size[1] {
				for i := range g.Size[0] {
					f.Grey = append(f.Grey, float32(grey(float64(i), float64(j), float64(k))))
				}
			}
		}
		var at [3]float64
		for a := range 3 {
			at[a] = rapid.Float64Range(0.001, float64(g.Size[a]-1)-0.001).Draw(t, "index")
		}
		i, j, k := math.Floor(at[0]), math.Floor(at[1]), math.Floor(at[2])
		want := 0.0
		for n := range 8 {
			w, corner := 1.0, [3]float64{i, j, k}
			for a := range 3 {
				frac := at[a] - corner[a]
				if n>>a&1 == 1 {
					corner[a]++
					w *= frac
				} else {
					w *= 1 - frac
				}
			}
			want += w * grey(corner[0], corner[1], corner[2])
		}
		require.InDelta(t, want, f.Sample(g.Patient(at[0], at[1], at[2])), 1e-4)
	})
}

func TestSampleOutsideIsNoNumber(t *testing.T) {
	f := &Field{
		Grid: Grid{Size: [3]int{3, 3, 3}, Step: [3]geom.Vec{vec(1, 0, 0), vec(0, 1, 0), vec(0, 0, 1)}},
		Grey: make([]float32, 27),
	}
	assert.Zero(t, f.Sample(vec(1.5, 0.5, 0)))
	for _, p := range []geom.Vec{vec(-0.01, 1, 1), vec(1, -0.01, 1), vec(1, 1, -0.01), vec(2.01, 1, 1), vec(1, 2.01, 1), vec(1, 1, 2.01)} {
		assert.True(t, math.IsNaN(f.Sample(p)), "%v", p)
	}
	f.Grey[13] = float32(math.NaN())
	assert.True(t, math.IsNaN(f.Sample(vec(0.5, 0.5, 0.5))), "next to a voxel with no value")
}
