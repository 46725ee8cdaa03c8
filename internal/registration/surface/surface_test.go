package surface

import (
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/registration"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// row of knobs: a surface of heights that are a sum of bumps, steep and round as crowns are.
type knobs []geom.Vec // place, and height as Z

func newKnobs(seed uint64) knobs {
	random := rand.New(rand.NewPCG(seed, 1))
	var k knobs
	for x := -24.0; x <= 24; x += 6.5 {
		for range 3 {
			k = append(k, geom.Vec{X: x + 3*random.Float64(), Y: 8*random.Float64() - 4, Z: 2 + 2.5*random.Float64()})
		}
	}
	return k
}

func (k knobs) height(x, y float64) float64 {
	h := 0.0
	for _, b := range k {
		h += b.Z * math.Exp(-((x-b.X)*(x-b.X)+(y-b.Y)*(y-b.Y))/5)
	}
	return h
}

// scanned is the part of the surface that keep holds for, with noise, moved.
func (k knobs) scanned(seed uint64, noise float64, by geom.Rigid, keep func(x, y float64) bool) *trimesh.Mesh {
	random := rand.New(rand.NewPCG(seed, 2))
	const step = 0.4
	shift := random.Float64() * step
	m := &trimesh.Mesh{}
	place := map[[2]int]int32{}
	at := func(i, j int) (int32, bool) {
		x, y := -28+shift+step*float64(i), -9+shift+step*float64(j)
		if !keep(x, y) {
			return 0, false
		}
		n, ok := place[[2]int{i, j}]
		if !ok {
			n = int32(len(m.Vertices))
			place[[2]int{i, j}] = n
			m.Vertices = append(m.Vertices, by.Apply(geom.Vec{X: x, Y: y, Z: k.height(x, y) + noise*random.NormFloat64()}))
		}
		return n, true
	}
	for i := range 138 {
		for j := range 44 {
			a, ok1 := at(i, j)
			b, ok2 := at(i+1, j)
			c, ok3 := at(i+1, j+1)
			d, ok4 := at(i, j+1)
			if ok1 && ok2 && ok3 && ok4 {
				m.Triangles = append(m.Triangles, [3]int32{a, b, c}, [3]int32{a, c, d})
			}
		}
	}
	return m
}

func everywhere(x, y float64) bool { return true }

// somewhere is a pose of a file.
func somewhere(seed uint64) geom.Rigid {
	random := rand.New(rand.NewPCG(seed, 3))
	m := geom.Rotation(geom.Vec{X: 4 * random.NormFloat64(), Y: 4 * random.NormFloat64(), Z: 4 * random.NormFloat64()})
	m.T = geom.Vec{X: 50 * random.NormFloat64(), Y: 50 * random.NormFloat64(), Z: 50 * random.NormFloat64()}
	return m
}

// moving has starts in every turn about a body that stands 1.5 mm off its plan.
func moving(c *Cloud, toFixed geom.Rigid) Moving {
	back := toFixed.Inverse()
	m := Moving{Cloud: c, Up: back.Rotate(geom.Vec{Z: 1}), Bodies: []geom.Vec{back.Apply(geom.Vec{X: 1.5, Z: 3})}}
	for k := range 36 {
		turn := geom.Rotation(geom.Vec{Z: float64(k) * math.Pi / 18})
		turn.T = geom.Vec{X: 1, Y: -1, Z: 0.5}
		lean := geom.Rotation(geom.Vec{X: 0.06, Y: -0.05})
		m.Starts = append(m.Starts, lean.After(turn).After(toFixed))
	}
	return m
}

// off is the error of a pose at a site and 12 mm below it, mm.
func off(got, want geom.Rigid, back geom.Rigid) float64 {
	worst := 0.0
	for _, p := range []geom.Vec{{X: 1.5}, {X: 1.5, Z: -12}} {
		q := back.Apply(p)
		worst = max(worst, r3.Norm(r3.Sub(got.Apply(q), want.Apply(q))))
	}
	return worst
}

// What is drawn is found again: noise, holes, a part that was not there before, half of the
// surface only.
func TestOntoASurface(t *testing.T) {
	k := newKnobs(1)
	fixed := OntoSurface(NewIndex(k.scanned(1, 0.01, geom.Identity(), everywhere)))
	changed := append(knobs{{X: -12, Y: 1, Z: 3}}, k...) // a new crown
	for name, m := range map[string]*trimesh.Mesh{
		"whole":   k.scanned(2, 0.01, somewhere(2), everywhere),
		"part":    k.scanned(3, 0.01, somewhere(2), func(x, y float64) bool { return x > -16 && x < 14 && math.Hypot(x+8, y-2) > 1.5 }),
		"changed": changed.scanned(4, 0.01, somewhere(2), everywhere),
	} {
		toFixed := somewhere(2).Inverse()
		f, err := Align(moving(Of(m), toFixed), fixed)
		require.NoError(t, err, name)
		assert.Less(t, off(f.ToFixed, toFixed, somewhere(2)), 0.01, name)
		assert.InDelta(t, 1, f.Scale, 0.001, name)
		r := registration.Result{Cov: f.Cov, Centre: f.Centre}
		u := r.ExpectedTRE(geom.Vec{X: 1.5, Z: -12})
		assert.Less(t, u, 0.06, name)
		assert.Greater(t, u, 0.002, name)
	}
}

// How a file lies, in which order and which way round its triangles are, and where its
// vertices stand in the list changes nothing that shows.
func TestPoseOrderAndFacingDoNotMatter(t *testing.T) {
	k := newKnobs(2)
	fixed := OntoSurface(NewIndex(k.scanned(1, 0.01, geom.Identity(), everywhere)))
	place := func(pose geom.Rigid, shuffle bool) geom.Rigid {
		m := k.scanned(7, 0.01, pose, everywhere)
		if shuffle {
			random := rand.New(rand.NewPCG(9, 9))
			random.Shuffle(len(m.Triangles), func(i, j int) { m.Triangles[i], m.Triangles[j] = m.Triangles[j], m.Triangles[i] })
			for i, t := range m.Triangles {
				if random.IntN(10) == 0 {
					m.Triangles[i] = [3]int32{t[1], t[0], t[2]}
				}
			}
		}
		f, err := Align(moving(Of(m), pose.Inverse()), fixed)
		require.NoError(t, err)
		return f.ToFixed.After(pose)
	}
	first := place(somewhere(1), false)
	for seed := range uint64(3) {
		assert.Less(t, off(place(somewhere(5+seed), seed > 0), first, geom.Identity()), 0.003)
	}
}

// Another row of knobs, and one of the same knob again and again, which fits in several
// places.
func TestWhatDoesNotFitIsRefused(t *testing.T) {
	toFixed := somewhere(2).Inverse()
	fixed := OntoSurface(NewIndex(newKnobs(1).scanned(1, 0.01, geom.Identity(), everywhere)))
	for seed := range uint64(4) {
		_, err := Align(moving(Of(newKnobs(20+seed).scanned(2, 0.01, somewhere(2), everywhere)), toFixed), fixed)
		require.ErrorIs(t, err, ErrNoOverlap)
	}
	var same knobs
	for x := -30.0; x <= 30; x += 4 {
		same = append(same, geom.Vec{X: x, Z: 3})
	}
	fixed = OntoSurface(NewIndex(same.scanned(1, 0.01, geom.Identity(), everywhere)))
	_, err := Align(moving(Of(same.scanned(2, 0.01, somewhere(2), everywhere)), toFixed), fixed)
	require.ErrorIs(t, err, ErrAmbiguous)
	few := Of(newKnobs(1).scanned(2, 0.01, somewhere(2), func(x, y float64) bool { return math.Hypot(x-1.5, y) < 7 }))
	_, err = Align(moving(few, toFixed), OntoSurface(NewIndex(newKnobs(1).scanned(1, 0.01, geom.Identity(), everywhere))))
	require.ErrorIs(t, err, ErrNoOverlap)
}

// Waves that cross a plate lie beside it for the most part, wherever they are laid.
func TestWhatLiesBesideIsRefused(t *testing.T) {
	fixed := OntoSurface(NewIndex((knobs{}).scanned(1, 0.01, geom.Identity(), everywhere)))
	waves := (knobs{}).scanned(2, 0, geom.Identity(), everywhere)
	for i, v := range waves.Vertices {
		waves.Vertices[i].Z = 0.9 * math.Sin(v.X/1.5)
	}
	_, err := Align(moving(Of(waves), geom.Identity()), fixed)
	require.ErrorIs(t, err, ErrNoOverlap)
}

// image is the knobs as enamel of 1.3 mm over dentine, in soft tissue, with a Gaussian point
// spread; the edge response of a plane is its integral.
func (k knobs) image() *volume.Volume {
	const voxel, blur = 0.35, 0.25
	g := volume.Grid{Size: [3]int{166, 62, 66}, Origin: geom.Vec{X: -29, Y: -11, Z: -7}, Step: [3]geom.Vec{{X: voxel}, {Y: voxel}, {Z: voxel}}}
	v := &volume.Volume{Grid: g, Stored: make([]uint16, g.Len()), Slope: make([]float64, g.Size[2]), Intercept: make([]float64, g.Size[2])}
	random := rand.New(rand.NewPCG(4, 4))
	for z := range g.Size[2] {
		v.Slope[z], v.Intercept[z] = 1, -1000
	}
	for i := range v.Stored {
		p := g.Patient(float64(i%g.Size[0]), float64(i/g.Size[0]%g.Size[1]), float64(i/g.Size[0]/g.Size[1]))
		const h = 1e-3
		fx := (k.height(p.X+h, p.Y) - k.height(p.X-h, p.Y)) / (2 * h)
		fy := (k.height(p.X, p.Y+h) - k.height(p.X, p.Y-h)) / (2 * h)
		d := (p.Z - k.height(p.X, p.Y)) / math.Sqrt(1+fx*fx+fy*fy)
		in := func(d float64) float64 { return math.Erfc(d/(blur*math.Sqrt2)) / 2 }
		grey := 50 + 2850*in(d) - 1400*in(d+1.3) - 1450*in(d+4)
		v.Stored[i] = uint16(1000 + grey + 60*random.NormFloat64())
	}
	return v
}

// The enamel's edge is found to a fraction of a voxel, from scans that face either way.
func TestOntoEnamel(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	k := newKnobs(3)
	e := NewEnamel(k.image(), 60, geom.Vec{X: 1.5})
	require.NotNil(t, e)
	fixed := OntoScan(e)
	toFixed := somewhere(2).Inverse()
	for _, flip := range []bool{false, true} {
		m := k.scanned(2, 0.01, somewhere(2), everywhere)
		if flip {
			for i, t := range m.Triangles {
				m.Triangles[i] = [3]int32{t[1], t[0], t[2]}
			}
		}
		onto := moving(Of(m), toFixed)
		onto.Inward = flip
		f, err := Align(onto, fixed)
		require.NoError(t, err)
		assert.Less(t, off(f.ToFixed, toFixed, somewhere(2)), 0.06)
	}
	_, err := Align(moving(Of(newKnobs(8).scanned(2, 0.01, somewhere(2), everywhere)), toFixed), fixed)
	require.ErrorIs(t, err, ErrNoOverlap)
	assert.Nil(t, NewEnamel(k.image(), 1, geom.Vec{X: 500}), "there is nothing there")
}

// By hand: the nearest point of a triangle to a point over its inside, an edge and a corner.
func TestNearestPointOfATriangle(t *testing.T) {
	a, b, c := geom.Vec{}, geom.Vec{X: 4}, geom.Vec{Y: 4}
	for _, x := range []struct {
		p    geom.Vec
		u, w float64
	}{{geom.Vec{X: 1, Y: 1, Z: 3}, 0.25, 0.25}, {geom.Vec{X: 2, Y: -3}, 0.5, 0}, {geom.Vec{X: 4, Y: 4, Z: 1}, 0.5, 0.5}, {geom.Vec{X: -1, Y: -1}, 0, 0}, {geom.Vec{X: 9, Y: -1}, 1, 0}, {geom.Vec{X: -1, Y: 2}, 0, 0.5}} {
		u, w := barycentric(x.p, a, b, c)
		assert.InDelta(t, x.u, u, 1e-12)
		assert.InDelta(t, x.w, w, 1e-12)
	}
}

// The longest way of a plate of 60 × 20 mm, whatever its pose; a speck far off does not count.
func TestAcross(t *testing.T) {
	m := (knobs{}).scanned(1, 0, somewhere(4), everywhere)
	want := Across(m)
	assert.InDelta(t, 0.98*55, want, 0.6)
	n := int32(len(m.Vertices))
	m.Vertices = append(m.Vertices, geom.Vec{X: 900}, geom.Vec{X: 900.3}, geom.Vec{X: 900, Y: 0.3})
	m.Triangles = append(m.Triangles, [3]int32{n, n + 1, n + 2})
	assert.InDelta(t, want, Across(m), 6)
}

func BenchmarkOntoASurface(b *testing.B) {
	k := newKnobs(1)
	before, after := k.scanned(1, 0.01, geom.Identity(), everywhere), k.scanned(2, 0.01, somewhere(2), everywhere)
	for b.Loop() {
		_, err := Align(moving(Of(after), somewhere(2).Inverse()), OntoSurface(NewIndex(before)))
		require.NoError(b, err)
	}
}

// A piece whose points are all a little off goes whole, one with a few outliers stays, and one
// that nothing matches is no matter.
func TestChangedPiecesAreLeftOut(t *testing.T) {
	s := &State{ToFixed: geom.Identity(), Scale: 0.05}
	c := &Cloud{}
	for i := range 30 {
		c.Points = append(c.Points, geom.Vec{X: blockWidth*float64(i/10) + 0.1*float64(i%10)})
		c.Area = append(c.Area, 1)
		s.Residual = append(s.Residual, []float64{0.02, 0.15, math.NaN()}[i/10])
	}
	s.Residual[0], s.Residual[10] = 0.3, 0.01
	weight := slices.Repeat([]float64{1}, 30)
	s.leaveChanged(c, weight)
	for i, w := range weight {
		assert.Equal(t, i/10 != 1, w == 1, "point %d", i)
	}
}
