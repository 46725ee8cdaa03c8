package drawing

import (
	"image"
	"image/color"
	"image/draw"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// Layout of the check pictures of an alignment.
const (
	checkReach = 20.0 // mm from the fixture's middle to a picture's edge: beyond its neighbours
	checkPixel = 0.16 // mm, about half a scan's voxel
	checkGap   = 6    // pixels between the planes, where they are one picture
	checkTick  = 8    // pixels, half the length of the marks at entry and apex
	checkSide  = 53.0 // mm of paper: three in a row
	// checkBlur, mm, smooths the follow-up scan before its edges are taken:
	// about its point spread, so that noise makes few of them.
	checkBlur = 0.3
	// checkEdge is the gradient of an edge that is drawn, in medians of the
	// gradient over the planes. Half of what is there is noise in soft tissue; a
	// plane's noise exceeds three medians at one place in 500 (Rayleigh: 2 to
	// the −9).
	checkEdge = 3.0
	// checkWhite is the brightness of the planning scan's brightest part, of 255:
	// below white, so that the lines over it stand out.
	checkWhite = 235
)

var (
	edgeColour = color.RGBA{R: 255, G: 140, A: 255} // orange: apart from grey for every kind of colour vision
	axisColour = color.RGBA{R: 90, G: 190, B: 255, A: 255}
)

// checkPlanes name the planes: two that hold the planned axis (entry above) and
// one across it, through its middle.
var checkPlanes = [3]string{"along the planned axis", "along it, a quarter turn on", "across it, half way down"}

// Alignment draws the check pictures of the alignment of what is shown to the
// planning scan about the planned fixture, a drawing a plane; site is its label.
func (s *Scene) Alignment(planning evidence.View, site string) []Drawing {
	pictures := overlay(planning, s.Shown, s.Planned)
	out := make([]Drawing, len(pictures))
	parallel.For(len(pictures), func(i int) {
		d := Drawing{Width: checkSide, Height: checkSide + strip}
		d.Alt = "Alignment check at site " + site + ", " + checkPlanes[i] + ": the planning scan in grey, the edges of the " + s.Achieved.Kind.Name() + " as orange lines over it, about the planned fixture, whose axis is blue. Where the lines run along the planning scan's own bone and roots, the alignment is right."
		d.add(Raster{Width: checkSide, Height: checkSide, PNG: encode(pictures[i])}, label(checkSide/2, checkSide+3.9, smallType, Middle, checkPlanes[i]))
		out[i] = d
	})
	return out
}

// AlignmentPicture is the three check pictures beside each other.
func AlignmentPicture(planning, aligned evidence.View, planned geom.Pose) image.Image {
	pictures := overlay(planning, aligned, planned)
	n := pictures[0].Bounds().Dx()
	out := image.NewRGBA(image.Rect(0, 0, 3*n+2*checkGap, n))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	for i, p := range pictures {
		draw.Draw(out, p.Bounds().Add(image.Pt(i*(n+checkGap), 0)), p, image.Point{}, draw.Src)
	}
	return out
}

// overlay shows an alignment to a person, a picture a plane of checkPlanes. The
// planning scan is grey, and the edges of what was aligned to it lie over it as
// orange lines: where they run along the planning scan's own bone and roots, the
// alignment is right. The planned axis is a blue line with ticks at entry and apex.
//
// The planning greys are stretched between their 2nd and 98th percentile within
// the planes; what the planning scan does not have is black.
func overlay(planning, aligned evidence.View, planned geom.Pose) (out [3]*image.RGBA) {
	axis := planned.Axis()
	mid := r3.Scale(0.5, r3.Add(planned.Entry, planned.Apex))
	e1, e2 := geom.Perpendicular(axis)
	planes := [3][2]geom.Vec{{e1, axis}, {e2, axis}, {e1, e2}}
	n := int(math.Round(2 * checkReach / checkPixel))
	near := math.Sqrt2*checkReach + 1
	at := func(plane, x, y int) geom.Vec {
		return r3.Add(mid, r3.Add(
			r3.Scale(fromMiddle(x, n), planes[plane][0]),
			r3.Scale(fromMiddle(y, n), planes[plane][1])))
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
	drawn := edgesOf(edges, n)

	h := volume.NewHistogram(greys)
	low, high := h.Quantile(0.02), h.Quantile(0.98)
	for plane := range out {
		img := image.NewRGBA(image.Rect(0, 0, n, n))
		for i := range n * n {
			c := color.RGBA{A: 255}
			if g := (float64(greys[plane*n*n+i]) - low) / max(high-low, 1e-6); !math.IsNaN(g) {
				b := uint8(math.Round(checkWhite * min(max(g, 0), 1)))
				c.R, c.G, c.B = b, b, b
			}
			if drawn[plane*n*n+i] {
				c = edgeColour
			}
			img.SetRGBA(i%n, i/n, c)
		}
		if plane < 2 {
			drawAxis(img, planned.Length()/2)
		}
		out[plane] = img
	}
	return out
}

// drawAxis draws the axis, half its length, mm, to either side of the middle.
func drawAxis(img *image.RGBA, half float64) {
	n := img.Bounds().Dx()
	for y := range n {
		d := math.Abs(fromMiddle(y, n))
		if d > half {
			continue
		}
		img.SetRGBA(n/2, y, axisColour)
		if half-d < checkPixel {
			for t := -checkTick; t <= checkTick; t++ {
				img.SetRGBA(n/2+t, y, axisColour)
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

// edgesOf marks the pixels of each plane where the gradient of the smoothed greys
// has a maximum along its own direction and is large enough.
//
// Method: Canny J. IEEE Trans Pattern Anal Mach Intell 1986;8(6):679-698,
// without hysteresis.
func edgesOf(greys []float32, n int) []bool {
	f := &volume.Field{Grey: greys}
	f.Size = [3]int{n, n, 3}
	kernel := volume.Gaussian(checkBlur / checkPixel)
	f.Convolve(0, kernel)
	f.Convolve(1, kernel)
	steep := make([]float32, len(greys))
	gradient := func(i int) (gx, gy float64) {
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
		gx, gy := gradient(i)
		steep[i] = float32(math.Sqrt(gx*gx + gy*gy))
	})
	least := checkEdge * float32(volume.NewHistogram(steep).Quantile(0.5))
	out := make([]bool, len(greys))
	inner(func(i int) {
		if !(steep[i] >= least) || steep[i] == 0 {
			return
		}
		gx, gy := gradient(i)
		// The neighbour nearest to the gradient's direction.
		octant := int(math.Round(math.Atan2(gy, gx)/(math.Pi/4))) & 3
		next := [4]int{1, n + 1, n, n - 1}[octant]
		out[i] = steep[i] >= steep[i-next] && steep[i] > steep[i+next]
	})
	return out
}

// fromMiddle is the place of pixel i of n, mm from the middle.
func fromMiddle(i, n int) float64 { return (float64(i) + 0.5 - float64(n)/2) * checkPixel }
