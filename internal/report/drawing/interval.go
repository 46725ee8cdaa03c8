package drawing

import (
	"fmt"
	"math"
)

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

// GaugeFull is the end of a ruler that shows all values.
func GaugeFull(values ...float64) float64 {
	most := 0.0
	for _, v := range values {
		most = max(most, v)
	}
	for _, full := range []float64{0.5, 1, 2, 3, 5, 10, 20, 30, 60, 90} {
		if most <= full {
			return full
		}
	}
	return math.Ceil(most/100) * 100
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
		floor = fmt.Sprintf(", measurement floor %.2f", g.Floor)
		box := rectangle(left, y-2.2, x(g.Floor)-left, 4.4)
		box.Fill = Faint
		out.add(box)
	}
	out.Alt = fmt.Sprintf("%s %.2f %s, 95 %% interval %.2f to %.2f%s, on a ruler from 0 to %g %s.",
		g.Name, g.Value, g.Unit, g.Low, g.High, floor, g.Full, g.Unit)
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
