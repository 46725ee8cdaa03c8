package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"image"
	"image/color"
	"image/draw"
	"image/png"
	"strings"

	"golang.org/x/image/vector"
)

// The icon is a plumb bob on its cord over paper. It is drawn on a square of iconSide
// units, as areas within lines and cubic curves.

const iconSide = 64

// area is a path and its colour. A step of the path has two coordinates for a line to a
// point, six for a cubic curve with its two control points; the first is where it begins.
type area struct {
	colour color.RGBA
	path   [][]float32
}

var (
	paper = color.RGBA{0xfb, 0xf9, 0xf4, 0xff}
	ink   = color.RGBA{0x16, 0x20, 0x2a, 0xff}
	brass = color.RGBA{0xb5, 0x8a, 0x3c, 0xff}
	shade = color.RGBA{0x8a, 0x66, 0x26, 0xff}
)

// icon is the drawing for a size in pixels. The cord of a small one is thicker, or it would
// not be seen.
func icon(size int) []area {
	half := max(1.2, 0.75*iconSide/float32(size)) // of the cord's width
	const r, k = 12, 12 * 0.4477                  // corner: radius, and a circle's control point from its corner
	const e = iconSide
	return []area{
		{paper, [][]float32{{r, 0}, {e - r, 0}, {e - k, 0, e, k, e, r}, {e, e - r}, {e, e - k, e - k, e, e - r, e}, {r, e}, {k, e, 0, e - k, 0, e - r}, {0, r}, {0, k, k, 0, r, 0}}},
		{ink, [][]float32{{32 - half, 0}, {32 + half, 0}, {32 + half, 18}, {32 - half, 18}}},
		{ink, [][]float32{{27, 15}, {37, 15}, {38, 22}, {26, 22}}},
		{brass, [][]float32{{26, 22}, {32, 22}, {32, 59}, {30, 52, 18, 40, 18, 31}, {18, 26, 21, 22, 26, 22}}},
		{shade, [][]float32{{32, 22}, {38, 22}, {43, 22, 46, 26, 46, 31}, {46, 40, 34, 52, 32, 59}}},
	}
}

// drawn is the icon in pixels.
func drawn(size int) *image.RGBA {
	img := image.NewRGBA(image.Rect(0, 0, size, size))
	scale := float32(size) / iconSide
	for _, a := range icon(size) {
		z := vector.NewRasterizer(size, size)
		for i, s := range a.path {
			p := make([]float32, len(s))
			for k := range s {
				p[k] = s[k] * scale
			}
			switch {
			case i == 0:
				z.MoveTo(p[0], p[1])
			case len(p) == 2:
				z.LineTo(p[0], p[1])
			default:
				z.CubeTo(p[0], p[1], p[2], p[3], p[4], p[5])
			}
		}
		z.ClosePath()
		z.DrawOp = draw.Over
		z.Draw(img, img.Bounds(), image.NewUniform(a.colour), image.Point{})
	}
	return img
}

// iconPNG is the icon as a picture file.
func iconPNG(size int) ([]byte, error) {
	var b bytes.Buffer
	err := (&png.Encoder{CompressionLevel: png.BestCompression}).Encode(&b, drawn(size))
	return b.Bytes(), err
}

// iconSVG is the icon as a drawing of any size.
func iconSVG() []byte {
	var b bytes.Buffer
	fmt.Fprintf(&b, `<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 %d %[1]d">`+"\n", iconSide)
	for _, a := range icon(2 * iconSide) {
		var d strings.Builder
		for i, s := range a.path {
			letter := map[bool]string{true: "L", false: "C"}[len(s) == 2]
			if i == 0 {
				letter = "M"
			}
			d.WriteString(letter + strings.Trim(fmt.Sprint(s), "[]"))
		}
		fmt.Fprintf(&b, `<path d="%sZ" fill="#%02x%02x%02x"/>`+"\n", d.String(), a.colour.R, a.colour.G, a.colour.B)
	}
	b.WriteString("</svg>\n")
	return b.Bytes()
}

// appleIcon is the icon in Apple's container (icns): a magic, the length of all, and for each
// size its type, the length of the entry and a PNG, big-endian. From memory; checked against
// icnsutils.
func appleIcon() ([]byte, error) {
	var entries bytes.Buffer
	for _, s := range []struct {
		kind string
		size int
	}{{"ic11", 32}, {"ic12", 64}, {"ic07", 128}, {"ic08", 256}, {"ic09", 512}, {"ic10", 1024}} {
		data, err := iconPNG(s.size)
		if err != nil {
			return nil, err
		}
		entries.WriteString(s.kind)
		entries.Write(binary.BigEndian.AppendUint32(nil, uint32(8+len(data))))
		entries.Write(data)
	}
	out := append([]byte("icns"), binary.BigEndian.AppendUint32(nil, uint32(8+entries.Len()))...)
	return append(out, entries.Bytes()...), nil
}
