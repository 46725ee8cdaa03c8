package drawing

import (
	"bytes"
	"math"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/plot/font"
	"pgregory.net/rapid"
)

// Ticks lie at round values and say no more decimals than they need.
func TestTicks(t *testing.T) {
	for _, c := range []struct {
		low, high float64
		ticks     ticks
		want      []string
	}{
		{0, 2.6, ticks{most: 8}, []string{"0.0", "0.5", "1.0", "1.5", "2.0", "2.5"}},
		{0, 2.6, ticks{most: 3}, []string{"0.0", "2.5"}},
		{-16, 16, ticks{most: 8}, []string{"-15", "0", "15"}},
		{0.5, 1.3, ticks{most: 8}, []string{"0.50", "0.75", "1.00", "1.25"}},
		{0, 0.045, ticks{most: 8}, []string{"0.00", "0.01", "0.02", "0.03", "0.04"}},
		{0, 51, ticks{most: 20, cases: true}, []string{"5", "10", "15", "20", "25", "30", "35", "40", "45", "50"}},
		{0, 4, ticks{most: 20, cases: true}, []string{"1", "2", "3"}},
		{0, 2, ticks{most: 20, cases: true}, []string{"1"}},
	} {
		var got []string
		for _, k := range c.ticks.Ticks(c.low, c.high) {
			if !k.IsMinor() {
				got = append(got, k.Label)
			}
		}
		assert.Equal(t, c.want, got, "%v to %v", c.low, c.high)
	}
	assert.Equal(t, "0", strconv.FormatFloat(toDecimals(-1e-17, 1), 'g', -1, 64))
}

// A row of any length has a labelled case, and none that is not a case.
func TestTicksOfCases(t *testing.T) {
	for first := 1; first < 60; first += 7 {
		for n := 1; n < 300; n++ {
			labels := 0
			for _, k := range (ticks{most: 9, cases: true}).Ticks(float64(first)-1, float64(first+n)) {
				require.Equal(t, math.Round(k.Value), k.Value)
				require.True(t, int(k.Value) >= first && int(k.Value) < first+n, "%v from %d, %d cases", k.Value, first, n)
				if !k.IsMinor() {
					labels++
				}
			}
			require.True(t, labels > 0 && labels <= 9, "%d labels from %d, %d cases", labels, first, n)
		}
	}
}

// middles are the middles of the closed areas filled with the ink of what was
// achieved.
func middles(d Drawing) (out []Point) {
	for _, it := range d.Items {
		p, ok := it.(Path)
		if !ok || p.Fill != Achieved {
			continue
		}
		out = append(out, middle(p.Points))
	}
	return out
}

// middle is the mean of the corners.
func middle(points []Point) (m Point) {
	for _, q := range points {
		m.X += q.X / float64(len(points))
		m.Y += q.Y / float64(len(points))
	}
	return m
}

// Cases lie on the chart where the axes say: equal steps to the right, and
// values up in proportion from the axis at zero.
func TestCurveChartPlacesCases(t *testing.T) {
	level := 1.0
	c := CurveChart{Name: "entry deviation", Unit: "mm", Last: 4, Level: &level,
		Points: []CasePoint{{1, "C-1", 2, 0.1, false}, {2, "C-2", 1, 0.1, true}, {4, "C-4", 0, 0, false}}}
	cases := middles(c.Draw(160, 50)) // and the one that explains the mark
	require.Len(t, cases, 4)
	a, b, z := cases[0], cases[1], cases[2]
	assert.InDelta(t, 2*(b.X-a.X), z.X-b.X, 1e-9)
	assert.InDelta(t, 2*(b.Y-a.Y), 2*(z.Y-b.Y), 1e-9)
	assert.InDelta(t, axisTop(t, c.Draw(160, 50)), z.Y, 1e-9, "zero is the axis")
}

// axisTop is the upper edge of the axis of cases.
func axisTop(t *testing.T, d Drawing) float64 {
	t.Helper()
	for _, it := range d.Items {
		if p, ok := it.(Path); ok && p.Stroke == Black && len(p.Points) == 2 && p.Points[0].Y == p.Points[1].Y {
			return p.Points[0].Y - p.Width/2
		}
	}
	require.Fail(t, "no axis")
	return 0
}

// box is what a label takes on paper in the widest face, from its top left.
func box(l Label) (low, high Point) {
	wide := widest().Lookup(font.Font{}, font.Length(l.Size)) // a unit stands for a mm
	w := float64(wide.Width(l.Text))
	left := map[Anchor]float64{Start: 0, Middle: -w / 2, End: -w}[l.Anchor]
	up, down := 0.73*l.Size, float64(wide.Extents().Descent) // 0.73: its capitals
	if l.Turned {
		return Point{l.At.X - up, l.At.Y - left - w}, Point{l.At.X + down, l.At.Y - left}
	}
	return Point{l.At.X + left, l.At.Y - up}, Point{l.At.X + left + w, l.At.Y + down}
}

// A chart of any sound figures has finite lines and texts that stay on its paper,
// no text on another, and is the same each time.
func TestChartsStayOnPaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "cases")
		first := rapid.IntRange(1, 60).Draw(t, "first")
		scale := math.Pow(10, rapid.Float64Range(-2, 2).Draw(t, "scale"))
		value := func(name string) float64 { return scale * rapid.Float64Range(0, 1).Draw(t, name) }
		curve := CurveChart{Name: "angular deviation", Unit: "mm", Last: n}
		sums := SumChart{First: first, Limit: 5, Worse: first + n - 1, Signed: true}
		means := MeanChart{First: first, Unit: "mm", Target: scale / 2}
		score := ScoreChart{Limit: 2, Signal: n}
		for i := range n {
			y := value("y")
			curve.Points = append(curve.Points, CasePoint{Case: i + 1, Y: y, U: value("u") / 10, Far: i%9 == 4})
			curve.Curve, curve.Band = append(curve.Curve, y), append(curve.Band, [2]float64{y / 2, y * 2})
			sums.Above, sums.Below = append(sums.Above, y/scale*9), append(sums.Below, y/scale)
			means.Value, means.Low, means.High = append(means.Value, y), append(means.Low, 0.1*scale), append(means.High, 0.9*scale)
			score.Score, score.Success = append(score.Score, y/scale), append(score.Success, y > scale/2)
		}
		curve.Plateau = &curve.Points[0].Y
		curve.Published = []Span{{scale / 3, scale / 2, "published 1.04 to 1.44"}}
		all := func() []Drawing {
			return []Drawing{curve.Draw(168, 56), sums.Draw(82, 48), means.Draw(82, 48), score.Draw(168, 48)}
		}
		again := all()
		for i, d := range all() {
			var b, same bytes.Buffer
			require.NoError(t, d.SVG(&b))
			require.NoError(t, again[i].SVG(&same))
			assert.Equal(t, b.String(), same.String())
			assert.NotContains(t, b.String(), "NaN")
			assert.NotContains(t, b.String(), "Inf")
			on := func(q Point, what any) {
				assert.True(t, q.X >= 0 && q.Y >= 0 && q.X <= d.Width && q.Y <= d.Height+1e-9, "%v at %v on %v × %v", what, q, d.Width, d.Height)
			}
			type placed struct {
				text      string
				low, high Point
			}
			var labels []placed
			for _, it := range d.Items {
				switch v := it.(type) {
				case Path:
					for _, q := range v.Points {
						on(q, "line")
					}
				case Label:
					low, high := box(v)
					on(low, v.Text)
					on(high, v.Text)
					for _, other := range labels {
						assert.False(t, low.X < other.high.X && other.low.X < high.X && low.Y < other.high.Y && other.low.Y < high.Y, "%q lies on %q", v.Text, other.text)
					}
					labels = append(labels, placed{v.Text, low, high})
				}
			}
			assert.Greater(t, len(labels), 5)
		}
	})
}
