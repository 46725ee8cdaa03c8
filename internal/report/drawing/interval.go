package drawing

import "fmt"

// Gauge shows one length or angle with its 95 % interval over a ruler from zero,
// and the floor under which it could not be told from zero.
type Gauge struct {
	Name       string
	Value      float64
	Low, High  float64
	Floor      float64 // 0 = none
	Unit       string  // "mm" or "°"
	Full       float64 // of the ruler; see GaugeFull
	GaugeWidth float64 // mm of paper; 0 = 52
}

// usualFull is where a ruler ends by its unit, in all reports whose figures it holds, so
// that two can be laid side by side: past nearly every published single case.
var usualFull = map[string]float64{"mm": 3, "°": 10}

// GaugeFull is the end of a ruler in a unit that shows all values: the usual one, or that
// doubled until it does.
func GaugeFull(unit string, values ...float64) float64 {
	full := usualFull[unit]
	for _, v := range values {
		for v > full {
			full *= 2
		}
	}
	return full
}

// of words a value with its unit; angles to a tenth of a degree.
func (g Gauge) of(v float64) string {
	if g.Unit == "°" {
		return fmt.Sprintf("%.1f°", v)
	}
	return fmt.Sprintf("%.2f %s", v, g.Unit)
}

// Draw draws the gauge.
func (g Gauge) Draw() Drawing {
	w := g.GaugeWidth
	if w == 0 {
		w = 52
	}
	left, right := 1.5, w-3
	x := func(v float64) float64 { return left + (right-left)*min(v/g.Full, 1) }
	out := Drawing{Width: w, Height: 10.5}
	floor := ""
	y := 4.0
	if g.Floor > 0 {
		floor = ", seen from " + g.of(g.Floor)
		box := rectangle(left, y-2.2, x(g.Floor)-left, 4.4)
		box.Fill = Faint
		out.add(box)
	}
	out.Alt = fmt.Sprintf("%s %s, 95 %% interval %s to %s%s, on a ruler from 0 to %g.", g.Name, g.of(g.Value), g.of(g.Low), g.of(g.High), floor, g.Full)
	out.add(line(left, y, right, y, 0.2, Grey))
	step := g.Full / 4
	for i := 0; i <= 4; i++ {
		at := x(float64(i) * step)
		out.add(line(at, y, at, y+1.4, 0.2, Grey))
		if i%2 == 0 {
			l := label(at, y+4.8, 2.4, Middle, fmt.Sprintf("%g", float64(i)*step))
			l.Ink = Grey
			if i == 0 {
				l.Anchor, l.At.X = Start, left-0.7
			}
			out.add(l)
		}
	}
	out.add(line(x(g.Low), y, x(g.High), y, 0.9, Achieved),
		line(x(g.Low), y-1.5, x(g.Low), y+1.5, 0.35, Achieved), line(x(g.High), y-1.5, x(g.High), y+1.5, 0.35, Achieved),
		entryMark(Point{x(g.Value), y}))
	return out
}
