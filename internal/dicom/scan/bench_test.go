package scan

import (
	"math/rand/v2"
	"os/exec"
	"path/filepath"
	"runtime/debug"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/uid"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// large is a volume of 400 slices of 512 × 512 voxels, as a large field of view
// has them.
func large() *volume.Volume {
	v := &volume.Volume{Grid: volume.Grid{Size: [3]int{512, 512, 400}, Step: [3]geom.Vec{{X: 0.2}, {Y: 0.2}, {Z: 0.2}}}}
	v.Stored = make([]uint16, v.Len())
	rng := rand.New(rand.NewPCG(5, 6))
	for i := range v.Stored {
		four := rng.Uint64() // values that lie close together, as noise has them
		v.Stored[i] = uint16(four&1023 + four>>10&1023 + four>>20&1023 + four>>30&1023)
	}
	v.Slope, v.Intercept = make([]float64, v.Size[2]), make([]float64, v.Size[2])
	for k := range v.Slope {
		v.Slope[k] = 1
	}
	return v
}

// BenchmarkOpen reads a large series of 210 million bytes of voxels. cat-ratio is
// its time against that of the command cat on the same files.
func BenchmarkOpen(b *testing.B) {
	v := large()
	for _, c := range []struct {
		name string
		o    encode.Options
	}{
		{"little endian", encode.Options{}},
		{"12 bits", encode.Options{BitsStored: 12}},
		{"12 bits at the top", encode.Options{BitsStored: 12, HighBit: 15}},
		{"big endian", encode.Options{Syntax: uid.ExplicitVRBigEndian}},
		{"enhanced", encode.Options{Layout: encode.EnhancedCT}},
	} {
		b.Run(c.name, func(b *testing.B) {
			dir := b.TempDir()
			require.NoError(b, encode.Volume(dir, v, c.o))
			cat(b, dir) // warm
			b.ReportAllocs()
			var floor time.Duration
			for b.Loop() {
				b.StopTimer()
				debug.FreeOSMemory() // the program reads into fresh memory
				floor += cat(b, dir)
				b.StartTimer()
				_, err := Open(dir, Options{})
				require.NoError(b, err)
			}
			b.ReportMetric(float64(b.Elapsed())/float64(floor), "cat-ratio")
		})
	}
}

// cat runs the command of that name on a folder's files and tells how long it took.
func cat(b *testing.B, dir string) time.Duration {
	names, err := filepath.Glob(filepath.Join(dir, "*"))
	require.NoError(b, err)
	start := time.Now()
	require.NoError(b, exec.Command("cat", names...).Run())
	return time.Since(start)
}
