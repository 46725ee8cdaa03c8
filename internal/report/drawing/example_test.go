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
// of the drawing: its rulers, the cases' names, then what its marks mean.
func ExampleHabit() {
	view := drawing.Habit{Shots: []drawing.NamedShot{{Name: "C-1", Mesial: 0.4, Buccal: 0.2}, {Name: "C-2", Mesial: -0.3, Buccal: 0.1}, {Name: "C-3", Mesial: 0.8, Buccal: -0.5}}}
	var texts []string
	for _, item := range view.Draw().Items {
		if label, ok := item.(drawing.Label); ok {
			texts = append(texts, label.Text)
		}
	}
	fmt.Println(strings.Join(texts, " | "))
	// Output:
	// 4 | 3 | 2 | 1 | 0 | 1 | 2 | 3 | 4 | 4 | 3 | 2 | 1 | 0 | 1 | 2 | 3 | 4 | buccal | lingual | distal | mesial | C-3 | C-1 | C-2 | plan | case | mm from the plan
}
