package geom

import (
	"math"
	"os"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

func drawVec(t *rapid.T, reach float64, name string) Vec {
	x := rapid.Float64Range(-reach, reach)
	return Vec{X: x.Draw(t, name+".x"), Y: x.Draw(t, name+".y"), Z: x.Draw(t, name+".z")}
}

func drawDirection(t *rapid.T, name string) Vec {
	z, phi := rapid.Float64Range(-1, 1).Draw(t, name+".z"), rapid.Float64Range(0, 2*math.Pi).Draw(t, name+".phi")
	r := math.Sqrt(1 - z*z)
	return Vec{X: r * math.Cos(phi), Y: r * math.Sin(phi), Z: z}
}

func drawRigid(t *rapid.T, name string) Rigid {
	m := Rotation(r3.Scale(rapid.Float64Range(0, math.Pi).Draw(t, name+".angle"), drawDirection(t, name+".axis")))
	m.T = drawVec(t, 200, name+".t")
	return m
}

func requireNear(t require.TestingT, want, got Vec, tolerance float64, what ...any) {
	require.LessOrEqual(t, r3.Norm(r3.Sub(want, got)), tolerance, what...)
}

func requireSame(t require.TestingT, want, got Rigid, tolerance float64) {
	a, b := want.Matrix(), got.Matrix()
	for i := range a {
		require.InDelta(t, a[i], b[i], tolerance, "entry %d", i)
	}
}

// Source: scipy's Rotation, frozen in testdata with the script that made it.
func TestRotationAgainstScipy(t *testing.T) {
	data, err := os.ReadFile("testdata/rotation_scipy.csv")
	require.NoError(t, err)
	lines := 0
	before := Identity()
	for line := range strings.Lines(string(data)) {
		if strings.HasPrefix(line, "#") {
			continue
		}
		lines++
		var x []float64
		for _, cell := range strings.Split(strings.TrimSpace(line), ",") {
			v, err := strconv.ParseFloat(cell, 64)
			require.NoError(t, err)
			x = append(x, v)
		}
		require.Len(t, x, 25)
		vec := func(at int) Vec { return Vec{X: x[at], Y: x[at+1], Z: x[at+2]} }
		m := Rotation(vec(0))
		for i := range 9 {
			require.InDelta(t, x[3+i], m.R[i/3][i%3], 1e-14, "line %d, matrix entry %d", lines, i)
		}
		m.T = vec(12)
		requireNear(t, vec(18), m.Apply(vec(15)), 1e-11, "line %d, moved point", lines)
		require.InDelta(t, x[21], m.Angle(), 1e-10, "line %d, angle", lines)
		requireNear(t, vec(0), m.RotationVector(), 1e-10, "line %d, rotation vector", lines)
		requireNear(t, vec(22), m.After(before).RotationVector(), 1e-9, "line %d, composition", lines)
		before = m
	}
	require.Equal(t, 36, lines)
}

// By hand: a quarter turn about +z carries +x to +y.
func TestQuarterTurn(t *testing.T) {
	m := Rotation(Vec{Z: math.Pi / 2})
	requireNear(t, Vec{Y: 1}, m.Apply(Vec{X: 1}), 1e-15)
	requireNear(t, Vec{X: -1}, m.Apply(Vec{Y: 1}), 1e-15)
	m.T = Vec{X: 5, Z: -1}
	requireNear(t, Vec{X: 5, Y: 1, Z: -1}, m.Apply(Vec{X: 1}), 1e-15)
	requireNear(t, Vec{Y: 1}, m.Rotate(Vec{X: 1}), 1e-15, "a direction does not shift")
	moved := m.ApplyPose(Pose{Entry: Vec{X: 1}, Apex: Vec{X: 11}})
	requireNear(t, Vec{X: 5, Y: 1, Z: -1}, moved.Entry, 1e-14)
	requireNear(t, Vec{X: 5, Y: 11, Z: -1}, moved.Apex, 1e-14)
	requireNear(t, Vec{Y: 1}, moved.Axis(), 1e-14)
	assert.InDelta(t, 10, moved.Length(), 1e-14)
	assert.Equal(t, [16]float64{1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1}, Identity().Matrix())
}

func TestAngles(t *testing.T) {
	assert.InDelta(t, math.Pi/2, Angle(Vec{X: 3}, Vec{Y: 0.1}), 1e-15)
	assert.InDelta(t, math.Pi, Angle(Vec{X: 3}, Vec{X: -2}), 1e-15)
	assert.Zero(t, Angle(Vec{X: 1, Y: 2, Z: 3}, Vec{X: 1, Y: 2, Z: 3}))
	// The arccosine of the dot product gives 0 here.
	assert.InEpsilon(t, 1e-9, Angle(Vec{X: 1}, Vec{X: 1, Y: 1e-9}), 1e-12)
	assert.InEpsilon(t, 180, Degrees(math.Pi), 1e-15)
	rapid.Check(t, func(t *rapid.T) {
		deg := rapid.Float64Range(0, 180).Draw(t, "deg")
		require.InDelta(t, deg, Degrees(Radians(deg)), 1e-13)
		u := drawDirection(t, "u")
		e1, e2 := Perpendicular(u)
		sin, cos := math.Sincos(Radians(deg))
		phi := rapid.Float64Range(0, 2*math.Pi).Draw(t, "phi")
		side := r3.Add(r3.Scale(math.Cos(phi), e1), r3.Scale(math.Sin(phi), e2))
		v := r3.Scale(rapid.Float64Range(0.01, 100).Draw(t, "size"), r3.Add(r3.Scale(cos, u), r3.Scale(sin, side)))
		require.InDelta(t, deg, Degrees(Angle(u, v)), 1e-12)
		require.Equal(t, Angle(u, v), Angle(v, u))
	})
}

func TestPerpendicularIsARightHandedTriple(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a := drawDirection(t, "a")
		e1, e2 := Perpendicular(a)
		for _, d := range []float64{r3.Dot(e1, e2), r3.Dot(e1, a), r3.Dot(e2, a), r3.Norm(e1) - 1, r3.Norm(e2) - 1} {
			require.InDelta(t, 0, d, 1e-14)
		}
		requireNear(t, a, r3.Cross(e1, e2), 1e-14)
	})
}

func TestFinite(t *testing.T) {
	assert.True(t, Finite(Vec{X: -1e9, Y: 2}))
	for _, bad := range []float64{math.NaN(), math.Inf(1), math.Inf(-1)} {
		assert.False(t, Finite(Vec{X: bad}))
		assert.False(t, Finite(Vec{Y: bad}))
		assert.False(t, Finite(Vec{Z: bad}))
	}
	assert.False(t, Finite(Vec{X: math.Inf(1), Y: math.Inf(-1)}))
}

func TestRigidMotionsAreAGroup(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b, c := drawRigid(t, "a"), drawRigid(t, "b"), drawRigid(t, "c")
		requireSame(t, Identity(), a.After(a.Inverse()), 1e-12)
		requireSame(t, Identity(), a.Inverse().After(a), 1e-12)
		requireSame(t, a, a.Inverse().Inverse(), 1e-12)
		requireSame(t, a.After(b).After(c), a.After(b.After(c)), 1e-12)
		p := drawVec(t, 100, "p")
		requireNear(t, a.Apply(b.Apply(p)), a.After(b).Apply(p), 1e-12)
	})
}

func TestRigidMotionsKeepLengthsAnglesAndHands(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawRigid(t, "m")
		u, v := drawVec(t, 100, "u"), drawVec(t, 100, "v")
		require.InDelta(t, r3.Norm(r3.Sub(u, v)), r3.Norm(r3.Sub(m.Apply(u), m.Apply(v))), 1e-11)
		requireNear(t, m.Rotate(r3.Cross(u, v)), r3.Cross(m.Rotate(u), m.Rotate(v)), 1e-9)
	})
}

// The rotation vector must come back within 1e-9, up to and at half a turn,
// where w and −w are the same rotation.
func TestRotationVectorInvertsRotation(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		short := rapid.SampledFrom([]float64{0, 1e-12, 1e-9, 1e-8, 4e-7, 6e-7, 1e-6, 1e-4, 0.1}).Draw(t, "short")
		theta := rapid.SampledFrom([]float64{short, math.Pi - short, math.Pi * rapid.Float64Range(0, 1).Draw(t, "part")}).Draw(t, "theta")
		w := r3.Scale(theta, drawDirection(t, "axis"))
		m := Rotation(w)
		require.InDelta(t, theta, m.Angle(), 1e-9)
		requireSame(t, m, Rotation(m.RotationVector()), 1e-9)
		if math.Pi-theta > 1e-3 {
			requireNear(t, w, m.RotationVector(), 1e-9)
		}
	})
}

func TestMatrixRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m := drawRigid(t, "m")
		back, err := FromMatrix(m.Matrix())
		require.NoError(t, err)
		requireSame(t, m, back, 1e-14)

		// Five printed decimals pass and come out orthonormal.
		printed := m.Matrix()
		for i := range printed {
			printed[i] = math.Round(printed[i]*1e5) / 1e5
		}
		back, err = FromMatrix(printed)
		require.NoError(t, err)
		requireSame(t, m, back, 3e-5)
		requireSame(t, Identity(), back.After(back.Inverse()), 1e-12)
	})
}

func TestMatricesThatAreNotRigid(t *testing.T) {
	turned := Rotation(Vec{X: 0.3, Y: -1, Z: 0.7}).Matrix()
	cases := []struct {
		name, says string
		change     func(a *[16]float64)
	}{
		{"not a number", "an entry is not a finite number", func(a *[16]float64) { a[3] = math.NaN() }},
		{"infinite", "an entry is not a finite number", func(a *[16]float64) { a[15] = math.Inf(1) }},
		{"column major", "the last row is 4 5 6 1, expected 0 0 0 1", func(a *[16]float64) { a[12], a[13], a[14] = 4, 5, 6 }},
		{"last number", "the last row is 0 0 0 0, expected 0 0 0 1", func(a *[16]float64) { a[15] = 0 }},
		{"scaled", "scaled or sheared", func(a *[16]float64) { scale(a, 1.001, 1.001, 1.001) }},
		{"one axis scaled", "scaled or sheared", func(a *[16]float64) { scale(a, 1, 0.999, 1) }},
		{"sheared", "scaled or sheared", func(a *[16]float64) {
			for r := range 3 {
				a[4*r] += 0.001 * a[4*r+1]
			}
		}},
		{"mirrored", "it mirrors left and right", func(a *[16]float64) { scale(a, -1, 1, 1) }},
		{"zero", "scaled or sheared", func(a *[16]float64) { scale(a, 0, 0, 0) }},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			a := turned
			c.change(&a)
			_, err := FromMatrix(a)
			require.ErrorIs(t, err, ErrNotRigid)
			assert.ErrorContains(t, err, c.says)
		})
	}
	a := turned
	scale(&a, 1.0001, 1.0001, 1.0001)
	_, err := FromMatrix(a)
	assert.NoError(t, err, "a scale below what printing does")
}

func scale(a *[16]float64, x, y, z float64) {
	for r := range 3 {
		a[4*r] *= x
		a[4*r+1] *= y
		a[4*r+2] *= z
	}
}

func FuzzFromMatrix(f *testing.F) {
	f.Add(1.0, 0.0, 0.0, 0.0, 1.0, 0.0, 0.0, 0.0, 1.0, 5.0)
	f.Add(0.0, -1.0, 0.0, 1.0, 0.0, 0.0, 0.0, 0.0, 1.0, -3e200)
	f.Add(math.MaxFloat64, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
	f.Fuzz(func(t *testing.T, a, b, c, d, e, g, h, i, j, x float64) {
		m, err := FromMatrix([16]float64{a, b, c, x, d, e, g, x, h, i, j, x, 0, 0, 0, 1})
		if err != nil {
			require.ErrorIs(t, err, ErrNotRigid)
			require.Zero(t, m)
			return
		}
		m.T = Vec{}
		requireSame(t, Identity(), m.After(m.Inverse()), 1e-12)
	})
}
