package measure

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
)

// tiny is a block of the small case that is quick to write and read; its plan
// lies inside it.
func tiny(t *testing.T) folder {
	pair, f := smallCase(t)
	truth := pair.Truth.Fixtures[0]
	f.pre = cropped(f.pre, 3, truth.Planned.Entry, truth.Planned.Apex)
	f.post = cropped(f.post, 3, truth.AchievedPost.Entry, truth.AchievedPost.Apex)
	return f
}

// The planning scan, moved a little and taken for the follow-up scan, has no
// metal at all.
func TestNoMetalIsADoubtWithoutFigures(t *testing.T) {
	_, f := smallCase(t)
	shift := geom.Identity()
	shift.T = geom.Vec{X: 1.5, Y: -2, Z: 0.75}
	f.post = moved(f.pre, shift)
	f.alignment = matrixLines(shift.Inverse())
	beside := r3.Add(f.planned.Entry, geom.Vec{X: 9})
	f.more = fmt.Sprintf("[[structure]]\nname = \"canal\"\nkind = \"nerve\"\npath = [%s, %s]\nradius = 1\n", point(beside), point(r3.Add(beside, geom.Vec{Y: 1})))
	s := measured(t, f)
	r := s.Result.Fixtures[0]
	flag := flagged(t, r.Flags, "metal-not-found")
	assert.Equal(t, measurement.Doubt, flag.Level)
	assert.Contains(t, flag.Message, "36")
	assert.True(t, s.Result.InDoubt())
	assert.Nil(t, r.Achieved)
	assert.Nil(t, r.Deviation)
	assert.Nil(t, r.Uncertainty)
	require.Len(t, r.Clearance, 1)
	assert.Greater(t, r.Clearance[0].Planned, 4.0, "as planned it is known")
	assert.Nil(t, r.Clearance[0].Achieved)
	assert.Nil(t, r.Clearance[0].Low)
	assert.Nil(t, s.Sites[0].Achieved.Pose)
	assert.Empty(t, s.Sites[0].Achieved.Budget)
	assert.NotNil(t, s.Sites[0].Directions)
}

// A fixture of 10 mm where 12 mm were planned: the apex deviation compares the
// two real apex points.
func TestOtherLengthThanPlanned(t *testing.T) {
	pair, f := smallCase(t)
	truth := pair.Truth.Fixtures[0]
	f.length = 12
	f.planned.Apex = r3.Add(f.planned.Entry, r3.Scale(12, f.planned.Axis()))
	f.more = "placed_length = 10\n"
	s := measured(t, f)
	r := s.Result.Fixtures[0]
	assert.Equal(t, measurement.Notice, flagged(t, r.Flags, "other-length").Level)
	assert.InDelta(t, 10, r.Achieved.Length, 0.01)
	assert.InDelta(t, 12, r.Planned.Length, 0)
	want := r3.Norm(r3.Sub(truth.Achieved.Apex, f.planned.Apex))
	assert.InDelta(t, want, *r.Deviation[measurement.Apex], 0.2)
	assert.Greater(t, want, 2.0, "far from the deviation of the same length")
}

func TestWhatIsRefused(t *testing.T) {
	base := tiny(t)
	pair, _ := smallCase(t)
	preToPost := pair.Truth.PostToPre.Inverse()
	shift := geom.Vec{Y: 2}
	second := func(site string) string {
		return fmt.Sprintf("[[fixture]]\nsite = %q\nentry = %s\napex = %s\ndiameter = 4.1\n", site,
			point(r3.Add(base.planned.Entry, shift)), point(r3.Add(base.planned.Apex, shift)))
	}
	cases := []struct {
		name   string
		folder func() folder
		change func(t *testing.T, dir string)
		says   []string
	}{
		{name: "no case file", change: func(t *testing.T, dir string) {
			require.NoError(t, os.Remove(filepath.Join(dir, "case.toml")))
		}, says: []string{"case.toml"}},
		{name: "no planning scan in its folder", change: func(t *testing.T, dir string) { empty(t, filepath.Join(dir, "pre")) },
			says: []string{"planning scan: ", "pre"}},
		{name: "no follow-up scan in its folder", change: func(t *testing.T, dir string) { empty(t, filepath.Join(dir, "post")) },
			says: []string{"follow-up scan: ", "post"}},
		{name: "the planning scan twice", change: func(t *testing.T, dir string) {
			empty(t, filepath.Join(dir, "post"))
			require.NoError(t, os.CopyFS(filepath.Join(dir, "post"), os.DirFS(filepath.Join(dir, "pre"))))
		}, says: []string{"case.toml: the planning and the follow-up scan are the same scan; give the scan that was taken after surgery as post"}},
		{name: "the planning scan twice, stored in another way", folder: func() folder {
			f := base
			f.post, f.postOptions = f.pre, encode.Options{Layout: encode.EnhancedCT, StudyDate: "2026-05-01"}
			return f
		}, says: []string{"are the same scan"}},
		{name: "fixtures in both jaws, matrix", folder: func() folder {
			f := base
			f.more = second("26")
			return f
		}, says: []string{"case.toml: the case has fixtures in both jaws, and the jaws move against each other; make one case folder for each jaw"}},
		{name: "fixtures in both jaws, scans", folder: func() folder {
			f := base
			f.more, f.alignment = second("11"), `method = "scans"`
			return f
		}, says: []string{"fixtures in both jaws"}},
		{name: "no shared frame of reference", folder: func() folder {
			f := base
			f.alignment = `method = "same-frame"`
			return f
		}, says: []string{"case.toml: the scans do not share a frame of reference", `method = "scans"`}},
		{name: "landmarks on a line", folder: func() folder {
			f := base
			f.alignment = landmarkLines(f, preToPost, 0, 3, 6)
			return f
		}, says: []string{"case.toml: landmarks give no transform", "almost on a line"}},
		{name: "plan outside the scan", folder: func() folder {
			f := base
			shift := geom.Vec{X: 300}
			f.planned = geom.Pose{Entry: r3.Add(f.planned.Entry, shift), Apex: r3.Add(f.planned.Apex, shift)}
			return f
		}, says: []string{"case.toml", "outside the planning scan"}},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := base
			if c.folder != nil {
				f = c.folder()
			}
			dir := f.write(t)
			if c.change != nil {
				c.change(t, dir)
			}
			s, err := Case(dir, Options{})
			require.Error(t, err)
			assert.Nil(t, s)
			for _, part := range c.says {
				assert.ErrorContains(t, err, part)
			}
			assert.NotContains(t, err.Error(), "\n")
		})
	}
}

func empty(t *testing.T, dir string) {
	require.NoError(t, os.RemoveAll(dir))
	require.NoError(t, os.Mkdir(dir, 0o755))
}

// landmarkLines gives pairs of points of the planned axis at the given mm from
// entry, and one at side mm beside entry.
func landmarkLines(f folder, preToPost geom.Rigid, side float64, at ...float64) string {
	e1, _ := geom.Perpendicular(f.planned.Axis())
	points := []geom.Vec{r3.Add(f.planned.Entry, r3.Scale(side, e1))}
	for _, x := range at {
		points = append(points, r3.Add(f.planned.Entry, r3.Scale(x, f.planned.Axis())))
	}
	var pairs []string
	for _, p := range points {
		pairs = append(pairs, fmt.Sprintf("{pre = %s, post = %s}", point(p), point(preToPost.Apply(p))))
	}
	return "method = \"landmarks\"\nlandmarks = [" + strings.Join(pairs, ", ") + "]"
}

// Landmarks that agree with the true transform give it back, with the expected
// error at entry and apex under names that end in their unit.
func TestAlignmentByLandmarks(t *testing.T) {
	pair, f := smallCase(t)
	f.alignment = landmarkLines(f, pair.Truth.PostToPre.Inverse(), 9.5, 0, 9)
	in, err := Open(f.write(t), Options{})
	require.NoError(t, err)
	al, err := Align(in, Options{})
	require.NoError(t, err)
	assert.Equal(t, "landmarks", al.Method)
	want, got := pair.Truth.PostToPre.Matrix(), al.PostToPre.Matrix()
	for i := range want {
		assert.InDelta(t, want[i], got[i], 1e-9)
	}
	for _, name := range []string{"expected_tre_entry_36_mm", "expected_tre_apex_36_mm"} {
		v, there := al.Quality[name]
		assert.True(t, there, name)
		assert.Less(t, v, 1e-6)
	}
}

func TestSameFrame(t *testing.T) {
	f := tiny(t)
	f.alignment = `method = "same-frame"`
	dir := f.write(t)
	in, err := Open(dir, Options{SameFrame: true})
	require.NoError(t, err)
	al, err := Align(in, Options{})
	require.NoError(t, err)
	assert.Equal(t, geom.Identity(), al.PostToPre)
	assert.Equal(t, measurement.Doubt, flagged(t, al.Flags, "same-frame-forced").Level)

	f.preOptions.FrameOfReferenceUID, f.postOptions.FrameOfReferenceUID = "2.25.7", "2.25.7"
	in, err = Open(f.write(t), Options{})
	require.NoError(t, err)
	al, err = Align(in, Options{})
	require.NoError(t, err)
	assert.Equal(t, geom.Identity(), al.PostToPre)
}

func TestScansInTheWrongOrderAreADoubt(t *testing.T) {
	f := tiny(t)
	f.preOptions.StudyDate, f.postOptions.StudyDate = f.postOptions.StudyDate, f.preOptions.StudyDate
	in, err := Open(f.write(t), Options{})
	require.NoError(t, err)
	flag := flagged(t, in.Flags, "scans-out-of-order")
	assert.Equal(t, measurement.Doubt, flag.Level)
	assert.Equal(t, "the follow-up scan (2026-01-02) is older than the planning scan (2026-03-15); check which is pre and which is post", flag.Message)
}

// What a scan is flagged for says which scan it was.
func TestFlagsNameTheirScan(t *testing.T) {
	flags := measurement.Prefixed("planning scan", []measurement.Flag{{Code: "a", Message: "slices doubled", Level: measurement.Notice}})
	assert.Equal(t, []measurement.Flag{{Code: "a", Message: "planning scan: slices doubled", Level: measurement.Notice}}, flags)
}

func TestSeriesAreChosenForEachScan(t *testing.T) {
	f := tiny(t)
	f.preOptions.SeriesUID, f.postOptions.SeriesUID = "2.25.1", "2.25.2"
	dir := f.write(t)
	in, err := Open(dir, Options{PreSeries: "2.25.1", PostSeries: "2.25.2"})
	require.NoError(t, err)
	assert.Equal(t, "2.25.1", in.Identity().PreSeries)
	assert.Equal(t, "2.25.2", in.Identity().PostSeries)
	_, err = Open(dir, Options{PreSeries: "2.25.2"})
	assert.ErrorContains(t, err, "planning scan: ")
	_, err = Open(dir, Options{PostSeries: "2.25.1"})
	assert.ErrorContains(t, err, "follow-up scan: ")
}
