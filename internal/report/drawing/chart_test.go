package drawing

import (
	"bytes"
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

func TestNiceStep(t *testing.T) {
	for _, c := range []struct {
		span float64
		n    int
		want float64
	}{{1, 5, 0.2}, {3, 5, 1}, {8, 5, 2}, {50, 10, 5}, {49, 10, 5}, {0.07, 5, 0.02}, {0, 5, 1}} {
		assert.InDelta(t, c.want, niceStep(c.span, c.n), 1e-12, "%v by %d", c.span, c.n)
	}
	assert.Equal(t, "0.2", tidy(0.2, 0.2))
	assert.Equal(t, "0.0", tidy(-1e-17, 0.2))
	assert.Equal(t, "-4", tidy(-4, 2))
}

// middles are the middles of the closed areas filled with the ink of what was
// achieved.
func middles(d Drawing) (out []Point) {
	for _, it := range d.Items {
		p, ok := it.(Path)
		if !ok || p.Fill != Achieved {
			continue
		}
		m := Point{}
		for _, q := range p.Points {
			m.X += q.X / float64(len(p.Points))
			m.Y += q.Y / float64(len(p.Points))
		}
		out = append(out, m)
	}
	return out
}

// Cases lie on the chart where the axes say: equal steps to the right, and
// values up in proportion from the axis at zero.
func TestCurveChartPlacesCases(t *testing.T) {
	level := 1.0
	c := CurveChart{Name: "entry deviation", Unit: "mm", Last: 4, Level: &level,
		Points: []CasePoint{{1, 2, 0.1, false}, {2, 1, 0.1, true}, {4, 0, 0, false}}}
	cases := middles(c.Draw(160, 50)) // and the one that explains the mark
	require.Len(t, cases, 4)
	a, b, z := cases[0], cases[1], cases[2]
	assert.InDelta(t, 2*(b.X-a.X), z.X-b.X, 1e-9)
	assert.InDelta(t, 2*(b.Y-a.Y), 2*(z.Y-b.Y), 1e-9)
	assert.InDelta(t, 50-chartBottom, z.Y, 1e-9, "zero is the axis")
}

// A chart of any sound figures has finite lines that stay on its paper.
func TestChartsStayOnPaper(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		n := rapid.IntRange(1, 80).Draw(t, "cases")
		scale := math.Pow(10, rapid.Float64Range(-2, 2).Draw(t, "scale"))
		value := func(name string) float64 { return scale * rapid.Float64Range(0, 1).Draw(t, name) }
		curve := CurveChart{Name: "figure", Unit: "mm", Last: n}
		sums := SumChart{First: 1, Limit: 5, Worse: n}
		means := MeanChart{First: 1, Unit: "mm", Target: scale / 2}
		score := ScoreChart{Limit: 2, Signal: n}
		for i := range n {
			y := value("y")
			curve.Points = append(curve.Points, CasePoint{Case: i + 1, Y: y, U: value("u") / 10})
			curve.Curve, curve.Band = append(curve.Curve, y), append(curve.Band, [2]float64{y / 2, y * 2})
			sums.Above, sums.Below = append(sums.Above, y/scale*9), append(sums.Below, y/scale)
			means.Value, means.Low, means.High = append(means.Value, y), append(means.Low, 0), append(means.High, scale)
			score.Score, score.Success = append(score.Score, y/scale), append(score.Success, y > scale/2)
		}
		curve.Plateau = &curve.Points[0].Y
		curve.Published = []Span{{scale / 3, scale / 2, "published"}}
		for _, d := range []Drawing{curve.Draw(168, 56), sums.Draw(82, 48), means.Draw(82, 48), score.Draw(168, 48)} {
			var b bytes.Buffer
			require.NoError(t, d.SVG(&b))
			assert.NotContains(t, b.String(), "NaN")
			assert.NotContains(t, b.String(), "Inf")
			for _, it := range d.Items {
				if p, ok := it.(Path); ok {
					for _, q := range p.Points {
						assert.True(t, q.X > -2 && q.X < d.Width+2 && q.Y > -2 && q.Y < d.Height+2, "%v on %v × %v", q, d.Width, d.Height)
					}
				}
			}
		}
	})
}

// A case lies at its mesial and buccal parts, and the regions about their
// centres.
func TestScatter(t *testing.T) {
	d := Scatter{Shots: [][2]float64{{1, 0}, {0, 2}}, Mean: &Region{Mesial: 0.5, Buccal: 1, Long: 0.4, Short: 0.2, Turn: 30},
		Next: &Region{Long: 2.2, Short: 1}}.Draw()
	c := Point{d.Width / 2, d.Width / 2}
	scale := targetSide / 2 / 2.5
	var regions []Point
	for _, it := range d.Items {
		p, ok := it.(Path)
		if !ok || !p.Closed {
			continue
		}
		m := Point{}
		for _, q := range p.Points {
			m.X += q.X / float64(len(p.Points))
			m.Y += q.Y / float64(len(p.Points))
		}
		if p.Stroke != Black {
			continue
		}
		regions = append(regions, m)
		if len(regions) == 2 {
			// The long axis points up to the right: mesial and buccal.
			far := p.Points[0]
			assert.InDelta(t, 0.4*scale*math.Cos(math.Pi/6), far.X-m.X, 1e-9)
			assert.InDelta(t, -0.4*scale*math.Sin(math.Pi/6), far.Y-m.Y, 1e-9)
		}
	}
	marks := middles(d)
	assert.InDelta(t, c.X+scale, marks[0].X, 1e-9)
	assert.InDelta(t, c.Y-2*scale, marks[1].Y, 1e-9)
	assert.InDelta(t, c.X+0.5*scale, regions[1].X, 1e-9)
	assert.InDelta(t, c.Y-scale, regions[1].Y, 1e-9)
}
