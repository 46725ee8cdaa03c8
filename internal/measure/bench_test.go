package measure_test

import (
	"io"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/parallel"
	"plumbline/internal/phantom"
	"plumbline/internal/report"
	"plumbline/internal/volume"
)

// BenchmarkCase measures whole cases from their folders to their reports: a small
// field at three voxel sizes, which shows how time grows with voxels, and two
// scans of a large field. It tells the milliseconds of each step, processor time
// and peak memory where the system tells them, how long reading the same files'
// bytes takes, and how far off the entry is.
func BenchmarkCase(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(33)) // as the program has it
	small := coarse(60, 60)
	large := coarse(102.4, 80)
	for _, c := range []struct {
		name string
		spec phantom.Spec
		size [3]int
	}{
		{"100x100x100", small, [3]int{100, 100, 100}},
		{"200x200x200", small, [3]int{200, 200, 200}},
		{"300x300x300", small, [3]int{300, 300, 300}},
		{"512x512x400", large, [3]int{512, 512, 400}},
	} {
		b.Run(c.name, func(b *testing.B) {
			dir := b.TempDir()
			entry := writeCase(b, dir, c.spec, c.size)
			readAll(b, dir) // warm
			var spent steps
			var cat, cpu time.Duration
			var peak int64
			off, fresh := 0.0, true
			for b.Loop() {
				b.StopTimer()
				cat += readAll(b, dir)
				debug.FreeOSMemory()
				fresh = resetPeak() && fresh
				before := processorTime()
				b.StartTimer()
				found := measured(b, dir, &spent)
				b.StopTimer()
				cpu += processorTime() - before
				peak = max(peak, peakMemory())
				off = max(off, r3.Norm(r3.Sub(found, entry)))
				b.StartTimer()
			}
			ms := func(d time.Duration) float64 { return float64(d) / float64(b.N) / 1e6 }
			b.ReportMetric(ms(spent.read), "read-ms")
			b.ReportMetric(ms(spent.align), "align-ms")
			b.ReportMetric(ms(spent.fit), "fit-ms")
			b.ReportMetric(ms(spent.figures), "figures-ms")
			b.ReportMetric(ms(spent.report), "report-ms")
			b.ReportMetric(ms(cat), "cat-ms")
			b.ReportMetric(1000*off, "µm-off")
			if cpu > 0 {
				b.ReportMetric(ms(cpu), "cpu-ms")
			}
			if fresh {
				b.ReportMetric(float64(peak)/1e6, "peak-MB")
			}
		})
	}
}

// steps is the time that each step of a case has taken.
type steps struct{ read, align, fit, figures, report time.Duration }

// measured measures and reports the case in dir and gives the entry as placed.
func measured(b *testing.B, dir string, spent *steps) geom.Vec {
	to := map[string]*time.Duration{
		"reading the plan": &spent.read, "reading the planning scan": &spent.read, "reading the follow-up scan": &spent.read,
		"aligning the scans": &spent.align, "finding the fixtures": &spent.fit, "propagating the uncertainty": &spent.figures,
	}
	at, now := time.Now(), &spent.read
	next := func(d *time.Duration) {
		t := time.Now()
		*now += t.Sub(at)
		at, now = t, d
	}
	s, err := measure.Case(dir, measure.Options{Version: "bench", Seed: 1, Progress: func(step string, _ float64) {
		if to[step] == nil {
			b.Fatalf("there is no place for the time of %q", step)
		}
		next(to[step])
	}})
	require.NoError(b, err)
	next(&spent.report)
	d, err := report.Case(s, report.Options{})
	require.NoError(b, err)
	d.HTML()
	_, err = d.PDF(report.A4)
	require.NoError(b, err)
	next(&spent.report)
	require.NotNil(b, s.Sites[0].Achieved.Pose)
	runtime.KeepAlive(s) // a report's scans stay until it is written
	return s.Sites[0].Achieved.Pose.Entry
}

// coarse is a lower molar in a field of the given size, at voxels large enough to
// be rendered in seconds.
func coarse(width, height float64) phantom.Spec {
	s := phantom.Usual("46")
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height = 0.4, width, height
	}
	return s
}

// writeCase writes a case whose scans are interpolated to the given size, and
// gives the entry as it was truly placed. Such scans are good for time: nothing
// new is in their finer voxels.
func writeCase(b *testing.B, dir string, spec phantom.Spec, size [3]int) geom.Vec {
	require.NoError(b, phantom.Write(dir, spec))
	for i, name := range []string{"pre", "post"} {
		folder := filepath.Join(dir, name)
		s, err := scan.Open(folder, scan.Options{})
		require.NoError(b, err)
		require.NoError(b, os.RemoveAll(folder))
		v := resampled(&s.Volume, size, uint64(i))
		require.NoError(b, encode.Volume(folder, v, encode.Options{StudyDate: s.StudyDate}))
	}
	truth, err := phantom.ReadRecord(dir)
	require.NoError(b, err)
	p := truth.Fixtures[0].Achieved.Entry
	return geom.Vec{X: p[0], Y: p[1], Z: p[2]}
}

// grain is the noise that interpolation has smoothed away, stored values.
const grain = 30

// resampled is a scan of the same field in other voxels, with noise of their own.
func resampled(v *volume.Volume, size [3]int, seed uint64) *volume.Volume {
	w := &volume.Volume{Grid: volume.Grid{Size: size}, Stored: make([]uint16, size[0]*size[1]*size[2])}
	var from [3]float64 // of the first voxel, in voxels of v
	var step [3]float64
	for a := range 3 {
		step[a] = float64(v.Size[a]) / float64(size[a])
		from[a] = step[a]/2 - 0.5
		w.Step[a] = r3.Scale(step[a], v.Step[a])
	}
	w.Origin = v.Patient(from[0], from[1], from[2])
	type place struct {
		low, high int
		part      float64
	}
	var places [3][]place
	for a := range 3 {
		for i := range size[a] {
			x := max(0, min(float64(v.Size[a]-1), from[a]+float64(i)*step[a]))
			low := int(x)
			places[a] = append(places[a], place{low, min(low+1, v.Size[a]-1), x - float64(low)})
		}
	}
	for range size[2] {
		w.Slope, w.Intercept = append(w.Slope, v.Slope[0]), append(w.Intercept, v.Intercept[0])
	}
	mix := func(a, b, part float64) float64 { return a + part*(b-a) }
	parallel.For(size[2], func(k int) {
		rng := rand.New(rand.NewPCG(seed, uint64(k)))
		z := places[2][k]
		for j, y := range places[1] {
			row := func(j, k int) []uint16 { return v.Stored[(k*v.Size[1]+j)*v.Size[0]:][:v.Size[0]] }
			near, aside, above, across := row(y.low, z.low), row(y.high, z.low), row(y.low, z.high), row(y.high, z.high)
			out := w.Stored[(k*size[1]+j)*size[0]:][:size[0]]
			for i, x := range places[0] {
				along := func(r []uint16) float64 { return mix(float64(r[x.low]), float64(r[x.high]), x.part) }
				g := mix(mix(along(near), along(aside), y.part), mix(along(above), along(across), y.part), z.part)
				out[i] = uint16(max(0, min(math.MaxUint16, g+grain*rng.NormFloat64()+0.5)))
			}
		}
	})
	return w
}

// readAll reads the bytes of both scans as cat does and tells how long it took.
func readAll(b *testing.B, dir string) time.Duration {
	var names []string
	for _, scan := range []string{"pre", "post"} {
		found, err := filepath.Glob(filepath.Join(dir, scan, "*"))
		require.NoError(b, err)
		require.NotEmpty(b, found)
		names = append(names, found...)
	}
	buffer := make([]byte, 1<<17)
	start := time.Now()
	for _, n := range names {
		f, err := os.Open(n)
		require.NoError(b, err)
		_, err = io.CopyBuffer(struct{ io.Writer }{io.Discard}, struct{ io.Reader }{f}, buffer)
		require.NoError(b, err)
		require.NoError(b, f.Close())
	}
	return time.Since(start)
}
