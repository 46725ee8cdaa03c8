package intensity

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/volume"
)

// oblique is a turned grid of unequal spacings.
func oblique(size [3]int) volume.Grid {
	turn := geom.Rotation(geom.Vec{X: 0.3, Y: -0.2, Z: 0.5})
	return volume.Grid{
		Size:   size,
		Origin: geom.Vec{X: -3, Y: 5, Z: 7},
		Step:   [3]geom.Vec{turn.Rotate(geom.Vec{X: 0.4}), turn.Rotate(geom.Vec{Y: 0.3}), turn.Rotate(geom.Vec{Z: 0.5})},
	}
}

func noiseField(size [3]int) *volume.Field {
	r := rand.New(rand.NewPCG(1, 2))
	f := &volume.Field{Grid: oblique(size)}
	for range f.Len() {
		f.Grey = append(f.Grey, float32(100*r.NormFloat64()))
	}
	return f
}

// A cubic B-spline whose coefficients lie on a plane is that plane.
func TestInterpolatorReproducesAPlane(t *testing.T) {
	f := &volume.Field{Grid: oblique([3]int{9, 10, 11})}
	gradient := geom.Vec{X: 3, Y: -2, Z: 0.5}
	for k := range f.Size[2] {
		for j := range f.Size[1] {
			for i := range f.Size[0] {
				f.Grey = append(f.Grey, float32(40+r3.Dot(gradient, f.Patient(float64(i), float64(j), float64(k)))))
			}
		}
	}
	turn := geom.Rotation(geom.Vec{Z: 0.7})
	turn.T = geom.Vec{X: 0.1, Y: 0.2}
	in := newInterpolator(f, scaledRigid{Rigid: turn})
	rapid.Check(t, func(t *rapid.T) {
		inside := func(n int) float64 { return rapid.Float64Range(1.001, float64(n)-2.001).Draw(t, "index") }
		q := f.Patient(inside(f.Size[0]), inside(f.Size[1]), inside(f.Size[2]))
		p := turn.Inverse().Apply(q)
		want := 40 + r3.Dot(gradient, q)
		v, g := in.valueAndGradient(p)
		// Single precision over greys of 50: 5e-6 each, some dozens of them.
		if math.Abs(v-want) > 1e-3 || math.Abs(in.value(p)-want) > 1e-3 {
			t.Fatalf("value %g and %g, expected %g", v, in.value(p), want)
		}
		if d := r3.Norm(r3.Sub(turn.Rotate(g), gradient)); d > 1e-3 {
			t.Fatalf("gradient off by %g", d)
		}
	})
}

func TestInterpolatorGradientAgainstDifferences(t *testing.T) {
	f := noiseField([3]int{8, 8, 8})
	tr := scaledRigid{
		Rigid: geom.Rotation(geom.Vec{X: 0.2, Z: -0.1}), scale: [3]float64{0.02, -0.01, 0.03},
		axes: [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}, centre: geom.Vec{X: 1, Y: 2, Z: 3},
	}
	in := newInterpolator(f, tr)
	m, shift := tr.affine()
	// A point that the transform takes to the middle of the field.
	c, p := f.Centre(), geom.Vec{}
	for range 50 {
		q := geom.Vec{
			X: m[0][0]*p.X + m[0][1]*p.Y + m[0][2]*p.Z + shift.X,
			Y: m[1][0]*p.X + m[1][1]*p.Y + m[1][2]*p.Z + shift.Y,
			Z: m[2][0]*p.X + m[2][1]*p.Y + m[2][2]*p.Z + shift.Z,
		}
		p = r3.Add(p, tr.Inverse().Rotate(r3.Sub(c, q)))
	}
	_, g := in.valueAndGradient(p)
	const h = 0.01
	for a, e := range [3]geom.Vec{{X: h}, {Y: h}, {Z: h}} {
		want := (in.value(r3.Add(p, e)) - in.value(r3.Sub(p, e))) / (2 * h)
		assert.InDelta(t, want, [3]float64{g.X, g.Y, g.Z}[a], 1, "of a gradient of some hundred")
	}
}

func TestInterpolatorOutside(t *testing.T) {
	f := noiseField([3]int{6, 6, 6})
	in := newInterpolator(f, scaledRigid{Rigid: geom.Identity()})
	for _, c := range [][3]float64{{0.9, 2, 2}, {2, 4, 2}, {2, 2, -5}, {math.NaN(), 2, 2}} {
		p := f.Patient(c[0], c[1], c[2])
		v, _ := in.valueAndGradient(p)
		assert.True(t, math.IsNaN(v) && math.IsNaN(in.value(p)), "index %v", c)
	}
	assert.False(t, math.IsNaN(in.value(f.Patient(2.5, 2.5, 2.5))))
}

// What a scanner writes outside its cylinder is told from air in the head.
func TestOutsideOfTheCylinder(t *testing.T) {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{60, 60, 12}, Step: [3]geom.Vec{{X: 0.5}, {Y: 0.5}, {Z: 0.5}}}}
	r := rand.New(rand.NewPCG(3, 4))
	for range v.Size[2] {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1000)
		for j := range v.Size[1] {
			for i := range v.Size[0] {
				x, y := float64(i)-29.5, float64(j)-29.5
				g := uint16(1000 + 40*r.NormFloat64())
				switch {
				case math.Hypot(x, y) > 29:
					g = 7
				case math.Hypot(x, y) < 6: // an air space with the same greys
					g = 7
				}
				v.Stored = append(v.Stored, g)
			}
		}
	}
	stored, known := outsideConstant(v)
	require.True(t, known)
	require.Equal(t, uint16(7), stored)
	s := newPyramid(v)
	f := s.local(0, 0.1, 40, []geom.Vec{v.Centre()})
	nan := func(i, j int) bool { return math.IsNaN(float64(f.At(i, j, 6))) }
	assert.True(t, nan(1, 1), "corner")
	assert.False(t, nan(30, 30), "air space in the middle")
	assert.False(t, nan(30, 15), "tissue")

	for i := range v.Stored {
		v.Stored[i] = uint16(1000 + 40*r.NormFloat64())
	}
	_, known = outsideConstant(v)
	assert.False(t, known, "noise is no outside value")
}

func TestMetalIsLeftOut(t *testing.T) {
	p := smallPair()
	s := newPyramid(p.Post)
	f := p.Truth.Fixtures[0].AchievedPost
	mid := r3.Scale(0.5, r3.Add(f.Entry, f.Apex))
	field := s.local(0, 0.5, 6, []geom.Vec{mid})
	assert.True(t, math.IsNaN(splineAt(field, mid)))
	e1, _ := geom.Perpendicular(f.Axis())
	assert.False(t, math.IsNaN(splineAt(field, r3.Add(mid, r3.Scale(5, e1)))))
}

func splineAt(f *volume.Field, p geom.Vec) float64 {
	in := newInterpolator(f, scaledRigid{Rigid: geom.Identity()})
	return in.value(p)
}
