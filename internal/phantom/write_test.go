package phantom

import (
	"bytes"
	"encoding/binary"
	"math"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// small is Usual at 0.4 mm in a field just wide enough for the fixture and its
// neighbours, so that a test renders it in a second.
func small(site string) Spec {
	s := Usual(site)
	for _, c := range []*Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height, c.Blur = 0.4, 34, 30, 0.5
	}
	return s
}

// metalLevel lies half way between titanium as the streaks leave it, some 9000
// to 12000 grey values, and bone at 1500.
const metalLevel = 6000

// along cuts the metal within reach mm of a fixture's axis into slabs of 1 mm
// from the platform: each slab's centroid, in the fixture's own frame, and the
// range along the axis that the metal takes.
func along(v *volume.Volume, p geom.Pose, reach float64) (centroids []geom.Vec, low, high float64) {
	axis := p.Axis()
	e1, e2 := geom.Perpendicular(axis)
	sums := make([]geom.Vec, int(p.Length()))
	counts := make([]float64, len(sums))
	low, high = math.Inf(1), math.Inf(-1)
	lo, hi := v.Box(reach+1, p.Entry, p.Apex)
	for k := lo[2]; k < hi[2]; k++ {
		for j := lo[1]; j < hi[1]; j++ {
			for i := lo[0]; i < hi[0]; i++ {
				if v.Grey(i, j, k) < metalLevel {
					continue
				}
				d := r3.Sub(v.Patient(float64(i), float64(j), float64(k)), p.Entry)
				q := geom.Vec{X: r3.Dot(d, e1), Y: r3.Dot(d, e2), Z: r3.Dot(d, axis)}
				if math.Hypot(q.X, q.Y) > reach {
					continue
				}
				low, high = min(low, q.Z), max(high, q.Z)
				if n := int(math.Floor(q.Z)); n >= 0 && n < len(sums) {
					sums[n] = r3.Add(sums[n], q)
					counts[n]++
				}
			}
		}
	}
	for n := range sums {
		centroids = append(centroids, r3.Scale(1/counts[n], sums[n]))
	}
	return centroids, low, high
}

func placementPose(entry, apex [3]float64) geom.Pose {
	return geom.Pose{Entry: geom.Vec{X: entry[0], Y: entry[1], Z: entry[2]}, Apex: geom.Vec{X: apex[0], Y: apex[1], Z: apex[2]}}
}

func TestAWrittenCaseReadsBackAsItsTruth(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "größe and space")
	s := small("46")
	s.Pre.Streaks = 0 // no metal yet
	s.Case, s.Placed, s.Clinician = "C-007", "2026-03-14", "clinician-b"
	s.Fixtures[0].Guidance = "pilot-guide"
	require.NoError(t, Write(dir, s))
	truth, err := ReadRecord(dir)
	require.NoError(t, err)
	require.Equal(t, s, truth.Spec)
	want := truth.Fixtures[0]

	plan, err := casefile.Read(dir)
	require.NoError(t, err)
	pre, err := scan.Open(plan.Pre, scan.Options{})
	require.NoError(t, err)
	post, err := scan.Open(plan.Post, scan.Options{})
	require.NoError(t, err)
	require.Empty(t, pre.Flags)
	require.Empty(t, post.Flags)
	require.NotEqual(t, pre.FrameOfReferenceUID, post.FrameOfReferenceUID)
	require.Equal(t, "2026-02-21", pre.StudyDate)
	require.Equal(t, "2026-03-14", post.StudyDate)

	located, flags, err := plan.Locate(pre.Grid, post.Grid)
	require.NoError(t, err)
	require.Empty(t, flags)
	require.Equal(t, "C-007", located.Name)
	require.Equal(t, "2026-03-14", located.Placed)
	require.Equal(t, "clinician-b", located.Clinician)
	require.Equal(t, casefile.FromScans, located.Alignment.Method)
	f := located.Fixtures[0]
	require.Equal(t, casefile.PilotGuide, f.Guidance)
	require.Equal(t, s.Fixtures[0].Diameter, f.Diameter)
	require.Equal(t, s.Fixtures[0].Length, f.Length)
	planned := placementPose(want.Planned.Entry, want.Planned.Apex)
	require.InDelta(t, 0, r3.Norm(r3.Sub(f.Planned.Entry, planned.Entry)), 2e-5)
	require.InDelta(t, 0, r3.Norm(r3.Sub(f.Planned.Apex, planned.Apex)), 2e-5)
	require.InDelta(t, 0, r3.Norm(r3.Sub(*f.Mesial, geom.Vec{X: want.Mesial[0], Y: want.Mesial[1], Z: want.Mesial[2]})), 2e-5)

	byMatrix, err := casefile.Read(filepath.Join(dir, "case-matrix.toml"))
	require.NoError(t, err)
	require.InDeltaSlice(t, truth.PostToPre[:], sixteen(*byMatrix.Alignment.PostToPre), 1e-8)

	var nerve, root *casefile.Structure
	for i := range located.Structures {
		switch b := &located.Structures[i]; b.Kind {
		case casefile.Nerve:
			nerve = b
		case casefile.Root:
			root = b
		}
	}
	require.NotNil(t, nerve)
	require.NotNil(t, root)
	require.Equal(t, "right mandibular canal", nerve.Name)
	for _, p := range nerve.Path {
		require.True(t, pre.Contains(p))
	}

	// The metal stands where the truth says, and only after surgery.
	achieved := placementPose(want.AchievedPost.Entry, want.AchievedPost.Apex)
	centroids, low, high := along(&post.Volume, achieved, 3.2)
	var mean geom.Vec
	for n, c := range centroids {
		// A thread of 0.3 mm pushes a slab's centroid aside; over the length
		// that averages out.
		require.InDelta(t, 0, math.Hypot(c.X, c.Y), 0.25, "slab %d mm below the platform", n)
		mean = r3.Add(mean, r3.Scale(1/float64(len(centroids)), c))
	}
	require.InDelta(t, 0, math.Hypot(mean.X, mean.Y), 0.04)
	// Voxel centres reach the ends to half a voxel, blur and threshold to a
	// quarter of the blur more.
	require.InDelta(t, 0, low, 0.35)
	require.InDelta(t, 10, high, 0.35)
	require.Less(t, pre.High, float64(metalLevel))
}

func sixteen(m geom.Rigid) []float64 {
	a := m.Matrix()
	return a[:]
}

func TestAWrittenUpperCaseHasItsSinusAsASurface(t *testing.T) {
	dir := t.TempDir()
	s := small("25")
	s.Pre.Streaks, s.Post.Streaks = 0, 0
	s.Pre.Voxel, s.Post.Voxel = 0.5, 0.5
	s.Pre.Clip12, s.Post.Clip12 = true, true
	require.NoError(t, Write(dir, s))
	plan, err := casefile.Read(dir)
	require.NoError(t, err)
	truth, err := TruthOf(s)
	require.NoError(t, err)
	found := 0
	for _, b := range plan.Structures {
		if b.Kind != casefile.Sinus {
			continue
		}
		var want Structure
		for _, c := range truth.Structures {
			if c.Name == b.Name {
				want = c
			}
		}
		data, err := os.ReadFile(b.Surface)
		require.NoError(t, err)
		checkSurface(t, data, want)
		found++
	}
	require.Equal(t, 2, found)

	post, err := scan.Open(plan.Post, scan.Options{})
	require.NoError(t, err)
	require.Equal(t, greyTop12, post.Ceiling, "twelve bits clip the metal")
}

// checkSurface reads a binary STL, checks that every corner lies on the
// ellipsoid and that the faces look outwards and enclose its volume.
func checkSurface(t *testing.T, data []byte, want Structure) {
	n := int(binary.LittleEndian.Uint32(data[80:]))
	require.Len(t, data, 84+50*n)
	e := ellipsoid{radii: want.Radii}
	back := want.Place.Inverse()
	volume := 0.0
	for i := range n {
		var p [4]geom.Vec
		words := make([]float32, 12)
		require.NoError(t, binary.Read(bytes.NewReader(data[84+50*i:]), binary.LittleEndian, words))
		for k := range p {
			p[k] = geom.Vec{X: float64(words[3*k]), Y: float64(words[3*k+1]), Z: float64(words[3*k+2])}
		}
		for k := 1; k < 4; k++ {
			p[k] = r3.Sub(p[k], want.Centre)
			require.InDelta(t, 0, e.exactDistance(back.Rotate(p[k])), 1e-4)
		}
		require.Greater(t, r3.Dot(p[0], p[1]), 0.0)
		volume += r3.Dot(p[1], r3.Cross(p[2], p[3])) / 6
	}
	require.InEpsilon(t, 4*math.Pi/3*want.Radii.X*want.Radii.Y*want.Radii.Z, volume, 2e-3)
}

func TestWriteReplacesAPhantomAndNothingElse(t *testing.T) {
	s := small("46")
	s.Pre.Streaks, s.Post.Streaks, s.Pre.Noise, s.Post.Noise = 0, 0, 0, 0
	s.Pre.Voxel, s.Post.Voxel, s.Pre.Width, s.Post.Width = 1, 1, 24, 24

	dir := filepath.Join(t.TempDir(), "case")
	require.NoError(t, Write(dir, s))
	kept := filepath.Join(dir, "measurement.json")
	require.NoError(t, os.WriteFile(kept, []byte("{}"), 0o644))
	stale := filepath.Join(dir, "pre", "IM9999.dcm")
	require.NoError(t, os.WriteFile(stale, nil, 0o644))
	for _, write := range []func(string, Spec) error{Write, Overwrite} {
		require.EqualError(t, write(dir, s), stale+" is no file of the phantom in its folder, which would be replaced; move it, or name another folder")
	}
	require.NoError(t, os.Remove(stale))
	for _, name := range []string{"case.toml", "truth.json", "pre/IM0001.dcm", "case-matrix.toml"} {
		path := filepath.Join(dir, filepath.FromSlash(name))
		was, err := os.ReadFile(path)
		require.NoError(t, err)
		require.NoError(t, os.WriteFile(path, append(was[:len(was)-1:len(was)-1], "  "...), 0o644))
		var changed *ChangedError
		require.ErrorAs(t, Write(dir, s), &changed, name)
		require.Equal(t, ChangedError{File: path}, *changed)
		require.NoError(t, Overwrite(dir, s))
		is, err := os.ReadFile(path)
		require.NoError(t, err)
		require.Equal(t, was, is, name)
	}
	other := s
	other.Seed++
	require.EqualError(t, Write(dir, other), dir+" holds another phantom than this would be; name another folder")
	require.NoError(t, Write(dir, s))
	require.FileExists(t, kept)
	entries, err := os.ReadDir(dir)
	require.NoError(t, err)
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	require.Equal(t, []string{"case-matrix.toml", "case.toml", "measurement.json", "post", "pre", "truth.json"}, names)

	own := t.TempDir()
	require.NoError(t, os.WriteFile(filepath.Join(own, "case.toml"), []byte("a patient's"), 0o644))
	require.EqualError(t, Write(own, s), own+": the folder has files that are not a phantom's, such as case.toml; give a new or an empty folder")
	data, err := os.ReadFile(filepath.Join(own, "case.toml"))
	require.NoError(t, err)
	require.Equal(t, "a patient's", string(data))
}

func TestTheSameSpecGivesTheSameFiles(t *testing.T) {
	s := small("46")
	s.Pre.Width, s.Post.Width, s.Pre.Height, s.Post.Height = 22, 22, 15, 15
	s.Pre.Voxel, s.Post.Voxel, s.Pre.Streaks = 0.8, 0.8, 0
	s.Post.Motion, s.Fixtures[0].Cap, s.Fixtures[0].CapHeight = 0.4, Healing, 3
	a, b := t.TempDir(), t.TempDir()
	require.NoError(t, Write(a, s))
	require.NoError(t, Write(b, s))
	same := 0
	require.NoError(t, filepath.WalkDir(a, func(path string, d os.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(a, path)
		require.NoError(t, err)
		first, err := os.ReadFile(path)
		require.NoError(t, err)
		second, err := os.ReadFile(filepath.Join(b, name))
		require.NoError(t, err)
		require.True(t, bytes.Equal(first, second), name)
		same++
		return nil
	}))
	require.Equal(t, 19+19+3, same)

	s.Post.Streaks = 0
	one, _, err := RenderPost(s, 1)
	require.NoError(t, err)
	s.Seed++
	two, _, err := RenderPost(s, 1)
	require.NoError(t, err)
	require.NotEqual(t, one.Stored, two.Stored, "another seed is another jaw")
}
