package drawing

import (
	"fmt"
	"math"
	"slices"
)

// CaseView is one fixture of a record, drawn small beside its plan in the plane in which
// its apex went astray.
type CaseView struct {
	Case, Name    string     // Name is what stands under it
	Length, Width float64    // of the planned fixture, mm
	Entry, Apex   [2]float64 // mm from the planned ends: across, towards where the apex went; along, + deeper
	Mark          string     // of a breach or a doubt, in front of the name; "" where there is none
	Instead       string     // what stands in place of a fixture without figures, in a word or two
}

// Record is every fixture of a record in the order of surgery, to one scale.
type Record struct {
	Cases []CaseView
	Alt   string
}

// Layout of a record on paper, mm.
const (
	recordSlot  = 170.0 / 14 // width of a slot
	recordScale = 0.62
	recordHead  = 2.2 // over a planned platform: 3.5 mm of the patient
	recordFoot  = 2.4 // under a planned apex
	recordName  = 2.9
	recordType  = 2.1
	longest     = 12.0 // of a fixture that gives a row its height, mm; a longer one gives it more
	nameLetters = 9    // that a slot holds
)

// In a row, on paper and on a narrow screen.
const (
	RecordSlots       = 14
	NarrowRecordSlots = 7
)

// Draw draws the record with so many cases in a row at most.
func (r Record) Draw(across int) Drawing {
	rows := (len(r.Cases) + across - 1) / across
	inRow := (len(r.Cases) + rows - 1) / max(1, rows) // so that no case stands alone in the last
	long := longest
	for _, c := range r.Cases {
		long = max(long, c.Length)
	}
	slot, high := recordSlot, recordHead+long*recordScale+recordFoot+recordName
	out := Drawing{Width: slot * float64(across), Height: float64(rows) * high, Alt: r.Alt}
	for i, c := range r.Cases {
		x, y := (float64(i%inRow)+0.5)*slot, float64(i/inRow)*high
		c.draw(&out, Point{x, y + recordHead}, y+high-1.0)
		says := c.Name
		if c.Instead != "" {
			says += ": " + c.Instead
		}
		out.spotted(c.Case, says, Point{x - slot/2, y}, Point{x + slot/2, y + high})
	}
	return out
}

// draw draws a fixture with the planned platform's centre at a point of the paper, and its
// name on a line under it.
func (c CaseView) draw(out *Drawing, at Point, line float64) {
	name := label(at.X, line, recordType, Middle, clipped(c.Name, nameLetters))
	name.Ink = Grey
	if c.Mark != "" {
		name.Text, name.Ink, name.Bold = c.Mark+" "+name.Text, Black, true
	}
	out.add(name)
	if c.Instead != "" {
		word := label(at.X, at.Y+longest*recordScale/2, recordType, Middle, c.Instead)
		word.Bold = c.Mark != ""
		out.add(word)
		return
	}
	on := func(across, along float64) Point { return Point{at.X + across*recordScale, at.Y + along*recordScale} }
	body := func(entry, apex [2]float64) []Point {
		far := math.Hypot(apex[0]-entry[0], apex[1]-entry[1])
		if far == 0 {
			return nil
		}
		a := [2]float64{(apex[0] - entry[0]) / far, (apex[1] - entry[1]) / far}
		corner := func(across, along float64) Point {
			return on(entry[0]+a[0]*along+a[1]*across, entry[1]+a[1]*along-a[0]*across)
		}
		w := c.Width / 2
		return []Point{corner(-w, 0), corner(w, 0), corner(w, far-w*0.6), corner(w*0.55, far), corner(-w*0.55, far), corner(-w, far-w*0.6)}
	}
	entry, apex := c.Entry, [2]float64{c.Apex[0], c.Length + c.Apex[1]}
	out.add(
		Path{Points: body([2]float64{}, [2]float64{0, c.Length}), Closed: true, Stroke: Planned, Width: 0.25, Dash: []float64{0.8, 0.5}},
		Path{Points: body(entry, apex), Closed: true, Stroke: Achieved, Width: 0.35},
		Path{Points: []Point{on(entry[0], entry[1]), on(apex[0], apex[1])}, Stroke: Achieved, Width: 0.2})
}

// clipped is a name in so many letters at most.
func clipped(name string, letters int) string {
	if r := []rune(name); len(r) > letters {
		return string(r[:letters-1]) + "…"
	}
	return name
}

// scale1 is a stretch of paper that stands for a range of values, y down.
type scale1 struct {
	low, high   float64
	top, bottom float64 // mm of paper
}

func (s scale1) at(v float64) float64 {
	return s.bottom - (s.bottom-s.top)*(min(max(v, s.low), s.high)-s.low)/(s.high-s.low)
}

// Layout of the charts with a slot for each case, mm.
const (
	slotsLeft  = 9.0
	slotsField = 25.0 // height
	slotsTop   = 5.5  // legend of one row
	slotsRow   = 3.8  // each row more
	slotsNames = 11.0 // turned, under the field
	widestSlot = 12.0
	leastSlot  = 2.6 // of a slot that has room for a turned name
)

// slots is a chart with a slot for each case in the order of surgery.
type slots struct {
	Drawing
	scale1
	each float64
}

// Widths of charts, mm: on paper, and where a screen is narrow, so that type of the same
// height stays large enough to be read.
const (
	ChartWidth       = 168.0
	NarrowChartWidth = 84.0
)

// newSlots opens a chart of n cases for a range of values in a unit, with a legend over the
// field.
func newSlots(n int, low, high, width float64, alt string, entries ...legendEntry) *slots {
	c := &slots{Drawing: Drawing{Width: width, Alt: alt}}
	top := slotsTop + c.legend(entries)
	c.Height = top + slotsField + slotsNames
	c.scale1 = scale1{low, high, top, top + slotsField}
	c.each = min((width-slotsLeft-1)/float64(n), widestSlot)
	step := math.Pow(10, math.Floor(math.Log10((high-low)/2)))
	for (high-low)/step > 8 {
		step *= 2
	}
	for v := math.Ceil(low/step) * step; v <= high+step/1000; v += step {
		y := c.at(v)
		c.add(line(slotsLeft, y, slotsLeft+c.each*float64(n), y, 0.12, Faint))
		l := label(slotsLeft-1.2, y+0.85, 2.3, End, fmt.Sprintf("%g", math.Round(v*1e6)/1e6+0))
		l.Ink = Grey
		c.add(l)
	}
	unit := label(0, slotsTop-2.2, 2.3, Start, "mm")
	unit.Ink = Grey
	c.add(unit)
	return c
}

// middle is the middle of a slot.
func (c *slots) middle(i int) float64 { return slotsLeft + (float64(i)+0.5)*c.each }

// slot notes that a slot shows a case.
func (c *slots) slot(i int, of, says string) {
	x := c.middle(i)
	c.spotted(of, says, Point{x - c.each/2, c.top}, Point{x + c.each/2, c.bottom})
}

// caseName writes a case's name under its slot; where slots are narrow, only those that stand
// out have one.
func (c *slots) caseName(i int, text string, strong bool) {
	if c.each < leastSlot && !strong {
		return
	}
	l := label(c.middle(i)+0.75, c.bottom+1.4, 2.1, End, clipped(text, nameLetters))
	l.Turned, l.Bold, l.Ink = true, strong, Grey
	if strong {
		l.Ink = Black
	}
	c.add(l)
}

// legend adds entries in rows over the field: what draw draws from a place on, and words. It
// gives the height of the rows after the first.
func (c *slots) legend(entries []legendEntry) float64 {
	x, y := slotsLeft, slotsTop
	for _, e := range entries {
		wide := e.wide + 1.2 + 1.32*float64(len([]rune(e.text)))
		if x > slotsLeft && x+wide > c.Width {
			x, y = slotsLeft, y+slotsRow
		}
		c.add(e.mark(x, y-3.0)...)
		c.add(label(x+e.wide+1.2, y-2.2, 2.4, Start, e.text))
		x += wide + 4
	}
	return y - slotsTop
}

type legendEntry struct {
	text string
	wide float64
	mark func(x, y float64) []Item
}

// ClearancePoint is a fixture's clearance to its nearest structure of a kind.
type ClearancePoint struct {
	Case, Name        string
	Planned, Achieved float64  // mm
	Margin            *float64 // asked for
	Breach            bool
}

// ClearanceChart shows by how much a kind of structure was cleared in every case: an arrow
// from planned to achieved, with the margin.
type ClearanceChart struct {
	Points []ClearancePoint
	Alt    string
}

// FarClearance, mm, is as far as a chart of clearances goes: who is farther off is not near.
const FarClearance = 8.0

// Far reports whether every fixture lies beyond the chart, as planned and as placed.
func (c ClearanceChart) Far() bool {
	return !slices.ContainsFunc(c.Points, func(p ClearancePoint) bool { return min(p.Planned, p.Achieved) <= FarClearance })
}

// Cut reports whether a fixture is drawn at the chart's edge, as it lies beyond it.
func (c ClearanceChart) Cut() bool {
	return slices.ContainsFunc(c.Points, func(p ClearancePoint) bool {
		return max(math.Abs(p.Planned), math.Abs(p.Achieved)) > FarClearance
	})
}

// Draw draws the chart at a width in mm of paper.
func (c ClearanceChart) Draw(width float64) Drawing {
	low, high := 0.0, 1.0
	for _, p := range c.Points {
		low = min(low, p.Planned, p.Achieved)
		high = max(high, p.Planned, p.Achieved)
		if p.Margin != nil {
			high = max(high, *p.Margin)
		}
	}
	out := newSlots(len(c.Points), max(math.Floor(low*2)/2, -FarClearance), min(math.Ceil(high*2)/2, FarClearance), width, c.Alt,
		legendEntry{"planned → placed", 5, func(x, y float64) []Item {
			return []Item{line(x, y, x+3.4, y, 0.35, Achieved), head(Point{x + 5, y}, 1, 0, Achieved)}
		}},
		legendEntry{"margin not kept", 5, func(x, y float64) []Item {
			return []Item{line(x, y, x+3.4, y, 0.7, Black), head(Point{x + 5, y}, 1, 0, Black)}
		}},
		legendEntry{"margin", 5, func(x, y float64) []Item { return []Item{line(x, y, x+5, y, 0.35, Black, 0.9, 0.6)} }},
		legendEntry{"surface of the structure; below it, inside", 5, func(x, y float64) []Item { return []Item{line(x, y, x+5, y, 0.5, Black)} }})
	end := slotsLeft + out.each*float64(len(c.Points))
	if low < 0 {
		inside := rectangle(slotsLeft, out.at(0), end-slotsLeft, out.bottom-out.at(0))
		inside.Fill = Wash
		out.add(inside)
	}
	out.add(line(slotsLeft, out.at(0), end, out.at(0), 0.5, Black))
	for i, p := range c.Points {
		x := out.middle(i)
		if p.Margin != nil {
			y := out.at(*p.Margin)
			out.add(line(x-out.each/2, y, x+out.each/2, y, 0.35, Black, 0.9, 0.6))
		}
		out.add(arrow(x, out.at(p.Planned), out.at(p.Achieved), p.Breach)...)
		out.slot(i, p.Case, fmt.Sprintf("%s: planned %.1f, placed %.1f mm", p.Name, p.Planned, p.Achieved))
		out.caseName(i, p.Name, p.Breach)
	}
	return out.Drawing
}

// arrow is an upright arrow from a ring to a head.
func arrow(x, from, to float64, strong bool) []Item {
	ink, width := Achieved, 0.35
	if strong {
		ink, width = Black, 0.7
	}
	way := 1.0
	if to < from {
		way = -1
	}
	out := []Item{Path{Points: circle(Point{x, from}, 0.55), Closed: true, Stroke: Planned, Fill: White, Width: 0.25}}
	if math.Abs(to-from) > 1.6 {
		out = append(out, line(x, from+0.55*way, x, to-1.5*way, width, ink))
	}
	return append(out, head(Point{x, to}, 0, way, ink))
}

// head is the head of an arrow that ends at a point.
func head(at Point, dx, dy float64, ink Ink) Path {
	back := Point{at.X - 1.7*dx, at.Y - 1.7*dy}
	return Path{Points: []Point{at, {back.X - 0.75*dy, back.Y + 0.75*dx}, {back.X + 0.75*dy, back.Y - 0.75*dx}}, Closed: true, Fill: ink}
}

// SharePoint is what the plan left over the margin of a fixture's tightest clearance, and
// what was gained or lost between plan and placement; mm.
type SharePoint struct {
	Case, Name     string
	Plan, Transfer float64
	Breach         bool
}

// ShareChart shows plan and transfer beside each other in every case.
type ShareChart struct {
	Points []SharePoint
	Alt    string
}

// Draw draws the chart at a width in mm of paper.
func (c ShareChart) Draw(width float64) Drawing {
	low, high := -0.5, 0.5
	for _, p := range c.Points {
		low, high = min(low, p.Plan, p.Transfer), max(high, p.Plan, p.Transfer)
	}
	box := func(fill, edge Ink) func(x, y float64) []Item {
		return func(x, y float64) []Item {
			r := rectangle(x, y-1.1, 2, 2.2)
			r.Fill, r.Stroke, r.Width = fill, edge, 0.3
			return []Item{r}
		}
	}
	out := newSlots(len(c.Points), max(math.Floor(low*2)/2, -FarClearance), min(math.Ceil(high*2)/2, FarClearance), width, c.Alt,
		legendEntry{"what the plan left over the margin", 2, box(White, Planned)},
		legendEntry{"what placing added (+) or took away (−)", 2, box(Achieved, Achieved)})
	bar := min(out.each*0.36, 2)
	for i, p := range c.Points {
		x := out.middle(i)
		plan := rectangle(x-bar, min(out.at(0), out.at(p.Plan)), bar, math.Abs(out.at(p.Plan)-out.at(0)))
		plan.Stroke, plan.Fill, plan.Width = Planned, White, 0.3
		transfer := rectangle(x, min(out.at(0), out.at(p.Transfer)), bar, math.Abs(out.at(p.Transfer)-out.at(0)))
		transfer.Fill = Achieved
		out.add(plan, transfer)
		out.slot(i, p.Case, fmt.Sprintf("%s: plan %+.1f, placing %+.1f mm", p.Name, p.Plan, p.Transfer))
		out.caseName(i, p.Name, p.Breach)
	}
	out.add(line(slotsLeft, out.at(0), slotsLeft+out.each*float64(len(c.Points)), out.at(0), 0.4, Black))
	return out.Drawing
}

// StripDot is a case on a strip; Low and High are its 95 % interval, equal where there is
// none.
type StripDot struct {
	Name             string
	Value, Low, High float64
}

// Strip shows a figure of a few cases on one ruler from zero, a line a case.
type Strip struct {
	Unit string
	Dots []StripDot
	Alt  string
}

// Draw draws the strip.
func (s Strip) Draw() Drawing {
	const left, right, row = 24.0, 4.0, 4.4
	full := 0.0
	for _, d := range s.Dots {
		full = GaugeFull(s.Unit, full, d.Value, d.High)
	}
	foot := 1.5 + row*float64(len(s.Dots))
	out := Drawing{Width: 82, Height: foot + 6, Alt: s.Alt}
	x := func(v float64) float64 { return left + (out.Width-left-right)*v/full }
	for i := range 5 {
		v := full * float64(i) / 4
		out.add(line(x(v), 1, x(v), foot+1.2, 0.15, Faint))
		l := label(x(v), foot+4.6, 2.3, Middle, fmt.Sprintf("%g", v))
		l.Ink = Grey
		out.add(l)
	}
	out.add(line(left, foot, out.Width-right, foot, 0.25, Grey))
	for i, d := range s.Dots {
		y := 1.5 + row*(float64(i)+0.5)
		out.add(label(left-2, y+0.9, smallType, End, clipped(d.Name, 15)))
		if d.High > d.Low {
			out.add(line(x(d.Low), y, x(d.High), y, 0.5, Achieved))
		}
		out.add(entryMark(Point{x(d.Value), y}))
		out.spottedAt(d.Name, fmt.Sprintf("%s: %.2f %s", d.Name, d.Value, s.Unit), Point{x(d.Value), y})
	}
	return out
}
