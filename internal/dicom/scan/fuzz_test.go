package scan

import (
	"archive/zip"
	"io"
	"math"
	"os"
	"path/filepath"
	"runtime"
	"testing"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
)

// seeds are files of each kind: one slice, several frames, each syntax, an
// index and archives.
func seeds(f *testing.F) (out [][]byte) {
	for _, layout := range []encode.Layout{encode.SingleFrame, encode.EnhancedCT, encode.PlainMultiFrame} {
		for _, syntax := range []string{uid.ImplicitVRLittleEndian, uid.ExplicitVRLittleEndian, uid.ExplicitVRBigEndian, uid.DeflatedExplicitVRLittleEndian} {
			files := slicesOf(f, encode.Options{Layout: layout, Syntax: syntax, BitsStored: 12})
			out = append(out, files["IM0001.dcm"])
		}
	}
	archives, err := filepath.Glob("testdata/*.zip")
	require.NoError(f, err)
	require.NotEmpty(f, archives)
	for _, path := range archives {
		z, err := zip.OpenReader(path)
		require.NoError(f, err)
		for _, e := range z.File[:1] {
			r, err := e.Open()
			require.NoError(f, err)
			b, err := io.ReadAll(r)
			require.NoError(f, err)
			out = append(out, b)
		}
		require.NoError(f, z.Close())
		b, err := os.ReadFile(path)
		require.NoError(f, err)
		out = append(out, b)
	}
	return out
}

// FuzzOpen reads a file of any bytes: it gives an error that was foreseen, or a
// volume that is one, and takes no more memory than a multiple of the file's
// size and the budget.
func FuzzOpen(f *testing.F) {
	for _, b := range seeds(f) {
		f.Add(b)
	}
	dir := f.TempDir()
	const budget = 1 << 20
	f.Fuzz(func(t *testing.T, b []byte) {
		path := filepath.Join(dir, "file")
		require.NoError(t, os.WriteFile(path, b, 0o644))
		var before, after runtime.MemStats
		runtime.ReadMemStats(&before)
		got, err := Open(path, Options{MemoryBudget: budget})
		runtime.ReadMemStats(&after)
		// A zip archive and a deflated file can hold 1000 times their bytes; of
		// those, no header's value of more than maxVector is kept.
		require.Less(t, after.TotalAlloc-before.TotalAlloc, uint64(16<<20+200*len(b)+16*budget), "memory")
		if err != nil {
			require.NotContains(t, err.Error(), "not foreseen")
			return
		}
		requireVolume(t, got)
	})
}

// requireVolume checks what every volume has.
func requireVolume(t *testing.T, s *Scan) {
	require.Len(t, s.Stored, s.Size[0]*s.Size[1]*s.Size[2])
	require.Len(t, s.Slope, s.Size[2])
	require.Len(t, s.Intercept, s.Size[2])
	require.GreaterOrEqual(t, s.Size[2], minSlices)
	for a, mm := range s.Spacing() {
		require.True(t, mm >= minSpacing && mm <= maxSpacing, "spacing %v", s.Spacing())
		b := (a + 1) % 3
		require.Less(t, math.Abs(r3.Dot(r3.Unit(s.Step[a]), r3.Unit(s.Step[b]))), 1e-9)
	}
	require.Positive(t, r3.Dot(r3.Cross(s.Step[0], s.Step[1]), s.Step[2]))
	for _, x := range []float64{s.Origin.X, s.Origin.Y, s.Origin.Z} {
		require.False(t, math.IsNaN(x) || math.IsInf(x, 0))
	}
	require.False(t, math.IsInf(s.Low, 0) || math.IsInf(s.High, 0) || s.Low > s.High)
	for k := range s.Slope {
		for _, w := range s.Stored[k*s.Size[0]*s.Size[1] : (k+1)*s.Size[0]*s.Size[1]] {
			if grey := s.Slope[k]*float64(w) + s.Intercept[k]; !s.Padded(w) && !(grey >= s.Low && grey <= s.High) {
				t.Fatalf("grey %v outside %v to %v", grey, s.Low, s.High)
			}
		}
	}
	require.NotContains(t, s.SeriesUID+s.FrameOfReferenceUID+s.StudyDate+s.Modality, "\x1b")
}
