package analysis

import (
	"math"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// TwoWays tells how the figures of a surface scan lie to those of the follow-up scan, over the
// fixtures that were measured in both: a running check of both.
type TwoWays struct {
	Fixtures int          `json:"fixtures"`
	Cases    int          `json:"cases"`
	Figures  []Difference `json:"figures"`
}

// Difference is the mean of a figure by the surface scan less the same by the follow-up scan.
type Difference struct {
	Figure measurement.Figure `json:"figure"`
	Mean   float64            `json:"mean"`
	Low    *float64           `json:"low95,omitempty"` // nil for a single case
	High   *float64           `json:"high95,omitempty"`
}

// twoWays compares what was measured twice; nil where nothing was.
//
// Method: Student's t interval of the cases' means, since fixtures of one case share their
// registrations.
func twoWays(rows []series.Row) *TwoWays {
	out := &TwoWays{}
	var cases [][]series.Row
	for _, r := range rows {
		if r.Second == nil {
			continue
		}
		out.Fixtures++
		if n := len(cases); n == 0 || cases[n-1][0].Case != r.Case {
			cases = append(cases, nil)
		}
		cases[len(cases)-1] = append(cases[len(cases)-1], r)
	}
	out.Cases = len(cases)
	if out.Cases == 0 {
		return nil
	}
	for f := range measurement.FigureCount {
		var means []float64
		for _, of := range cases {
			m := mean(of, func(r *series.Row) *float64 {
				if r.Deviation[f] == nil || r.Second[f] == nil {
					return nil
				}
				d := *r.Second[f] - *r.Deviation[f]
				return &d
			})
			if m != nil {
				means = append(means, *m)
			}
		}
		if len(means) == 0 {
			continue
		}
		d := Difference{Figure: f, Mean: stat.Mean(means, nil)}
		if n := float64(len(means)); n > 1 {
			half := distuv.StudentsT{Sigma: 1, Nu: n - 1}.Quantile(0.975) * stat.StdDev(means, nil) / math.Sqrt(n)
			low, high := d.Mean-half, d.Mean+half
			d.Low, d.High = &low, &high
		}
		out.Figures = append(out.Figures, d)
	}
	return out
}
