package drawing

import (
	"image"
	"image/color"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

func mm(x, y float64) vg.Point { return vg.Point{X: millimetres(x), Y: millimetres(y)} }

func near(t assert.TestingT, x, y float64, got Point) {
	assert.InDelta(t, x, got.X, 1e-9)
	assert.InDelta(t, y, got.Y, 1e-9)
}

// What is drawn after a move, a turn and a stretch lies where these take it, with
// widths and dashes stretched alike; what follows Pop lies as before.
func TestCanvasTransforms(t *testing.T) {
	c := newCanvas(100, 50)
	c.Push()
	c.Translate(mm(10, 20))
	c.Rotate(math.Pi / 2)
	c.Scale(2, 2)
	c.SetColor(Achieved)
	c.SetLineWidth(millimetres(0.3))
	c.SetLineDash([]vg.Length{millimetres(1)}, 0)
	c.Stroke(vg.Path{{Type: vg.MoveComp}, {Type: vg.LineComp, Pos: mm(3, 0)}, {Type: vg.LineComp, Pos: mm(3, 1)}})
	c.FillString(c.lettering().Fonts.Lookup(c.style(2, Black).Font, millimetres(2)), mm(0, 0), "up")
	c.Pop()
	c.Stroke(vg.Path{{Type: vg.MoveComp}, {Type: vg.LineComp, Pos: mm(3, 0)}})

	turned, up, plain := c.out.Items[0].(Path), c.out.Items[1].(Label), c.out.Items[2].(Path)
	near(t, 10, 30, turned.Points[0])
	near(t, 10, 24, turned.Points[1]) // right has become up, and the page's y runs down
	near(t, 8, 24, turned.Points[2])
	assert.InDelta(t, 0.6, turned.Width, 1e-9)
	assert.InDelta(t, 2, turned.Dash[0], 1e-9)
	assert.Equal(t, Achieved, turned.Stroke)
	assert.True(t, up.Turned)
	assert.InDelta(t, 4, up.Size, 1e-9)
	near(t, 3, 50, plain.Points[1])
	assert.Equal(t, Ink("#000000"), plain.Stroke)
	assert.Empty(t, plain.Dash)
	assert.InDelta(t, 25.4/72, plain.Width, 1e-9, "a point, the library's first width")
}

// A line that the library clips ends at the field's edges and keeps its course.
func TestCanvasRecordsClippedLines(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newCanvas(40, 30)
		field := draw.Crop(draw.New(c), millimetres(10), -millimetres(10), millimetres(10), -millimetres(10)) // 10 to 30, 10 to 20
		number := rapid.Float64Range(-50, 90)
		a, b := mm(number.Draw(t, "x"), number.Draw(t, "y")), mm(number.Draw(t, "x"), number.Draw(t, "y"))
		field.StrokeLines(stroke(Black, 0.5), field.ClipLinesXY([]vg.Point{a, b})...)
		if field.Contains(a) && field.Contains(b) {
			require.Len(t, c.out.Items, 1)
		}
		p, q := c.toPaper.apply(a), c.toPaper.apply(b)
		for _, it := range c.out.Items {
			for _, r := range it.(Path).Points {
				assert.True(t, r.X >= 10-1e-6 && r.X <= 30+1e-6 && r.Y >= 10-1e-6 && r.Y <= 20+1e-6, "%v", r)
				assert.InDelta(t, 0, (q.X-p.X)*(r.Y-p.Y)-(q.Y-p.Y)*(r.X-p.X), 1e-6*(1+math.Hypot(q.X-p.X, q.Y-p.Y)), "off its course")
			}
		}
	})
}

// Curves become chords on the curve, each part of a path an item, and closed parts
// stay closed.
func TestCanvasFlattens(t *testing.T) {
	c := newCanvas(40, 40)
	var p vg.Path
	p.Move(mm(25, 20))
	p.Arc(mm(20, 20), millimetres(5), 0, 2*math.Pi)
	p.Close()
	p.Move(mm(0, 0))
	p.QuadTo(mm(10, 20), mm(20, 0))
	c.SetColor(Planned)
	c.Stroke(p)
	require.Len(t, c.out.Items, 2)
	ring, arch := c.out.Items[0].(Path), c.out.Items[1].(Path)
	assert.True(t, ring.Closed)
	assert.GreaterOrEqual(t, len(ring.Points), turnChords)
	for _, q := range ring.Points {
		assert.InDelta(t, 5, math.Hypot(q.X-20, q.Y-20), 1e-9)
	}
	assert.False(t, arch.Closed)
	near(t, 10, 30, arch.Points[curveChords/2]) // half way, half as high as the control point
	near(t, 20, 40, arch.Points[curveChords])
	c.Fill(p[:2])
	assert.Equal(t, Planned, c.out.Items[2].(Path).Fill)
}

// Nothing is drawn without a width, an ink or a size.
func TestCanvasLeavesOutWhatIsNotSeen(t *testing.T) {
	c := newCanvas(40, 40)
	flat := vg.Path{{Type: vg.MoveComp}, {Type: vg.LineComp, Pos: mm(3, 0)}}
	c.SetLineWidth(0)
	c.Stroke(flat)
	c.SetLineWidth(1)
	c.SetColor(color.Transparent)
	c.Stroke(flat)
	c.Fill(flat)
	assert.Empty(t, c.out.Items)
	c.SetColor(color.RGBA{R: 1, G: 2, B: 255, A: 255})
	c.Stroke(flat)
	assert.Equal(t, Ink("#0102ff"), c.out.Items[0].(Path).Stroke)
	assert.Equal(t, color.RGBAModel.Convert(Achieved), color.RGBAModel.Convert(Ink(" #0b4f8a")[1:]))
}

// A picture fills the rectangle that it is given, and a text keeps the end by
// which it is aligned.
func TestCanvasPicturesAndAnchors(t *testing.T) {
	c := newCanvas(40, 40)
	c.DrawImage(vg.Rectangle{Min: mm(10, 5), Max: mm(30, 15)}, image.NewGray(image.Rect(0, 0, 2, 2)))
	r := c.out.Items[0].(Raster)
	near(t, 10, 25, r.Min)
	near(t, 20, 10, Point{r.Width, r.Height})
	on := draw.New(c)
	for i, a := range []struct {
		x    text.XAlignment
		want Anchor
	}{{draw.XLeft, Start}, {draw.XCenter, Middle}, {draw.XRight, End}} {
		s := c.style(3, Grey)
		s.XAlign = a.x
		on.FillText(s, mm(20, 8), "text")
		l := c.out.Items[i+1].(Label)
		assert.Equal(t, a.want, l.Anchor)
		assert.Equal(t, Grey, l.Ink)
		near(t, 20, 32, l.At)
	}
}
