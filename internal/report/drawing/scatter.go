package drawing

import (
	"math"

	"gonum.org/v1/plot/plotter"
)

// Region is an ellipse on a scatter: centre and half axes in mm, the longer
// turned by Turn degrees from mesial towards buccal.
type Region struct {
	Mesial, Buccal float64
	Long, Short    float64
	Turn           float64
}

// Scatter is the plot of all cases at one end of the fixture: mesial to
// the right and buccal up at every site, whichever side it is on.
type Scatter struct {
	Shots      [][2]float64 // mesial and buccal, mm
	Mean, Next *Region      // 95 % regions of the mean and of the next case; nil without
	Apex       bool
	Alt        string
}

const scatterSide = 54.0 // of the square, mm of paper

// Draw draws the plot.
func (s Scatter) Draw() Drawing {
	reach := 1.0
	var shots plotter.XYs
	for _, p := range s.Shots {
		reach = max(reach, math.Hypot(p[0], p[1]))
		shots = append(shots, plotter.XY{X: p[0], Y: p[1]})
	}
	if s.Next != nil {
		reach = max(reach, math.Hypot(s.Next.Mesial, s.Next.Buccal)+s.Next.Long)
	}
	step := 0.5 // of the reach, mm
	if reach > 2 {
		step = 1
	}
	reach = math.Ceil(reach/step+0.1) * step
	out := newChart(chartLeft+scatterSide+chartRight, chartTop+2*legendRow+legendGap+scatterSide+chartBottom,
		scale{name: "mesial (+) or distal (−), mm", low: -reach, high: reach},
		scale{name: "buccal (+) or lingual (−), mm", low: -reach, high: reach})
	out.square = true
	out.Y.Tick.Marker = out.X.Tick.Marker
	out.Add(cords{})
	out.explain("plan", marks{sign: planSign})
	end := marks{shots, func(at Point) []Path { return []Path{entryMark(at)} }}
	name := "entry of a case"
	if s.Apex {
		end.sign, name = func(at Point) []Path { return []Path{apexMark(at)} }, "apex of a case"
	}
	out.named(name, end)
	if s.Mean != nil {
		out.named("mean, 95 %", trace{oval(*s.Mean), curveStyle})
	}
	if s.Next != nil {
		out.named("next case, 95 %", trace{oval(*s.Next), stroke(Black, 0.3, 1.4, 0.9)})
	}
	out.Add(marks{plotter.XYs{{}}, planMark}) // over the cases, which crowd about it
	return out.draw(s.Alt)
}
