package phantom

import (
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

// Every class gives cases that can be made, the same for the same seed.
func TestRandomSurface(t *testing.T) {
	for _, class := range SurfaceClasses {
		for seed := range uint64(3) {
			s, o, err := RandomSurface(seed, class)
			require.NoError(t, err)
			s.Surface = &o
			require.NoError(t, s.Check(), "%s %d", class, seed)
			again, p, err := RandomSurface(seed, class)
			require.NoError(t, err)
			again.Surface = &p
			assert.Equal(t, s, again)
			sc, _, err := newScene(s)
			require.NoError(t, err)
			switch n := len(sc.own.teeth); class {
			case ToothlessMouth:
				assert.Zero(t, n)
			case FewTeeth:
				assert.LessOrEqual(t, n, 4)
			default:
				assert.Greater(t, n, 8)
			}
		}
	}
	_, _, err := RandomSurface(1, "soft")
	require.Error(t, err)
	s := Usual("36")
	s.Surface = &SurfaceScan{From: 10, To: 58, Noise: -1}
	require.ErrorContains(t, s.Check(), "surface scan: noise is -1 mm")
}

// A scan body tells where its fixture lies but for the error of its seat, which is rotated and
// shifted in the fixture's own frame.
func TestSeated(t *testing.T) {
	s := Usual("36")
	truth, err := TruthOf(s)
	require.NoError(t, err)
	for shift, want := range map[geom.Vec]float64{{}: 0, {Z: 0.5}: 0.5, {X: 0.3, Y: -0.4}: 0.5} {
		f, err := RenderSurfaces(s, SurfaceScan{From: 30, To: 50, SeatShift: shift})
		require.NoError(t, err)
		achieved := truth.Fixtures[0].Achieved
		d := r3.Sub(f.Seated[0].Entry, achieved.Entry)
		assert.InDelta(t, want, r3.Norm(d), 1e-9)
		assert.InDelta(t, -shift.Z, r3.Dot(d, achieved.Axis()), 1e-9, "+z is coronal")
		assert.InDelta(t, 0, geom.Angle(f.Seated[0].Axis(), achieved.Axis()), 1e-7)
	}
}

// A case folder with a surface scan in the follow-up scan's place, and with both.
func TestWriteSurfaces(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	s := small("36")
	for _, c := range []*Scan{&s.Pre, &s.Post} {
		c.Voxel = 1
	}
	s.Surface = &SurfaceScan{From: 20, To: 55, Noise: 0.01, Before: true, Alone: true}
	dir := filepath.Join(t.TempDir(), "case")
	require.NoError(t, Write(dir, s))
	require.NoError(t, Write(dir, s), "again")
	assert.NoDirExists(t, filepath.Join(dir, "post"))
	for _, name := range []string{"case.toml", "case-matrix.toml"} {
		c, err := casefile.Read(filepath.Join(dir, name))
		require.NoError(t, err)
		assert.Empty(t, c.Post)
		assert.Equal(t, filepath.Join(dir, "after.stl"), c.PostSurface)
		assert.Equal(t, filepath.Join(dir, "before.stl"), c.PreSurface)
		_, err = trimesh.Read(c.Fixtures[0].ScanBody.File)
		require.NoError(t, err)
	}
	r, err := ReadRecord(dir)
	require.NoError(t, err)
	assert.Equal(t, r.PostToPre, r.Surface.SurfaceToPre)
	assert.NotNil(t, r.Surface.Seated[0])

	changed := s
	both := *s.Surface
	both.Alone = false
	changed.Surface = &both
	require.Error(t, Write(dir, changed), "another phantom")
	other := filepath.Join(t.TempDir(), "both")
	require.NoError(t, Write(other, changed))
	c, err := casefile.Read(filepath.Join(other, "case.toml"))
	require.NoError(t, err)
	assert.Equal(t, filepath.Join(other, "post"), c.Post)
	assert.NotEmpty(t, c.PostSurface)
	_, err = os.Stat(filepath.Join(other, "post"))
	require.NoError(t, err)
}
