package scanpair

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// jaw is a scan of bone in soft tissue with a rod of metal, 0.5 mm voxels.
func jaw(rod bool) *volume.Volume {
	const n = 48
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{n, n, n}, Step: [3]geom.Vec{{X: 0.5}, {Y: 0.5}, {Z: 0.5}}}}
	for k := range n {
		v.Slope, v.Intercept = append(v.Slope, 1), append(v.Intercept, -1000)
		for j := range n {
			for i := range n {
				grey := uint16(1000 + (i*7+j*5+k*3)%40)
				switch x, y := i-24, j-24; {
				case rod && x*x+y*y < 12 && k > 12 && k < 36: // 3.5 mm by 12 mm
					grey = 6000
				case x*x+y*y < 200:
					grey += 900
				}
				v.Stored = append(v.Stored, grey)
			}
		}
	}
	return v
}

func put(t *testing.T, dir string, v *volume.Volume, date string) {
	require.NoError(t, encode.Volume(dir, v, encode.Options{StudyDate: date}))
}

func TestTwoScansInAFolder(t *testing.T) {
	dir := t.TempDir()
	put(t, filepath.Join(dir, "a"), jaw(true), "2026-03-14")
	put(t, filepath.Join(dir, "b"), jaw(false), "2026-02-01")
	require.NoError(t, os.WriteFile(filepath.Join(dir, "notes.txt"), []byte("x"), 0o600))
	require.NoError(t, os.Mkdir(filepath.Join(dir, ".hidden"), 0o700))
	pair, other, err := Look(dir)
	require.NoError(t, err)
	require.Empty(t, other)
	require.Len(t, pair, 2)
	require.Equal(t, "a", pair[0].Name)
	require.Equal(t, "2026-02-01", pair[1].Date)
	// The rod has π·1.73²·11.5 = 108 mm³.
	require.InDelta(t, 108, pair[0].Metal, 15)
	require.Zero(t, pair[1].Metal)
	pre, post, why, ok := Order(pair[0], pair[1])
	require.True(t, ok)
	require.Equal(t, "b", pre.Name)
	require.Equal(t, "a", post.Name)
	require.Contains(t, why, "2026-02-01")
	require.Contains(t, why, "of metal")

	put(t, filepath.Join(dir, "c"), jaw(false), "")
	_, _, err = Look(dir)
	require.ErrorIs(t, err, ErrNeither)
	require.ErrorContains(t, err, "more than two")
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "c")))
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "b")))
	require.NoError(t, os.MkdirAll(filepath.Join(dir, "letters"), 0o700))
	pair, other, err = Look(dir)
	require.NoError(t, err, "the planning scan, before surgery")
	require.Len(t, pair, 1)
	require.Equal(t, "a", pair[0].Name)
	require.Len(t, other, 1)
	require.Contains(t, other[0], "letters")
	require.NoError(t, os.RemoveAll(filepath.Join(dir, "a")))
	_, _, err = Look(dir)
	require.ErrorIs(t, err, ErrNeither)
	require.ErrorContains(t, err, "none was found; ")
	_, _, err = Look(filepath.Join(dir, "none"))
	require.ErrorIs(t, err, os.ErrNotExist)
}

func TestOrder(t *testing.T) {
	for _, c := range []struct {
		a, b Found
		pre  string
		ok   bool
		why  string
	}{
		{Found{Date: "2026-01-01"}, Found{Date: "2026-02-01"}, "a", true, "2026-02-01"},
		{Found{Date: "2026-02-01"}, Found{Date: "2026-01-01"}, "b", true, "2026-02-01"},
		{Found{Metal: 10}, Found{Metal: 100}, "a", true, "100 mm³"},
		{Found{Metal: 100}, Found{Metal: 10}, "b", true, "100 mm³"},
		{Found{Metal: 100, Date: "2026-01-01"}, Found{Metal: 10}, "b", true, "100 mm³"},
		{Found{Metal: 100, Date: "2026-02-01"}, Found{Metal: 95, Date: "2026-02-01"}, "a", false, "neither"},
		{Found{Metal: 100, Date: "2026-01-01"}, Found{Metal: 10, Date: "2026-02-01"}, "a", false, "but"},
		{Found{Metal: 10, Date: "2026-02-01"}, Found{Metal: 100, Date: "2026-01-01"}, "b", false, "but"},
		{Found{}, Found{}, "a", false, "neither"},
	} {
		c.a.Name, c.b.Name = "a", "b"
		pre, post, why, ok := Order(c.a, c.b)
		require.Equal(t, c.pre, pre.Name, "%+v", c)
		require.NotEqual(t, pre.Name, post.Name)
		require.Equal(t, c.ok, ok, "%+v", c)
		require.True(t, strings.Contains(why, c.why), why)
		again, _, _, _ := Order(c.b, c.a)
		if c.ok {
			require.Equal(t, c.pre, again.Name, "whichever comes first")
		}
	}
}
