package registration

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// Picture's layout. A tile of 5 mm is about one root wide, so that every wall
// crosses several borders.
const (
	pictureReach = 20.0 // mm from the fixture's middle to the picture's edge
	picturePixel = 0.2  // mm
	pictureTile  = 5.0  // mm
	pictureGap   = 6    // pixels between the planes
)

// Picture shows an alignment to a person: three planes through the middle of
// the planned fixture (two that hold its axis, one across it), as a
// checkerboard of both scans with the follow-up scan's tiles tinted blue. Where
// walls go on unbroken from tile to tile, the alignment is right. The planned
// axis is a thin yellow line with ticks at entry and apex.
//
// Each scan's greys are stretched between its own 2nd and 97th percentile
// within the picture; what a scan does not have is black.
func Picture(pre, post *volume.Volume, postToPre geom.Rigid, target Target) image.Image {
	axis := target.Planned.Axis()
	mid := r3.Scale(0.5, r3.Add(target.Planned.Entry, target.Planned.Apex))
	e1, e2 := geom.Perpendicular(axis)
	down := axis
	planes := [3][2]geom.Vec{{e1, down}, {e2, down}, {e1, e2}}

	n := int(math.Round(2 * pictureReach / picturePixel))
	img := image.NewRGBA(image.Rect(0, 0, 3*n+2*pictureGap, n))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	preToPost := postToPre.Inverse()
	near := math.Sqrt2 * pictureReach
	fields := [2]*volume.Field{
		pre.Region(pre.Box(near, mid)),
		post.Region(post.Box(near, preToPost.Apply(mid))),
	}
	to := [2]geom.Rigid{geom.Identity(), preToPost}

	var greys [2][]float32
	for which := range fields {
		greys[which] = make([]float32, 3*n*n)
		parallel(3*n, func(row int) {
			plane, y := row/n, row%n
			for x := range n {
				p := r3.Add(mid, r3.Add(
					r3.Scale(offset(x, n), planes[plane][0]),
					r3.Scale(offset(y, n), planes[plane][1])))
				greys[which][row*n+x] = float32(fields[which].Sample(to[which].Apply(p)))
			}
		})
	}
	var low, high [2]float64
	for which := range fields {
		h := newHistogram(greys[which])
		low[which], high[which] = h.quantile(0.02), h.quantile(0.97)
	}
	for plane := range 3 {
		for y := range n {
			for x := range n {
				tiles := int(math.Floor(offset(x, n)/pictureTile)) + int(math.Floor(offset(y, n)/pictureTile))
				which := tiles & 1
				g := (float64(greys[which][(plane*n+y)*n+x]) - low[which]) / (high[which] - low[which])
				c := color.RGBA{A: 255}
				if !math.IsNaN(g) {
					b := uint8(math.Round(255 * min(max(g, 0), 1)))
					c = color.RGBA{R: b, G: b, B: b, A: 255}
					if which == 1 {
						c.R = uint8(int(b) * 4 / 5)
						c.B = uint8(min(255, int(b)+30))
					}
				}
				img.SetRGBA(plane*(n+pictureGap)+x, y, c)
			}
		}
	}
	mark := color.RGBA{R: 255, G: 220, A: 255}
	half := target.Planned.Length() / 2
	for plane := range 2 {
		for y := range n {
			d := offset(y, n)
			if math.Abs(d) > half {
				continue
			}
			x := plane*(n+pictureGap) + n/2
			img.SetRGBA(x, y, mark)
			if half-math.Abs(d) < picturePixel {
				for t := -6; t <= 6; t++ {
					img.SetRGBA(x+t, y, mark)
				}
			}
		}
	}
	return img
}

// offset is the place of pixel i of n, mm from the middle.
func offset(i, n int) float64 { return (float64(i) + 0.5 - float64(n)/2) * picturePixel }
