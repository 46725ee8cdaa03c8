package practice

import (
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Through three points at equal chords, with heights 0, h and 0, the natural cubic spline
// is h·(3t − t³)/2 on the first piece, t from 0 to 1: its second derivative is 0 at both
// ends and −3h in the middle (R. L. Burden, J. D. Faires, Numerical analysis, 3.5, from
// memory; the four conditions are checked by hand).
func TestADrawnLineIsANaturalSpline(t *testing.T) {
	const a, h = 12.0, 5.0
	line := Smooth([]geom.Vec{{}, {X: a, Y: h}, {X: 2 * a}})
	length := 2 * math.Hypot(a, h)
	require.Len(t, line, int(math.Ceil(length))+1)
	for i, p := range line {
		s := 2 * float64(i) / float64(len(line)-1) // in chords
		u := min(s, 2-s)
		assert.InDelta(t, a*s, p.X, 0.006)
		assert.InDelta(t, h*(3*u-u*u*u)/2, p.Y, 0.006)
		assert.Zero(t, p.Z)
	}
	for i := 1; i < len(line); i++ {
		assert.Less(t, r3.Norm(r3.Sub(line[i], line[i-1])), 1.3, "points about a millimetre apart")
	}
	assert.Equal(t, []geom.Vec{{X: 1}, {X: 2}}, Smooth([]geom.Vec{{X: 1}, {X: 2.001}}), "two points are a straight line")
	assert.Len(t, Smooth([]geom.Vec{{X: 1}, {X: 1}, {X: 2}}), 3, "a point that is there twice is no bend")
}

func TestNamesThatAreProposedAreFree(t *testing.T) {
	f, err := Open(filepath.Join(t.TempDir(), "new", "practice"))
	require.NoError(t, err)
	defer f.Close()
	assert.Equal(t, "C-001", f.NextName(nil))
	require.NoError(t, os.Mkdir(filepath.Join(f.Path(), "C-001"), 0o755))
	assert.Equal(t, "C-003", f.NextName([]string{"C-002"}))
	require.NoError(t, CheckName("case", "C-003"))
	for _, name := range []string{"", "-a", "a b", "a.b", "é", "results", "nul/x", "..", "a^b"} {
		assert.Error(t, CheckName("case", name), name)
	}
}

func TestWhatAKilledProgramLeftIsTakenAwayADayLater(t *testing.T) {
	f, err := Open(t.TempDir())
	require.NoError(t, err)
	defer f.Close()
	for _, name := range []string{incoming + "1", "C-001", ".other"} {
		require.NoError(t, os.Mkdir(filepath.Join(f.Path(), name), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(f.Path(), name, "F00001"), nil, 0o644))
	}
	require.NoError(t, f.TidyUp(time.Now()))
	assert.DirExists(t, filepath.Join(f.Path(), incoming+"1"), "another program may be at it")
	require.NoError(t, f.TidyUp(time.Now().Add(forsaken+time.Minute)))
	assert.NoDirExists(t, filepath.Join(f.Path(), incoming+"1"))
	assert.DirExists(t, filepath.Join(f.Path(), "C-001"))
	assert.DirExists(t, filepath.Join(f.Path(), ".other"))
}

func TestADraftThatIsDamagedIsTold(t *testing.T) {
	f, err := Open(t.TempDir())
	require.NoError(t, err)
	defer f.Close()
	require.NoError(t, os.Mkdir(filepath.Join(f.Path(), "C-001"), 0o755))
	_, err = f.Case("C-001")
	require.ErrorIs(t, err, ErrNoCase, "an empty folder is no case")
	require.NoError(t, os.WriteFile(filepath.Join(f.Path(), "C-001", draftFile), []byte("{"), 0o644))
	_, err = f.Case("C-001")
	require.ErrorContains(t, err, "damaged")
	names, err := f.Names()
	require.NoError(t, err)
	assert.Equal(t, []string{"C-001"}, names)
}

// Two of what is stated of a known hand that did it twice hold its next error as often as a
// 95 % interval should.
func TestAHandThatDoesItTwiceIsKnown(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	const sigma, pairs, length = 0.35, 2000, 10.0
	jitter := func(p geom.Vec) geom.Vec {
		return r3.Add(p, geom.Vec{X: sigma * random.NormFloat64(), Y: sigma * random.NormFloat64(), Z: sigma * random.NormFloat64()})
	}
	pose := func() geom.Pose {
		p := geom.Pose{Entry: jitter(geom.Vec{X: 1})}
		p.Apex = r3.Add(p.Entry, r3.Scale(length, r3.Unit(r3.Sub(jitter(geom.Vec{X: 1, Z: -length}), p.Entry))))
		return p
	}
	line := func(from float64) (out []geom.Vec) {
		for y := from; y <= from+24; y += 4 {
			out = append(out, jitter(geom.Vec{Y: y}))
		}
		return out
	}
	set, drawn := 0, 0
	for range pairs {
		held := func(h Hand) bool { return math.Abs(sigma*random.NormFloat64()) <= 1.96*h.Uncertainty }
		if held(SetTwice(pose(), pose())) {
			set++
		}
		h, err := DrawnTwice(line(-12), line(-12+8*random.Float64()), 0)
		require.NoError(t, err)
		if held(h) {
			drawn++
		}
	}
	// The standard deviation of these shares is 0.5 %.
	assert.InDelta(t, 0.95, float64(set)/pairs, 0.015)
	assert.InDelta(t, 0.95, float64(drawn)/pairs, 0.015)

	same := geom.Pose{Apex: geom.Vec{Z: 10}}
	assert.Equal(t, Hand{Uncertainty: surest, Repeated: true}, SetTwice(same, same), "two that agree by chance show nothing")
	one := []geom.Vec{{Y: 0}, {Y: 4}, {Y: 8}}
	h, err := DrawnTwice(one, one, 0.4)
	require.NoError(t, err)
	assert.Equal(t, 0.4, h.Uncertainty, "of the radius alone")
	_, err = DrawnTwice(one, []geom.Vec{{Y: 7}, {Y: 12}, {Y: 20}}, 0)
	assert.ErrorIs(t, err, ErrApart)
}
