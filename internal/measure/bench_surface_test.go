package measure_test

import (
	"cmp"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/measure"
	"plumbline/internal/phantom"
	"plumbline/internal/trimesh"
)

// BenchmarkSurfaceCase measures a whole case of two surfaces of 100,000 triangles and a planning
// scan of 17 MB from its folder, without a report.
func BenchmarkSurfaceCase(b *testing.B) {
	defer debug.SetGCPercent(debug.SetGCPercent(33)) // as the program has it
	dir := b.TempDir()
	spec, surface, err := phantom.RandomSurface(1, phantom.UsualSurface)
	require.NoError(b, err)
	surface.Before, surface.Alone = true, true
	spec.Surface, spec.Pre.Voxel, spec.Pre.Width, spec.Pre.Height = &surface, 0.4, 60, 40
	require.NoError(b, phantom.Write(dir, spec))
	for _, name := range []string{"after.stl", "before.stl"} {
		m, err := trimesh.Read(filepath.Join(dir, name))
		require.NoError(b, err)
		split(m, 100_000)
		require.NoError(b, os.WriteFile(filepath.Join(dir, name), trimesh.EncodeSTL("simulated", m), 0o600))
	}
	pre := filepath.Join(dir, "pre")
	s, err := scan.Open(pre, scan.Options{})
	require.NoError(b, err)
	require.NoError(b, os.RemoveAll(pre))
	require.NoError(b, encode.Volume(pre, resampled(&s.Volume, [3]int{233, 233, 155}, 1), encode.Options{StudyDate: s.StudyDate}))
	before := processorTime()
	for b.Loop() {
		s, err := measure.Case(dir, measure.Options{Version: "bench", Seed: 1})
		require.NoError(b, err)
		require.NotNil(b, s.Sites[0].Achieved.Pose)
	}
	if cpu := processorTime() - before; cpu > 0 {
		b.ReportMetric(float64(cpu)/float64(b.N)/float64(time.Millisecond), "cpu-ms")
	}
}

// split halves the longest edges of a mesh until there are so many triangles.
func split(m *trimesh.Mesh, triangles int) {
	type edge [2]int32
	for len(m.Triangles) < triangles {
		beside := map[edge][]int{}
		for i, t := range m.Triangles {
			for k := range 3 {
				e := edge{min(t[k], t[(k+1)%3]), max(t[k], t[(k+1)%3])}
				beside[e] = append(beside[e], i)
			}
		}
		var longest []edge
		for e := range beside {
			longest = append(longest, e)
		}
		length := func(e edge) float64 { return r3.Norm(r3.Sub(m.Vertices[e[0]], m.Vertices[e[1]])) }
		slices.SortFunc(longest, func(a, b edge) int {
			return cmp.Or(cmp.Compare(length(b), length(a)), slices.Compare(a[:], b[:]))
		})
		changed := make([]bool, len(m.Triangles))
		for _, e := range longest {
			if len(m.Triangles) >= triangles {
				return
			}
			if slices.ContainsFunc(beside[e], func(i int) bool { return changed[i] }) {
				continue
			}
			middle := int32(len(m.Vertices))
			m.Vertices = append(m.Vertices, r3.Scale(0.5, r3.Add(m.Vertices[e[0]], m.Vertices[e[1]])))
			for _, i := range beside[e] {
				changed[i] = true
				t := m.Triangles[i]
				for k := range 3 {
					if a, c := t[k], t[(k+1)%3]; min(a, c) == e[0] && max(a, c) == e[1] {
						m.Triangles[i] = [3]int32{a, middle, t[(k+2)%3]}
						m.Triangles = append(m.Triangles, [3]int32{middle, c, t[(k+2)%3]})
					}
				}
			}
		}
	}
}
