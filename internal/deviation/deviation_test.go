package deviation

import (
	"math"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	_ "plumbline/internal/seeded" // of rapid
	"plumbline/internal/tooth"
)

// upright is a planned fixture of 10 mm in a lower jaw.
var upright = geom.Pose{Apex: geom.Vec{Z: -10}}

func of(t require.TestingT, planned, achieved geom.Pose, d *Directions) measurement.Values {
	out, err := Of(planned, achieved, d)
	require.NoError(t, err)
	return out
}

// Worked example, computed in double precision with numpy from the definitions
// alone, printed to six decimals. The other lateral of the literature would be
// 1.018470 here.
func TestWorkedExample(t *testing.T) {
	placed := geom.Pose{Entry: geom.Vec{X: 0.6, Y: 0.8, Z: 0.5}, Apex: geom.Vec{X: 1.2, Y: 0.8, Z: -9.4}}
	d := of(t, upright, placed, nil)
	for name, x := range map[string][2]float64{
		"entry":         {*d[measurement.Entry], 1.118034},
		"entry depth":   {*d[measurement.EntryDepth], -0.5},
		"entry lateral": {*d[measurement.EntryLateral], 1},
		"apex":          {*d[measurement.Apex], 1.562050},
		"apex depth":    {*d[measurement.ApexDepth], -0.6},
		"apex lateral":  {*d[measurement.ApexLateral], 1.442221},
		"angle":         {*d[measurement.Angle], 3.468229},
	} {
		require.InDelta(t, x[1], x[0], 1e-6, name)
	}
	require.Nil(t, d[measurement.EntryMesial])
	require.Nil(t, d[measurement.TiltBuccal])
}

// By hand, on a lower left first molar: its mesial is anterior, its buccal is
// the patient's left.
func TestPartsByHand(t *testing.T) {
	site, err := Site(36, upright, geom.Vec{Y: -2, Z: 0.3})
	require.NoError(t, err)
	require.Equal(t, Directions{Mesial: geom.Vec{Y: -1}, Buccal: geom.Vec{X: 1}}, site)

	placed := geom.Pose{Entry: geom.Vec{X: 0.5, Y: -0.25, Z: -1}, Apex: geom.Vec{X: -0.5, Y: 0.75, Z: -11}}
	d := of(t, upright, placed, &site)
	require.InDelta(t, 1, *d[measurement.EntryDepth], 1e-12, "deeper is positive")
	require.InDelta(t, 0.25, *d[measurement.EntryMesial], 1e-12)
	require.InDelta(t, 0.5, *d[measurement.EntryBuccal], 1e-12)
	require.InDelta(t, -0.75, *d[measurement.ApexMesial], 1e-12)
	require.InDelta(t, -0.5, *d[measurement.ApexBuccal], 1e-12)
	require.InDelta(t, -geom.Degrees(math.Atan(0.1)), *d[measurement.TiltMesial], 1e-12)
	require.InDelta(t, -geom.Degrees(math.Atan(0.1)), *d[measurement.TiltBuccal], 1e-12)
}

// Drift of the apex of a fixture that pivots about its entry: the chord is
// 2L·sin(α/2), its lateral part L·sin α. Computed with numpy, six decimals.
func TestApexDriftOfAPivot(t *testing.T) {
	turn := geom.Rotation(geom.Vec{X: geom.Radians(3.5)})
	d := of(t, upright, turn.ApplyPose(upright), nil)
	require.InDelta(t, 0.610770, *d[measurement.Apex], 1e-6)
	require.InDelta(t, 0.610485, *d[measurement.ApexLateral], 1e-6)
	require.InDelta(t, 3.5, *d[measurement.Angle], 1e-12)
	require.Zero(t, *d[measurement.Entry])
	require.Negative(t, *d[measurement.ApexDepth], "a tilted fixture reaches less deep")
}

// The first six of 23 implants in Onclin, doctoral thesis (University of
// Groningen), table 3.1: entry lateral and depth give back the printed global
// deviation within 0.09 mm, as the table's rounding of all three to 0.1 mm
// allows.
func TestPublishedTable(t *testing.T) {
	for i, row := range [][4]float64{ // angle°, global, lateral, depth
		{5.0, 1.0, 0.8, 0.6}, {7.7, 1.2, 0.6, 1.0}, {5.2, 1.0, 0.9, 0.4},
		{4.5, 0.9, 0.5, 0.7}, {4.2, 0.4, 0.3, 0.3}, {8.9, 0.4, 0.2, 0.4},
	} {
		entry := geom.Vec{X: row[2], Z: -row[3]}
		placed := geom.Rotation(geom.Vec{Y: geom.Radians(row[0])}).ApplyPose(upright)
		placed = geom.Pose{Entry: entry, Apex: r3.Add(placed.Apex, entry)}
		d := of(t, upright, placed, nil)
		require.InDelta(t, row[1], *d[measurement.Entry], 0.09, "row %d", i)
		require.InDelta(t, row[2], *d[measurement.EntryLateral], 1e-12)
		require.InDelta(t, row[3], *d[measurement.EntryDepth], 1e-12)
		require.InDelta(t, row[0], *d[measurement.Angle], 1e-9)
	}
}

// Two placements and their figures as an independent scan simulator states them
// from unrounded poses; the poses here are rounded to 0.00001 mm, which moves a
// length by up to 2·10⁻⁵ mm and the angle by up to 2·10⁻⁴ degrees.
func TestAgainstAnIndependentSimulator(t *testing.T) {
	d := of(t,
		geom.Pose{Entry: geom.Vec{X: -24.21728, Y: -2.97395, Z: 3.98421}, Apex: geom.Vec{X: -23.73575, Y: -1.56738, Z: -8.9305}},
		geom.Pose{Entry: geom.Vec{X: -23.03283, Y: -2.73038, Z: 5.35101}, Apex: geom.Vec{X: -23.63431, Y: -1.43567, Z: -7.57036}},
		nil)
	require.InDelta(t, 1.8249387155208665, *d[measurement.Entry], 2e-5)
	require.InDelta(t, 1.3702561342199717, *d[measurement.Apex], 2e-5)
	require.InDelta(t, 4.800151345030172, *d[measurement.Angle], 2e-4)
	require.InDelta(t, -1.287606374901029, *d[measurement.EntryDepth], 2e-5)
	require.InDelta(t, -1.3332020781243363, *d[measurement.ApexDepth], 2e-5)
	require.InDelta(t, 1.293240557174566, *d[measurement.EntryLateral], 2e-5)
	require.InDelta(t, 0.3165029103379816, *d[measurement.ApexLateral], 2e-5)
}

func TestSameFixtureHasNoDeviation(t *testing.T) {
	site := Directions{Mesial: geom.Vec{Y: -1}, Buccal: geom.Vec{X: 1}}
	d := of(t, upright, upright, &site)
	for _, x := range list(d) {
		require.Zero(t, x)
	}
}

// An angle of a millionth of a degree keeps its digits, where the arc cosine
// would give zero.
func TestSmallAngles(t *testing.T) {
	turned := geom.Rotation(geom.Vec{X: geom.Radians(1e-6)}).ApplyPose(upright)
	require.InEpsilon(t, 1e-6, *of(t, upright, turned, nil)[measurement.Angle], 1e-6)
}

func TestPosesWithoutAnAxis(t *testing.T) {
	point := geom.Pose{Entry: geom.Vec{X: 1}, Apex: geom.Vec{X: 1, Z: 0.05}}
	_, err := Of(point, upright, nil)
	require.ErrorIs(t, err, ErrPose)
	require.EqualError(t, err, "planned pose: the fixture has no axis: entry and apex are only 0.050 mm apart")
	_, err = Of(upright, geom.Pose{Apex: geom.Vec{X: math.NaN()}}, nil)
	require.ErrorIs(t, err, ErrPose)
	require.ErrorContains(t, err, "achieved pose")
	_, err = Of(upright, geom.Pose{Apex: geom.Vec{Y: math.Inf(1)}}, nil)
	require.ErrorIs(t, err, ErrPose)
}

func TestReversedAxis(t *testing.T) {
	for _, apex := range []geom.Vec{{Z: 10}, {X: 10, Z: 0.01}, {X: 10}} {
		_, err := Of(upright, geom.Pose{Apex: apex}, nil)
		require.ErrorIs(t, err, ErrReversed)
	}
	_, err := Of(upright, geom.Pose{Apex: geom.Vec{X: 10, Z: -0.01}}, nil)
	require.NoError(t, err)
}

// Mesial and buccal of a tooth in each quadrant and both regions, in patient
// coordinates (x left, y posterior, z superior), from anatomy: buccal faces away
// from the tongue.
func TestSiteInEveryQuadrant(t *testing.T) {
	right, left := geom.Vec{X: -1}, geom.Vec{X: 1}
	front := geom.Vec{Y: -1}
	for _, c := range []struct {
		site           tooth.Number
		mesial, buccal geom.Vec
	}{
		{16, front, right}, {26, front, left}, {36, front, left}, {46, front, right},
		{11, left, front}, {21, right, front}, {31, right, front}, {41, left, front},
	} {
		p := geom.Pose{Apex: geom.Vec{Z: -10}}
		if c.site.Jaw() == tooth.Upper {
			p.Apex.Z = 10
		}
		d, err := Site(c.site, p, c.mesial)
		require.NoError(t, err)
		require.Equal(t, c.mesial, d.Mesial, "site %v", c.site)
		require.InDelta(t, 0, r3.Norm(r3.Sub(c.buccal, d.Buccal)), 1e-12, "site %v", c.site)
	}
}

func TestMesialOfNoUse(t *testing.T) {
	for _, m := range []geom.Vec{{}, {X: math.NaN()}, {Z: -1}, {Z: 1}, {X: 0.3, Z: -1}} {
		_, err := Site(36, upright, m)
		require.ErrorIs(t, err, ErrMesial, "%v", m)
	}
	_, err := Site(36, geom.Pose{}, geom.Vec{X: 1})
	require.ErrorIs(t, err, ErrPose)
	_, err = Site(36, upright, geom.Vec{X: 0.4, Z: -1})
	require.NoError(t, err)
}

func vector(scale float64) *rapid.Generator[geom.Vec] {
	x := rapid.Float64Range(-scale, scale)
	return rapid.Custom(func(t *rapid.T) geom.Vec {
		return geom.Vec{X: x.Draw(t, "x"), Y: x.Draw(t, "y"), Z: x.Draw(t, "z")}
	})
}

// placement draws a planned fixture and a placed one that is off by up to some
// millimetres and 50 degrees.
func placement(t *rapid.T) (planned, achieved geom.Pose, site Directions) {
	motion := geom.Rotation(vector(3).Draw(t, "turn"))
	motion.T = vector(50).Draw(t, "move")
	planned = motion.ApplyPose(geom.Pose{Apex: geom.Vec{Z: -rapid.Float64Range(6, 18).Draw(t, "length")}})
	achieved = geom.Rotation(vector(0.5).Draw(t, "tilt")).ApplyPose(geom.Pose{Apex: r3.Sub(planned.Apex, planned.Entry)})
	off := r3.Add(planned.Entry, vector(3).Draw(t, "off"))
	achieved = geom.Pose{Entry: off, Apex: r3.Add(off, achieved.Apex)}
	e1, e2 := geom.Perpendicular(planned.Axis())
	return planned, achieved, Directions{Mesial: e1, Buccal: e2}
}

// list has the figures in order.
func list(d measurement.Values) []float64 {
	var out []float64
	for _, x := range d.All() {
		out = append(out, x)
	}
	return out
}

func TestMovingEverythingChangesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		planned, achieved, site := placement(t)
		m := geom.Rotation(vector(3).Draw(t, "turn all"))
		m.T = vector(100).Draw(t, "move all")
		moved := Directions{Mesial: m.Rotate(site.Mesial), Buccal: m.Rotate(site.Buccal)}
		require.InDeltaSlice(t,
			list(of(t, planned, achieved, &site)),
			list(of(t, m.ApplyPose(planned), m.ApplyPose(achieved), &moved)), 1e-9)
	})
}

func TestPartsAddUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		planned, achieved, site := placement(t)
		d := of(t, planned, achieved, &site)
		require.InDelta(t, *d[measurement.Entry], math.Hypot(*d[measurement.EntryLateral], *d[measurement.EntryDepth]), 1e-9)
		require.InDelta(t, *d[measurement.Apex], math.Hypot(*d[measurement.ApexLateral], *d[measurement.ApexDepth]), 1e-9)
		require.InDelta(t, *d[measurement.EntryLateral], math.Hypot(*d[measurement.EntryMesial], *d[measurement.EntryBuccal]), 1e-9)
		require.InDelta(t, *d[measurement.ApexLateral], math.Hypot(*d[measurement.ApexMesial], *d[measurement.ApexBuccal]), 1e-9)
		// tan² of the angle is the sum of those of both tilts.
		tan := func(x float64) float64 { return math.Tan(geom.Radians(x)) }
		require.InDelta(t, tan(*d[measurement.Angle]), math.Hypot(tan(*d[measurement.TiltMesial]), tan(*d[measurement.TiltBuccal])), 1e-9)
	})
}

// With plan and placement exchanged the distances and the angle stay. The
// depths change sign where the axes agree.
func TestExchange(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		planned, achieved, site := placement(t)
		there, back := of(t, planned, achieved, &site), of(t, achieved, planned, &site)
		require.InDelta(t, *there[measurement.Entry], *back[measurement.Entry], 1e-9)
		require.InDelta(t, *there[measurement.Apex], *back[measurement.Apex], 1e-9)
		require.InDelta(t, *there[measurement.Angle], *back[measurement.Angle], 1e-9)

		off := vector(3).Draw(t, "shift")
		shifted := geom.Pose{Entry: r3.Add(planned.Entry, off), Apex: r3.Add(planned.Apex, off)}
		there, back = of(t, planned, shifted, &site), of(t, shifted, planned, &site)
		require.InDelta(t, *there[measurement.EntryDepth], -*back[measurement.EntryDepth], 1e-9)
		require.InDelta(t, *there[measurement.ApexMesial], -*back[measurement.ApexMesial], 1e-9)
		require.InDelta(t, *there[measurement.ApexBuccal], -*back[measurement.ApexBuccal], 1e-9)
	})
}

// A mirrored patient with the tooth of the other side has the same figures.
func TestMirroredPatient(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		planned, achieved, _ := placement(t)
		e1, e2 := geom.Perpendicular(planned.Axis())
		turn := rapid.Float64Range(0, 2*math.Pi).Draw(t, "mesial")
		mesial := r3.Add(r3.Scale(math.Cos(turn), e1), r3.Scale(math.Sin(turn), e2))
		place := rapid.IntRange(1, 8).Draw(t, "place")
		pair := rapid.SampledFrom([][2]int{{10, 20}, {30, 40}}).Draw(t, "jaw")

		mirror := func(v geom.Vec) geom.Vec { return geom.Vec{X: -v.X, Y: v.Y, Z: v.Z} }
		both := func(p geom.Pose) geom.Pose { return geom.Pose{Entry: mirror(p.Entry), Apex: mirror(p.Apex)} }
		here, err := Site(tooth.Number(pair[0]+place), planned, mesial)
		require.NoError(t, err)
		there, err := Site(tooth.Number(pair[1]+place), both(planned), mirror(mesial))
		require.NoError(t, err)
		require.InDeltaSlice(t,
			list(of(t, planned, achieved, &here)),
			list(of(t, both(planned), both(achieved), &there)), 1e-9)
	})
}

// Every figure of the table has a formula: a norm of a vector where it is
// unsigned, so that its uncertainty can be had. The error of the vector is that
// of its value, to first order: differences over 10⁻⁶ mm, of curvature about
// 10⁻⁷ of the error.
func TestEveryFigureHasItsFormula(t *testing.T) {
	planned := geom.Pose{Apex: geom.Vec{Z: -10}}
	achieved := geom.Pose{Entry: geom.Vec{X: 0.5, Y: -0.7, Z: -1}, Apex: geom.Vec{X: -0.6, Y: 0.75, Z: -11}}
	site := Directions{Mesial: geom.Vec{Y: -1}, Buccal: geom.Vec{X: 1}}
	const h = 1e-6
	for _, e := range []Ends{{Entry: geom.Vec{X: h}}, {Entry: geom.Vec{Z: h}}, {Apex: geom.Vec{Y: h}}, {Apex: geom.Vec{Z: h}}} {
		p := Compare(planned, achieved, &site)
		moved := Compare(planned, geom.Pose{Entry: r3.Add(achieved.Entry, e.Entry), Apex: r3.Add(achieved.Apex, e.Apex)}, &site)
		for f := range measurement.FigureCount {
			formula := FormulaOf(f)
			require.NotNil(t, formula.Value, f)
			change := formula.Value(&moved) - formula.Value(&p)
			perturbed := p.Perturbed(e, 0)
			switch {
			case !f.Signed():
				require.InDelta(t, formula.Value(&p), r3.Norm(formula.Vector(&p)), 1e-12, f)
				require.InDelta(t, change, r3.Norm(r3.Add(formula.Vector(&p), formula.VectorError(&p, e)))-formula.Value(&p), 1e-4*h, f)
			case formula.Error != nil:
				require.False(t, f.Directional(), f)
				require.InDelta(t, change, formula.Error(&p, e), 1e-4*h, f)
			default:
				require.InDelta(t, change, formula.Value(&perturbed)-formula.Value(&p), 1e-4*h, f)
			}
		}
	}
}
