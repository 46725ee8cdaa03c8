package intensity

import (
	"image"
	"image/color"
	"testing"

	"github.com/stretchr/testify/assert"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
)

// onEdges is the share of the drawn edge pixels next to which the planning
// scan, drawn as its own follow-up, has an edge too.
func onEdges(img, own image.Image) float64 {
	b := img.Bounds()
	n, hit := 0, 0
	for y := b.Min.Y + 1; y < b.Max.Y-1; y++ {
		for x := b.Min.X + 1; x < b.Max.X-1; x++ {
			if img.At(x, y) != color.Color(edgeColour) {
				continue
			}
			n++
			near := false
			for d := range 9 {
				near = near || own.At(x+d%3-1, y+d/3-1) == color.Color(edgeColour)
			}
			if near {
				hit++
			}
		}
	}
	return float64(hit) / float64(n)
}

func TestPictureShowsAWrongAlignment(t *testing.T) {
	p := smallPair()
	planned := targetsOf(p.Truth)[0].Planned
	pre := evidence.Scan{Volume: p.Pre, ToScan: geom.Identity()}
	post := func(postToPre geom.Rigid) evidence.Scan {
		return evidence.Scan{Volume: p.Post, ToScan: postToPre.Inverse()}
	}
	own := Picture(pre, pre, planned)
	right := onEdges(Picture(pre, post(p.Truth.PostToPre), planned), own)
	off := p.Truth.PostToPre
	off.T.X += 1
	off.T.Y += 1
	wrong := onEdges(Picture(pre, post(off), planned), own)
	// The fixture, the other jaw and the lips have edges of their own.
	assert.Greater(t, right, 0.4)
	assert.Less(t, wrong, 0.7*right)
}

func TestPictureMarksThePlan(t *testing.T) {
	p := smallPair()
	img := Picture(evidence.Scan{Volume: p.Pre, ToScan: geom.Identity()},
		evidence.Scan{Volume: p.Post, ToScan: p.Truth.PostToPre.Inverse()}, targetsOf(p.Truth)[0].Planned)
	n := img.Bounds().Dy()
	assert.InDelta(t, 2*pictureReach, float64(n)*picturePixel, picturePixel)
	assert.Equal(t, 3*n+2*pictureGap, img.Bounds().Dx())
	long := 0
	for y := range n {
		if img.At(n/2, y) == color.Color(axisColour) {
			long++
		}
	}
	assert.InDelta(t, p.Truth.Fixtures[0].Length, float64(long)*picturePixel, 2*picturePixel)
}
