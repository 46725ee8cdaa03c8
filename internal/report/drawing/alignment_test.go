package drawing

import (
	"bytes"
	"image"
	"image/color"
	"image/png"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/phantom"
)

// onEdges is the share of the drawn edge pixels next to which the planning
// scan, drawn as its own follow-up, has an edge too.
func onEdges(img, own image.Image) float64 {
	b := img.Bounds()
	n, hit := 0, 0
	for y := b.Min.Y + 1; y < b.Max.Y-1; y++ {
		for x := b.Min.X + 1; x < b.Max.X-1; x++ {
			if img.At(x, y) != checkPalette[edgeColour] {
				continue
			}
			n++
			near := false
			for d := range 9 {
				near = near || own.At(x+d%3-1, y+d/3-1) == checkPalette[edgeColour]
			}
			if near {
				hit++
			}
		}
	}
	return float64(hit) / float64(n)
}

// jaws are a lower jaw of which both scans see 42 mm at 0.6 mm voxels, the mouth
// open by another 8 degrees in the follow-up scan.
var jaws = sync.OnceValues(func() (*phantom.Pair, error) {
	s := phantom.Usual("46")
	s.Seed = 1
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height, c.Blur = 0.6, 42, 32, 0.6
	}
	s.Pre.Opening, s.Post.Opening = 2, 10
	return phantom.Render(s)
})

func views(t *testing.T, postToPre func(truth geom.Rigid) geom.Rigid) (pre, post evidence.Scan, fixture phantom.FixtureTruth) {
	t.Helper()
	p, err := jaws()
	require.NoError(t, err)
	return evidence.Scan{Volume: p.Pre, ToScan: geom.Identity()},
		evidence.Scan{Volume: p.Post, ToScan: postToPre(p.Truth.PostToPre).Inverse()}, p.Truth.Fixtures[0]
}

func asItIs(truth geom.Rigid) geom.Rigid { return truth }

func pictureOf(planning, aligned evidence.Scan, f phantom.FixtureTruth) image.Image {
	s := Scene{Shown: aligned, Planned: f.Planned}
	return s.AlignmentPicture(planning)
}

func TestPictureShowsAWrongAlignment(t *testing.T) {
	pre, post, f := views(t, asItIs)
	own := pictureOf(pre, pre, f)
	right := onEdges(pictureOf(pre, post, f), own)
	_, off, _ := views(t, func(truth geom.Rigid) geom.Rigid {
		truth.T.X += 1
		truth.T.Y += 1
		return truth
	})
	wrong := onEdges(pictureOf(pre, off, f), own)
	// The fixture, the other jaw and the lips have edges of their own.
	assert.Greater(t, right, 0.4)
	assert.Less(t, wrong, 0.7*right)
}

func TestPictureMarksThePlan(t *testing.T) {
	pre, post, f := views(t, asItIs)
	img := pictureOf(pre, post, f)
	n := img.Bounds().Dy()
	assert.InDelta(t, 2*checkReach, float64(n)*checkPixel, checkPixel)
	assert.Equal(t, 3*n+2*checkGap, img.Bounds().Dx())
	long := 0
	for y := range n {
		if img.At(n/2, y) == checkPalette[axisColour] {
			long++
		}
	}
	assert.InDelta(t, f.Length, float64(long)*checkPixel, 2*checkPixel)
}

// A report shows, plane by plane, what the one picture has side by side.
func TestAlignmentIsThePicturesPlanes(t *testing.T) {
	pre, post, f := views(t, asItIs)
	whole := pictureOf(pre, post, f)
	s := Scene{Shown: post, Planned: f.Planned, Achieved: evidence.Achieved{Kind: evidence.FollowUpScan}}
	drawings := s.Alignment(pre, "46")
	require.Len(t, drawings, 3)
	n := whole.Bounds().Dy()
	for i, d := range drawings {
		assert.Contains(t, d.Alt, checkPlanes[i])
		assert.Contains(t, d.Alt, "the edges of the follow-up scan")
		part, err := png.Decode(bytes.NewReader(d.Items[0].(Raster).PNG))
		require.NoError(t, err)
		require.Equal(t, image.Rect(0, 0, n, n), part.Bounds())
		for y := range n {
			for x := range n {
				require.Equal(t, whole.At(i*(n+checkGap)+x, y), color.RGBAModel.Convert(part.At(x, y)), "plane %d at %d, %d", i, x, y)
			}
		}
	}
}
