package measure

import (
	"errors"
	"slices"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/registration"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// stated is an observation that has no scan: it states where the fixtures lie.
type stated struct {
	set          evidence.Set
	registration registration.Result
	err          error
}

func (s stated) Identify(in *measurement.Inputs) {
	in.Files = append(in.Files, measurement.File{Name: "after", SHA256: "5d"})
}
func (s stated) Who() scan.Identity { return scan.Identity{} }
func (s stated) Register(progress func(float64)) (*registration.Result, error) {
	progress(1)
	return &s.registration, s.err
}
func (s stated) Observe(registration.Result) evidence.Set { return s.set }
func (s stated) View(registration.Result) evidence.View   { return s.set.View }
func (s stated) Around(float64, ...geom.Vec) evidence.Grey {
	return func(geom.Vec) float64 { return 0 }
}
func diagonal(v float64) *mat.SymDense {
	cov := mat.NewSymDense(6, nil)
	for i := range 6 {
		cov.SetSym(i, i, v)
	}
	return cov
}

// statedCase has two parallel fixtures, 8 mm apart, and a canal below the first.
func statedCase(t *testing.T) *Inputs {
	t.Helper()
	fixtureAt := func(site int, x float64) casefile.Fixture {
		return casefile.Fixture{Site: tooth.Number(site), Planned: geom.Pose{Entry: geom.Vec{X: x, Y: 0.001}, Apex: geom.Vec{X: x, Y: 0.001, Z: -10}},
			Diameter: 4, Length: 10, PlacedDiameter: 4, PlacedLength: 10, Mesial: &geom.Vec{X: -1}}
	}
	plan := &casefile.Case{Name: "C-1", PlanSHA256: "ab", Frame: casefile.LPS, Fixtures: []casefile.Fixture{fixtureAt(36, 0), fixtureAt(37, 8)},
		Structures: []casefile.Structure{{Name: "canal", Kind: casefile.Nerve}}}
	canal, err := clearance.NewChain([]geom.Vec{{Y: -20, Z: -14}, {Y: 20, Z: -14}}, []float64{1})
	require.NoError(t, err)
	const n = 12 // voxels of 4 mm, all the same: no arch shows
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{n, n, n}, Origin: geom.Vec{X: -20, Y: -20, Z: -25}, Step: [3]geom.Vec{{X: 4}, {Y: 4}, {Z: 4}}},
		Stored: make([]uint16, n*n*n), Slope: slices.Repeat([]float64{1}, n), Intercept: make([]float64, n)}
	dir := t.TempDir()
	require.NoError(t, encode.Volume(dir, v, encode.Options{}))
	pre, err := scan.Open(dir, scan.Options{})
	require.NoError(t, err)

	moved := geom.Pose{Entry: geom.Vec{X: 0.3, Y: 0.001, Z: -0.4}, Apex: geom.Vec{X: 0.3, Y: 0.001, Z: -10.4}}
	beside := geom.Pose{Entry: geom.Vec{X: 8, Y: 0.001}, Apex: geom.Vec{X: 8, Y: 0.001, Z: -8}}
	budget := evidence.Budget{{Name: "touch", Cov: diagonal(0.0001)}, {Name: "frame", Cov: diagonal(0.01), Shared: true}}
	s := stated{registration: registration.Result{Method: "stated", PostToPre: geom.Identity(), Flags: []measurement.Flag{{Code: "frame-stated", Level: measurement.Notice}}}}
	s.set = evidence.Set{
		Fixtures: []evidence.Achieved{
			{Kind: "touch", Pose: &moved, Diameter: 4, Length: 10, Budget: budget, Flags: []measurement.Flag{{Code: "touched", Level: measurement.Notice}}},
			{Kind: "touch", Pose: &beside, Diameter: 4, Length: 8, Budget: budget},
		},
		Flags: []measurement.Flag{{Code: "one-more", Level: measurement.Notice}},
		View:  s,
	}
	return &Inputs{Plan: plan, Pre: pre, Observed: s, Written: plan, structures: []clearance.Structure{canal}}
}

// Where the fixtures lie decides every figure, whatever it was observed in. By
// hand: the first fixture lies 0.3 mm beside and 0.4 mm below its plan, with a
// standard uncertainty of √(0.0001 + 0.01) mm per coordinate; the plan, in
// thousandths, adds nothing that shows.
func TestFiguresWithoutAFollowUpScan(t *testing.T) {
	in := statedCase(t)
	s, err := Measure(in, Options{Seed: 1})
	require.NoError(t, err)
	require.Len(t, s.Sites, 2)
	f := s.Result.Fixtures[0]
	require.Same(t, &s.Result.Fixtures[0], s.Sites[0].Figures)
	assert.InDelta(t, 0.5, *f.Deviation[measurement.Entry], 1e-12)
	assert.InDelta(t, 0.5, *f.Deviation[measurement.Apex], 1e-12)
	assert.InDelta(t, 0.3, *f.Deviation[measurement.EntryLateral], 1e-12)
	assert.InDelta(t, 0.4, *f.Deviation[measurement.EntryDepth], 1e-12)
	assert.InDelta(t, -0.3, *f.Deviation[measurement.EntryMesial], 1e-12)
	assert.InDelta(t, 0, *f.Deviation[measurement.Angle], 1e-9)
	const u = 0.1005 // √0.0101
	// 20 000 draws give a standard deviation to 0.5 %; five of that are allowed.
	assert.InDelta(t, u, f.Uncertainty.Intervals[measurement.EntryDepth].U, 0.025*u)
	var names []string
	for _, c := range f.Uncertainty.Budget {
		names = append(names, c.Name)
	}
	assert.Equal(t, []string{"touch", "frame", "digits of the plan"}, names)
	assert.Equal(t, "touched", f.Flags[0].Code)
	flagged(t, s.Result.Flags, "one-more")
	flagged(t, s.Result.Alignment.Flags, "frame-stated")
	flagged(t, s.Result.Fixtures[1].Flags, "other-length")
	assert.Equal(t, []measurement.File{{Name: "after", SHA256: "5d"}}, s.Result.Inputs.Files)
	assert.Empty(t, s.Result.Inputs.PostSHA256)
	assert.Zero(t, s.Observed.Around(1)(geom.Vec{}))

	// By hand: the apex at z = −10.4 lies 2.6 mm over the canal's wall at −13; the
	// walls of the fixtures are 8 − 0.3 − 4 = 3.7 mm apart.
	require.Len(t, f.Clearance, 2)
	canal, other := f.Clearance[0], f.Clearance[1]
	assert.InDelta(t, 2.6, *canal.Achieved, 1e-6)
	assert.InDelta(t, 3.7, *other.Achieved, 1e-6)
	// An interval is 2·1.96 standard uncertainties wide: to the canal of u, and
	// of √2·0.01 mm between the fixtures, which the shared error of 0.1 mm moves
	// alike. The nearer of a tilted fixture's ends counts, hence the allowance.
	assert.InDelta(t, 3.92*u, *canal.High-*canal.Low, 0.1*3.92*u)
	assert.InDelta(t, 3.92*0.0141, *other.High-*other.Low, 0.3*3.92*0.0141)
}

func TestAnObservationThatCannotBeRegistered(t *testing.T) {
	in := statedCase(t)
	s := in.Observed.(stated)
	s.err = errors.New("the frame is not known; state it")
	in.Observed = s
	_, err := Measure(in, Options{})
	require.ErrorIs(t, err, s.err)
}

func TestAFixtureThatWasNotObserved(t *testing.T) {
	in := statedCase(t)
	s := in.Observed.(stated)
	s.set.Fixtures[0] = evidence.Achieved{Flags: []measurement.Flag{{Code: "not-touched", Level: measurement.Doubt}}}
	study, err := Measure(in, Options{Seed: 1})
	require.NoError(t, err)
	f := study.Result.Fixtures[0]
	assert.Nil(t, f.Achieved)
	assert.Nil(t, f.Deviation)
	assert.Nil(t, f.Uncertainty)
	assert.Nil(t, f.Clearance[0].Achieved)
	assert.Equal(t, "not-touched", f.Flags[0].Code)
	assert.NotNil(t, study.Result.Fixtures[1].Deviation)
	assert.True(t, study.Result.InDoubt())
	assert.Less(t, r3.Norm(study.Sites[1].Achieved.Pose.Entry), 9.0)
}

// What was set or drawn by hand has an uncertainty of its own. By hand: a plan's, 0.2 mm,
// joins the 0.1005 mm of the figures against the plan, √(0.0101 + 0.04) = 0.2238 mm, and
// leaves the clearance alone; a canal's drawn line, 0.4 mm, joins the clearance,
// √(0.0101 + 0.16) = 0.4124 mm, and leaves the figures alone.
func TestWhatWasSetByHandIsPaidFor(t *testing.T) {
	in := statedCase(t)
	plain, err := Measure(in, Options{Seed: 1})
	require.NoError(t, err)
	in = statedCase(t)
	in.Plan.Fixtures[0].PlanUncertainty = 0.2
	in.Plan.Structures[0].DrawnUncertainty = 0.4
	by, err := Measure(in, Options{Seed: 1})
	require.NoError(t, err)
	u := func(s *Study) float64 { return s.Result.Fixtures[0].Uncertainty.Intervals[measurement.EntryDepth].U }
	wide := func(s *Study, i int) float64 {
		c := s.Result.Fixtures[0].Clearance[i]
		return (*c.High - *c.Low) / 3.92
	}
	// 20 000 draws give a standard deviation to 0.5 %, and 2000 an interval's width to 3 %;
	// five and three of that are allowed.
	assert.InDelta(t, 0.2238, u(by), 0.025*0.2238)
	assert.InDelta(t, 0.4124, wide(by, 0), 0.1*0.4124)
	assert.InDelta(t, 0.1005, u(plain), 0.025*0.1005)
	assert.Equal(t, wide(plain, 1), wide(by, 1), "another fixture is not drawn by hand")
	names := []string{}
	for _, c := range by.Result.Fixtures[0].Uncertainty.Budget {
		names = append(names, c.Name)
	}
	assert.Equal(t, []string{"touch", "frame", "digits of the plan", "plan set by hand"}, names)
	assert.InDelta(t, *plain.Result.Fixtures[0].Clearance[0].Achieved, *by.Result.Fixtures[0].Clearance[0].Achieved, 0)
}
