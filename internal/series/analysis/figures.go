package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/controlchart"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/stats/tolerance"
)

// Figure is what the cases show of one deviation.
type Figure struct {
	Figure measurement.Figure `json:"figure"`
	Unit   string             `json:"unit"`
	Summary
	// At are the cases that have the figure.
	At    []int  `json:"at"`
	Noise *Noise `json:"noise,omitempty"`

	Learning  *learningcurve.Analysis `json:"learning,omitempty"` // of its size where it has a sign
	Chart     *Chart                  `json:"chart,omitempty"`
	Bound     *tolerance.Bound        `json:"bound,omitempty"` // by fixture, from FromCase on
	FromCase  int                     `json:"from_case"`
	Published []Comparison            `json:"published,omitempty"`
	Words     FigureWords             `json:"words"`
}

// FigureWords say in a sentence each what the cases show of a deviation; "" where
// there is nothing to say.
type FigureWords struct {
	Level    string `json:"level"`              // mean, its interval, least and largest
	Spread   string `json:"spread,omitempty"`   // beside the measurement's own uncertainty
	Learning string `json:"learning,omitempty"` // whether the cases fall, and to where
	Chart    string `json:"chart,omitempty"`    // what the control charts signal
}

// Noise parts the spread into the tool's own uncertainty and the rest, in
// quadrature.
type Noise struct {
	U       float64  `json:"u"`                 // root mean square over the cases
	Share   float64  `json:"share"`             // of the variance, at most 1
	Without *float64 `json:"without,omitempty"` // the spread without it; nil if nothing is left
}

// Chart is a CUSUM and an EWMA chart of a figure.
type Chart struct {
	Scale    string                    `json:"scale"`   // "square root" or "as measured"
	Against  string                    `json:"against"` // what the target is, in words
	Target   float64                   `json:"target"`  // in the figure's unit
	CUSUM    controlchart.CUSUM        `json:"cusum"`   // on the scale
	EWMA     controlchart.EWMA         `json:"ewma"`
	FromCase int                       `json:"from_case"` // the charts begin here: earlier cases are learning
	Sums     []controlchart.CUSUMPoint `json:"sums"`      // a point for each of Figure.At from FromCase on
	Averages []controlchart.EWMAPoint  `json:"averages"`
	// The cases of the first signals, and the one before which the change is put;
	// 0 = none.
	Worse       int     `json:"worse,omitempty"`
	WorseSince  int     `json:"worse_since,omitempty"`
	Better      int     `json:"better,omitempty"`
	BetterSince int     `json:"better_since,omitempty"`
	Moving      int     `json:"moving,omitempty"` // the first case at which the EWMA is outside its limits
	FalseEvery  float64 `json:"false_every"`      // cases between false signals of the CUSUM, its target and spread taken as known
}

func summarise(x []float64) Summary {
	s := Summary{N: len(x)}
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	n := len(sorted)
	s.Least, s.Largest = sorted[0], sorted[n-1]
	s.Median = (sorted[(n-1)/2] + sorted[n/2]) / 2
	if n < 2 {
		s.Mean = x[0]
		return s
	}
	mean, sd := stat.MeanStdDev(x, nil)
	half := distuv.StudentsT{Mu: 0, Sigma: 1, Nu: float64(n - 1)}.Quantile(.975) * sd / math.Sqrt(float64(n))
	low, high := mean-half, mean+half
	s.Mean, s.SD, s.Low, s.High = mean, &sd, &low, &high
	return s
}

// addFigure does all for one deviation.
func (a *Analysis) addFigure(f measurement.Figure) error {
	at, y, u := a.points(f)
	if len(y) < fewCases {
		return nil
	}
	out := Figure{Figure: f, Unit: string(f.Unit()), Summary: summarise(y), At: at, FromCase: 1}
	if a.Options.brief {
		out.Words = figureWords(&out, f)
		a.Figures = append(a.Figures, out)
		return nil
	}
	out.Noise = noise(*out.SD, u)
	if err := a.addLearning(&out, y, u); err != nil {
		return err
	}
	if err := a.addChart(&out, f, y); err != nil {
		return err
	}
	if err := a.addBound(&out, f); err != nil {
		return err
	}
	out.Published = compare(out.Figure, a.guidance(), &out.Summary)
	out.Words = figureWords(&out, f)
	a.Figures = append(a.Figures, out)
	return nil
}

// guidance is the one way in which all cases were guided, "" if they differ.
func (a *Analysis) guidance() string {
	g := a.Cases[0].Guidance
	for _, c := range a.Cases {
		if c.Guidance != g {
			return ""
		}
	}
	return g
}

func noise(sd float64, u []float64) *Noise {
	sum := 0.0
	for _, v := range u {
		sum += v * v
	}
	if sum == 0 || sd == 0 {
		return nil
	}
	ms := sum / float64(len(u))
	n := &Noise{U: math.Sqrt(ms), Share: math.Min(1, ms/(sd*sd))}
	if left := sd*sd - ms; left > 0 {
		left = math.Sqrt(left)
		n.Without = &left
	}
	return n
}

func (a *Analysis) addLearning(out *Figure, y, u []float64) error {
	points := make([]learningcurve.Point, len(y))
	for i := range y {
		points[i] = learningcurve.Point{Y: math.Abs(y[i]), U: u[i]}
	}
	l, err := learningcurve.Analyse(points, a.Options.Seed)
	if errors.Is(err, learningcurve.ErrNoSpread) {
		return nil
	}
	if err != nil {
		return err
	}
	out.Learning = &l
	return nil
}

// plateauFrom is the first point on the plateau: 0 if all are, len if the record
// does not see it.
func plateauFrom(l *learningcurve.Analysis, n int) int {
	if l == nil || l.Verdict != learningcurve.Learning {
		return 0
	}
	if l.CasesToPlateau.Value == nil {
		return n
	}
	return min(n, int(math.Ceil(*l.CasesToPlateau.Value))-1)
}

// The usual EWMA design for small shifts: weight 0.1, limits at 2.7 (Montgomery,
// Introduction to Statistical Quality Control, example 9.2), a false signal every
// 500 cases or so.
const (
	ewmaWeight = 0.1
	ewmaWidth  = 2.7
)

// addChart charts the cases against a stated target or the clinician's own
// level. Lengths and angles are charted as square roots, on which lengths of
// normal errors are nearly normal (the best powers are 0.53 for two directions
// and 0.67 for three).
func (a *Analysis) addChart(out *Figure, f measurement.Figure, y []float64) error {
	from := plateauFrom(out.Learning, len(y))
	stated, is := a.Options.Target[f.String()]
	falling := is && from > 0
	if is {
		from = 0
	}
	if len(y)-from < someCases || *out.SD == 0 {
		return nil
	}
	y, at := y[from:], out.At[from:]
	c := Chart{Scale: "as measured", FromCase: at[0]}
	x := slices.Clone(y)
	if !f.Signed() {
		c.Scale = "square root"
		for i, v := range y {
			x[i] = math.Sqrt(v)
		}
	}
	level := stat.Mean(y, nil)
	target, sigma := stat.MeanStdDev(x, nil)
	if falling {
		// The fall is no part of the spread that the chart is to see through.
		sigma = movingRange(x)
	}
	if sigma == 0 {
		return nil
	}
	c.Target, c.Against = level, "the mean of all cases"
	if from > 0 {
		c.Against = fmt.Sprintf("the mean from case %d on, where the learning curve has arrived", at[0])
	}
	if is {
		c.Target, c.Against = stated, "the stated target"
		if f.Signed() {
			target = stated
		} else {
			// The mean of the roots lies under the root of the mean by the same
			// share as in the clinician's own cases.
			target *= math.Sqrt(stated / level)
		}
	}
	c.CUSUM = controlchart.UsualCUSUM(target, sigma)
	c.EWMA = controlchart.EWMA{Target: target, Sigma: sigma, Lambda: ewmaWeight, Width: ewmaWidth}
	c.Sums, c.Averages = c.CUSUM.Run(x), c.EWMA.Run(x)
	var err error
	if c.FalseEvery, err = controlchart.CUSUMRunLength(controlchart.UsualSlack, controlchart.UsualLimit, 0); err != nil {
		return err
	}
	for i, p := range c.Sums {
		if p.SignalHigh && c.Worse == 0 {
			c.Worse, c.WorseSince = at[i], at[i-p.RunHigh+1]
		}
		if p.SignalLow && c.Better == 0 {
			c.Better, c.BetterSince = at[i], at[i-p.RunLow+1]
		}
	}
	for i, p := range c.Averages {
		if p.Signal && c.Moving == 0 {
			c.Moving = at[i]
		}
	}
	out.Chart = &c
	return nil
}

// movingRange is the spread of neighbouring cases: their mean difference over
// 1.128 (individuals chart, NIST handbook 6.3.2.2).
func movingRange(x []float64) float64 {
	sum := 0.0
	for i := 1; i < len(x); i++ {
		sum += math.Abs(x[i] - x[i-1])
	}
	return sum / float64(len(x)-1) / 1.128
}

// stillLearning tells that cases from before a plateau are in the bound.
func (f *Figure) stillLearning() bool {
	return f.FromCase == 1 && plateauFrom(f.Learning, f.N) > 0
}

// addBound bounds the next fixtures, from the plateau on where there is one and
// cases enough on it.
func (a *Analysis) addBound(out *Figure, f measurement.Figure) error {
	if from := plateauFrom(out.Learning, out.N); from < out.N {
		out.FromCase = out.At[from]
	}
	x := a.fixtures(out.FromCase, func(r *series.Row) *float64 { return r.Deviation[f] })
	if len(x) < tolerance.MinFigures {
		out.FromCase = 1
		x = a.fixtures(1, func(r *series.Row) *float64 { return r.Deviation[f] })
	}
	b, err := a.bound(x, f.Signed())
	if errors.Is(err, tolerance.ErrNoSpread) {
		return nil
	}
	out.Bound = b
	return err
}

func (a *Analysis) bound(x []float64, signed bool) (*tolerance.Bound, error) {
	if len(x) == 0 {
		return nil, nil
	}
	var b tolerance.Bound
	var err error
	if signed {
		b, err = tolerance.UpperSigned(x, a.Options.Coverage, a.Options.Assurance)
	} else {
		b, err = tolerance.UpperLength(x, a.Options.Coverage, a.Options.Assurance, a.Options.Seed)
	}
	if err != nil {
		return nil, err
	}
	return &b, nil
}
