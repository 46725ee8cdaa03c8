package drawing

import (
	"bytes"
	"image"
	"image/png"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// mouth is a surface scan made by hand.
type mouth struct {
	evidence.View
	surface   *trimesh.Mesh
	bodies    []*trimesh.Mesh
	distances []evidence.Distance
}

func (m mouth) Mouth() *trimesh.Mesh           { return m.surface }
func (m mouth) Bodies() []*trimesh.Mesh        { return m.bodies }
func (m mouth) Distances() []evidence.Distance { return m.distances }

// square is a flat square of a half side about a point across an axis, in small triangles.
func square(at, axis geom.Vec, half float64) *trimesh.Mesh {
	u, v := geom.Perpendicular(axis)
	const n = 20
	m := &trimesh.Mesh{}
	for j := range n + 1 {
		for i := range n + 1 {
			m.Vertices = append(m.Vertices, r3.Add(at, r3.Add(r3.Scale(half*(2*float64(i)/n-1), u), r3.Scale(half*(2*float64(j)/n-1), v))))
			if i > 0 && j > 0 {
				k := int32(j*(n+1) + i)
				m.Triangles = append(m.Triangles, [3]int32{k, k - 1, k - n - 1}, [3]int32{k - 1, k - n - 2, k - n - 1})
			}
		}
	}
	return m
}

// surfaceScene has the mouth's surface 2 mm above the placed platform and a lid 3 mm above it
// for a scan body.
func surfaceScene(t *testing.T) (*Scene, mouth) {
	s := scene(t)
	s.Planning = s.Shown
	up := r3.Scale(-1, s.Achieved.Pose.Axis())
	at := func(height float64) geom.Vec { return r3.Add(s.Achieved.Pose.Entry, r3.Scale(height, up)) }
	m := mouth{View: s.Shown, surface: square(at(2), up, 30), bodies: []*trimesh.Mesh{square(at(3), up, 2)}}
	s.Achieved.Kind = evidence.SurfaceScan
	return s, m
}

// A surface and its scan body lie in every cut along the axis where they are, over the
// planning scan.
func TestSurfaceOverThePlanningScan(t *testing.T) {
	s, m := surfaceScene(t)
	s.Shown = m
	c, err := s.Cutter(0.15)
	require.NoError(t, err)
	assert.Equal(t, "planning scan with the surface scan", c.Name())
	before, err := s.Before(0.15)
	require.NoError(t, err)
	v := s.Views()[0]
	d, plain := c.Draw(v, 0), before.Draw(v, 0)
	assert.Equal(t, plain.Items[0].(Clip).Items[0], d.Items[0].(Clip).Items[0], "the same grey values")
	scale := cutWidth / v.width
	platform := strip + v.height*scale/2 - (s.Achieved.Pose.Length()/2)*scale
	found := map[float64]bool{}
	var words []string
	for _, it := range d.Items[0].(Clip).Items {
		switch x := it.(type) {
		case Path:
			if x.Stroke == AchievedOnScan && (x.Width == mouthWidth || x.Width == bodyWidth) {
				found[x.Width] = true
				height := map[float64]float64{mouthWidth: 2, bodyWidth: 3}[x.Width]
				for _, p := range x.Points {
					assert.InDelta(t, platform-height*scale, p.Y, 0.01)
				}
			}
		case Label:
			words = append(words, x.Text)
		}
	}
	assert.Len(t, found, 2)
	assert.Contains(t, words, "surface scan")
	assert.Contains(t, words, "scan body")
}

// What lies within a class has its grey, ruled where it lies inside; what did not count is
// hatched, and the shares within a tenth and to each side beyond are told.
func TestMapOfDistances(t *testing.T) {
	s, m := surfaceScene(t)
	_, ok := s.Map("36")
	assert.False(t, ok, "a scan has no such map")
	right, _ := s.aside(s.Planned.Axis())
	for i, off := range []float64{0.02, -0.07, 0.15, -0.3, 0.7, 0.01} {
		m.distances = append(m.distances, evidence.Distance{At: r3.Add(s.Planned.Entry, r3.Scale(float64(2*i), right.vec)), Offset: off, Counted: i < 5})
	}
	m.distances = append(m.distances, evidence.Distance{At: r3.Add(s.Planned.Entry, r3.Scale(12, right.vec)), Offset: math.NaN(), Counted: true})
	s.Shown = m
	d, ok := s.Map("36")
	require.True(t, ok)
	assert.Contains(t, d.Alt, "40 % lies within 0.1 mm, 40 % farther outside and 20 % farther inside")
	img, err := png.Decode(bytes.NewReader(d.Items[0].(Raster).PNG))
	require.NoError(t, err)
	grey := img.(*image.Gray)
	n := grey.Bounds().Dx()
	toRight := 1.0
	if page, _ := s.fromCoronal(); r3.Dot(page.vec, right.vec) < 0 {
		toRight = -1
	}
	// levels are the greys of a place along the page and down it.
	levels := func(i int) (across, down map[uint8]bool) {
		x := int(math.Round(float64(n)/2 + toRight*float64(2*i)/mapPixel))
		across, down = map[uint8]bool{}, map[uint8]bool{}
		for k := -mapDot / 2; k <= mapDot/2; k++ {
			across[grey.GrayAt(x+k, n/2).Y] = true
			down[grey.GrayAt(x, n/2+k).Y] = true
		}
		return across, down
	}
	for i, want := range mapGreys {
		across, down := levels(i)
		assert.Len(t, across, 1, "one line after the other")
		assert.Contains(t, down, want.Y, i)
		if inside := i == 1 || i == 3; inside {
			assert.Equal(t, map[uint8]bool{want.Y: true, ruling(want).Y: true}, down, i)
		} else {
			assert.Len(t, down, 1, i)
		}
	}
	for _, i := range []int{5, 6} {
		across, _ := levels(i)
		assert.Len(t, across, 2, "hatched: %d", i)
	}

	m.distances = m.distances[5:]
	s.Shown = m
	_, ok = s.Map("36")
	assert.False(t, ok, "nothing counted")
}
