package drawing

import (
	"fmt"
	"math"
)

// frame is the field of a chart: it maps a case and a value to paper.
type frame struct {
	out                 *Drawing
	left, top, w, h     float64 // mm
	x0, x1, y0, y1      float64
	caseStep, valueStep float64
}

// Layout of a chart on paper, mm.
const (
	chartLeft   = 12.0
	chartRight  = 2.0
	chartBottom = 9.0
	chartTop    = 8.5 // holds what the marks mean
	keyType     = 2.5
)

const inOrder = "case, in the order of surgery"

// niceStep is the step of 1, 2 or 5 times a power of ten that parts a range into
// at most n.
func niceStep(span float64, n int) float64 {
	raw := span / float64(n)
	if !(raw > 0) {
		return 1
	}
	unit := math.Pow(10, math.Floor(math.Log10(raw)))
	for _, m := range []float64{1, 2, 5, 10} {
		if m*unit >= raw*(1-1e-9) {
			return m * unit
		}
	}
	return 10 * unit
}

// newFrame opens a chart of cases first to last and values from low to high.
func newFrame(width, height float64, first, last int, low, high float64, xName, yName string) (*Drawing, *frame) {
	out := &Drawing{Width: width, Height: height}
	if high <= low {
		high = low + 1
	}
	f := &frame{out: out, left: chartLeft, top: chartTop, w: width - chartLeft - chartRight, h: height - chartTop - chartBottom,
		x0: float64(first) - 1, x1: float64(last) + 1}
	f.valueStep = niceStep(high-low, 6)
	f.y0 = math.Floor(low/f.valueStep+1e-9) * f.valueStep
	f.y1 = math.Ceil(high/f.valueStep-1e-9) * f.valueStep
	f.caseStep = max(1, niceStep(float64(last-first+1), 10))
	for v := f.y0; v <= f.y1+f.valueStep/2; v += f.valueStep {
		y := f.y(v)
		out.add(line(f.left, y, f.left+f.w, y, 0.12, Faint))
		l := label(f.left-1.2, y+0.9, 2.5, End, tidy(v, f.valueStep))
		l.Ink = Grey
		out.add(l)
	}
	for c := math.Ceil(float64(first)/f.caseStep) * f.caseStep; c <= float64(last); c += f.caseStep {
		x := f.x(c)
		out.add(line(x, f.top+f.h, x, f.top+f.h+1, 0.2, Grey))
		l := label(x, f.top+f.h+3.7, 2.5, Middle, fmt.Sprintf("%.0f", c))
		l.Ink = Grey
		out.add(l)
	}
	out.add(line(f.left, f.top+f.h, f.left+f.w, f.top+f.h, 0.25, Black))
	name := label(f.left+f.w, f.top+f.h+7.6, smallType, End, xName)
	name.Ink = Grey
	out.add(name)
	up := label(2.4, f.top+f.h/2, smallType, Middle, yName)
	up.Turned = true
	up.Ink = Grey
	out.add(up)
	return out, f
}

// tidy writes a tick's value with the digits of its step.
func tidy(v, step float64) string {
	digits := max(0, int(math.Ceil(-math.Log10(step)-1e-9)))
	s := fmt.Sprintf("%.*f", digits, v)
	if s[0] == '-' && math.Abs(v) < step/2 {
		return s[1:]
	}
	return s
}

func (f *frame) x(c float64) float64 { return f.left + (c-f.x0)/(f.x1-f.x0)*f.w }
func (f *frame) y(v float64) float64 { return f.top + (f.y1-v)/(f.y1-f.y0)*f.h }

// inside puts items behind the edges of the field.
func (f *frame) inside(items ...Item) {
	f.out.add(Clip{Min: Point{f.left, f.top}, Width: f.w, Height: f.h, Items: items})
}

// hatched fills a band of values with slanted lines, which tell it from a
// shaded one without colour.
func (f *frame) hatched(low, high float64) {
	top, bottom := f.y(min(high, f.y1)), f.y(max(low, f.y0))
	if bottom <= top {
		return
	}
	var lines []Item
	for x := f.left - (bottom - top); x < f.left+f.w; x += 1.8 {
		lines = append(lines, line(x, bottom, x+(bottom-top), top, 0.12, Grey))
	}
	f.out.add(Clip{Min: Point{f.left, top}, Width: f.w, Height: bottom - top, Items: lines},
		line(f.left, top, f.left+f.w, top, 0.12, Grey), line(f.left, bottom, f.left+f.w, bottom, 0.12, Grey))
}

// key explains marks above the field, from the left.
type key struct {
	text string
	draw func(x, y float64) []Item
}

func (f *frame) keys(list ...key) {
	x, y := f.left, 3.6
	for _, k := range list {
		f.out.add(k.draw(x, y-0.9)...)
		f.out.add(label(x+6.6, y, keyType, Start, k.text))
		// A letter is at most 0.56 of its height wide on average, in the PDF's
		// type and in those of browsers.
		x += 6.6 + 0.56*keyType*float64(len([]rune(k.text))) + 2.4
	}
}

func lineKey(text string, ink Ink, width float64, dash ...float64) key {
	return key{text: text, draw: func(x, y float64) []Item { return []Item{line(x, y, x+5.6, y, width, ink, dash...)} }}
}

func markKey(text string, mark func(Point) []Item) key {
	return key{text: text, draw: func(x, y float64) []Item { return mark(Point{x + 2.8, y}) }}
}

func swatchKey(text string, hatch bool) key {
	return key{text: text, draw: func(x, y float64) []Item {
		box := rectangle(x, y-1.3, 5.6, 2.6)
		if !hatch {
			box.Fill = shade
			return []Item{box}
		}
		items := []Item{}
		for dx := -2.6; dx < 5.6; dx += 1.4 {
			items = append(items, line(x+dx, y+1.3, x+dx+2.6, y-1.3, 0.12, Grey))
		}
		return []Item{Clip{Min: Point{x, y - 1.3}, Width: 5.6, Height: 2.6, Items: items}}
	}}
}

// shade is the fill of a band of confidence.
const shade Ink = "#d5e1ec"

// dot is a case.
func dot(at Point) Path {
	return Path{Points: circle(at, 0.75), Closed: true, Fill: Achieved}
}

// far is a ring about a case that lies far from the others.
func far(at Point) Path {
	return Path{Points: circle(at, 1.7), Closed: true, Stroke: Black, Width: 0.25}
}

// warning is a triangle that points up, filled.
func warning(at Point) Path {
	return Path{Points: []Point{{at.X - 1.3, at.Y + 0.9}, {at.X + 1.3, at.Y + 0.9}, {at.X, at.Y - 1.4}}, Closed: true, Fill: Black}
}

// CasePoint is one case on a chart.
type CasePoint struct {
	Case int
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
	out, f := newFrame(width, height, 1, last, 0, high*1.03, inOrder, c.Name+", "+c.Unit)
	out.Alt = c.Alt
	keys := []key{markKey("case, bar 95 %", func(p Point) []Item {
		return []Item{line(p.X, p.Y-1.6, p.X, p.Y+1.6, 0.25, Achieved), dot(p)}
	})}
	for _, s := range c.Published {
		f.hatched(s.Low, s.High)
		keys = append(keys, swatchKey(s.Name, true))
	}
	if len(c.Curve) > 0 {
		var curve, band []Point
		for i, v := range c.Curve {
			curve = append(curve, Point{f.x(float64(i + 1)), f.y(v)})
		}
		if len(c.Band) == len(c.Curve) {
			for i := range c.Band {
				band = append(band, Point{f.x(float64(i + 1)), f.y(c.Band[i][1])})
			}
			for i := len(c.Band) - 1; i >= 0; i-- {
				band = append(band, Point{f.x(float64(i + 1)), f.y(c.Band[i][0])})
			}
			f.inside(Path{Points: band, Closed: true, Fill: shade})
			keys = append(keys, swatchKey("95 % of curve", false))
		}
		f.inside(Path{Points: curve, Stroke: Black, Width: 0.5})
		keys = append(keys, lineKey("fitted curve", Black, 0.5))
	}
	level := func(v *float64, name string) {
		if v == nil {
			return
		}
		f.inside(line(f.left, f.y(*v), f.left+f.w, f.y(*v), 0.35, Planned, 2.4, 1.4))
		keys = append(keys, lineKey(fmt.Sprintf("%s %.2f %s", name, *v, c.Unit), Planned, 0.35, 2.4, 1.4))
	}
	level(c.Plateau, "plateau")
	level(c.Level, "mean")
	for _, p := range c.Points {
		at := Point{f.x(float64(p.Case)), f.y(p.Y)}
		if p.U > 0 {
			f.inside(line(at.X, f.y(p.Y-normal95*p.U), at.X, f.y(p.Y+normal95*p.U), 0.25, Achieved))
		}
		f.out.add(dot(at))
		if p.Far {
			f.out.add(far(at))
		}
	}
	f.keys(keys...)
	return *out
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
	out, f := newFrame(width, height, c.First, last, -most*1.05, most*1.05, inOrder, "sum, in spreads")
	out.Alt = c.Alt
	trace := func(sums []float64, sign float64, dash []float64) {
		points := []Point{{f.x(float64(c.First) - 1), f.y(0)}}
		for i, v := range sums {
			points = append(points, Point{f.x(float64(c.First + i)), f.y(sign * v)})
		}
		f.inside(Path{Points: points, Stroke: Achieved, Width: 0.45, Dash: dash})
	}
	for _, v := range []float64{-c.Limit, c.Limit} {
		f.inside(line(f.left, f.y(v), f.left+f.w, f.y(v), 0.3, Black, 0.5, 0.9))
	}
	f.inside(line(f.left, f.y(0), f.left+f.w, f.y(0), 0.2, Grey))
	short := []float64{1.6, 0.9}
	trace(c.Above, 1, nil)
	trace(c.Below, -1, short)
	for _, s := range []struct {
		at   int
		sums []float64
		sign float64
	}{{c.Worse, c.Above, 1}, {c.Better, c.Below, -1}} {
		if i := s.at - c.First; s.at > 0 && i >= 0 && i < len(s.sums) {
			f.out.add(warning(Point{f.x(float64(s.at)), f.y(s.sign * s.sums[i])}))
		}
	}
	up, down := "worse", "better"
	if c.Signed {
		up, down = "deeper", "shallower"
	}
	f.keys(lineKey(up, Achieved, 0.45), lineKey(down, Achieved, 0.45, short...), lineKey("limit", Black, 0.3, 0.5, 0.9),
		markKey("signal", func(p Point) []Item { return []Item{warning(p)} }))
	return *out
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
	out, f := newFrame(width, height, c.First, c.First+len(c.Value)-1, low-pad, high+pad, inOrder, "moving mean, "+c.Unit)
	out.Alt = c.Alt
	run := func(v []float64) []Point {
		points := make([]Point, len(v))
		for i := range v {
			points[i] = Point{f.x(float64(c.First + i)), f.y(v[i])}
		}
		return points
	}
	f.inside(Path{Points: run(c.Low), Stroke: Black, Width: 0.3, Dash: []float64{0.5, 0.9}}, Path{Points: run(c.High), Stroke: Black, Width: 0.3, Dash: []float64{0.5, 0.9}},
		line(f.left, f.y(c.Target), f.left+f.w, f.y(c.Target), 0.35, Planned, 2.4, 1.4),
		Path{Points: run(c.Value), Stroke: Achieved, Width: 0.45})
	outside := false
	for i, v := range c.Value {
		if v < c.Low[i] || v > c.High[i] {
			outside = true
			f.out.add(warning(Point{f.x(float64(c.First + i)), f.y(v)}))
		}
	}
	keys := []key{lineKey("moving mean", Achieved, 0.45), lineKey("target", Planned, 0.35, 2.4, 1.4), lineKey("limits", Black, 0.3, 0.5, 0.9)}
	if outside {
		keys = append(keys, markKey("outside", func(p Point) []Item { return []Item{warning(p)} }))
	}
	f.keys(keys...)
	return *out
}

// ScoreChart is a learning-curve CUSUM of outcomes.
type ScoreChart struct {
	Score   []float64
	Success []bool
	Limit   float64
	Signal  int // fixture at which competence is declared; 0 = not yet
	Alt     string
}

// Draw draws the chart at a size in mm of paper.
func (c ScoreChart) Draw(width, height float64) Drawing {
	most := c.Limit
	for _, v := range c.Score {
		most = max(most, v)
	}
	out, f := newFrame(width, height, 1, len(c.Score), 0, most*1.05, "fixture, in the order of surgery", "score")
	out.Alt = c.Alt
	points := []Point{{f.x(0), f.y(0)}}
	for i, v := range c.Score {
		points = append(points, Point{f.x(float64(i + 1)), f.y(v)})
	}
	f.inside(line(f.left, f.y(c.Limit), f.left+f.w, f.y(c.Limit), 0.3, Black, 0.5, 0.9), Path{Points: points, Stroke: Achieved, Width: 0.45})
	miss := func(p Point) []Item {
		return []Item{line(p.X-0.9, p.Y-0.9, p.X+0.9, p.Y+0.9, 0.35, Black), line(p.X-0.9, p.Y+0.9, p.X+0.9, p.Y-0.9, 0.35, Black)}
	}
	for i, ok := range c.Success {
		if !ok && i < len(c.Score) {
			f.out.add(miss(Point{f.x(float64(i + 1)), f.y(c.Score[i])})...)
		}
	}
	keys := []key{lineKey("score", Achieved, 0.45), lineKey("competence", Black, 0.3, 0.5, 0.9), markKey("outside the limits", miss)}
	if c.Signal > 0 && c.Signal <= len(c.Score) {
		f.out.add(warning(Point{f.x(float64(c.Signal)), f.y(c.Score[c.Signal-1])}))
		keys = append(keys, markKey("declared", func(p Point) []Item { return []Item{warning(p)} }))
	}
	f.keys(keys...)
	return *out
}
