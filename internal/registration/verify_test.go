package registration

import (
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

var somewhere = []geom.Pose{{Entry: vec(10, 4, 3), Apex: vec(10, 4, -9)}}

// foundAt is a registration on the scans with a standard uncertainty of mm and
// rad in each direction, about the fixture's middle.
func foundAt(postToPre geom.Rigid, mm, rad float64) Result {
	cov := mat.NewSymDense(6, nil)
	for i := range 3 {
		cov.SetSym(i, i, rad*rad)
		cov.SetSym(3+i, 3+i, mm*mm)
	}
	return Result{Method: "scans", PostToPre: postToPre, Centre: vec(10, 4, -3), Cov: cov, Quality: map[string]float64{"similarity_ratio": 0.9}}
}

// shifted is truth moved in the planning frame, so that it is wrong by that.
func shifted(truth geom.Rigid, by geom.Vec, turn geom.Vec) geom.Rigid {
	centre := vec(10, 4, -3)
	m := geom.Rotation(turn)
	m.T = r3.Add(by, r3.Sub(centre, m.Rotate(centre)))
	return m.After(truth)
}

func someTransform() geom.Rigid {
	m := geom.Rotation(vec(0.1, -0.2, 0.3))
	m.T = vec(4, 5, 6)
	return m
}

// A transform that the scans confirm gets their uncertainty, no notice, and none
// of the words of one that nothing was known of.
func TestConfirmedTransformHasTheScansUncertainty(t *testing.T) {
	truth := someTransform()
	found := foundAt(shifted(truth, vec(0.01, 0, -0.01), vec(0, 0.0005, 0)), 0.03, 0.001)
	c := Compare(Given(truth), found, somewhere)
	require.True(t, c.Agrees())
	r := c.Result()
	assert.Equal(t, truth, r.PostToPre, "it is taken as it is")
	assert.Empty(t, r.Flags)
	assert.Nil(t, r.Found)
	assert.True(t, mat.EqualApprox(found.Cov, r.Cov, 1e-12))
	assert.InDelta(t, 0.9, r.Quality["similarity_ratio"], 0)
	assert.InDelta(t, found.ExpectedTRE(somewhere[0].Apex), r.Quality["error_u_mm"], 1e-12)
}

// By hand: 2 mm along x, seen to 0.03 mm a direction: D² = (2/0.03)², and the
// variance along x is 0.03² + (1 − 6/D²)·4.
func TestWrongTransformIsADoubtWithBothResults(t *testing.T) {
	truth := someTransform()
	given := shifted(truth, vec(2, 0, 0), vec(0, 0, 0))
	r := Compare(Given(given), foundAt(truth, 0.03, 0.001), somewhere).Result()
	require.Len(t, r.Flags, 1)
	assert.Equal(t, "alignment-disagrees", r.Flags[0].Code)
	assert.Equal(t, measurement.Doubt, r.Flags[0].Level)
	assert.Contains(t, r.Flags[0].Message, "the given transform lies 2.0 mm and 0.0° from where the scans themselves fit")
	require.NotNil(t, r.Found)
	assert.Equal(t, truth, *r.Found)
	assert.Equal(t, given, r.PostToPre)
	stored := r.Alignment()
	require.NotNil(t, stored.Found)
	assert.Equal(t, truth.Matrix(), *stored.Found)
	assert.InDelta(t, 2, r.Quality[ScansDiffer], 1e-9)
	assert.InDelta(t, 0, r.Quality[ScansDifferTurn], 1e-5)
	squared := (2 / 0.03) * (2 / 0.03)
	assert.InDelta(t, 0.03*0.03+(1-6/squared)*4, r.Cov.At(3, 3), 1e-9)
	assert.InDelta(t, 0.03*0.03, r.Cov.At(4, 4), 1e-9, "not across it")
}

// What is off by more than half a millimetre or two degrees is a doubt; what is
// off by less is known, told, and in the intervals.
func TestHowFarOffIsADoubt(t *testing.T) {
	truth := someTransform()
	for _, c := range []struct {
		mm, deg float64
		code    string
	}{
		{0.05, 0, ""}, {0.3, 0, "alignment-differs"}, {0, 1, "alignment-differs"},
		{0.5, 0, "alignment-disagrees"}, {3, 0, "alignment-disagrees"},
		{0, 2, "alignment-disagrees"}, {0, 10, "alignment-disagrees"},
	} {
		given := Given(shifted(truth, vec(0, c.mm, 0), vec(geom.Radians(c.deg), 0, 0)))
		r := Compare(given, foundAt(truth, 0.02, 0.001), somewhere).Result()
		if c.code == "" {
			assert.Empty(t, r.Flags)
			continue
		}
		assert.Equal(t, []string{c.code}, codes(r.Flags), "%v", c)
	}
}

// Where the scans know little, they say so and doubt nothing.
func TestWeakScansDoubtNothing(t *testing.T) {
	truth := someTransform()
	given := Given(shifted(truth, vec(0.3, 0, 0), vec(0, 0, 0)))
	c := Compare(given, foundAt(truth, 0.3, 0.01), somewhere)
	assert.True(t, c.Agrees())
	assert.Equal(t, []string{"alignment-barely-checked"}, codes(c.Result().Flags))

	doubted := foundAt(truth, 0.05, 0.001)
	doubted.Flags = []measurement.Flag{{Code: measurement.CodeAlignmentDoubtful, Level: measurement.Doubt, Message: "parts disagree"}, {Code: measurement.CodeScaleMismatch, Level: measurement.Doubt}}
	r := Compare(Given(truth), doubted, somewhere).Result()
	assert.Equal(t, []string{"scale-mismatch", "alignment-barely-checked"}, codes(r.Flags), "a wrong voxel size is one with any transform")
}

func TestScansThatCannotTell(t *testing.T) {
	r := Unverified(Given(someTransform()), "they do not overlap")
	require.Equal(t, []string{"alignment-taken-as-exact"}, codes(r.Flags))
	assert.Contains(t, r.Flags[0].Message, "the scans cannot check it: they do not overlap")
	assert.Nil(t, r.Cov)

	marks := foundAt(someTransform(), 0.3, 0.02)
	r = Unverified(marks, "they do not overlap")
	assert.Equal(t, []string{"alignment-not-checked"}, codes(r.Flags))
	assert.Equal(t, marks.Cov, r.Cov)
}

// Landmarks have an uncertainty of their own, about their own centre: what it
// explains is no disagreement.
func TestLandmarksAreJudgedByBothUncertainties(t *testing.T) {
	truth := someTransform()
	marks := foundAt(shifted(truth, vec(0, 0.6, 0), vec(0, 0, 0)), 0.3, 0.01)
	marks.Method, marks.Centre = "landmarks", vec(30, 0, 0)
	r := Compare(marks, foundAt(truth, 0.02, 0.001), somewhere).Result()
	assert.Empty(t, r.Flags)
	assert.Equal(t, vec(30, 0, 0), r.Centre)
	assert.True(t, mat.EqualApprox(marks.Cov, r.Cov, 1e-12))

	sure := marks
	sure.Cov = foundAt(truth, 0.05, 0.001).Cov
	assert.Equal(t, []string{"alignment-disagrees"}, codes(Compare(sure, foundAt(truth, 0.02, 0.001), somewhere).Result().Flags))
}

// Where the given transform is right, D² is chi squared with 6 degrees of freedom:
// 3 in 2000 beyond the level of one in a thousand are likely, 12 are not (Poisson
// with mean 2: 10⁻⁶).
func TestRightTransformsAreSeldomDoubted(t *testing.T) {
	random := rand.New(rand.NewPCG(4, 25))
	truth := someTransform()
	beyond, squares := 0, 0.0
	const n = 2000
	for range n {
		draw := func(u float64) geom.Vec {
			return vec(u*random.NormFloat64(), u*random.NormFloat64(), u*random.NormFloat64())
		}
		c := Compare(Given(truth), foundAt(shifted(truth, draw(0.2), draw(0.02)), 0.2, 0.02), somewhere)
		squares += c.squared
		if c.significant() {
			beyond++
		}
	}
	assert.InDelta(t, 6, squares/n, 0.4, "five standard errors")
	assert.LessOrEqual(t, beyond, 12)
}
