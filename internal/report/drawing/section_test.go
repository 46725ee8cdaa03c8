package drawing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

// flat is the plane z = height.
func flat(height float64) Plane {
	return Plane{Centre: geom.Vec{Z: height}, Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}}
}

// By hand: a ball of radius 3 is cut 1.5 mm over its middle in a circle of √(9 − 2.25) mm,
// and a canal of radius 1.4 that runs across the plane in one of 1.4 mm.
func TestCentreLinesAreCutInCircles(t *testing.T) {
	ball, err := clearance.NewChain([]geom.Vec{{X: 1, Y: -2}}, []float64{3})
	require.NoError(t, err)
	canal, err := clearance.NewChain([]geom.Vec{{X: 1, Y: -2, Z: -9}, {X: 1, Y: -2, Z: 9}}, []float64{1.4})
	require.NoError(t, err)
	for _, c := range []struct {
		body   *clearance.Chain
		radius float64
	}{{ball, math.Sqrt(9 - 2.25)}, {canal, 1.4}} {
		curves := crossSection(c.body, flat(1.5), 8)
		require.Len(t, curves, 1)
		assert.True(t, curves[0].closed)
		for _, p := range curves[0].points {
			assert.InDelta(t, c.radius, math.Hypot(p[0]-1, p[1]+2), 0.01)
		}
	}
	assert.Empty(t, crossSection(ball, flat(3.1), 8), "a plane beside the ball")
}

// Every place of a cut lies on the surface: a structure's own signed distance there is
// nothing, whichever way the plane lies.
func TestCutsLieOnTheSurface(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		number := func(name string, low, high float64) float64 { return rapid.Float64Range(low, high).Draw(t, name) }
		root, err := clearance.NewChain([]geom.Vec{{X: number("x", -4, 4), Z: 6}, {X: 1, Y: 1}, {X: number("y", -4, 4), Y: 2, Z: -8}}, []float64{2.4, 1.8, 0.9})
		require.NoError(t, err)
		turn := geom.Rotation(geom.Vec{X: number("a", -2, 2), Y: number("b", -2, 2), Z: number("c", -2, 2)})
		p := Plane{Centre: geom.Vec{Z: number("height", -6, 6)}, Right: turn.Rotate(geom.Vec{X: 1}), Up: turn.Rotate(geom.Vec{Y: 1})}
		for _, c := range crossSection(root, p, 12) {
			for _, q := range c.points {
				// A third of a pixel; it is that much at the bend of the centre line.
				require.InDelta(t, 0, root.SignedDistance(p.At(q[0], q[1])), 0.05)
			}
		}
	})
}

// boxMesh is an upright box of 4 × 6 × 10 mm about the origin; its first wall has the first
// two triangles.
func boxMesh() *trimesh.Mesh {
	m := &trimesh.Mesh{Vertices: []geom.Vec{{X: 2, Y: 3, Z: -5}, {X: -2, Y: 3, Z: -5}, {X: -2, Y: -3, Z: -5}, {X: 2, Y: -3, Z: -5}, {X: 2, Y: 3, Z: 5}, {X: -2, Y: 3, Z: 5}, {X: -2, Y: -3, Z: 5}, {X: 2, Y: -3, Z: 5}}}
	for _, q := range [][4]int32{{0, 1, 5, 4}, {1, 2, 6, 5}, {2, 3, 7, 6}, {3, 0, 4, 7}, {4, 5, 6, 7}, {3, 2, 1, 0}} {
		m.Triangles = append(m.Triangles, [3]int32{q[0], q[1], q[2]}, [3]int32{q[0], q[2], q[3]})
	}
	return m
}

func boxSurface(t *testing.T) *clearance.Surface {
	s, err := clearance.NewSurface(boxMesh(), false)
	require.NoError(t, err)
	return s
}

// A box of 4 × 6 mm, cut level: four sides, in one closed line, to the last bit.
func TestSurfacesAreCutExactly(t *testing.T) {
	s, m := boxSurface(t), boxMesh()
	curves := crossSection(s, flat(1), 9)
	require.Len(t, curves, 1)
	require.True(t, curves[0].closed)
	for _, p := range curves[0].points {
		assert.InDelta(t, 0, min(math.Abs(math.Abs(p[0])-2), math.Abs(math.Abs(p[1])-3)), 1e-12)
	}

	// The same without a wall is an open line; and what is out of reach is left out.
	m.Triangles = m.Triangles[2:]
	sheet, err := clearance.NewSurface(m, true)
	require.NoError(t, err)
	curves = crossSection(sheet, flat(1), 9)
	require.Len(t, curves, 1)
	assert.False(t, curves[0].closed)
	assert.Empty(t, crossSection(sheet, Plane{Centre: geom.Vec{X: 40, Z: 1}, Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}}, 9))
}

// The distance drawn into a nearest-point cut is the clearance itself: both its ends lie in
// the plane, as far apart as the clearance, and the structure's outline passes one of them.
func TestNearestPointCut(t *testing.T) {
	s := scene(t)
	s.Planning = s.Shown
	canal, err := clearance.NewChain([]geom.Vec{{X: 22, Y: 2, Z: -23}, {X: 31, Y: 20, Z: -22}}, []float64{1.4})
	require.NoError(t, err)
	beside, err := clearance.NewChain([]geom.Vec{{X: 32, Y: 12, Z: -4}, {X: 32, Y: 13, Z: -16}}, []float64{2.4, 1})
	require.NoError(t, err)
	c, err := s.Cutter(0.3)
	require.NoError(t, err)
	for _, body := range []*clearance.Chain{canal, beside} {
		near := clearance.Of(*c.achieved, body)
		v := s.nearestView(c.achieved.Pose(), near.OnStructure)
		for _, p := range []geom.Vec{near.OnFixture, near.OnStructure} {
			x, y := v.plane.On(p)
			assert.InDelta(t, 0, r3.Norm(r3.Sub(v.plane.At(x, y), p)), 1e-6)
			assert.Less(t, math.Abs(y), v.height/2)
		}
		assert.InDelta(t, 0, r3.Dot(v.plane.Normal(), c.achieved.Pose().Axis()), 1e-12)
		st := Structure{Name: "left mandibular canal", Kind: casefile.Nerve, Body: body}
		s.Structures = []Structure{st}
		d, ok := c.Nearest(st, "1.57 mm")
		require.True(t, ok)
		assert.Contains(t, d.Alt, "1.57 mm")
		clip := d.Items[0].(Clip)
		words := 0
		for _, it := range clip.Items {
			l, is := it.(Label)
			if !is {
				continue
			}
			words++
			assert.Greater(t, l.At.X, clip.Min.X)
			assert.Less(t, l.At.Y, clip.Min.Y+clip.Height)
		}
		assert.Equal(t, 2, words, "the figure and the structure's name")
	}
	far, err := clearance.NewChain([]geom.Vec{{X: 60}}, []float64{1})
	require.NoError(t, err)
	_, ok := c.Nearest(Structure{Name: "far", Body: far}, "30 mm")
	assert.False(t, ok, "what a cut does not reach has no picture")
	_, ok = c.Nearest(Structure{Name: "not found"}, "")
	assert.False(t, ok)
}

// The distance drawn where a fixture leaves the bone is as long as was said, runs inwards from
// its wall, and lies at the depth and on the side that were said.
func TestOutsideTheBone(t *testing.T) {
	s := scene(t)
	c, err := s.Cutter(0.3)
	require.NoError(t, err)
	pose := c.achieved.Pose()
	const scale = cutWidth / (2 * halfWidth)
	for _, w := range []measurement.Wall{{Depth: 2, Direction: "buccal"}, {Depth: 5, Direction: "distolingual"}, {Depth: pose.Length()}} {
		d, ok := c.Outside(w, 0.8, "0.80 mm")
		require.True(t, ok)
		assert.Contains(t, d.Alt, "0.80 mm")
		var drawn []Path
		for _, it := range d.Items[0].(Clip).Items {
			if p, is := it.(Path); is && p.Stroke == White && p.Width == 0.5 {
				drawn = append(drawn, p)
			}
		}
		require.Len(t, drawn, 3, "two ticks and the line")
		from, to := drawn[2].Points[0], drawn[2].Points[1]
		assert.InDelta(t, 0.8*scale, math.Hypot(to.X-from.X, to.Y-from.Y), 1e-9)
		radius := s.Achieved.Diameter / 2
		if w.Direction == "" {
			radius = 0
			assert.InDelta(t, from.X, to.X, 1e-9, "along the axis")
		} else {
			assert.InDelta(t, from.Y, to.Y, 1e-9, "across the axis")
			assert.InDelta(t, radius*scale, math.Abs(from.X-cutWidth/2), 1e-9)
			assert.Less(t, math.Abs(to.X-cutWidth/2), math.Abs(from.X-cutWidth/2))
			side := d.Items[1].(Label).Text
			if from.X > cutWidth/2 {
				side = d.Items[3].(Label).Text
			}
			assert.Contains(t, side, w.Direction)
		}
	}
	_, ok := c.Outside(measurement.Wall{Depth: 2, Direction: "sideways"}, 0.8, "")
	assert.False(t, ok)
}

func TestDirectionsBetween(t *testing.T) {
	mesial, buccal := direction{geom.Vec{X: 1}, "mesial", "distal"}, direction{geom.Vec{Y: 1}, "buccal", "lingual"}
	for degrees, want := range map[float64][2]string{
		0: {"mesial", "distal"}, 22: {"mesial", "distal"}, 23: {"mesiobuccal", "distolingual"}, 90: {"buccal", "lingual"},
		135: {"distobuccal", "mesiolingual"}, 200: {"distal", "mesial"}, 290: {"lingual", "buccal"}, 320: {"mesiolingual", "distobuccal"},
	} {
		sin, cos := math.Sincos(degrees * math.Pi / 180)
		d := between(geom.Vec{X: cos, Y: sin}, mesial, buccal)
		assert.Equal(t, want, [2]string{d.plus, d.minus}, "%g°", degrees)
	}
}
