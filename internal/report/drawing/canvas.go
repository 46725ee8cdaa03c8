package drawing

import (
	"fmt"
	"image"
	"image/color"
	"math"
	"slices"
	"sync"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
)

// canvas is a vg.CanvasSizer that records what a plot draws as the items of a
// Drawing, for every backend to draw alike. Its own points are those of vg: from
// the bottom left corner, y up, in points of 1/72 inch.
//
// Limits: each part of a path is an item of its own, so that a part inside
// another is no hole in it; dashes start with their line; transparency is lost;
// text is level or reads upwards, whichever is nearer.
type canvas struct {
	out Drawing
	pen
	saved  []pen
	anchor Anchor // of the next text; see lettering
}

// pen is what Push saves and Pop restores.
type pen struct {
	ink     Ink
	width   vg.Length
	dash    []vg.Length
	toPaper affine
}

// newCanvas is a canvas of a size in mm of paper.
func newCanvas(width, height float64) *canvas {
	const unit = 1 / float64(vg.Millimeter) // mm in a unit of vg
	c := &canvas{out: Drawing{Width: width, Height: height}, anchor: Start}
	c.toPaper = affine{{unit, 0, 0}, {0, -unit, height}}
	vg.Initialize(c)
	return c
}

// affine takes x, y to m[0][0]·x + m[0][1]·y + m[0][2] and likewise by the second
// row.
type affine [2][3]float64

func (m affine) apply(p vg.Point) Point {
	x, y := float64(p.X), float64(p.Y)
	return Point{m[0][0]*x + m[0][1]*y + m[0][2], m[1][0]*x + m[1][1]*y + m[1][2]}
}

// then is m applied to what n gives.
func (m affine) then(n affine) (out affine) {
	for r := range 2 {
		for c := range 3 {
			out[r][c] = m[r][0]*n[0][c] + m[r][1]*n[1][c]
		}
		out[r][2] += m[r][2]
	}
	return out
}

// scale is how much longer lengths become, the root of the factor for areas.
func (m affine) scale() float64 {
	return math.Sqrt(math.Abs(m[0][0]*m[1][1] - m[0][1]*m[1][0]))
}

// Size implements vg.CanvasSizer.
func (c *canvas) Size() (x, y vg.Length) {
	return millimetres(c.out.Width), millimetres(c.out.Height)
}

func millimetres(v float64) vg.Length { return vg.Length(v) * vg.Millimeter }

// SetLineWidth and the methods below implement vg.Canvas.
func (c *canvas) SetLineWidth(w vg.Length) { c.width = w }

func (c *canvas) SetLineDash(pattern []vg.Length, _ vg.Length) { c.dash = slices.Clone(pattern) }

func (c *canvas) SetColor(v color.Color) {
	switch v := v.(type) {
	case nil:
		c.ink = "#000000"
	case Ink:
		c.ink = v
	default:
		n := color.NRGBAModel.Convert(v).(color.NRGBA)
		c.ink = Ink(fmt.Sprintf("#%02x%02x%02x", n.R, n.G, n.B))
		if n.A == 0 {
			c.ink = ""
		}
	}
}

func (c *canvas) Rotate(radians float64) {
	sin, cos := math.Sincos(radians)
	c.toPaper = c.toPaper.then(affine{{cos, -sin, 0}, {sin, cos, 0}})
}

func (c *canvas) Translate(p vg.Point) {
	c.toPaper = c.toPaper.then(affine{{1, 0, float64(p.X)}, {0, 1, float64(p.Y)}})
}

func (c *canvas) Scale(x, y float64) { c.toPaper = c.toPaper.then(affine{{x, 0, 0}, {0, y, 0}}) }

func (c *canvas) Push() { c.saved = append(c.saved, c.pen) }

func (c *canvas) Pop() {
	last := len(c.saved) - 1
	c.pen, c.saved = c.saved[last], c.saved[:last]
}

func (c *canvas) Stroke(p vg.Path) {
	if c.width <= 0 || c.ink == "" {
		return
	}
	scale := c.toPaper.scale()
	var dash []float64
	for _, v := range c.dash {
		dash = append(dash, float64(v)*scale)
	}
	for _, part := range c.parts(p) {
		part.Stroke, part.Width, part.Dash = c.ink, float64(c.width)*scale, dash
		c.out.add(part)
	}
}

func (c *canvas) Fill(p vg.Path) {
	if c.ink == "" {
		return
	}
	for _, part := range c.parts(p) {
		part.Fill, part.Closed = c.ink, true
		c.out.add(part)
	}
}

// Chords of a curve.
const (
	turnChords  = 72 // of a whole turn: within a thousandth of its radius
	curveChords = 24 // of a Bézier curve, which seldom turns by more than a third
)

// parts are the parts of a path on paper, curves as chords.
func (c *canvas) parts(p vg.Path) (out []Path) {
	var at vg.Point // where the path is
	var run Path
	end := func() {
		if len(run.Points) > 1 {
			out = append(out, run)
		}
		run = Path{}
	}
	to := func(q vg.Point) {
		run.Points = append(run.Points, c.toPaper.apply(q))
		at = q
	}
	for _, k := range p {
		switch k.Type {
		case vg.MoveComp:
			end()
			to(k.Pos)
		case vg.LineComp:
			to(k.Pos)
		case vg.ArcComp:
			n := max(1, int(math.Ceil(math.Abs(k.Angle)/(2*math.Pi)*turnChords)))
			for i := range n + 1 {
				sin, cos := math.Sincos(k.Start + k.Angle*float64(i)/float64(n))
				to(vg.Point{X: k.Pos.X + k.Radius*vg.Length(cos), Y: k.Pos.Y + k.Radius*vg.Length(sin)})
			}
		case vg.CurveComp:
			ends := slices.Concat([]vg.Point{at}, k.Control, []vg.Point{k.Pos})
			for i := range curveChords {
				to(bezier(ends, float64(i+1)/curveChords))
			}
		case vg.CloseComp:
			run.Closed = true
			end()
		}
	}
	end()
	return out
}

// bezier is a point of a Bézier curve by de Casteljau's algorithm, t from 0 to 1.
func bezier(control []vg.Point, t float64) vg.Point {
	p := slices.Clone(control)
	for n := len(p) - 1; n > 0; n-- {
		for i := range n {
			p[i] = p[i].Scale(vg.Length(1 - t)).Add(p[i+1].Scale(vg.Length(t)))
		}
	}
	return p[0]
}

func (c *canvas) FillString(f font.Face, at vg.Point, text string) {
	if f.Font.Size == 0 || c.ink == "" {
		return
	}
	m := c.toPaper
	c.out.add(Label{At: m.apply(at), Text: text, Size: float64(f.Font.Size) * m.scale(), Anchor: c.anchor, Ink: c.ink,
		Turned: -m[1][0] > math.Abs(m[0][0])})
}

func (c *canvas) DrawImage(r vg.Rectangle, img image.Image) {
	p, q := c.toPaper.apply(r.Min), c.toPaper.apply(r.Max)
	c.out.add(Raster{Min: Point{min(p.X, q.X), min(p.Y, q.Y)}, Width: math.Abs(q.X - p.X), Height: math.Abs(q.Y - p.Y), PNG: encode(img)})
}

// RGBA makes an ink a color.Color; no ink is transparent.
func (i Ink) RGBA() (r, g, b, a uint32) {
	c := color.NRGBA{A: 255}
	if _, err := fmt.Sscanf(string(i), "#%02x%02x%02x", &c.R, &c.G, &c.B); err != nil {
		return 0, 0, 0, 0
	}
	return c.RGBA()
}

// lettering sets a plot's text on a canvas. It measures in the widest of the
// faces that backends take, so that there is room in each; and it passes on which
// end of a text its place is, so that the text lines up in each.
type lettering struct {
	text.Plain
	canvas *canvas
}

var widest = sync.OnceValue(func() *font.Cache {
	face, err := opentype.Parse(dejavusans.TTF)
	if err != nil {
		panic(err) // it is part of the program
	}
	return font.NewCache(font.Collection{{Face: face}})
})

func (c *canvas) lettering() lettering { return lettering{text.Plain{Fonts: widest()}, c} }

// Draw implements text.Handler.
//
// In: one line; at is where its style aligns it.
func (l lettering) Draw(c vg.Canvas, txt string, style text.Style, at vg.Point) {
	c.SetColor(style.Color)
	c.Push()
	c.Translate(at)
	c.Rotate(style.Rotation)
	l.canvas.anchor = map[text.XAlignment]Anchor{text.XLeft: Start, text.XCenter: Middle, text.XRight: End}[style.XAlign]
	c.FillString(l.Fonts.Lookup(style.Font, style.Font.Size), vg.Point{Y: vg.Length(style.YAlign) * style.Height(txt)}, txt)
	l.canvas.anchor = Start
	c.Pop()
}

// style is lettering of a size in mm.
func (c *canvas) style(size float64, ink Ink) text.Style {
	return text.Style{Color: ink, Font: font.Font{Size: millimetres(size)}, Handler: c.lettering()}
}
