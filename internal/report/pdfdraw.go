package report

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"image"
	"image/draw"
	"image/png"

	"codeberg.org/go-pdf/fpdf"

	"plumbline/internal/printable"
	"plumbline/internal/report/drawing"
)

// figureItems draws shapes with their paper's origin at x, y.
func (p *press) figureItems(items []drawing.Item, x, y, scale float64) {
	for _, it := range items {
		switch v := it.(type) {
		case drawing.Path:
			p.path(v, x, y, scale)
		case drawing.Label:
			p.label(v, x, y, scale)
		case drawing.Raster:
			p.raster(v, x, y, scale)
		case drawing.Clip:
			p.pdf.ClipRect(x+v.Min.X*scale, y+v.Min.Y*scale, v.Width*scale, v.Height*scale, false)
			p.figureItems(v.Items, x, y, scale)
			p.pdf.ClipEnd()
		}
	}
}

func (p *press) path(v drawing.Path, x, y, scale float64) {
	if len(v.Points) == 0 {
		return
	}
	how := ""
	if v.Fill != "" {
		r, g, b := parts(v.Fill)
		p.pdf.SetFillColor(r, g, b)
		how += "F"
	}
	if v.Stroke != "" {
		r, g, b := parts(v.Stroke)
		p.pdf.SetDrawColor(r, g, b)
		p.pdf.SetLineWidth(v.Width * scale)
		dash := make([]float64, len(v.Dash))
		for i, d := range v.Dash {
			dash[i] = d * scale
		}
		p.pdf.SetDashPattern(dash, 0)
		how += "D"
	}
	if how == "" {
		return
	}
	for i, q := range v.Points {
		if i == 0 {
			p.pdf.MoveTo(x+q.X*scale, y+q.Y*scale)
		} else {
			p.pdf.LineTo(x+q.X*scale, y+q.Y*scale)
		}
	}
	if v.Closed {
		p.pdf.ClosePath()
	}
	p.pdf.DrawPath(how)
	p.pdf.SetDashPattern(nil, 0)
}

func (p *press) label(v drawing.Label, x, y, scale float64) {
	f := regular
	if v.Bold {
		f = bold
	}
	size := v.Size * scale
	line := prepared(printable.Line(v.Text))
	at := 0.0
	switch v.Anchor {
	case drawing.Middle:
		at = -p.setter.width(line, f, size) / 2
	case drawing.End:
		at = -p.setter.width(line, f, size)
	}
	p.ink(v.Ink)
	px, py := x+v.At.X*scale, y+v.At.Y*scale
	if v.Turned {
		p.pdf.TransformBegin()
		p.pdf.TransformRotate(90, px, py)
	}
	p.set(px+at, py, line, f, size)
	if v.Turned {
		p.pdf.TransformEnd()
	}
	p.ink(drawing.Black)
}

// raster places a picture. fpdf orders a PDF's pictures by their width in pixels
// and leaves those of one width in any order, so each gets a width of its own by
// repeating its last column, which is clipped off.
func (p *press) raster(v drawing.Raster, x, y, scale float64) {
	if p.pages == 0 { // a picture moves nothing on the pages that are counted
		return
	}
	sum := sha256.Sum256(v.PNG)
	name := hex.EncodeToString(sum[:])
	w, h := v.Width*scale, v.Height*scale
	at, known := p.images[name]
	if !known {
		config, err := png.DecodeConfig(bytes.NewReader(v.PNG))
		if err != nil {
			p.pdf.SetError(err)
			return
		}
		at = widths{config.Width, config.Width}
		for p.taken[at.placed] {
			at.placed++
		}
		data, err := widened(v.PNG, at.placed)
		if err != nil {
			p.pdf.SetError(err)
			return
		}
		p.images[name], p.taken[at.placed] = at, true
		p.pdf.RegisterImageOptionsReader(name, fpdf.ImageOptions{ImageType: "PNG"}, bytes.NewReader(data))
	}
	p.pdf.ClipRect(x+v.Min.X*scale, y+v.Min.Y*scale, w, h, false)
	p.pdf.ImageOptions(name, x+v.Min.X*scale, y+v.Min.Y*scale, w*float64(at.placed)/float64(at.own), h, false, fpdf.ImageOptions{ImageType: "PNG"}, 0, "")
	p.pdf.ClipEnd()
}

// widened repeats a picture's last column up to a width in pixels.
func widened(data []byte, width int) ([]byte, error) {
	img, err := png.Decode(bytes.NewReader(data))
	if err != nil || img.Bounds().Dx() >= width {
		return data, err
	}
	b := img.Bounds()
	area := image.Rect(0, 0, width, b.Dy())
	var wide draw.Image
	switch v := img.(type) {
	case *image.Gray:
		wide = image.NewGray(area)
	case *image.Paletted:
		wide = image.NewPaletted(area, v.Palette)
	default:
		wide = image.NewRGBA(area)
	}
	draw.Draw(wide, b.Sub(b.Min), img, b.Min, draw.Src)
	for y := range b.Dy() {
		last := img.At(b.Max.X-1, b.Min.Y+y)
		for x := b.Dx(); x < width; x++ {
			wide.Set(x, y, last)
		}
	}
	var out bytes.Buffer
	err = png.Encode(&out, wide)
	return out.Bytes(), err
}
