package drawing

import (
	"image"
	"image/draw"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/registration/intensity"
)

// Alignment draws the check pictures of an alignment about a planned fixture:
// two planes along its axis and one across it.
func Alignment(planning, aligned evidence.View, planned geom.Pose, site string) []Drawing {
	all := intensity.Picture(planning, aligned, planned)
	// The planes are squares beside each other.
	size := all.Bounds().Size()
	between := (size.X - 3*size.Y) / 2
	out := make([]Drawing, 3)
	names := [3]string{"along the planned axis", "along it, a quarter turn on", "across it, half way down"}
	parallel.For(len(names), func(i int) {
		name := names[i]
		plane := image.NewRGBA(image.Rect(0, 0, size.Y, size.Y))
		draw.Draw(plane, plane.Bounds(), all, image.Pt(i*(size.Y+between), 0), draw.Src)
		const side = 53.0
		d := Drawing{Width: side, Height: side + strip}
		d.Alt = "Alignment check at site " + site + ", " + name + ": the planning scan in grey, the edges of the follow-up scan as orange lines over it, about the planned fixture, whose axis is blue. Where the lines run along the planning scan's own bone and roots, the alignment is right."
		d.add(Raster{Width: side, Height: side, PNG: encode(plane)}, label(side/2, side+3.9, smallType, Middle, name))
		out[i] = d
	})
	return out
}
