package analysis

import (
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
	"plumbline/internal/stats/learningcurve"
	"plumbline/internal/tooth"
)

var update = flag.Bool("update", false, "write the golden file anew")

func number(x float64) *float64 { return &x }

// hand is a simulated clinician: normal errors about a habit, with a spread that
// may fall from case to case, measured with an uncertainty.
type hand struct {
	mesial, buccal, deep float64
	spread               func(n int) float64
	u                    float64
}

func steady(s float64) func(int) float64 { return func(int) float64 { return s } }

var sites = []string{"36", "46", "11", "25", "35", "21", "14", "47"}

// cases are rows of one fixture each, in the planned fixture's own directions.
func (h hand) cases(n int, seed uint64) []series.Row {
	rng := rand.New(rand.NewPCG(seed, 9))
	var out []series.Row
	for i := range n {
		s := h.spread(i + 1)
		draw := func(mean float64) float64 { return mean + s*rng.NormFloat64() + h.u*rng.NormFloat64() }
		em, eb, ed := draw(h.mesial), draw(h.buccal), draw(h.deep)
		am, ab := em+draw(0)/2, eb+draw(0)/2
		angle := math.Hypot(am-em, ab-eb) / 10 * 180 / math.Pi
		r := series.Row{
			Case: fmt.Sprintf("C-%03d", i+1), Clinician: "clinician-a", Site: sites[i%len(sites)], Guidance: "full-guide",
			Placed: time.Date(2025, 1, 1+3*i, 0, 0, 0, 0, time.UTC).Format(time.DateOnly),
		}
		set := func(f measurement.Figure, v, u float64) { r.Deviation[f], r.U[f] = &v, &u }
		set(measurement.EntryMesial, em, h.u)
		set(measurement.EntryBuccal, eb, h.u)
		set(measurement.EntryDepth, ed, h.u)
		set(measurement.EntryLateral, math.Hypot(em, eb), h.u)
		set(measurement.Entry, math.Hypot(math.Hypot(em, eb), ed), h.u)
		set(measurement.ApexMesial, am, h.u)
		set(measurement.ApexBuccal, ab, h.u)
		set(measurement.ApexDepth, ed, h.u)
		set(measurement.ApexLateral, math.Hypot(am, ab), h.u)
		set(measurement.Apex, math.Hypot(math.Hypot(am, ab), ed), h.u)
		set(measurement.Angle, angle, 10*h.u)
		set(measurement.TiltMesial, (am-em)/10*180/math.Pi, 10*h.u)
		set(measurement.TiltBuccal, (ab-eb)/10*180/math.Pi, 10*h.u)
		if r.Jaw() == "lower" {
			r.Clearance = []measurement.Clearance{{Structure: "canal", Kind: "nerve", Planned: 3, Achieved: number(3 - ed), Margin: number(2)}}
		}
		out = append(out, r)
	}
	return out
}

func analyse(t *testing.T, rows []series.Row, o Options) Analysis {
	t.Helper()
	a, err := Analyse(rows, o)
	require.NoError(t, err)
	return a
}

func (a Analysis) figure(t *testing.T, name string) Figure {
	t.Helper()
	for _, f := range a.Figures {
		if f.Figure.String() == name {
			return f
		}
	}
	require.Fail(t, "no figure "+name)
	return Figure{}
}

// Mean, spread and interval of ten figures; t(.975; 9) = 2.2622 as in any table.
func TestSummaryByHand(t *testing.T) {
	s := summarise([]float64{1, 2, 3, 4, 5, 6, 7, 8, 9, 10})
	assert.Equal(t, 5.5, s.Mean)
	assert.Equal(t, 5.5, s.Median)
	sd := math.Sqrt(82.5 / 9)
	assert.InDelta(t, sd, *s.SD, 1e-12)
	assert.InDelta(t, 5.5-2.26216*sd/math.Sqrt(10), *s.Low, 1e-4)
	assert.InDelta(t, 5.5+2.26216*sd/math.Sqrt(10), *s.High, 1e-4)
	one := summarise([]float64{3})
	assert.Nil(t, one.SD)
	assert.Equal(t, 3.0, one.Median)
}

// Mean and spread (n − 1) of a published table of 23 fixtures: the global
// deviations of P. Onclin, doctoral thesis, Groningen, table 3.1, printed with a
// mean of 1.1; recomputed 1.070 and 0.546.
func TestSummaryOfAPublishedTable(t *testing.T) {
	s := summarise([]float64{1, 1.2, 1, .9, .4, .4, 1.1, .9, 2.6, 1.9, .4, .5, 1.1, 1.3, .9, 1.2, 1.2, 1.5, .4, 1, 2, 1, .7})
	assert.InDelta(t, 1.070, s.Mean, 5e-4)
	assert.InDelta(t, .546, *s.SD, 5e-4)
}

func TestSteadyClinicianWithAHabit(t *testing.T) {
	h := hand{mesial: -.5, deep: .3, spread: steady(.4), u: .1}
	a := analyse(t, h.cases(50, 1), Defaults())
	require.Len(t, a.Cases, 50)
	require.Len(t, a.Figures, 7)
	apex := a.figure(t, "apex_mm")
	assert.Equal(t, NoFinding, apex.Course.Finding)
	assert.Equal(t, learningcurve.NotDetected, apex.Learning.Verdict)
	assert.Len(t, apex.Chart.Sums, 50)
	assert.Zero(t, apex.Chart.Worse+apex.Chart.Better, "a steady hand")
	assert.Less(t, apex.Now.Low, apex.Mean)
	assert.Greater(t, apex.Now.High, apex.Mean)
	assert.InDelta(t, 1, apex.Now.Unchanged+apex.Now.Falling+apex.Now.Settled+apex.Now.Risen, 1e-9)
	assert.Contains(t, a.Answers.Better, "No change of the apex deviation is found in 50 cases. A drift of")
	// The tool's own .1 out of a spread in quadrature.
	depth := a.figure(t, "entry_depth_mm")
	assert.InDelta(t, .1, depth.Noise.U, 1e-12)
	assert.InDelta(t, math.Sqrt(*depth.SD**depth.SD-.01), *depth.Noise.Without, 1e-12)
	require.Len(t, a.Habits, 6)
	at := a.Habits[1]
	assert.Less(t, *at.Adjusted, .001)
	assert.InDelta(t, -.5, at.Mean[0].Mean, .2)
	assert.InDelta(t, .3, at.Mean[2].Mean, .2)
	assert.Contains(t, at.Words, "distal")
	assert.Contains(t, at.Words, "deep")
	assert.Contains(t, a.Answers.Habit, "Yes: at the apex on average")
	assert.Nil(t, a.Habits[3].Adjusted, "of the tilt no finding is told")
	assert.InDelta(t, at.Mean[0].Mean, at.MeanEllipse.Centre[0], 1e-12)
	assert.Greater(t, at.NextEllipse.Major, at.MeanEllipse.Major)
}

// A habit towards one side of the patient is mesial on one side and distal on the other,
// and is found by the patient's sides.
func TestHabitOfThePatientsSide(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(50, 1)
	for i := range rows {
		n, err := tooth.Parse(rows[i].Site, tooth.ISO3950)
		require.NoError(t, err)
		// To the patient's left by .5 mm: buccal on the left, lingual on the right, and
		// of a central incisor mesial on the right.
		side := map[int]float64{1: -1, 2: 1, 3: 1, 4: -1}[n.Quadrant()]
		if n.Place() == 1 {
			*rows[i].Deviation[measurement.ApexMesial] -= side * .5
		} else {
			*rows[i].Deviation[measurement.ApexBuccal] += side * .5
		}
	}
	a := analyse(t, rows, Defaults())
	sides := a.Habits[2]
	require.True(t, sides.Side)
	assert.Less(t, *sides.Adjusted, .001)
	assert.InDelta(t, .5, sides.Mean[0].Mean, .2)
	assert.InDelta(t, 0, sides.Mean[1].Mean, .2)
	assert.Contains(t, a.Answers.Habit, "left of the patient")
}

func TestLearningClinician(t *testing.T) {
	h := hand{spread: func(n int) float64 { return .4 + 2*math.Exp(-float64(n-1)/4) }, u: .05}
	a := analyse(t, h.cases(50, 2), Defaults())
	apex := a.figure(t, "apex_mm")
	require.Equal(t, Falls, apex.Course.Finding)
	require.Equal(t, learningcurve.Learning, apex.Learning.Verdict)
	assert.Nil(t, apex.Chart, "no chart against the cases before while the level falls")
	assert.Less(t, apex.Now.Mean, apex.Mean, "the level now, not the mean of a falling record")
	assert.Greater(t, apex.Now.First, 1.5*apex.Now.Mean)
	assert.Greater(t, apex.Now.Settled, .8)
	assert.Contains(t, a.Answers.Better, "Yes: the apex deviation falls, from about")
	assert.Contains(t, a.Answers.Better, "It has levelled off")
	// The largest, of the first cases, does not hold the bound up, and is told.
	assert.Less(t, *apex.Bound.Upper, apex.Bound.Largest)
	assert.Contains(t, a.Answers.Room, "the largest so far was")
}

func TestMarginAtAStructure(t *testing.T) {
	h := hand{deep: .6, spread: steady(.8), u: .05}
	a := analyse(t, h.cases(60, 3), Defaults())
	var nerve *Margin
	for i := range a.Margins {
		if a.Margins[i].Kind == "nerve" {
			nerve = &a.Margins[i]
		}
	}
	require.NotNil(t, nerve)
	// Near mean + k·s of a steady hand with the one-sided factor of 30 fixtures at 99 %
	// confidence, 2.515 (Natrella, Experimental Statistics, 1963, table A-7; from memory): four
	// margins that hold together are stated with 98.75 % each.
	require.Equal(t, 30, nerve.Lost.N)
	upper := nerve.Lost.Mean + 2.515**nerve.Lost.SD
	assert.InDelta(t, upper, *nerve.Bound.Upper, .3*upper)
	assert.Equal(t, 2.0, *nerve.Asked)
	require.False(t, *nerve.Enough)
	assert.Contains(t, nerve.Words, fmt.Sprintf("You asked for 2.0 mm, which is too little: keep %.1f mm.", math.Ceil(10**nerve.Bound.Upper)/10))
	var general []string
	for _, m := range a.Margins {
		if m.Kind == "" {
			general = append(general, m.Towards)
		}
	}
	assert.Equal(t, []string{"towards the apex", "sideways at the apex", "sideways at the entry"}, general)

	tight := analyse(t, hand{spread: steady(.2), u: .05}.cases(60, 3), Defaults())
	for _, m := range tight.Margins {
		if m.Kind == "nerve" {
			assert.True(t, *m.Enough)
			assert.Contains(t, m.Words, "You asked for 2.0 mm, which is more.")
		}
	}
}

// counting is the usual design that counts all cases of the rows.
func counting(rows []series.Row) series.Designed {
	d := series.Designed{Record: 1, Time: "2024-12-31T09:00:00+01:00", Design: UsualDesign()}
	d.Clinician = "clinician-a"
	for _, r := range rows {
		d.Counted = append(d.Counted, r.Case)
	}
	return d
}

func TestSuccessAndCompetence(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(50, 4)
	a := analyse(t, rows, Defaults())
	require.NotNil(t, a.Success)
	within := 0
	for _, c := range a.Cases {
		if *c.Mean[measurement.Entry] <= 2 && *c.Mean[measurement.Apex] <= 2 && *c.Mean[measurement.Angle] <= 8 {
			within++
		}
	}
	assert.Equal(t, within, a.Success.Within)
	assert.Equal(t, 50, a.Success.Of)
	assert.Nil(t, a.Competence, "nothing was fixed beforehand")
	o := Defaults()
	o.Designs = []series.Designed{counting(rows)}
	a = analyse(t, rows, o)
	c := a.Competence
	require.NotNil(t, c)
	assert.LessOrEqual(t, c.Design.ErrorRate, .05)
	assert.Equal(t, 50, c.Design.Cases)
	require.Greater(t, c.Path.Signal, 0)
	assert.Contains(t, c.Words, fmt.Sprintf("hare outside your limits shown to be under 20 %%, at the %s case counted.", ordinal(c.Path.Signal)))
	assert.Contains(t, c.Words, "Fixed beforehand (record 1, 2024-12-31): at most 2 mm at the entry, 2 mm at the apex and 8°")
	assert.Contains(t, a.Answers.Now, "hown to be under 20 %")
	for _, words := range []string{c.Words, a.Success.Words} {
		assert.NotContains(t, words, "competen", "a share is no judgement of a person")
	}
	// No option of a look has a say in it.
	o.Cases, o.Limits.Apex = 20, .1
	assert.Equal(t, c, analyse(t, rows, o).Competence)
	// What was shown stands when more cases come, bad ones too.
	later := append(slices.Clone(rows), hand{spread: steady(3), u: .05}.cases(60, 5)[50:]...)
	o.Designs[0] = counting(later)
	assert.Equal(t, c.Path.Signal, analyse(t, later, o).Competence.Path.Signal)
	// It is of the clinician whose cases they are.
	o.Designs[0].Clinician = "clinician-b"
	assert.Nil(t, analyse(t, rows, o).Competence)

	rows = hand{spread: steady(1.5), u: .05}.cases(50, 4)
	o = Defaults()
	o.Designs = []series.Designed{counting(rows)}
	bad := analyse(t, rows, o)
	assert.Zero(t, bad.Competence.Path.Signal)
	assert.Contains(t, bad.Competence.Words, "not shown to be under 20 % in the 50 cases fixed. That is no proof that it is not.")
	assert.Less(t, bad.Success.High, .9)
}

// How many more cases: with ln(.9/.8) = .11778 a case without a miss, a limit of 25 of
// them takes 23 more after two. Doubtful figures are not counted and are named.
func TestCompetenceBegun(t *testing.T) {
	rows := hand{spread: steady(.2), u: .05}.cases(3, 4)
	rows[2].Doubt = true
	o := Defaults()
	o.Designs = []series.Designed{counting(rows)}
	o.Designs[0].Without = []string{"C-900"}
	c := analyse(t, rows, o).Competence
	require.NotNil(t, c)
	assert.Equal(t, int(math.Ceil(c.Design.Limit/math.Log(.9/.8)))-2, c.More)
	assert.Equal(t, 23, c.More)
	assert.Contains(t, c.Words, "not yet shown to be under 20 %, after 2 of 50 cases.")
	assert.Contains(t, c.Words, "23 more cases without a miss would show it.")
	assert.Zero(t, c.Usual, "of those who miss in 10 % less than half get there")
	assert.Contains(t, c.Words, "Not counted, as there are no figures or none to be relied on: C-900, C-003.")
	// Ten without a miss are nearer to it.
	rows = hand{spread: steady(.2), u: .05}.cases(10, 4)
	o.Designs[0] = counting(rows)
	c = analyse(t, rows, o).Competence
	assert.Contains(t, c.Words, fmt.Sprintf("15 more cases without a miss would show it, and of those who miss in 10 %% half are there after %d more.", c.Usual))
	assert.Greater(t, c.Usual, 15)
	// Where what is left is too little, that is said.
	for i := range rows {
		*rows[i].Deviation[measurement.Angle] = 30
	}
	o.Designs[0].Cases = 20
	c = analyse(t, rows, o).Competence
	assert.Zero(t, c.More)
	assert.Contains(t, c.Words, "The cases that are left can no longer show it.")
}

func TestWhatIsLeftAside(t *testing.T) {
	rows := hand{spread: steady(.4), u: .1}.cases(20, 5)
	rows[3].Doubt = true
	rows[7].Deviation = measurement.Values{}
	rows[9].Case = rows[8].Case // two fixtures of one case
	o := Defaults()
	o.Cases = 15
	a := analyse(t, rows, o)
	assert.Equal(t, []string{"C-004"}, a.Doubtful)
	assert.Equal(t, []string{"C-008"}, a.NoFigures)
	assert.Equal(t, 2, a.Later)
	require.Len(t, a.Cases, 17)
	assert.Equal(t, 18, a.Fixtures)
	pair := a.Cases[6]
	assert.Equal(t, "C-009", pair.Case)
	assert.Len(t, pair.Sites, 2)
	assert.InDelta(t, (*rows[8].Deviation[measurement.Apex]+*rows[9].Deviation[measurement.Apex])/2, *pair.Mean[measurement.Apex], 1e-12)
	assert.InDelta(t, .1, *pair.U[measurement.Apex], 1e-12)
	notes := strings.Join(a.Notes, "\n")
	for _, says := range []string{"not to be relied on are left aside, the others of their cases are not: C-004", "without a figure are left aside: C-008", "fitted to the first 15 cases", "18 fixtures in 17 cases"} {
		assert.Contains(t, notes, says)
	}
}

func TestFewCases(t *testing.T) {
	h := hand{spread: steady(.4), u: .1}
	for n, c := range map[int]struct {
		figures int
		says    string
	}{1: {0, "too few for any statistics"}, 4: {0, "too few for any statistics"}, 5: {7, "a mean and little more"}, 9: {7, "a mean and little more"}, 10: {7, "still wide"}, 30: {7, ""}} {
		a := analyse(t, h.cases(n, 6), Defaults())
		assert.Len(t, a.Figures, c.figures, n)
		assert.Len(t, a.Cases, n)
		assert.Contains(t, strings.Join(a.Notes, "\n")+"still wide", c.says, n)
		for _, f := range a.Figures {
			assert.Equal(t, n < 10 || f.Figure != measurement.Apex, f.Chart == nil, "%d cases, %s", n, f.Figure)
			assert.Equal(t, n < 10, f.Learning.Verdict == learningcurve.TooFew)
			assert.Equal(t, n < 10, f.Now == nil)
			assert.Equal(t, n < BoundCases, f.Bound.Upper == nil, "told by the number of cases alone")
		}
	}
	_, err := Analyse(nil, Defaults())
	assert.ErrorIs(t, err, ErrNoCases)
}

// Figures without mesial parts and without uncertainties, as a table from
// elsewhere has them.
func TestBareTable(t *testing.T) {
	rows := hand{spread: steady(.4), u: .1}.cases(20, 7)
	for i := range rows {
		entry := rows[i].Deviation[measurement.Entry]
		rows[i].Deviation, rows[i].U, rows[i].Clearance = measurement.Values{}, measurement.Values{}, nil
		rows[i].Deviation[measurement.Entry] = entry
	}
	a := analyse(t, rows, Defaults())
	require.Len(t, a.Figures, 1)
	assert.Nil(t, a.Figures[0].Noise)
	assert.Nil(t, a.Success)
	assert.Empty(t, a.Margins)
	for _, h := range a.Habits {
		assert.Nil(t, h.Habit)
		assert.Contains(t, h.Words, "a habit cannot be looked for")
	}
	notes := strings.Join(a.Notes, "\n")
	assert.Contains(t, notes, "no success rate")
	assert.Contains(t, notes, "state no uncertainty")
}

func TestAllFiguresTheSame(t *testing.T) {
	rows := hand{spread: steady(.4), u: .1}.cases(30, 7)
	for i := range rows {
		for f := range rows[i].Deviation {
			rows[i].Deviation[f] = number(1)
		}
		rows[i].Clearance = []measurement.Clearance{{Kind: "nerve", Planned: 3, Achieved: number(2), Margin: number(2)}}
	}
	a := analyse(t, rows, Defaults())
	for _, f := range a.Figures {
		assert.Nil(t, f.Learning)
		assert.Nil(t, f.Bound.Upper)
		assert.Nil(t, f.Chart)
		assert.Nil(t, f.Now)
	}
	require.Len(t, a.Margins, 4)
	for _, m := range a.Margins {
		assert.Contains(t, m.Words, "all the same")
	}
	assert.Contains(t, a.Habits[0].Words, "do not spread")
}

func TestStatedTarget(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(50, 8)
	o := Defaults()
	o.Target = map[string]float64{"entry_mm": .2}
	a := analyse(t, rows, o)
	c := a.figure(t, "entry_mm").Chart
	assert.Equal(t, "the stated target", c.Against)
	assert.Equal(t, .2, *c.Target)
	assert.Greater(t, c.Worse, 0)
	assert.Less(t, c.Worse, 15)
	// The target on the root scale by the ratio of the cases' own means.
	roots, sum := 0.0, 0.0
	for _, r := range rows {
		roots += math.Sqrt(*r.Deviation[measurement.Entry]) / 50
		sum += *r.Deviation[measurement.Entry] / 50
	}
	assert.InDelta(t, roots*math.Sqrt(.2/sum), c.CUSUM.Target, 1e-12)
	assert.InDelta(t, 465.4, *c.FalseEvery, .1)
	assert.Nil(t, analyse(t, rows, Defaults()).figure(t, "entry_mm").Chart, "one figure is watched unless others are asked for")
}

func TestGroups(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(48, 9)
	for i := range rows[:9] {
		rows[i].Guidance = "freehand"
	}
	a := analyse(t, rows, Defaults())
	got := map[string]Group{}
	for _, g := range a.Groups {
		got[g.By+" "+g.Name] = g
	}
	assert.Len(t, got, 6)
	assert.Contains(t, got["guidance freehand"].Note, "9 fixtures, too few")
	assert.Nil(t, got["guidance freehand"].Apex)
	// Of each eight sites three are upper anterior or lower posterior, and so on.
	assert.Equal(t, 24, got["jaw lower"].Fixtures)
	assert.Equal(t, 12, got["region anterior"].Fixtures)
	assert.Equal(t, 36, got["region posterior"].Success.Of)
	assert.Equal(t, 36, got["region posterior"].Apex.N)
}

// The published figures: their intervals hold their means, as one misprinted in
// public does not; and they stand beside cases of the same guidance only.
func TestPublishedFigures(t *testing.T) {
	assert.Len(t, References(), 10)
	for _, r := range References() {
		assert.NotEmpty(t, r.Source)
		assert.True(t, (r.Low == nil) == (r.High == nil) && (r.Low != nil || r.SD != nil))
		if r.Low != nil {
			assert.True(t, *r.Low <= r.Mean && r.Mean <= *r.High, r.Figure)
		}
	}
	own := &Summary{Mean: 2, Low: number(1.8), High: number(2.2)}
	static := compare(measurement.Apex, "full-guide", own)
	require.Len(t, static, 2)
	assert.Equal(t, 1.4, static[0].Mean)
	assert.Equal(t, Above, static[0].Place)
	own = &Summary{Mean: 1.3, Low: number(1.2), High: number(1.4)}
	assert.Equal(t, []Place{Within, Below}, []Place{compare(measurement.Apex, "full-guide", own)[0].Place, compare(measurement.Apex, "full-guide", own)[1].Place})
	assert.Len(t, compare(measurement.Apex, "", own), 3)
	assert.Empty(t, compare(measurement.Apex, "freehand", own))
	assert.Empty(t, compare(measurement.Entry, "freehand", own)[0].Place, "a single study without an interval")
}

func TestSeveralClinicians(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(20, 10)
	second := hand{spread: steady(.8), u: .05}.cases(20, 11)
	for i := range second {
		second[i].Clinician = "clinician-b"
	}
	third := hand{spread: steady(.8), u: .05}.cases(1, 12)
	third[0].Clinician, third[0].Doubt = "clinician-c", true
	all := append(append(rows, second...), third...)
	_, err := Analyse(all, Defaults())
	assert.ErrorContains(t, err, "choose one of clinician-a, clinician-b, clinician-c")
	o := Defaults()
	o.Clinician = "clinician-x"
	_, err = Analyse(all, o)
	assert.ErrorContains(t, err, `no case of clinician "clinician-x"`)
	g, err := AnalyseTogether(all, Defaults())
	require.NoError(t, err)
	require.Len(t, g.Clinicians, 2)
	assert.Equal(t, []string{"clinician-c"}, g.Skipped)
	require.Len(t, g.Group, 7)
	first := g.Clinicians[0].figure(t, "entry_mm").Mean
	assert.Equal(t, 2, g.Group[0].N)
	assert.Equal(t, first, g.Group[0].Least)
	assert.InDelta(t, (g.Group[0].Least+g.Group[0].Most)/2, g.Group[0].Median, 1e-12)
	// Alone or in company a clinician's figures are the same.
	o.Clinician = "clinician-a"
	assert.Equal(t, analyse(t, all, o), g.Clinicians[0])
}

// Clinicians alike but one: the means of those with few cases are drawn in, and the one
// stands apart; without him nobody does.
func TestFunnel(t *testing.T) {
	var rows []series.Row
	for i := range 12 {
		n := 12
		if i == 3 {
			n = 2
		}
		h := hand{spread: steady(.4), u: .02}
		if i == 7 {
			h.spread, n = steady(1.2), 40
		}
		of := h.cases(n, uint64(40+i))
		for j := range of {
			of[j].Clinician = fmt.Sprintf("clinician-%02d", i)
			of[j].Case = fmt.Sprintf("%02d-%s", i, of[j].Case)
		}
		rows = append(rows, of...)
	}
	g, err := AnalyseTogether(rows, Defaults())
	require.NoError(t, err)
	require.Len(t, g.Funnel.Clinicians, 12)
	far, few := g.Funnel.Clinicians[7], g.Funnel.Clinicians[3]
	assert.Greater(t, far.Z, 2.0)
	assert.Less(t, far.Others, .1)
	assert.Greater(t, few.Others, far.Others, "two cases tell little")
	assert.Greater(t, few.High-few.Low, far.Mean/8)
	for _, s := range g.Funnel.Clinicians {
		assert.True(t, s.Low < s.Mean && s.Mean < s.High && s.Next > s.Mean, s.Clinician)
		if s.Clinician != far.Clinician {
			assert.False(t, s.Apart, s.Clinician)
		}
	}
	var alike []series.Row
	for _, r := range rows {
		if r.Clinician != far.Clinician {
			alike = append(alike, r)
		}
	}
	g, err = AnalyseTogether(alike, Defaults())
	require.NoError(t, err)
	assert.Empty(t, g.Funnel.Apart)
	assert.Greater(t, g.Funnel.Clinicians[0].Others, .5)
}

// A hall of clinicians gets means and success in one go; each alone gets all.
func TestManyClinicians(t *testing.T) {
	var rows []series.Row
	for i := range MostInFull + 1 {
		of := hand{spread: steady(.4), u: .05}.cases(12, uint64(i))
		for j := range of {
			of[j].Clinician = fmt.Sprintf("clinician-%02d", i)
		}
		rows = append(rows, of...)
	}
	g, err := AnalyseTogether(rows, Defaults())
	require.NoError(t, err)
	assert.True(t, g.Brief)
	require.Len(t, g.Clinicians, MostInFull+1)
	a := g.Clinicians[3]
	assert.Nil(t, a.figure(t, "entry_mm").Learning)
	assert.Empty(t, a.Margins)
	require.NotNil(t, a.Success)
	o := Defaults()
	o.Clinician = "clinician-03"
	full := analyse(t, rows, o)
	assert.Equal(t, full.figure(t, "entry_mm").Summary, a.figure(t, "entry_mm").Summary)
	assert.Equal(t, full.Success, a.Success)
	assert.Equal(t, MostInFull+1, g.Group[0].N)
}

// Against a stated target a chart begins at the first case, learning or not, with
// the spread of neighbouring cases.
func TestStatedTargetWhileLearning(t *testing.T) {
	o := Defaults()
	o.Target = map[string]float64{"apex_mm": .8}
	a := analyse(t, hand{spread: func(n int) float64 { return .4 + 1.4*math.Exp(-float64(n-1)/6) }, u: .1}.cases(50, 14), o)
	f := a.figure(t, "apex_mm")
	require.Equal(t, Falls, f.Course.Finding)
	require.NotNil(t, f.Chart)
	assert.Equal(t, 1, f.Chart.FromCase)
	assert.Len(t, f.Chart.Sums, 50)
	assert.Zero(t, f.Chart.Worse, "no change for the worse is told of a record that falls")
	assert.InDelta(t, 2/1.128, movingRange([]float64{1, 3, 1, 3}), 1e-12)
}

// A habit with one way of guidance alone is found there, and named.
func TestHabitOfAGroup(t *testing.T) {
	rows := hand{spread: steady(.3), u: .05}.cases(60, 21)
	for i := range rows {
		if i%2 == 0 {
			rows[i].Guidance = "freehand"
			for _, f := range []measurement.Figure{measurement.ApexMesial, measurement.ApexBuccal} {
				*rows[i].Deviation[f] += .8
			}
		}
	}
	a := analyse(t, rows, Defaults())
	of := map[string]*Habit{}
	for i := range a.Habits {
		of[a.Habits[i].Group] = &a.Habits[i]
	}
	require.Contains(t, of, "freehand")
	require.Contains(t, of, "full-guide")
	assert.Less(t, *of["freehand"].Adjusted, .001)
	assert.Equal(t, 30, of["freehand"].Cases)
	assert.Greater(t, *of["full-guide"].Adjusted, .05)
	assert.Contains(t, a.Answers.Habit, "in freehand cases at the apex on average")
	assert.NotContains(t, a.Answers.Habit, "fully guided")
	// Fewer than ten of a kind are no group.
	for i := range rows {
		if i > 16 {
			rows[i].Guidance = "full-guide"
		}
	}
	for _, h := range analyse(t, rows, Defaults()).Habits {
		assert.NotEqual(t, "freehand", h.Group)
	}
}

// Lengths measured with noise are longer: with .3 mm in each direction the mean length of a
// true one of 1 mm in space is 1.0896 mm (1 + .09 to the first order; by quadrature of the
// noncentral distribution, which a million draws confirm), and the noise taken out it is 1 to 1 %.
func TestNoiseTakenOut(t *testing.T) {
	rng := rand.New(rand.NewPCG(3, 3))
	raw, without := 0.0, 0.0
	const n, u = 200000, .3
	for range n {
		y := math.Hypot(math.Hypot(1+u*rng.NormFloat64(), u*rng.NormFloat64()), u*rng.NormFloat64())
		raw += y / n
		without += shortened(y, u, 2) / n
	}
	assert.InDelta(t, 1.09, raw, .003)
	assert.InDelta(t, 1, without, .012)
	// The order is kept, and what has a sign is left.
	before := 0.0
	for y := .01; y < 1; y += .01 {
		v := shortened(y, .3, 2)
		assert.Greater(t, v, before)
		before = v
	}
	assert.Equal(t, -1.0, shortened(-1, .3, 0))
	assert.Equal(t, .5, shortened(.5, .3, 0))
}

// Twenty figures that spread by .13 cannot have an uncertainty of .5; by .4 they can (the
// spread of 20 is under .53 σ once in a thousand: χ² of 19 degrees of freedom, any table).
func TestImpossibleUncertainty(t *testing.T) {
	u := slices.Repeat([]float64{.5}, 20)
	assert.True(t, noise(.13, u).Impossible)
	assert.True(t, noise(.26, u).Impossible)
	assert.False(t, noise(.27, u).Impossible)
	rows := hand{spread: steady(.1), u: .5}.cases(20, 3)
	for i := range rows {
		v := .8 + .001*float64(i%7)
		rows[i].Deviation[measurement.Apex], rows[i].Deviation[measurement.ApexLateral], rows[i].Deviation[measurement.ApexDepth] = &v, nil, nil
	}
	a := analyse(t, rows, Defaults())
	f := a.figure(t, "apex_mm")
	assert.Contains(t, f.Words.Spread, "does not allow")
	assert.Contains(t, strings.Join(a.Notes, " "), "The stated uncertainty of the apex deviation, 0.50 mm, cannot be true")
	assert.InDelta(t, .8, f.Now.Mean, .02, "nothing is taken out that cannot be there")
}

func TestBadOptions(t *testing.T) {
	rows := hand{spread: steady(.4), u: .05}.cases(20, 10)
	for says, change := range map[string]func(*Options){
		"0 cases":         func(o *Options) { o.Cases = 0 },
		"limits":          func(o *Options) { o.Limits.Angle = 0 },
		"coverage":        func(o *Options) { o.Coverage = 1 },
		"entri_mm":        func(o *Options) { o.Target = map[string]float64{"entri_mm": 1} },
		"5000 cases: exp": func(o *Options) { o.Cases = 5000 },
	} {
		o := Defaults()
		change(&o)
		_, err := Analyse(rows, o)
		assert.ErrorContains(t, err, says)
	}
}

// The whole structure of one series, as other packages see it.
func TestGolden(t *testing.T) {
	h := hand{mesial: -.3, deep: .2, spread: func(n int) float64 { return .4 + 1.4*math.Exp(-float64(n-1)/6) }, u: .1}
	o := Defaults()
	o.Designs = []series.Designed{counting(h.cases(50, 14))}
	a := analyse(t, h.cases(50, 14), o)
	b := analyse(t, h.cases(50, 14), o)
	text, err := json.MarshalIndent(a, "", " ")
	require.NoError(t, err)
	again, err := json.MarshalIndent(b, "", " ")
	require.NoError(t, err)
	require.Equal(t, string(text), string(again), "the same cases give the same bytes")
	var words []string
	for _, x := range a.Answers.List() {
		words = append(words, x[0]+" "+x[1])
	}
	for _, f := range a.Figures {
		words = append(words, f.Words.Level, f.Words.About())
	}
	for _, x := range a.Habits {
		words = append(words, x.Words)
	}
	words = append(words, a.Success.Words, a.Competence.Words)
	for _, m := range a.Margins {
		words = append(words, m.Words)
	}
	words = append(words, a.Notes...)
	got := strings.Join(words, "\n") + "\n"
	golden := "testdata/words.txt"
	if *update {
		require.NoError(t, os.WriteFile(golden, []byte(got), 0o644))
	}
	want, err := os.ReadFile(golden)
	require.NoError(t, err)
	assert.Equal(t, string(want), got)
}

func BenchmarkFiftyCases(b *testing.B) {
	rows := hand{spread: func(n int) float64 { return .4 + 1.4*math.Exp(-float64(n-1)/6) }, u: .1}.cases(50, 14)
	for b.Loop() {
		if _, err := Analyse(rows, Defaults()); err != nil {
			b.Fatal(err)
		}
	}
}

// A change for the worse after 30 steady cases is told at once and dated.
func TestChangeForTheWorse(t *testing.T) {
	h := hand{spread: func(n int) float64 {
		if n > 30 {
			return 1.2
		}
		return .4
	}, u: .05}
	a := analyse(t, h.cases(50, 16), Defaults())
	f := a.figure(t, "apex_mm")
	assert.Equal(t, Rises, f.Course.Finding)
	assert.Equal(t, learningcurve.Rising, f.Learning.Verdict)
	assert.Greater(t, f.Chart.Worse, 30)
	assert.InDelta(t, 31, f.Chart.WorseSince, 6)
	assert.Zero(t, f.Chart.Better)
	assert.Contains(t, a.Answers.Better, "No, worse: the apex deviation rises")
	assert.Contains(t, a.Answers.Better, "The change began about case")
	assert.NotContains(t, a.Answers.Better, "Yes")
	assert.Contains(t, a.Answers.Room, "find the reason before you plan by it")
	for _, m := range a.Margins {
		assert.True(t, m.Rising)
	}
}

// A change of guidance is no learning; the level now is that of the latest guidance.
func TestChangeOfGuidance(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	h := hand{spread: func(n int) float64 {
		if n > 25 {
			return .3
		}
		return .9
	}, u: .05}
	rows := h.cases(50, 3)
	for i := range rows[:25] {
		rows[i].Guidance = "freehand"
	}
	a := analyse(t, rows, Defaults())
	f := a.figure(t, "apex_mm")
	assert.Equal(t, NoFinding, f.Course.Finding)
	require.Len(t, f.Now.Earlier, 1)
	assert.Equal(t, "freehand", f.Now.Earlier[0].Guidance)
	assert.Equal(t, 25, f.Now.Earlier[0].Cases)
	assert.Greater(t, f.Now.Earlier[0].Effect, 2*f.Now.Earlier[0].SE)
	assert.Less(t, f.Now.Mean, .75*f.Mean)
	assert.Contains(t, a.Answers.Now, "how earlier ones, freehand, differ is taken out")
	for i := range rows {
		rows[i].Guidance = ""
	}
	assert.Equal(t, Falls, analyse(t, rows, Defaults()).figure(t, "apex_mm").Course.Finding, "without the guidance it is a fall")
}

// Nothing but the fixtures of a case changes: no trend of a figure with a sign (the mean
// of several is smaller in size than each).
func TestFixturesOfACaseAreNoTrend(t *testing.T) {
	rows := hand{spread: steady(.5), u: .05}.cases(60, 4)
	for i := range rows[:45] {
		rows[i].Case, rows[i].Placed = rows[i/3*3].Case, rows[i/3*3].Placed
	}
	a := analyse(t, rows, Defaults())
	require.Len(t, a.Cases, 30)
	f := a.figure(t, "apex_depth_mm")
	assert.Equal(t, NoFinding, f.Course.Finding)
	require.NotNil(t, f.Now.Alike)
	assert.Less(t, *f.Now.Alike, .5, "the fixtures were drawn one by one")
}
