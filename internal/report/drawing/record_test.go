package drawing

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// A small case has planned and placed fixture to scale: its axis runs from the placed entry
// to the placed apex, and its outline is as wide as the fixture.
func TestSmallCaseIsToScale(t *testing.T) {
	d := Record{Cases: []CaseView{{Name: "C-1", Length: 10, Width: 4, Entry: [2]float64{0.5, 1}, Apex: [2]float64{2, -0.5}}}}.Draw(RecordSlots)
	platform := Point{recordSlot / 2, recordHead}
	at := func(p Point, across, along float64) {
		t.Helper()
		assert.InDelta(t, platform.X+across*recordScale, p.X, 1e-9)
		assert.InDelta(t, platform.Y+along*recordScale, p.Y, 1e-9)
	}
	var paths []Path
	for _, it := range d.Items {
		if p, ok := it.(Path); ok {
			paths = append(paths, p)
		}
	}
	require.Len(t, paths, 3)
	planned, placed, axis := paths[0], paths[1], paths[2]
	assert.Equal(t, Planned, planned.Stroke)
	assert.NotEmpty(t, planned.Dash)
	at(planned.Points[0], -2, 0)
	at(planned.Points[1], 2, 0)
	at(axis.Points[0], 0.5, 1)
	at(axis.Points[1], 2, 9.5)
	assert.InDelta(t, 4*recordScale, math.Hypot(placed.Points[1].X-placed.Points[0].X, placed.Points[1].Y-placed.Points[0].Y), 1e-9)
	at(middle([]Point{placed.Points[0], placed.Points[1]}), 0.5, 1)
}

// Clearances lie on one scale with their margins: an arrow begins at the planned and ends at
// the placed distance.
func TestClearanceChartIsToScale(t *testing.T) {
	margin := 2.0
	d := ClearanceChart{Points: []ClearancePoint{{Name: "C-1", Planned: 4, Achieved: 1, Margin: &margin, Breach: true}, {Name: "C-2", Planned: 3, Achieved: -1, Margin: &margin, Breach: true}}}.Draw(ChartWidth)
	var rings, tips, margins []float64
	for _, it := range d.Items {
		p, ok := it.(Path)
		switch {
		case !ok:
		case p.Fill == White:
			rings = append(rings, middle(p.Points).Y)
		case p.Fill == Black && len(p.Points) == 3 && p.Points[0].Y != slotsTop-3:
			tips = append(tips, p.Points[0].Y)
		case len(p.Dash) > 0 && p.Points[0].Y != slotsTop-3:
			margins = append(margins, p.Points[0].Y)
		}
	}
	// From −1 to 4 mm over the field.
	y := func(v float64) float64 { return slotsTop + slotsField*(4-v)/5 }
	assert.InDeltaSlice(t, []float64{y(4), y(3)}, rings, 1e-6)
	assert.InDeltaSlice(t, []float64{y(1), y(-1)}, tips, 1e-6)
	assert.InDeltaSlice(t, []float64{y(2), y(2)}, margins, 1e-6)
}

// What the plan left stands beside what placing took, from zero.
func TestShareChartIsToScale(t *testing.T) {
	d := ShareChart{Points: []SharePoint{{Name: "C-1", Plan: 1, Transfer: -2}}}.Draw(ChartWidth)
	for _, it := range d.Items {
		p, ok := it.(Path)
		if !ok || !p.Closed || p.Points[0].Y < slotsTop {
			continue
		}
		high := p.Points[2].Y - p.Points[0].Y
		switch p.Fill {
		case White:
			assert.InDelta(t, slotsField/3, high, 1e-9)
		case Achieved:
			assert.InDelta(t, 2*slotsField/3, high, 1e-9)
		}
	}
}

// Any record's charts have finite lines and words on their paper, and are the same each time.
func TestRecordsStayOnPaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 120).Draw(t, "cases")
		mm := rapid.Float64Range(-15, 15)
		var r Record
		var c ClearanceChart
		var s ShareChart
		strip := Strip{Unit: "mm"}
		for i := range n {
			name := fmt.Sprintf("C-%03d with a long name", i)
			v := CaseView{Name: name, Length: 10, Width: 4, Entry: [2]float64{mm.Draw(t, "entry") / 10, 0.3}, Apex: [2]float64{0, mm.Draw(t, "apex") / 10}}
			if i%9 == 3 {
				v.Instead, v.Mark = "withdrawn", "○"
			}
			r.Cases = append(r.Cases, v)
			margin := 2.0
			c.Points = append(c.Points, ClearancePoint{Name: name, Planned: mm.Draw(t, "planned"), Achieved: mm.Draw(t, "achieved"), Margin: &margin, Breach: i%2 == 0})
			s.Points = append(s.Points, SharePoint{Name: name, Plan: mm.Draw(t, "plan"), Transfer: mm.Draw(t, "transfer")})
			strip.Dots = append(strip.Dots, StripDot{Name: name, Value: math.Abs(mm.Draw(t, "value")), High: 3})
		}
		for _, draw := range []func() Drawing{strip.Draw,
			func() Drawing { return r.Draw(RecordSlots) }, func() Drawing { return r.Draw(NarrowRecordSlots) },
			func() Drawing { return c.Draw(ChartWidth) }, func() Drawing { return c.Draw(NarrowChartWidth) },
			func() Drawing { return s.Draw(ChartWidth) }, func() Drawing { return s.Draw(NarrowChartWidth) }} {
			d := draw()
			var b, same bytes.Buffer
			require.NoError(t, d.SVG(&b))
			again := draw()
			require.NoError(t, again.SVG(&same))
			assert.Equal(t, b.String(), same.String())
			assert.NotContains(t, b.String(), "NaN")
			assert.NotContains(t, b.String(), "Inf")
			for _, it := range d.Items {
				switch v := it.(type) {
				case Path:
					for _, q := range v.Points {
						assert.True(t, q.X >= -0.1 && q.Y >= -1.2 && q.X <= d.Width && q.Y <= d.Height, "%v on %v × %v", q, d.Width, d.Height)
					}
				case Label:
					low, high := box(v)
					assert.True(t, low.X >= -2 && low.Y >= -0.1 && high.X <= d.Width+2 && high.Y <= d.Height+2, "%q from %v to %v on %v × %v", v.Text, low, high, d.Width, d.Height)
				}
			}
		}
	})
}

// A drawing that is alive names each case where it shows it, and leads to those that there is
// an address for; one that is not has the bytes that it had.
func TestADrawingThatIsAliveLeadsToItsCases(t *testing.T) {
	d := Record{Cases: []CaseView{{Case: "C-1", Name: "C-1·46", Length: 10, Width: 4, Apex: [2]float64{1, 0}}, {Case: "C-2", Name: "C-2", Instead: "left out"}}}.Draw(RecordSlots)
	var still, alive bytes.Buffer
	require.NoError(t, d.SVG(&still))
	require.NoError(t, d.Alive(&alive, func(of string) string {
		if of == "C-1" {
			return "/case/" + of
		}
		return ""
	}))
	assert.NotContains(t, still.String(), "<title>")
	assert.Contains(t, still.String(), `role="img"`)
	assert.Contains(t, alive.String(), `role="group"`, "nothing inside an img is found by a screen reader")
	assert.Contains(t, alive.String(), `<a href="/case/C-1" aria-label="C-1·46"><title>C-1·46</title>`)
	assert.Contains(t, alive.String(), `<g role="img" aria-label="C-2: left out"><title>C-2: left out</title>`)

	for name, d := range map[string]Drawing{
		"curve":     CurveChart{Name: "apex", Unit: "mm", Points: []CasePoint{{Case: 1, Name: "C-1", Y: 1}, {Case: 2, Name: "C-2", Y: 2}}}.Draw(80, 50),
		"habit":     Habit{Shots: []NamedShot{{Name: "C-1", Mesial: 1}, {Name: "C-2"}}}.Draw(),
		"strip":     Strip{Unit: "mm", Dots: []StripDot{{Name: "C-1", Value: 1}, {Name: "C-2", Value: 2}}}.Draw(),
		"clearance": ClearanceChart{Points: []ClearancePoint{{Case: "C-1", Name: "C-1", Planned: 2, Achieved: 1}, {Case: "C-2", Name: "C-2", Achieved: 1}}}.Draw(ChartWidth),
		"share":     ShareChart{Points: []SharePoint{{Case: "C-1", Name: "C-1", Plan: 1}, {Case: "C-2", Name: "C-2"}}}.Draw(ChartWidth),
	} {
		require.Len(t, d.Spots, 2, name)
		for i, s := range d.Spots {
			assert.Equal(t, fmt.Sprintf("C-%d", i+1), s.Case, name)
			assert.Contains(t, s.Says, s.Case, name)
			assert.Greater(t, s.Max.X, s.Min.X, name)
			assert.GreaterOrEqual(t, s.Min.X, 0.0, name)
			assert.LessOrEqual(t, s.Max.Y, d.Height, name)
		}
	}
}

// Words stand beside a fixture where there is a place for them, and no word hides another.
func TestWordsKeepOffFixtures(t *testing.T) {
	at := func(s *sheet) float64 {
		return s.say("root 36.1", 2.5, false, StructureLayer, Point{30, 30}, Point{30, 60})[1].(Label).At.Y
	}
	frame := room{0, 0, 76, 76}
	assert.Less(t, at(&sheet{frame: frame}), 40.0, "the first place, where nothing is in the way")
	s := &sheet{frame: frame}
	s.keepOff([]Item{rectangle(25, 20, 10, 20)})
	assert.Greater(t, at(s), 50.0)
	s = &sheet{frame: frame}
	s.keepOff([]Item{rectangle(-30, 20, 10, 20)})
	assert.Empty(t, s.keep, "what is not in the picture is in nobody's way")
}
