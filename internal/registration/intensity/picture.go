package intensity

import (
	"image"
	"image/color"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// Picture's layout.
const (
	pictureReach = 20.0 // mm from the fixture's middle to the picture's edge
	picturePixel = 0.16 // mm
	pictureGap   = 6    // pixels between the planes
	// pictureBlur, mm, smooths the follow-up scan before its edges are taken:
	// about its point spread, so that noise makes few of them.
	pictureBlur = 0.3
	// pictureEdge is the slope of an edge that is drawn, in medians of the slope
	// over the picture. Half of what is there is noise in soft tissue; a plane's
	// noise exceeds three medians at one place in 500 (Rayleigh: 2 to the −9).
	pictureEdge = 3.0
)

var (
	edgeColour = color.RGBA{R: 255, G: 140, A: 255} // orange: apart from grey for every kind of colour vision
	axisColour = color.RGBA{R: 90, G: 190, B: 255, A: 255}
)

// Picture shows an alignment to a person: three planes through the middle of
// the planned fixture, two that hold its axis (entry above) and one across it.
// The planning scan is grey, and the edges of what was aligned to it lie over it
// as orange lines: where they run along the planning scan's own bone and roots,
// the alignment is right. The planned axis is a blue line with ticks at entry
// and apex.
//
// The planning greys are stretched between their 2nd and 98th percentile within
// the picture; what the planning scan does not have is black.
func Picture(planning, aligned evidence.View, planned geom.Pose) image.Image {
	axis := planned.Axis()
	mid := r3.Scale(0.5, r3.Add(planned.Entry, planned.Apex))
	e1, e2 := geom.Perpendicular(axis)
	planes := [3][2]geom.Vec{{e1, axis}, {e2, axis}, {e1, e2}}

	n := int(math.Round(2 * pictureReach / picturePixel))
	img := image.NewRGBA(image.Rect(0, 0, 3*n+2*pictureGap, n))
	for i := range img.Pix {
		img.Pix[i] = 255
	}
	near := math.Sqrt2*pictureReach + 1
	at := func(plane, x, y int) geom.Vec {
		return r3.Add(mid, r3.Add(
			r3.Scale(offset(x, n), planes[plane][0]),
			r3.Scale(offset(y, n), planes[plane][1])))
	}
	greys := section(planning.Around(near, mid), n, at)
	edges := section(aligned.Around(near, mid), n, at)
	// Metal would outshine the bone.
	top := float32(volume.NewHistogram(edges).Quantile(0.95))
	for i, g := range edges {
		if g > top {
			edges[i] = top
		}
	}
	drawn := outlines(edges, n)

	h := volume.NewHistogram(greys)
	low, high := h.Quantile(0.02), h.Quantile(0.98)
	for plane := range 3 {
		for y := range n {
			for x := range n {
				i := (plane*n+y)*n + x
				c := color.RGBA{A: 255}
				if g := (float64(greys[i]) - low) / max(high-low, 1e-6); !math.IsNaN(g) {
					b := uint8(math.Round(235 * min(max(g, 0), 1)))
					c.R, c.G, c.B = b, b, b
				}
				if drawn[i] {
					c = edgeColour
				}
				img.SetRGBA(plane*(n+pictureGap)+x, y, c)
			}
		}
	}
	drawAxis(img, n, planned.Length()/2)
	return img
}

// drawAxis draws the axis, half its length to either side of the middle, into
// the two planes that hold it.
func drawAxis(img *image.RGBA, n int, half float64) {
	const tick = 8 // pixels
	for plane := range 2 {
		for y := range n {
			d := math.Abs(offset(y, n))
			if d > half {
				continue
			}
			x := plane*(n+pictureGap) + n/2
			img.SetRGBA(x, y, axisColour)
			if half-d < picturePixel {
				for t := -tick; t <= tick; t++ {
					img.SetRGBA(x+t, y, axisColour)
				}
			}
		}
	}
}

// section samples the three planes of n × n pixels one after the other.
func section(grey evidence.Grey, n int, at func(plane, x, y int) geom.Vec) []float32 {
	out := make([]float32, 3*n*n)
	parallel.For(3*n, func(row int) {
		for x := range n {
			out[row*n+x] = float32(grey(at(row/n, x, row%n)))
		}
	})
	return out
}

// outlines marks the pixels of each plane where the smoothed greys are steepest
// along their own slope and steep enough.
//
// Method: Canny J. IEEE Trans Pattern Anal Mach Intell 1986;8(6):679-698,
// without hysteresis.
func outlines(greys []float32, n int) []bool {
	f := &volume.Field{Grey: greys}
	f.Size = [3]int{n, n, 3}
	kernel := volume.Gaussian(pictureBlur / picturePixel)
	f.Convolve(0, kernel)
	f.Convolve(1, kernel)
	steep := make([]float32, len(greys))
	slope := func(i int) (gx, gy float64) {
		return float64(greys[i+1]-greys[i-1]) / 2, float64(greys[i+n]-greys[i-n]) / 2
	}
	inner := func(visit func(i int)) {
		for plane := range 3 {
			for y := 1; y < n-1; y++ {
				for x := 1; x < n-1; x++ {
					visit((plane*n+y)*n + x)
				}
			}
		}
	}
	inner(func(i int) {
		gx, gy := slope(i)
		steep[i] = float32(math.Sqrt(gx*gx + gy*gy))
	})
	least := pictureEdge * float32(volume.NewHistogram(steep).Quantile(0.5))
	out := make([]bool, len(greys))
	inner(func(i int) {
		if !(steep[i] >= least) || steep[i] == 0 {
			return
		}
		gx, gy := slope(i)
		// The neighbour nearest to the slope's direction.
		octant := int(math.Round(math.Atan2(gy, gx)/(math.Pi/4))) & 3
		next := [4]int{1, n + 1, n, n - 1}[octant]
		out[i] = steep[i] >= steep[i-next] && steep[i] > steep[i+next]
	})
	return out
}

// offset is the place of pixel i of n, mm from the middle.
func offset(i, n int) float64 { return (float64(i) + 0.5 - float64(n)/2) * picturePixel }
