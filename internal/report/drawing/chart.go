package drawing

import (
	"fmt"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"plumbline/internal/report/wording"
)

// Layout of a chart on paper, mm. Charts of one page line up: their fields begin
// at one place unless the numbers beside them are very long.
const (
	chartLeft   = 12.0
	chartRight  = 2.0
	chartBottom = 9.0 // about what axis, numbers and name take
	chartTop    = 1.0 // over the legend, and beside one that needs the whole width
	legendRow   = 3.8 // from one row of the legend to the next
	legendGap   = 3.7 // from the legend to the field
	legendStep  = 2.4 // between entries of a row
	legendMark  = 5.6 // width of a mark
	legendType  = 2.5 // height of type
	tickType    = 2.5
	tickWide    = 6.0 // room of a number below the axis: four digits
	tickHigh    = 4.0 // room of a number beside the axis: its line and half of one
)

const inOrder = "case, in the order of surgery"

// scale is one axis of a chart.
type scale struct {
	name      string
	low, high float64
	cases     bool // counts cases
}

// casesFrom is the scale of cases in a row, with half a case's room at either
// side for marks.
func casesFrom(first, last int, name string) scale {
	return scale{name: name, low: float64(first) - 1, high: float64(last) + 1, cases: true}
}

// chart is a plot in the making, with its legend in a row above the field.
type chart struct {
	*plot.Plot
	paper  *canvas
	legend []plot.Legend
}

// newChart opens a chart of a size in mm.
func newChart(width, height float64, x, y scale) *chart {
	c := &chart{Plot: plot.New(), paper: newCanvas(width, height)}
	c.BackgroundColor = nil
	c.TextHandler = c.paper.lettering()
	set := func(a *plot.Axis, s scale, most float64) {
		if s.high <= s.low {
			s.high = s.low + 1
		}
		a.Min, a.Max, a.Padding = s.low, s.high, 0
		a.LineStyle, a.Tick.LineStyle = stroke(Black, 0.25), stroke(Grey, 0.2)
		a.Tick.Length = millimetres(1)
		a.Tick.Marker = ticks{most: int(most), cases: s.cases}
		number := a.Tick.Label
		a.Tick.Label = c.paper.style(tickType, Grey)
		a.Tick.Label.XAlign, a.Tick.Label.YAlign = number.XAlign, number.YAlign
		a.Label.Text, a.Label.Padding = s.name, millimetres(0.3)
		a.Label.TextStyle = c.paper.style(smallType, Grey)
		a.Label.TextStyle.XAlign = draw.XCenter
	}
	set(&c.X, x, (width-chartLeft-chartRight)/tickWide)
	set(&c.Y, y, (height-chartTop-legendRow-legendGap-chartBottom)/tickHigh)
	return c
}

// named adds a plotter with an entry of the legend that shows it, and others
// over it.
func (c *chart) named(text string, p interface {
	plot.Plotter
	plot.Thumbnailer
}, over ...plot.Thumbnailer) {
	c.Add(p)
	c.explain(text, append([]plot.Thumbnailer{p}, over...)...)
}

// explain adds an entry to the legend.
func (c *chart) explain(text string, marks ...plot.Thumbnailer) {
	l := plot.NewLegend()
	l.Top, l.Left = true, true
	l.TextStyle = c.paper.style(legendType, Black)
	l.ThumbnailWidth = millimetres(legendMark)
	l.Add(text, marks...)
	c.legend = append(c.legend, l)
}

// rows places the legend's entries in rows of a width and gives their number.
func (c *chart) rows(area draw.Canvas) int {
	rows, x := 1, vg.Length(0)
	for i := range c.legend {
		l := &c.legend[i]
		width := l.Rectangle(area).Size().X
		if x > 0 && x+width > area.Size().X {
			x, rows = 0, rows+1
		}
		l.XOffs, l.YOffs = x, -millimetres(legendRow)*vg.Length(rows-1)
		x += width + millimetres(legendStep)
	}
	return rows
}

// placeLegend gives the part of an area that the legend takes, at its top. The
// legend begins where the field does, or at the edge of the paper where that saves
// a row.
func (c *chart) placeLegend(area draw.Canvas) draw.Canvas {
	over := draw.Crop(area, millimetres(chartLeft), 0, 0, 0)
	whole := draw.Crop(area, millimetres(chartTop), 0, 0, 0)
	if c.rows(whole) < c.rows(over) {
		over = whole
	}
	over.Min.Y = over.Max.Y - millimetres(legendRow)*vg.Length(c.rows(over))
	return over
}

// draw draws the chart.
func (c *chart) draw(alt string) Drawing {
	area := draw.Crop(draw.New(c.paper), 0, -millimetres(chartRight), 0, -millimetres(chartTop))
	over := c.placeLegend(area)
	area.Max.Y = over.Min.Y - millimetres(legendGap)
	area.Min.X += max(0, millimetres(chartLeft)-c.DataCanvas(area).Min.X)
	c.Draw(area)
	for _, l := range c.legend {
		l.Draw(over)
	}
	c.paper.out.Alt = alt
	return c.paper.out
}

// dot is a case.
func dot(at Point) []Path {
	return []Path{{Points: circle(at, 0.75), Closed: true, Fill: Achieved}}
}

// far is a ring about a case that lies far from the others.
func far(at Point) []Path {
	return []Path{{Points: circle(at, 1.7), Closed: true, Stroke: Black, Width: 0.25}}
}

// warning is a triangle that points up, filled.
func warning(at Point) []Path {
	return []Path{{Points: []Point{{at.X - 1.3, at.Y + 0.9}, {at.X + 1.3, at.Y + 0.9}, {at.X, at.Y - 1.4}}, Closed: true, Fill: Black}}
}

// miss is an upright cross turned by an eighth.
func miss(at Point) []Path {
	return []Path{line(at.X-0.9, at.Y-0.9, at.X+0.9, at.Y+0.9, 0.35, Black), line(at.X-0.9, at.Y+0.9, at.X+0.9, at.Y-0.9, 0.35, Black)}
}

// The lines of charts. Each has a pattern of its own, so that none needs colour.
var (
	curveStyle  = stroke(Black, 0.5)
	runStyle    = stroke(Achieved, 0.45)
	dashedStyle = stroke(Achieved, 0.45, 1.6, 0.9)
	targetStyle = stroke(Planned, 0.35, 2.4, 1.4)
	limitStyle  = stroke(Black, 0.3, 0.5, 0.9)
)

// CasePoint is one case on a chart.
type CasePoint struct {
	Case int
	Name string  // of the case, shown where it is far from the others
	Y, U float64 // figure and its standard uncertainty
	Far  bool    // an outlier
}

// Span is a range of values with its name.
type Span struct {
	Low, High float64
	Name      string
}

// CurveChart shows a figure case by case, with what learning makes of it.
type CurveChart struct {
	Name, Unit string
	Points     []CasePoint
	Last       int          // case at the right edge, at least the last point's
	Curve      []float64    // level at cases 1, 2, …; nil without a curve
	Band       [][2]float64 // its 95 % band, as long as Curve, or nil
	Plateau    *float64
	Level      *float64 // the mean, where there is no curve
	Published  []Span
	Alt        string
}

// normal95 is how many standard uncertainties the bars of a case reach: the
// 97.5 % point of the normal distribution.
const normal95 = 1.959964

// Draw draws the chart at a size in mm of paper.
func (c CurveChart) Draw(width, height float64) Drawing {
	high, last := 0.0, c.Last
	for _, p := range c.Points {
		high = max(high, p.Y+normal95*p.U)
		last = max(last, p.Case)
	}
	for _, s := range c.Published {
		high = max(high, s.High)
	}
	// The band is wide where cases are few; it may take the upper third.
	seen := high
	for _, b := range c.Band {
		high = max(high, min(b[1], 1.5*seen))
	}
	out := newChart(width, height, casesFrom(1, last, inOrder), scale{name: c.Name + ", " + c.Unit, high: high * 1.03})
	out.Add(grid{})

	var cases, outliers plotter.XYs
	names := texts{style: out.paper.style(legendType, Black)}
	var reach bars
	for _, p := range c.Points {
		at := plotter.XY{X: float64(p.Case), Y: p.Y}
		cases = append(cases, at)
		if p.Far {
			outliers = append(outliers, at)
			names.values, names.words = append(names.values, at), append(names.words, p.Name)
		}
		if p.U > 0 {
			reach = append(reach, struct{ x, low, high float64 }{at.X, p.Y - normal95*p.U, p.Y + normal95*p.U})
		}
	}
	dots := marks{values: cases, sign: dot, shows: func(i int, at vg.Point) {
		p := c.Points[i]
		out.paper.out.spottedAt(p.Name, fmt.Sprintf("%s: %.2f %s", p.Name, p.Y, c.Unit), out.paper.toPaper.apply(at))
	}}
	out.explain("case, bar 95 %", reach, dots)
	for _, s := range c.Published {
		out.named(s.Name, hatching{s.Low, s.High})
	}
	if len(c.Curve) > 0 {
		if len(c.Band) == len(c.Curve) {
			n := len(c.Band)
			ring := make(plotter.XYs, 2*n)
			for i, b := range c.Band {
				ring[i], ring[2*n-1-i] = plotter.XY{X: float64(i + 1), Y: b[1]}, plotter.XY{X: float64(i + 1), Y: b[0]}
			}
			out.named("95 % of curve", &plotter.Polygon{XYs: []plotter.XYs{ring}, Color: shade})
		}
		out.named("fitted curve", trace{fromCase(1, c.Curve), curveStyle})
	}
	if c.Plateau != nil {
		out.named("plateau "+wording.Of(*c.Plateau, c.Unit), level{*c.Plateau, targetStyle})
	}
	if c.Level != nil {
		out.named("mean "+wording.Of(*c.Level, c.Unit), level{*c.Level, targetStyle})
	}
	out.Add(reach, dots, marks{values: outliers, sign: far}, names)
	return out.draw(c.Alt)
}

// shade is the fill of a band of confidence.
const shade Ink = "#d5e1ec"

// fromCase are values of cases in a row.
func fromCase(first int, values []float64) plotter.XYs {
	out := make(plotter.XYs, len(values))
	for i, v := range values {
		out[i] = plotter.XY{X: float64(first + i), Y: v}
	}
	return out
}

// sumsFrom are running sums of cases in a row, which begin at zero.
func sumsFrom(first int, sums []float64, sign float64) plotter.XYs {
	out := plotter.XYs{{X: float64(first - 1)}}
	for _, at := range fromCase(first, sums) {
		out = append(out, plotter.XY{X: at.X, Y: sign * at.Y})
	}
	return out
}

// SumChart is a two-sided CUSUM: the upper sums over zero, the lower ones under
// it, all in standard deviations.
type SumChart struct {
	Name          string
	First         int // case of the first sum
	Above, Below  []float64
	Limit         float64
	Worse, Better int // cases of the first signals; 0 = none
	Signed        bool
	Alt           string
}

// Draw draws the chart at a size in mm of paper.
func (c SumChart) Draw(width, height float64) Drawing {
	most := c.Limit
	for i := range c.Above {
		most = max(most, c.Above[i], c.Below[i])
	}
	last := c.First + len(c.Above) - 1
	out := newChart(width, height, casesFrom(c.First, last, inOrder), scale{name: "sum", low: -most * 1.05, high: most * 1.05})
	out.Add(grid{})
	up, down := "worse", "better"
	if c.Signed {
		up, down = "deeper", "shallower"
	}
	out.Add(level{-c.Limit, limitStyle}, level{0, stroke(Grey, 0.2)})
	above, below := sumsFrom(c.First, c.Above, 1), sumsFrom(c.First, c.Below, -1)
	out.named(up, trace{above, runStyle})
	out.named(down, trace{below, dashedStyle})
	out.named("limit", level{c.Limit, limitStyle})
	signals := marks{sign: warning}
	for _, s := range []struct {
		at   int
		sums plotter.XYs
	}{{c.Worse, above}, {c.Better, below}} {
		if i := s.at - c.First + 1; s.at > 0 && i > 0 && i < len(s.sums) {
			signals.values = append(signals.values, s.sums[i])
		}
	}
	out.named("signal", signals)
	return out.draw(c.Alt)
}

// MeanChart is an EWMA chart.
type MeanChart struct {
	Name, Unit       string
	First            int
	Value, Low, High []float64
	Target           float64
	Alt              string
}

// Draw draws the chart at a size in mm of paper.
func (c MeanChart) Draw(width, height float64) Drawing {
	low, high := c.Target, c.Target
	for i := range c.Value {
		low, high = min(low, c.Value[i], c.Low[i]), max(high, c.Value[i], c.High[i])
	}
	pad := (high - low) * 0.05
	last := c.First + len(c.Value) - 1
	out := newChart(width, height, casesFrom(c.First, last, inOrder), scale{name: "moving mean, " + c.Unit, low: low - pad, high: high + pad})
	out.Add(grid{})
	run := fromCase(c.First, c.Value)
	outside := marks{sign: warning}
	for i, v := range c.Value {
		if v < c.Low[i] || v > c.High[i] {
			outside.values = append(outside.values, run[i])
		}
	}
	out.Add(trace{fromCase(c.First, c.Low), limitStyle})
	limits := trace{fromCase(c.First, c.High), limitStyle}
	mean, target := trace{run, runStyle}, level{c.Target, targetStyle}
	out.Add(limits, target, mean, outside)
	out.explain("moving mean", mean)
	out.explain("target", target)
	out.explain("limits", limits)
	if len(outside.values) > 0 {
		out.explain("outside", outside)
	}
	return out.draw(c.Alt)
}

// ScoreChart is a learning-curve CUSUM of outcomes.
type ScoreChart struct {
	Score   []float64
	Success []bool
	Limit   float64
	Signal  int // fixture at which it is shown that the share outside is small; 0 = not yet
	Alt     string
}

// Draw draws the chart at a size in mm of paper.
func (c ScoreChart) Draw(width, height float64) Drawing {
	most := c.Limit
	for _, v := range c.Score {
		most = max(most, v)
	}
	out := newChart(width, height, casesFrom(1, len(c.Score), "fixture, in the order of surgery"), scale{name: "score", high: most * 1.05})
	out.Add(grid{})
	run := sumsFrom(1, c.Score, 1)
	misses := marks{sign: miss}
	for i, ok := range c.Success {
		if !ok && i < len(c.Score) {
			misses.values = append(misses.values, run[i+1])
		}
	}
	score, enough := trace{run, runStyle}, level{c.Limit, limitStyle}
	out.Add(enough)
	out.named("score", score)
	out.explain("enough to show it", enough)
	out.named("outside the limits", misses)
	if c.Signal > 0 && c.Signal <= len(c.Score) {
		out.named("shown", marks{values: run[c.Signal : c.Signal+1], sign: warning})
	}
	return out.draw(c.Alt)
}
