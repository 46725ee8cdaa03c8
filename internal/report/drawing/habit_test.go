package drawing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// A case lies at its mesial and buccal parts from the plan, and the regions about
// their centres, on both axes to one scale, which is that of a single fixture's rulers.
func TestHabitIsToScale(t *testing.T) {
	h := Habit{Shots: []NamedShot{{"C-1", 1, 0}, {"C-2", 0, 2}}, Mean: &Region{Mesial: 0.5, Buccal: 1, Long: 0.4, Short: 0.2, Turn: 30},
		Next: &Region{Long: 2.2, Short: 1}}
	d := h.Draw()
	scale := rulersSide / 2 / usualReach
	plan := Point{rulersLeft + rulersSide/2, rulersTop + rulersSide/2}
	at := func(p Point, mesial, buccal float64) {
		t.Helper()
		assert.InDelta(t, plan.X+mesial*scale, p.X, 1e-9)
		assert.InDelta(t, plan.Y-buccal*scale, p.Y, 1e-9)
	}
	var cases []Point
	var regions [][]Point
	for _, it := range d.Items {
		p, ok := it.(Path)
		switch {
		case !ok || !p.Closed:
		case p.Fill == Achieved:
			cases = append(cases, middle(p.Points))
		case p.Stroke == Black:
			regions = append(regions, p.Points)
		}
	}
	at(cases[0], 1, 0)
	at(cases[1], 0, 2)
	require.Len(t, regions, 2)
	at(middle(regions[0]), 0, 0)
	at(middle(regions[1]), 0.5, 1)
	// The long axis points up to the right: mesial and buccal.
	at(regions[1][0], 0.5+0.4*math.Cos(math.Pi/6), 1+0.4*math.Sin(math.Pi/6))
	var words []string
	for _, it := range d.Items {
		if l, ok := it.(Label); ok {
			words = append(words, l.Text)
		}
	}
	assert.Subset(t, words, []string{"C-1", "C-2", "mesial", "distal", "buccal", "lingual"})
	// Cases beyond the usual reach have rulers of a whole multiple.
	h.Shots = append(h.Shots, NamedShot{"C-3", 5, 0})
	scale = rulersSide / 2 / (2 * usualReach)
	for _, it := range h.Draw().Items {
		if p, ok := it.(Path); ok && p.Fill == Achieved && len(p.Points) > 8 {
			at(middle(p.Points), 1, 0)
			return
		}
	}
	t.Fatal("no case is drawn")
}
