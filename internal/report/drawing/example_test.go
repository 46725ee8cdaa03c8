package drawing_test

import (
	"bytes"
	"fmt"
	"strings"

	"plumbline/internal/report/drawing"
)

// Draws a learning curve as SVG.
func ExampleCurveChart() {
	chart := drawing.CurveChart{
		Name: "entry deviation", Unit: "mm", Last: 3,
		Points: []drawing.CasePoint{{Case: 1, Y: 1.8, U: 0.1}, {Case: 2, Y: 1.2, U: 0.1}, {Case: 3, Y: 0.9, U: 0.1}},
		Curve:  []float64{1.75, 1.25, 0.9},
		Alt:    "Entry deviation case by case, falling from 1.8 to 0.9 mm.",
	}
	var svg bytes.Buffer
	picture := chart.Draw(168, 56)
	if err := picture.SVG(&svg); err != nil {
		fmt.Println(err)
		return
	}
	head, _, _ := strings.Cut(svg.String(), "><")
	fmt.Println(head)
	fmt.Println(strings.Contains(svg.String(), ">fitted curve</text>"))
	// Output:
	// <svg viewBox="0 0 168 56" role="img" aria-label="Entry deviation case by case, falling from 1.8 to 0.9 mm."
	// true
}

// Draws where the entries of three cases lie about the plan, and lists the texts
// of the drawing: its axes, then what its marks mean.
func ExampleScatter() {
	plot := drawing.Scatter{Shots: [][2]float64{{0.4, 0.2}, {-0.3, 0.1}, {0.8, -0.5}}}
	var texts []string
	for _, item := range plot.Draw().Items {
		if label, ok := item.(drawing.Label); ok {
			texts = append(texts, label.Text)
		}
	}
	fmt.Println(strings.Join(texts, " | "))
	// Output:
	// mesial (+) or distal (−), mm | -1.5 | -1.0 | -0.5 | 0.0 | 0.5 | 1.0 | 1.5 | buccal (+) or lingual (−), mm | -1.5 | -1.0 | -0.5 | 0.0 | 0.5 | 1.0 | 1.5 | plan | entry of a case
}
