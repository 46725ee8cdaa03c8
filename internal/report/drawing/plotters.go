package drawing

import (
	"cmp"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// ticks are plot.DefaultTicks with the minor ones labelled, too, where there is
// room for that and it needs no more decimals, and with no more decimals than tell
// the labels apart.
type ticks struct {
	most  int  // labels that have room
	cases bool // whole numbers inside the axis only
}

// Ticks implements plot.Ticker.
func (t ticks) Ticks(low, high float64) []plot.Tick {
	all := plot.DefaultTicks{}.Ticks(low, high)
	if t.cases {
		all = t.whole(low, high)
	}
	slices.SortFunc(all, func(a, b plot.Tick) int { return cmp.Compare(a.Value, b.Value) })
	decimals := func(minor bool) (out int) {
		for _, k := range all {
			for k.IsMinor() == minor && out < mostDecimals && math.Abs(toDecimals(k.Value, out)-k.Value) > 1e-9*(high-low) {
				out++
			}
		}
		return out
	}
	digits := decimals(false)
	also := len(all) <= t.most && decimals(true) <= digits
	for i, k := range all {
		if !k.IsMinor() || also {
			all[i].Label = strconv.FormatFloat(toDecimals(k.Value, digits), 'f', digits, 64)
		}
	}
	return all
}

// whole are the ticks at whole numbers inside a range. Where the range has its
// ticks at halves, those of a range a little wider take their place.
func (t ticks) whole(low, high float64) []plot.Tick {
	for more := 0.0; ; more++ {
		all := slices.DeleteFunc(plot.DefaultTicks{}.Ticks(low-more, high+more), func(k plot.Tick) bool {
			return math.Abs(k.Value-math.Round(k.Value)) > 1e-9 || k.Value <= low || k.Value >= high
		})
		if len(all) > 0 && len(all) <= t.most || more > high-low || slices.ContainsFunc(all, func(k plot.Tick) bool { return !k.IsMinor() }) {
			return all
		}
	}
}

// mostDecimals of a label: a thousandth of a micrometre.
const mostDecimals = 6

// toDecimals keeps a number of decimals, and no minus before a zero.
func toDecimals(v float64, digits int) float64 {
	unit := math.Pow10(digits)
	return math.Round(v*unit)/unit + 0
}

// stroke is a line's style, lengths in mm.
func stroke(ink Ink, width float64, dash ...float64) draw.LineStyle {
	out := draw.LineStyle{Color: ink, Width: millimetres(width)}
	for _, v := range dash {
		out.Dashes = append(out.Dashes, millimetres(v))
	}
	return out
}

// onto takes values to the canvas.
func onto(c *draw.Canvas, p *plot.Plot, values plotter.XYs) []vg.Point {
	x, y := p.Transforms(c)
	out := make([]vg.Point, len(values))
	for i, v := range values {
		out[i] = vg.Point{X: x(v.X), Y: y(v.Y)}
	}
	return out
}

// grid has a faint line at every labelled value above the axis.
type grid struct{}

// Plot implements plot.Plotter.
func (grid) Plot(c draw.Canvas, p *plot.Plot) {
	for _, k := range p.Y.Tick.Marker.Ticks(p.Y.Min, p.Y.Max) {
		if y := c.Y(p.Y.Norm(k.Value)); !k.IsMinor() && k.Value > p.Y.Min {
			c.StrokeLine2(stroke(Faint, 0.12), c.Min.X, y, c.Max.X, y)
		}
	}
}

// trace is a line through values, as far as it lies in the field. Unlike
// plotter.Line it takes no room beside the axes: zero is on the axis.
type trace struct {
	values plotter.XYs
	style  draw.LineStyle
}

// Plot implements plot.Plotter.
func (t trace) Plot(c draw.Canvas, p *plot.Plot) {
	c.StrokeLines(t.style, c.ClipLinesXY(onto(&c, p, t.values))...)
}

// Thumbnail implements plot.Thumbnailer.
func (t trace) Thumbnail(c *draw.Canvas) {
	y := c.Center().Y
	c.StrokeLine2(t.style, c.Min.X, y, c.Max.X, y)
}

// level is a line across the field.
type level struct {
	value float64
	style draw.LineStyle
}

// Plot implements plot.Plotter.
func (l level) Plot(c draw.Canvas, p *plot.Plot) {
	trace{plotter.XYs{{X: p.X.Min, Y: l.value}, {X: p.X.Max, Y: l.value}}, l.style}.Plot(c, p)
}

// Thumbnail implements plot.Thumbnailer.
func (l level) Thumbnail(c *draw.Canvas) { trace{style: l.style}.Thumbnail(c) }

// hatching fills a band of values with slanted lines between two level ones,
// which tell it from a shaded band without colour.
type hatching struct{ low, high float64 }

// hatchStep is the distance between the lines of hatching, mm along the band:
// wide enough that dots of half of it stand out.
const hatchStep = 1.8

// Plot implements plot.Plotter.
func (h hatching) Plot(c draw.Canvas, p *plot.Plot) {
	bottom, top := c.Y(p.Y.Norm(max(h.low, p.Y.Min))), c.Y(p.Y.Norm(min(h.high, p.Y.Max)))
	if top <= bottom {
		return
	}
	band := draw.Canvas{Canvas: c.Canvas, Rectangle: vg.Rectangle{Min: vg.Point{X: c.Min.X, Y: bottom}, Max: vg.Point{X: c.Max.X, Y: top}}}
	h.Thumbnail(&band)
	for _, y := range []vg.Length{bottom, top} {
		c.StrokeLine2(stroke(Grey, 0.12), c.Min.X, y, c.Max.X, y)
	}
}

// Thumbnail implements plot.Thumbnailer: it fills the canvas.
func (hatching) Thumbnail(c *draw.Canvas) {
	size := c.Size()
	for x := c.Min.X - size.Y; x < c.Max.X; x += millimetres(hatchStep) {
		c.StrokeLines(stroke(Grey, 0.12), c.ClipLinesXY([]vg.Point{{X: x, Y: c.Min.Y}, {X: x + size.Y, Y: c.Max.Y}})...)
	}
}

// bars are upright lines over ranges of values.
type bars []struct{ x, low, high float64 }

// Plot implements plot.Plotter.
func (b bars) Plot(c draw.Canvas, p *plot.Plot) {
	for _, v := range b {
		trace{plotter.XYs{{X: v.x, Y: v.low}, {X: v.x, Y: v.high}}, barStyle}.Plot(c, p)
	}
}

// Thumbnail implements plot.Thumbnailer.
func (bars) Thumbnail(c *draw.Canvas) {
	at := c.Center()
	c.StrokeLine2(barStyle, at.X, at.Y-millimetres(1.6), at.X, at.Y+millimetres(1.6))
}

var barStyle = stroke(Achieved, 0.25)

// marks are signs at values, over all else and never cut off.
type marks struct {
	values plotter.XYs
	sign   func(at Point) []Path
	shows  func(i int, at vg.Point) // is told where each lies; nil where nobody asks
}

// Plot implements plot.Plotter.
func (m marks) Plot(c draw.Canvas, p *plot.Plot) {
	for i, at := range onto(&c, p, m.values) {
		m.draw(&c, at)
		if m.shows != nil {
			m.shows(i, at)
		}
	}
}

// Thumbnail implements plot.Thumbnailer.
func (m marks) Thumbnail(c *draw.Canvas) { m.draw(c, c.Center()) }

func (m marks) draw(c *draw.Canvas, at vg.Point) {
	for _, part := range m.sign(Point{}) {
		var path vg.Path
		for i, q := range part.Points {
			to := vg.Point{X: at.X + millimetres(q.X), Y: at.Y - millimetres(q.Y)}
			if i == 0 {
				path.Move(to)
			} else {
				path.Line(to)
			}
		}
		if part.Closed {
			path.Close()
		}
		c.SetColor(part.Fill)
		c.Fill(path)
		c.SetLineStyle(stroke(part.Stroke, part.Width, part.Dash...))
		c.Stroke(path)
	}
}

// texts are words beside values, over all else.
type texts struct {
	values plotter.XYs
	words  []string
	style  text.Style
}

// Plot implements plot.Plotter.
func (t texts) Plot(c draw.Canvas, p *plot.Plot) {
	for i, at := range onto(&c, p, t.values) {
		c.FillText(t.style, vg.Point{X: at.X + millimetres(2.2), Y: at.Y - millimetres(0.8)}, t.words[i])
	}
}
