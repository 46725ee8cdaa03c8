package drawing

import (
	"bytes"
	"encoding/xml"
	"image"
	"image/png"
	"io"
	"math"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/deviation"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// solid is a scan that shows one envelope: 1000 inside, 0 outside, and partial
// volumes at its surface, in voxels of 0.25 mm that lie askew.
func solid(t *testing.T, pose geom.Pose, diameter float64) *volume.Volume {
	t.Helper()
	e, err := clearance.Nominal(diameter).Place(pose)
	require.NoError(t, err)
	const h, n = 0.25, 140
	turn := geom.Rotation(geom.Vec{X: 0.2, Y: -0.1, Z: 0.3})
	mid := r3.Scale(0.5, r3.Add(pose.Entry, pose.Apex))
	g := volume.Grid{Size: [3]int{n, n, n}, Step: [3]geom.Vec{
		r3.Scale(h, turn.Rotate(geom.Vec{X: 1})), r3.Scale(h, turn.Rotate(geom.Vec{Y: 1})), r3.Scale(h, turn.Rotate(geom.Vec{Z: 1}))}}
	g.Origin = r3.Sub(mid, r3.Scale(float64(n-1)/2, r3.Add(g.Step[0], r3.Add(g.Step[1], g.Step[2]))))
	v := &volume.Volume{Grid: g, Stored: make([]uint16, n*n*n), Slope: make([]float64, n), Intercept: make([]float64, n)}
	for k := range n {
		v.Slope[k] = 1
		for j := range n {
			for i := range n {
				share := min(max(0.5-e.SignedDistance(g.Patient(float64(i), float64(j), float64(k)))/h, 0), 1)
				v.Stored[(k*n+j)*n+i] = uint16(1000 * share)
			}
		}
	}
	return v
}

func scene(t *testing.T) *Scene {
	t.Helper()
	planned := geom.Pose{Entry: geom.Vec{X: 25, Y: 10, Z: -8}, Apex: geom.Vec{X: 25.4, Y: 10.6, Z: -17.97}}
	achieved := geom.Pose{Entry: geom.Vec{X: 25.6, Y: 9.4, Z: -8.5}, Apex: geom.Vec{X: 26.4, Y: 10.1, Z: -18.4}}
	d, err := deviation.Site(36, planned, geom.Vec{X: -0.2, Y: -1})
	require.NoError(t, err)
	dev, err := deviation.Of(planned, achieved, &d)
	require.NoError(t, err)
	// The follow-up scan was taken with the head turned.
	preToPost := geom.Rotation(geom.Vec{X: 0.1, Y: 0.2, Z: -0.3})
	preToPost.T = geom.Vec{X: 5, Y: -3, Z: 12}
	ends := mat.NewSymDense(6, []float64{
		0.01, 0, 0, 0, 0, 0,
		0, 0.01, 0, 0, 0, 0,
		0, 0, 0.01, 0, 0, 0,
		0, 0, 0, 0.02, 0, 0,
		0, 0, 0, 0, 0.02, 0,
		0, 0, 0, 0, 0, 0.02,
	})
	return &Scene{Shown: evidence.Scan{Volume: solid(t, preToPost.ApplyPose(achieved), 4.1), ToScan: preToPost}, Site: 36,
		Planned: planned, PlannedDiameter: 4.1, Directions: &d, Deviation: &dev,
		Achieved: evidence.Achieved{Kind: evidence.FollowUpScan, Pose: &achieved, Diameter: 4.1, Length: 10, Budget: evidence.Budget{{Name: "noise", Cov: ends}}}}
}

// outlines takes a drawing apart: its grey values, and the outer line of each
// layer.
func outlines(t *testing.T, d Drawing) (grey *image.Gray, at Raster, planned, achieved []Point) {
	t.Helper()
	clip := d.Items[0].(Clip)
	for _, it := range clip.Items {
		switch v := it.(type) {
		case Raster:
			img, err := png.Decode(bytes.NewReader(v.PNG))
			require.NoError(t, err)
			grey, at = img.(*image.Gray), v
		case Path:
			if !v.Closed || v.Width != outlineWidth {
				continue
			}
			if v.Layer == PlannedLayer {
				planned = v.Points
			} else {
				achieved = v.Points
			}
		}
	}
	return grey, at, planned, achieved
}

// The drawn achieved outline lies on the metal's edge, found in the drawn grey
// values along every row that it crosses, within a pixel.
func TestOutlineLiesOnTheMetal(t *testing.T) {
	s := scene(t)
	const pixel = 0.1
	c, err := s.Cutter(pixel)
	require.NoError(t, err)
	for _, v := range s.Views() {
		for _, d := range []float64{0.8, 3} {
			if v.Along() {
				d -= 1 // also beside the axis, on both sides
			}
			if v.Along() && d > 1.9 {
				d = 1.5
			}
			grey, at, _, achieved := outlines(t, c.Draw(v, d))
			require.NotNil(t, achieved, v.Name)
			w := grey.Bounds().Dx()
			perPixel := at.Width / float64(w)
			// Half way between metal and nothing, by the square root.
			level := 255 * math.Sqrt(0.5)
			rows := 0
			for y := range grey.Bounds().Dy() {
				py := at.Min.Y + (float64(y)+0.5)*perPixel
				left, right := crossings(achieved, py)
				// Not where the outline turns and runs along the row.
				l1, r1 := crossings(achieved, py-1.5*perPixel)
				l2, r2 := crossings(achieved, py+1.5*perPixel)
				if !(max(math.Abs(l2-l1), math.Abs(r2-r1)) < 1.5*perPixel) {
					continue
				}
				a, b := -1.0, -1.0
				for x := 1; x < w; x++ {
					p, q := float64(grey.GrayAt(x-1, y).Y), float64(grey.GrayAt(x, y).Y)
					cross := at.Min.X + (float64(x)-0.5+(level-p)/(q-p))*perPixel
					if p < level && q >= level && a < 0 {
						a = cross
					}
					if p >= level && q < level {
						b = cross
					}
				}
				rows++
				assert.InDelta(t, left, a, perPixel, "%s %.1f row %d left", v.Name, d, y)
				assert.InDelta(t, right, b, perPixel, "%s %.1f row %d right", v.Name, d, y)
			}
			assert.Greater(t, rows, 15, v.Name)
		}
	}
}

// crossings are the leftmost and rightmost place where a closed line passes a
// height.
func crossings(ring []Point, y float64) (left, right float64) {
	left, right = math.Inf(1), math.Inf(-1)
	for i, p := range ring {
		q := ring[(i+1)%len(ring)]
		if (p.Y < y) != (q.Y < y) {
			x := p.X + (q.X-p.X)*(y-p.Y)/(q.Y-p.Y)
			left, right = min(left, x), max(right, x)
		}
	}
	return left, right
}

// The planned outline lies from the achieved one as the deviation says, in the
// direction that the page names.
func TestPlannedOutlineLiesOnTheRightSide(t *testing.T) {
	s := scene(t)
	c, err := s.Cutter(0.3)
	require.NoError(t, err)
	views := s.Views()
	across := views[2]
	_, at, planned, achieved := outlines(t, c.Draw(across, 2))
	middle := func(ring []Point) (m Point) {
		for _, p := range ring {
			m.X += p.X / float64(len(ring))
			m.Y += p.Y / float64(len(ring))
		}
		return m
	}
	scale := at.Width / across.width
	a, p := middle(achieved), middle(planned)
	right := (a.X - p.X) / scale
	up := (p.Y - a.Y) / scale
	require.Equal(t, "buccal", across.up.plus)
	mesial := right
	if across.right.plus == "distal" {
		mesial = -right
	}
	// 2 mm from the entry the deviation is a fifth of the way to the apex'.
	d := s.Deviation
	assert.InDelta(t, *d[measurement.EntryMesial]+(*d[measurement.ApexMesial]-*d[measurement.EntryMesial])/5, mesial, 0.1)
	assert.InDelta(t, *d[measurement.EntryBuccal]+(*d[measurement.ApexBuccal]-*d[measurement.EntryBuccal])/5, up, 0.1)
}

// The pages lie as a dentist expects them: seen from outside the mouth and from
// mesial, head up; across, from the platform with the cheek up.
func TestPagesLieAsNamed(t *testing.T) {
	for _, c := range []struct {
		site           tooth.Number
		mesial, buccal geom.Vec
		along          [2]string // letters at the right of the two pages along
		across         string    // what lies at the right across
	}{
		// Front is −y, the patient's left +x.
		{16, geom.Vec{Y: -1}, geom.Vec{X: -1}, [2]string{"A", "L"}, "mesial"},
		{26, geom.Vec{Y: -1}, geom.Vec{X: 1}, [2]string{"P", "L"}, "distal"},
		{36, geom.Vec{Y: -1}, geom.Vec{X: 1}, [2]string{"P", "L"}, "mesial"},
		{46, geom.Vec{Y: -1}, geom.Vec{X: -1}, [2]string{"A", "L"}, "distal"},
		{11, geom.Vec{X: 1}, geom.Vec{Y: -1}, [2]string{"L", "P"}, "mesial"},
	} {
		down := -10.0
		if c.site.Jaw() == tooth.Upper {
			down = 10
		}
		planned := geom.Pose{Apex: geom.Vec{Z: down}}
		d, err := deviation.Site(c.site, planned, c.mesial)
		require.NoError(t, err)
		require.InDelta(t, 1, r3.Dot(d.Buccal, c.buccal), 1e-12, "site %s", c.site)
		s := Scene{Site: c.site, Planned: planned, Directions: &d}
		v := s.Views()
		for i := range 2 {
			assert.Equal(t, c.along[i], Letters(v[i].right.vec), "site %s, %s", c.site, v[i].Name)
			assert.Equal(t, "H", Letters(v[i].up.vec), "site %s", c.site)
			// Right, up and towards the reader are right-handed.
			assert.InDelta(t, 1, r3.Dot(v[i].plane.Normal(), v[i].step.vec), 1e-12)
		}
		up, _ := v[2].up.plus, v[2].up.minus
		out := map[bool]string{true: "labial", false: "buccal"}[c.site.Anterior()]
		assert.Equal(t, out, up)
		// Mirror images of each other: the right side's mesial is at the other
		// side of the page.
		mesialRight := v[2].right.plus == "mesial"
		assert.Equal(t, c.across == "mesial", mesialRight, "site %s", c.site)
		assert.Equal(t, mirrored(c.site), !mesialRight, "cuts and target plot agree at site %s", c.site)
		assert.InDelta(t, 1, r3.Dot(v[2].plane.Normal(), r3.Scale(-1, planned.Axis())), 1e-12, "seen from the platform")
	}
}

func TestUnknownDirectionsUseThePatients(t *testing.T) {
	s := scene(t)
	s.Directions = nil
	v := s.Views()
	assert.Equal(t, "right to left", v[0].Name)
	assert.Equal(t, "front to back", v[1].Name)
	target := s.Rulers()
	require.NotNil(t, target)
	assert.NotContains(t, target.Alt, "mesial")
	assert.Contains(t, target.Alt, "left")
	assert.Equal(t, "back", target.Up)

	// An axis that lies along the patient's left.
	s.Planned = geom.Pose{Apex: geom.Vec{X: 10}}
	s.Achieved.Pose = nil
	assert.Contains(t, s.Views()[0].Name, "head")
	assert.Nil(t, s.Rulers())
}

func TestMissingFixtureIsCutAlongThePlan(t *testing.T) {
	s := scene(t)
	s.Achieved, s.Deviation = evidence.Achieved{Kind: evidence.FollowUpScan}, nil
	c, err := s.Cutter(0.3)
	require.NoError(t, err)
	d := c.Draw(s.Views()[0], 0)
	_, _, planned, achieved := outlines(t, d)
	assert.NotNil(t, planned)
	assert.Nil(t, achieved)
	assert.Contains(t, d.Alt, "No fixture was found")
}

// A fixture that is measured at or beyond the scan's rim has its cuts, black
// where the scan has nothing.
func TestCutsBeyondTheScan(t *testing.T) {
	for _, off := range []float64{15, 200} {
		s := scene(t)
		shown := s.Shown.(evidence.Scan)
		shown.ToScan.T = r3.Add(shown.ToScan.T, geom.Vec{X: off})
		s.Shown = shown
		c, err := s.Cutter(0.3)
		require.NoError(t, err)
		for _, v := range s.Views() {
			d := c.Draw(v, 1)
			grey, _, _, achieved := outlines(t, d)
			assert.NotNil(t, achieved)
			assert.Zero(t, grey.Pix[0], "nothing is black")
			var b bytes.Buffer
			require.NoError(t, d.SVG(&b))
			assert.NotContains(t, b.String(), "NaN")
		}
	}
}

func TestLetters(t *testing.T) {
	assert.Equal(t, "L", Letters(geom.Vec{X: 1}))
	assert.Equal(t, "RF", Letters(geom.Vec{X: -0.8, Y: 0.1, Z: -0.6}))
	assert.Equal(t, "PHL", Letters(geom.Vec{X: 0.5, Y: 0.7, Z: 0.6}))
}

func TestSVGIsWellFormedAndEscaped(t *testing.T) {
	d := Drawing{Width: 10, Height: 10, Alt: `a "quoted" <alt> & more`, Items: []Item{
		label(1, 2, 3, End, "<script>alert(1)</script>"), Path{}, line(0, 0, 1, 1, 0.1, Black, 1, 2),
		Clip{Width: 5, Height: 5, Items: []Item{Raster{Width: 5, Height: 5, PNG: []byte{1}}, Label{At: Point{1, 1}, Text: "up", Turned: true, Bold: true, Ink: Grey}}},
	}}
	var b bytes.Buffer
	require.NoError(t, d.SVG(&b))
	assert.NotContains(t, b.String(), "<script")
	dec := xml.NewDecoder(strings.NewReader(b.String()))
	for {
		_, err := dec.Token()
		if err == io.EOF {
			break
		}
		require.NoError(t, err)
	}
}

func TestSameSceneSameBytes(t *testing.T) {
	s := scene(t)
	draw := func() []byte {
		c, err := s.Cutter(0.3)
		require.NoError(t, err)
		var b bytes.Buffer
		for _, v := range s.Views() {
			d := c.Draw(v, 1)
			require.NoError(t, d.SVG(&b))
		}
		return b.Bytes()
	}
	assert.Equal(t, draw(), draw())
}
