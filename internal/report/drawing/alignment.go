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
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// Layout of the check pictures of an alignment.
const (
	checkReach = 20.0 // mm from the fixture's middle to a picture's edge: beyond its neighbours
	checkPixel = 0.16 // mm, about half a scan's voxel
	checkGap   = 6    // pixels between the planes, where they are one picture
	checkTick  = 8    // pixels, half the length of the marks at entry and apex
	checkSide  = 78.0 // mm of paper: two in a row
	// checkBlur, mm, smooths the follow-up scan before its edges are taken:
	// about its point spread, so that noise makes few of them.
	checkBlur = 0.3
	// checkEdge is the least gradient of an edge that is drawn, in medians of the
	// gradient over the planes. Half of what is there is noise in soft tissue; a
	// plane's noise exceeds three medians at one place in 500 (Rayleigh: 2 to
	// the −9).
	checkEdge = 3.0
	// checkStrong is how much more than that a line needs somewhere: Canny asks for two
	// to three times the lower threshold.
	checkStrong = 2.0
	// checkLine is the least length of a line, mm: above the size of trabeculae and their
	// spaces, of 1 mm and less, whose lines hide those that matter.
	checkLine = 3.0
	// checkWhite is the brightness of the planning scan's brightest part, of 255:
	// below white, so that the lines over it stand out.
	checkWhite = 215
)

// The colours of a check picture, by their place in its palette: the greys come first.
const (
	edgeColour = greyLevels + iota
	axisColour
	casingColour
)

// checkPalette keeps a check picture at a byte a pixel.
var checkPalette = func() (out color.Palette) {
	for i := range greyLevels {
		out = append(out, color.Gray{uint8(math.Round(checkWhite * float64(i) / (greyLevels - 1)))})
	}
	for _, i := range []Ink{AchievedOnScan, PlannedOnScan, Casing} {
		out = append(out, color.RGBAModel.Convert(i))
	}
	return out
}()

// checkPlanes name the planes: two that hold the planned axis and one across it,
// through its middle.
var checkPlanes = [3]string{"along the planned axis", "along it, seen from the side", "across it, half way down"}

// Alignment draws the check pictures of the alignment of what is shown to the
// planning scan about the planned fixture, a drawing a plane; site is its label. Of a
// surface scan the last is a map of distances.
func (s *Scene) Alignment(planning evidence.View, site string) []Drawing {
	planes, sides := s.checkPlanes()
	lines := s.surfaces()
	aligned := s.Shown
	if lines != nil {
		aligned = nil
	}
	pictures := overlay(planning, aligned, s.Planned, planes)
	out := make([]Drawing, len(pictures))
	parallel.For(len(pictures), func(i int) {
		d := Drawing{Width: checkSide, Height: checkSide + strip + below}
		edges := "the edges of the " + s.Achieved.Kind.Name()
		if lines != nil {
			edges = "the surface scan and its scan body"
		}
		d.Alt = "Alignment check at site " + site + ", " + checkPlanes[i] + ": the planning scan in grey, " + edges + " as light lines with dark rims over it, about the planned fixture, whose axis is marked. Where the lines run along the planning scan's own bone and roots, the alignment is right."
		right, up := sides[i][0], sides[i][1]
		d.add(Raster{Min: Point{0, strip}, Width: checkSide, Height: checkSide, PNG: encode(pictures[i])},
			label(0, strip-1.6, smallType, Start, "← "+right.words(false)),
			label(checkSide/2, strip-1.6, smallType, Middle, "↑ "+up.words(true)),
			label(checkSide, strip-1.6, smallType, End, right.words(true)+" →"),
			label(checkSide/2, strip+checkSide+3.7, smallType, Middle, "↓ "+up.words(false)),
			label(checkSide, strip+checkSide+8.2, smallType, End, checkPlanes[i]))
		d.add(scaleBar(0, strip+checkSide+7.4, 10*checkSide/(2*checkReach), "10 mm")...)
		if lines != nil {
			const scale = checkSide / (2 * checkReach)
			on := &sheet{paper: func(x, y float64) Point { return Point{checkSide/2 + x*scale, strip + checkSide/2 - y*scale} },
				frame: room{0, strip, checkSide, checkSide}, ground: Casing, ink: White}
			d.add(Clip{Min: Point{0, strip}, Width: checkSide, Height: checkSide, Items: lines.draw(planes[i], checkReach, on)})
		}
		out[i] = d
	})
	if m, ok := s.Map(site); ok {
		out[len(out)-1] = m
	}
	return out
}

// midpoint is half way between the ends of a pose.
func midpoint(p geom.Pose) geom.Vec { return r3.Scale(0.5, r3.Add(p.Entry, p.Apex)) }

// checkPlanes are the planes of the check pictures with the directions of the page to
// the right and upwards.
func (s *Scene) checkPlanes() (planes [3]Plane, sides [3][2]direction) {
	axis := s.Planned.Axis()
	first, second := s.aside(axis)
	up := direction{r3.Scale(-1, axis), "coronal", "apical"}
	if s.Site.Jaw() == tooth.Upper {
		up = up.reversed()
	}
	sides = [3][2]direction{{first, up}, {second, up}, {first, second}}
	for i, d := range sides {
		planes[i] = Plane{midpoint(s.Planned), d[0].vec, d[1].vec}
	}
	return planes, sides
}

// AlignmentPicture is the check pictures beside each other, as one image.
func (s *Scene) AlignmentPicture(planning evidence.View) image.Image {
	planes, _ := s.checkPlanes()
	pictures := overlay(planning, s.Shown, s.Planned, planes)
	n := pictures[0].Bounds().Dx()
	out := image.NewRGBA(image.Rect(0, 0, 3*n+2*checkGap, n))
	draw.Draw(out, out.Bounds(), image.White, image.Point{}, draw.Src)
	for i, p := range pictures {
		draw.Draw(out, p.Bounds().Add(image.Pt(i*(n+checkGap), 0)), p, image.Point{}, draw.Src)
	}
	return out
}

// overlay shows an alignment to a person, a picture a plane, without edges where what was
// aligned is nil; the first two hold the
// planned axis upright. The planning scan is grey, and the edges of what was aligned to
// it lie over it as light lines with dark rims: where they run along the planning scan's
// own bone and roots, the alignment is right. The planned axis is a line with ticks at
// entry and apex.
//
// The planning greys are stretched between their 2nd and 98th percentile within
// the planes; what the planning scan does not have is black.
func overlay(planning, aligned evidence.View, planned geom.Pose, planes [3]Plane) (out [3]*image.Paletted) {
	mid := midpoint(planned)
	n := int(math.Round(2 * checkReach / checkPixel))
	near := math.Sqrt2*checkReach + 1
	at := func(plane, x, y int) geom.Vec { return planes[plane].At(fromMiddle(x, n), -fromMiddle(y, n)) }
	greys := section(planning.Around(near, mid), n, at)
	drawn := make([]bool, len(greys))
	if aligned != nil {
		edges := section(aligned.Around(near, mid), n, at)
		// Metal would outshine the bone.
		top := float32(volume.NewHistogram(edges).Quantile(0.95))
		for i, g := range edges {
			if g > top {
				edges[i] = top
			}
		}
		drawn = edgesOf(edges, n)
	}

	h := volume.NewHistogram(greys)
	low, high := h.Quantile(0.02), h.Quantile(0.98)
	for plane := range out {
		img := image.NewPaletted(image.Rect(0, 0, n, n), checkPalette)
		for i := range img.Pix {
			if g := (float64(greys[plane*n*n+i]) - low) / max(high-low, 1e-6); !math.IsNaN(g) {
				img.Pix[i] = uint8(math.Round((greyLevels - 1) * min(max(g, 0), 1)))
			}
		}
		rimmed(img, drawn[plane*n*n:(plane+1)*n*n])
		if plane < 2 {
			drawAxis(img, planned.Length()/2)
		}
		out[plane] = img
	}
	return out
}

// rimmed draws pixels as a line with a dark rim.
func rimmed(img *image.Paletted, drawn []bool) {
	n := img.Bounds().Dx()
	for pass, colour := range []uint8{casingColour, edgeColour} {
		for i, on := range drawn {
			if !on {
				continue
			}
			reach := 1 - pass // the rim goes a pixel beyond the line
			for dy := -reach; dy <= reach; dy++ {
				for dx := -reach; dx <= reach; dx++ {
					img.SetColorIndex(i%n+dx, i/n+dy, colour)
				}
			}
		}
	}
}

// drawAxis draws the axis, half its length, mm, to either side of the middle.
func drawAxis(img *image.Paletted, half float64) {
	n := img.Bounds().Dx()
	for y := range n {
		d := math.Abs(fromMiddle(y, n))
		if d > half {
			continue
		}
		img.SetColorIndex(n/2, y, axisColour)
		if half-d < checkPixel {
			for t := -checkTick; t <= checkTick; t++ {
				img.SetColorIndex(n/2+t, y, axisColour)
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
// has a maximum along its own direction and is large enough, as far as they join to
// lines that are long and somewhere strong enough.
//
// Method: Canny J. IEEE Trans Pattern Anal Mach Intell 1986;8(6):679-698.
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
	keepLines(out, steep, checkStrong*least, n)
	return out
}

// keepLines takes away what does not join, corners included, to a line of checkLine that
// is strong somewhere.
func keepLines(drawn []bool, steep []float32, strong float32, n int) {
	long := int(math.Round(checkLine / checkPixel))
	seen := make([]bool, len(drawn))
	for start, on := range drawn {
		if !on || seen[start] {
			continue
		}
		seen[start] = true
		line, most := []int{start}, float32(0)
		for k := 0; k < len(line); k++ {
			i := line[k]
			most = max(most, steep[i])
			// A plane's outermost pixels are never drawn, so that no neighbour lies in another plane.
			for _, next := range [8]int{i - n - 1, i - n, i - n + 1, i - 1, i + 1, i + n - 1, i + n, i + n + 1} {
				if drawn[next] && !seen[next] {
					seen[next] = true
					line = append(line, next)
				}
			}
		}
		if len(line) >= long && most >= strong {
			continue
		}
		for _, i := range line {
			drawn[i] = false
		}
	}
}

// fromMiddle is the place of pixel i of n, mm from the middle.
func fromMiddle(i, n int) float64 { return (float64(i) + 0.5 - float64(n)/2) * checkPixel }
