package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
)

// By hand: an entry 0.3 mm off, where both u are 0.1 mm, gives χ² = 0.09/0.02 = 4.5; the
// chance of that with 5 degrees of freedom is 0.480 (R 4.2.2: pchisq(4.5, 5, lower = FALSE)).
func TestChanceOfADifference(t *testing.T) {
	assert.InDelta(t, 0.480, chanceOf(geom.Vec{X: 0.3}, geom.Vec{}, even(0.01), even(0.01)), 1e-3)
	assert.InDelta(t, 1, chanceOf(geom.Vec{}, geom.Vec{}, even(0.01), even(0.01)), 1e-12)
	assert.Less(t, chanceOf(geom.Vec{X: 1}, geom.Vec{X: 1}, even(0.01), even(0.01)), 1e-9)
}

// Two records that agree are a notice; what is apart by more than both explain is said, and is
// a doubt where it is hardly chance.
func TestTwoRecordsAreCompared(t *testing.T) {
	planned := geom.Pose{Entry: geom.Vec{X: 1}, Apex: geom.Vec{X: 1, Z: -10}}
	achieved := func(by geom.Vec) evidence.Achieved {
		p := geom.Pose{Entry: r3.Add(planned.Entry, by), Apex: r3.Add(planned.Apex, by)}
		return evidence.Achieved{Kind: evidence.SurfaceScan, Pose: &p, Diameter: 4, Length: 10, Budget: evidence.Budget{{Name: "noise", Cov: even(0.0025)}}}
	}
	for _, x := range []struct {
		by     float64
		agrees bool
		level  measurement.Level
	}{{0.05, true, measurement.Notice}, {0.2, false, measurement.Notice}, {1, false, measurement.Doubt}} {
		s := Site{Plan: casefile.Fixture{Site: 36, Planned: planned}, Achieved: achieved(geom.Vec{}), Figures: &measurement.Fixture{}}
		require.NoError(t, s.compare(achieved(geom.Vec{X: x.by}), nil, 1))
		got := s.Figures.Second
		require.NotNil(t, got)
		assert.Equal(t, "surface", got.Evidence)
		assert.Equal(t, x.agrees, *got.Agrees)
		assert.InDelta(t, x.by, got.Difference.Entry, 1e-9)
		assert.InDelta(t, x.by, got.Difference.Apex, 1e-9)
		assert.InDelta(t, 0, got.Difference.Angle, 1e-9)
		assert.InDelta(t, x.by, *got.Deviation[measurement.Entry], 1e-9)
		require.Len(t, s.Figures.Flags, 1)
		code := measurement.CodeEvidenceDisagrees
		if x.agrees {
			code = measurement.CodeEvidenceAgrees
		}
		assert.Equal(t, code, s.Figures.Flags[0].Code)
		assert.Equal(t, x.level, s.Figures.Flags[0].Level)
	}
	none := Site{Plan: casefile.Fixture{Site: 36, Planned: planned}, Figures: &measurement.Fixture{}}
	require.NoError(t, none.compare(achieved(geom.Vec{}), nil, 1))
	assert.Nil(t, none.Figures.Second.Agrees)
	assert.Nil(t, none.Figures.Second.Difference)
}
