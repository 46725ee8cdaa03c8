package phantom

import (
	"math"
	"math/rand/v2"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// castAlone renders one metal body alone.
func castAlone(c Scan, m metal) (*metalFraction, volume.Grid) {
	g := volume.Grid{
		Size:   [3]int{4000, 4000, 4000},
		Origin: geom.Vec{X: -100.013, Y: -99.871, Z: -100.207},
		Step:   [3]geom.Vec{{X: c.Voxel}, {Y: c.Voxel}, {Z: c.sliceStep()}},
	}
	p := &metalFraction{of: m.alloy()}
	a, b, r := m.capsule()
	p.setBox(g, a, b, r+3.5*c.sigma()+c.Voxel, c.sliceStep(), 0, g.Size[2])
	p.rasterise(g, c, []headPosition{{weight: 1}}, geom.Identity(), m)
	return p, g
}

// content is the volume, mm³, and the centroid of what fills the voxels.
func content(p *metalFraction, g volume.Grid, fill []float32) (volume float64, centroid geom.Vec) {
	for k := range p.size[2] {
		for j := range p.size[1] {
			for i := range p.size[0] {
				v := float64(fill[(k*p.size[1]+j)*p.size[0]+i])
				volume += v
				centroid = r3.Add(centroid, r3.Scale(v, g.Patient(float64(p.lo[0]+i), float64(p.lo[1]+j), float64(p.lo[2]+k))))
			}
		}
	}
	sp := g.Spacing()
	return volume * sp[0] * sp[1] * sp[2], r3.Scale(1/volume, centroid)
}

// A cylinder and a capsule fill as many cubic millimetres of voxels as they
// have, about their own middle, before and after the blur, at any tilt.
func TestMetalFillsItsOwnVolume(t *testing.T) {
	for _, c := range []Scan{
		{Voxel: 0.15, Blur: 0.3}, {Voxel: 0.3, Blur: 0.45}, {Voxel: 0.4, Blur: 0.6}, {Voxel: 0.25, Slice: 0.5, Blur: 0.5},
	} {
		for _, lean := range [][2]float64{{0, 0}, {7, -3}, {-31, 24}} {
			at := upright(0.037, -0.021, 0.043).tilted(lean[0], lean[1])
			f := Fixture{Diameter: 4.1, Length: 6, Taper: 1}
			a, b := at.toJaw(geom.Vec{Z: 1}), at.toJaw(geom.Vec{Z: 6})
			for _, body := range []struct {
				metal
				volume float64
				middle geom.Vec
			}{
				{newPlacedFixture(f, at, 0), math.Pi * 2.05 * 2.05 * 6, at.toJaw(geom.Vec{Z: 3})},
				{&post{of: titanium, cone: newCone(a, b, 1.3, 1.3)}, math.Pi * 1.3 * 1.3 * (5 + 4*1.3/3), r3.Scale(0.5, r3.Add(a, b))},
			} {
				p, g := castAlone(c, body.metal)
				for _, fill := range [][]float32{p.sharp, p.blurry} {
					v, middle := content(p, g, fill)
					require.InEpsilon(t, body.volume, v, 2e-3, "%+v, lean %v", c, lean)
					require.InDelta(t, 0, r3.Norm(r3.Sub(body.middle, middle)), 2e-3, "%+v, lean %v", c, lean)
				}
			}
		}
	}
}

// A threaded, tapered, rounded and bored fixture against the integral over its
// own surface in cylindrical coordinates.
func TestThreadBoreAndTaperTakeTheirVolume(t *testing.T) {
	f := UsualFixture("36")
	at := upright(0, 0, 0).tilted(12, -5)
	body := newPlacedFixture(f, at, 0.3)
	p, g := castAlone(Scan{Voxel: 0.3, Blur: 0.45}, body)
	got, _ := content(p, g, p.blurry)
	want := 0.0
	const nz, nt = 4000, 90
	for i := range nz {
		z := (float64(i) + 0.5) / nz * f.Length
		for k := range nt {
			r := body.surfaceRadius(z, 2*math.Pi*float64(k)/nt)
			want += r * r / 2 * (2 * math.Pi / nt) * f.Length / nz
		}
	}
	// The bore ends in a cone of 120 degrees: height r·tan 30°.
	want -= math.Pi * f.BoreRadius * f.BoreRadius * (f.BoreDepth + f.BoreRadius*math.Tan(math.Pi/6)/3)
	require.InEpsilon(t, want, got, 0.01)
	smooth := f
	smooth.ThreadDepth = 0
	p, g = castAlone(Scan{Voxel: 0.3, Blur: 0.45}, newPlacedFixture(smooth, at, 0.3))
	without, _ := content(p, g, p.blurry)
	require.Greater(t, without, 1.05*got, "the thread's valleys are cut out")
}

// Across a flat end the grey follows the error function that a Gaussian point
// spread and the voxel's own box make of a step.
func TestABlurredEdgeFollowsTheErrorFunction(t *testing.T) {
	c := Scan{Voxel: 0.3, Blur: 0.45}
	p, g := castAlone(c, newPlacedFixture(Fixture{Diameter: 8, Length: 8, Taper: 1}, upright(0, 0, 0), 0))
	i, j, _ := g.Index(geom.Vec{})
	x, y := int(math.Round(i))-p.lo[0], int(math.Round(j))-p.lo[1]
	// A step amid a fine cell is drawn out over it: up to cell²/24 times the
	// slope of the edge's density, at most 0.242/σ² of the edge's whole width.
	width2 := c.sigma()*c.sigma() + c.Voxel*c.Voxel/12
	tolerance := fineCell*fineCell/24*0.242/width2 + 2e-4
	checked := 0
	for k := range p.size[2] {
		z := g.Patient(0, 0, float64(p.lo[2]+k)).Z
		if math.Abs(z) > 1.5 {
			continue
		}
		want := 0.0
		const n = 200
		for m := range n {
			u := z + (float64(m)+0.5-n/2)/n*c.Voxel
			want += math.Erfc(-u/(math.Sqrt2*c.sigma())) / 2 / n
		}
		require.InDelta(t, want, p.blurry[(k*p.size[1]+y)*p.size[0]+x], tolerance)
		checked++
	}
	require.Equal(t, 10, checked)
}

// Voxels of 0.4 mm against the mean of 27 that are a third as wide: tissue's
// partial volumes, where the finer picture is the nearer one to the truth.
func TestTissueIsAveragedOverTheVoxel(t *testing.T) {
	s := small("36")
	sc, plans, err := newScene(s)
	require.NoError(t, err)
	sc.addAnatomy()
	c := s.Pre
	c.Noise, c.Streaks, c.Blur = 0, 0, 0
	grid := sc.scanGrid(c, plans)
	// Around the neck of the tooth in front: enamel, dentine, pulp, gap,
	// lamina, marrow and soft tissue within a centimetre.
	neck := jawToScan(c).Apply(sc.own.shapes["35"].origin)
	lo, hi := grid.Box(5, neck)
	coarse := sc.render(c, grid, false, lo, hi)
	fine, d := grid, c
	d.Voxel /= 3
	shift := d.Voxel
	fine.Origin = r3.Sub(grid.Origin, geom.Vec{X: shift, Y: shift, Z: shift})
	var flo, fhi [3]int
	for a := range 3 {
		fine.Size[a] *= 3
		fine.Step[a] = r3.Scale(1.0/3, fine.Step[a])
		flo[a], fhi[a] = 3*lo[a], 3*hi[a]
	}
	part := sc.render(d, fine, false, flo, fhi)
	var sum, square, n, least, most float64
	least = math.Inf(1)
	for k := range coarse.Size[2] {
		for j := range coarse.Size[1] {
			for i := range coarse.Size[0] {
				mean := 0.0
				for m := range 27 {
					mean += part.Grey(3*i+m%3, 3*j+m/3%3, 3*k+m/9) / 27
				}
				diff := coarse.Grey(i, j, k) - mean
				sum, square, n = sum+diff, square+diff*diff, n+1
				least, most = min(least, mean), max(most, mean)
			}
		}
	}
	require.Greater(t, most-least, 2000.0, "enamel beside soft tissue")
	// Cells that are not split where a surface cuts them differ by 27 grey
	// values, a picture a quarter of a voxel aside by 85. What is left below is
	// spongy bone's struts, which are sampled, not averaged.
	require.InDelta(t, 0, sum/n, 1)
	require.Less(t, math.Sqrt(square/n), 15.0)
}

// What the truth calls one rigid motion carries the planning scan's grey values
// of the jaw onto the follow-up scan's, and half a millimetre beside it does
// not.
func TestBothScansShowTheJawWhereTheTruthSays(t *testing.T) {
	s := small("36")
	for _, c := range []*Scan{&s.Pre, &s.Post} {
		c.Noise, c.Streaks = 0, 0
	}
	pair, err := Render(s)
	require.NoError(t, err)
	whole := func(v *volume.Volume) *volume.Field { return v.Region([3]int{}, v.Size) }
	pre, post := whole(pair.Pre), whole(pair.Post)
	var points []geom.Vec
	r := rand.New(rand.NewPCG(1, 2))
	for _, b := range pair.Truth.Structures {
		if b.Kind != "root" {
			continue
		}
		for range 400 {
			p := r3.Add(b.Path[0], r3.Scale(r.Float64(), r3.Sub(b.Path[1], b.Path[0])))
			points = append(points, r3.Add(p, geom.Vec{X: 2 * r.NormFloat64(), Y: 2 * r.NormFloat64(), Z: r.NormFloat64()}))
		}
	}
	difference := func(shift geom.Vec) float64 {
		square, n := 0.0, 0
		for _, p := range points {
			a := pre.Sample(p)
			b := post.Sample(pair.Truth.PostToPre.Inverse().Apply(r3.Add(p, shift)))
			if math.IsNaN(a) || math.IsNaN(b) || a < -900 || b < -900 {
				continue
			}
			d := (a-s.Pre.Offset)/s.Pre.Gain - (b-s.Post.Offset)/s.Post.Gain
			square, n = square+d*d, n+1
		}
		require.Greater(t, n, 300)
		return math.Sqrt(square / float64(n))
	}
	still := difference(geom.Vec{})
	require.Less(t, still, 90.0, "two grids' interpolation and the soft tissue's own motion")
	for _, e := range []geom.Vec{{X: 0.5}, {X: -0.5}, {Y: 0.5}, {Y: -0.5}, {Z: 0.5}, {Z: -0.5}} {
		require.Greater(t, difference(e), 1.4*still, "%v", e)
	}
}

func TestABlockIsTheWholeScansOwnPart(t *testing.T) {
	s := small("46")
	s.Pre.Voxel, s.Post.Voxel, s.Pre.Streaks = 2, 0.5, 0
	s.Pre.Width, s.Post.Width, s.Pre.Height, s.Post.Height = 24, 24, 18, 18
	s.Post.Motion, s.Fixtures[0].Cap, s.Fixtures[0].CapHeight = 0.4, Healing, 3
	before := runtime.GOMAXPROCS(1)
	defer runtime.GOMAXPROCS(before)
	pair, err := Render(s)
	require.NoError(t, err)
	runtime.GOMAXPROCS(3)
	part, truth, err := RenderPost(s, 3)
	require.NoError(t, err)
	require.Equal(t, pair.Truth.Fixtures, truth.Fixtures)
	i, j, k := pair.Post.Index(part.Origin)
	at := [3]int{int(math.Round(i)), int(math.Round(j)), int(math.Round(k))}
	require.InDelta(t, 0, r3.Norm(r3.Sub(part.Origin, pair.Post.Patient(float64(at[0]), float64(at[1]), float64(at[2])))), 1e-9)
	require.Greater(t, part.Len(), 3000)
	hi := at
	for a := range 3 {
		hi[a] += part.Size[a]
	}
	require.Equal(t, pair.Post.Region(at, hi).Grey, part.Region([3]int{}, part.Size).Grey)
}

// A demo case of 200 × 200 × 150 voxels before and after surgery.
func BenchmarkRender(b *testing.B) {
	s := Demo()[0]
	for b.Loop() {
		if _, err := Render(s); err != nil {
			b.Fatal(err)
		}
	}
}
