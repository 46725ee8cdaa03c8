package analysis

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/stat"
	"gonum.org/v1/gonum/stat/distuv"

	"plumbline/internal/measurement"
	"plumbline/internal/stats/controlchart"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/stats/levelnow"
	"plumbline/internal/stats/sequential"
)

// Figure is what the cases show of one deviation.
type Figure struct {
	Figure measurement.Figure `json:"figure"`
	Unit   string             `json:"unit"`
	Summary
	// At are the cases that have the figure.
	At    []int  `json:"at"`
	Noise *Noise `json:"noise,omitempty"`

	Now       *Level                  `json:"now,omitempty"`
	Course    *Course                 `json:"course,omitempty"`   // of its size where it has a sign; of the primary figures
	Learning  *learningcurve.Analysis `json:"learning,omitempty"` // likewise; the verdict is that of Course where there is one
	Chart     *Chart                  `json:"chart,omitempty"`
	Bound     *Bound                  `json:"bound,omitempty"` // by fixture
	Published []Comparison            `json:"published,omitempty"`
	Words     FigureWords             `json:"words"`

	level *levelnow.Level // behind Now
}

// FigureWords say in a sentence each what the cases show of a deviation; "" where
// there is nothing to say.
type FigureWords struct {
	Now      string `json:"now,omitempty"`      // where it stands, and how single fixtures spread
	Course   string `json:"course,omitempty"`   // whether it rises or falls
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
	// Impossible tells that figures with this uncertainty would spread more, but for one
	// record in a thousand.
	Impossible bool `json:"impossible,omitempty"`
}

// Chart watches a figure for a change: against the cases before, or against a stated
// target.
type Chart struct {
	Scale    string             `json:"scale"`            // "ranks among the cases before", "square root" or "as measured"
	Against  string             `json:"against"`          // what the figures are held against, in words
	Target   *float64           `json:"target,omitempty"` // in the figure's unit, where it is stated
	CUSUM    controlchart.CUSUM `json:"cusum"`            // on the scale
	EWMA     *controlchart.EWMA `json:"ewma,omitempty"`   // with a stated target
	FromCase int                `json:"from_case"`        // the chart begins here
	// Sums has a point for each of Figure.At from FromCase on; against the cases before, the
	// sums are divided by the root of the case number.
	Sums     []controlchart.CUSUMPoint `json:"sums"`
	Averages []controlchart.EWMAPoint  `json:"averages,omitempty"`
	// The cases of the first signals, and the one before which the change is put;
	// 0 = none. A signal against the course of the whole record is none.
	Worse       int `json:"worse,omitempty"`
	WorseSince  int `json:"worse_since,omitempty"`
	Better      int `json:"better,omitempty"`
	BetterSince int `json:"better_since,omitempty"`
	Moving      int `json:"moving,omitempty"` // the first case at which the EWMA is outside its limits

	// FalseEvery is the number of cases between false signals of the CUSUM with a stated
	// target, its spread taken as known; FalseShare the share of records as long as this
	// one, without a change, that have a signal against the cases before.
	FalseEvery *float64 `json:"false_every,omitempty"`
	FalseShare *float64 `json:"false_share,omitempty"`
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
	out := Figure{Figure: f, Unit: string(f.Unit()), Summary: summarise(y), At: at}
	if a.Options.brief {
		out.Words = figureWords(&out, f)
		a.Figures = append(a.Figures, out)
		return nil
	}
	if out.Noise = noise(*out.SD, u); out.Noise != nil && out.Noise.Impossible {
		a.Notes = append(a.Notes, fmt.Sprintf("The stated uncertainty of the %s, %s, cannot be true beside a spread of %s: less than one record in a thousand would spread so little. Find out what was entered.", f.Spec().Title, amount(out.Noise.U, out.Unit), amount(*out.SD, out.Unit)))
	}
	out.Published = compare(out.Figure, a.guidance(), &out.Summary)
	a.Figures = append(a.Figures, out)
	return nil
}

// addChanges says how the figures change, once it is known where they stand.
func (a *Analysis) addChanges() error {
	for i := range a.Figures {
		f := &a.Figures[i]
		if err := a.addLearning(f); err != nil {
			return err
		}
		if err := a.addChart(f); err != nil {
			return err
		}
		f.Words = figureWords(f, f.Figure)
	}
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

// rareSpread is the probability under which a spread is said to be too small for the
// uncertainty: seven figures are looked at, and nobody is to be suspected by chance.
const rareSpread = .001

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
	// (n − 1)s²/σ² of normal figures is χ² of n − 1 degrees of freedom, and σ ≥ u.
	free := float64(len(u) - 1)
	n.Impossible = distuv.ChiSquared{K: free}.CDF(free*sd*sd/ms) < rareSpread
	if left := sd*sd - ms; left > 0 {
		left = math.Sqrt(left)
		n.Without = &left
	}
	return n
}

// addLearning fits curves to the cases; of several fixtures of a case the mean of their
// sizes counts. Whether there is learning the tests of the courses say.
func (a *Analysis) addLearning(f *Figure) error {
	var points []learningcurve.Point
	x := a.withoutNoise(f, true)
	for i, y := range caseMeans(x) {
		points = append(points, learningcurve.Point{Y: y, U: x[i].u})
	}
	l, err := learningcurve.Analyse(points, a.Options.Seed)
	if errors.Is(err, learningcurve.ErrNoSpread) {
		return nil
	}
	if err != nil {
		return err
	}
	if c := f.Course; c != nil && l.Verdict != learningcurve.TooFew {
		switch {
		case c.Finding == Rises:
			l.Verdict = learningcurve.Rising
		case c.Finding != Falls:
			l.Verdict = learningcurve.NotDetected
		}
		if l.Verdict != learningcurve.Learning {
			l.Curve, l.Start, l.Plateau, l.CasesToPlateau, l.Now, l.Band = nil, nil, nil, nil, nil, nil
			l.Mean = &l.Candidates[0].Plateau
		}
	}
	f.Learning = &l
	return nil
}

// The EWMA design for small shifts: weight 0.1, limits at 2.814, with which a level that
// is known and kept gives a false signal every 500 cases (Lucas and Saccucci,
// Technometrics 32:1, 1990, table 3).
const (
	ewmaWeight = 0.1
	ewmaWidth  = 2.814
)

// addChart charts a figure with a stated target against it, and the first primary figure
// against the cases before.
func (a *Analysis) addChart(f *Figure) error {
	if len(f.At) < someCases || *f.SD == 0 {
		return nil
	}
	if stated, is := a.Options.Target[f.Figure.String()]; is {
		return a.chartStated(f, stated)
	}
	if f.Figure != primary[0] || f.Course == nil || f.Course.Finding == Falls {
		return nil
	}
	x := a.withoutNoise(f, false)
	names := earlier(x)
	groups := make([]int, len(x))
	for i, v := range x {
		groups[i] = 1 + slices.Index(names, v.of.Guidance)
	}
	share := sequential.FalseSignal(len(x))
	c := Chart{Scale: "ranks among the cases before", Against: "the cases before", FromCase: f.At[0], FalseShare: &share,
		CUSUM: controlchart.CUSUM{Slack: sequential.Slack, Limit: sequential.Limit}}
	for i, p := range sequential.Chart(caseMeans(x), groups) {
		// The limit goes with the root of the case number: beside that it is one line.
		root := math.Sqrt(float64(i + 1))
		c.Sums = append(c.Sums, controlchart.CUSUMPoint{High: p.High / root, Low: p.Low / root, RunHigh: p.RunHigh, RunLow: p.RunLow, SignalHigh: p.SignalHigh, SignalLow: p.SignalLow})
	}
	c.setSignals(f)
	f.Chart = &c
	return nil
}

// setSignals notes the first signals that do not go against the course of the record.
func (c *Chart) setSignals(f *Figure) {
	at := f.At[len(f.At)-len(c.Sums):]
	course := NoFinding
	if f.Course != nil {
		course = f.Course.Finding
	}
	risen := f.Now != nil && f.Now.Risen > f.Now.Falling+f.Now.Settled
	for i, p := range c.Sums {
		if p.SignalHigh && c.Worse == 0 && course != Falls {
			c.Worse, c.WorseSince = at[i], at[i-p.RunHigh+1]
		}
		if p.SignalLow && c.Better == 0 && course != Rises && !risen {
			c.Better, c.BetterSince = at[i], at[i-p.RunLow+1]
		}
	}
	for i, p := range c.Averages {
		if p.Signal && c.Moving == 0 {
			c.Moving = at[i]
		}
	}
}

// chartStated charts the cases against a stated target. Lengths and angles are charted as
// square roots, on which lengths of normal errors are nearly normal (the best powers are
// 0.53 for two directions and 0.67 for three).
func (a *Analysis) chartStated(f *Figure, stated float64) error {
	x := caseMeans(a.valuesOfFigure(f.Figure, false))
	level := stat.Mean(x, nil)
	c := Chart{Scale: "as measured", Against: "the stated target", Target: &stated, FromCase: f.At[0]}
	if !f.Figure.Signed() {
		c.Scale = "square root"
		for i, v := range x {
			x[i] = math.Sqrt(v)
		}
	}
	// A change is no part of the spread that the chart is to see through.
	sigma := movingRange(x)
	if sigma == 0 {
		return nil
	}
	target := stated
	if !f.Figure.Signed() {
		// The mean of the roots lies under the root of the mean by the same share as in
		// the clinician's own cases.
		target = stat.Mean(x, nil) * math.Sqrt(stated/level)
	}
	c.CUSUM = controlchart.UsualCUSUM(target, sigma)
	c.EWMA = &controlchart.EWMA{Target: target, Sigma: sigma, Lambda: ewmaWeight, Width: ewmaWidth}
	c.Sums, c.Averages = c.CUSUM.Run(x), c.EWMA.Run(x)
	every, err := controlchart.CUSUMRunLength(controlchart.UsualSlack, controlchart.UsualLimit, 0)
	if err != nil {
		return err
	}
	c.FalseEvery = &every
	c.setSignals(f)
	f.Chart = &c
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
