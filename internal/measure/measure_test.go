package measure

import (
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/uid"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/dicom/encode"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/volume"
)

// smallPair is one lower molar in a small, coarse field: large enough to hold
// the fixture with the bone around it, small enough to be made in a second.
var smallPair = sync.OnceValues(func() (*phantom.Pair, error) {
	s := phantom.Usual("36")
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height = 0.4, 24, 22
	}
	return phantom.Render(s)
})

// folder is a case folder in the making.
type folder struct {
	pre, post               *volume.Volume
	preOptions, postOptions encode.Options
	site                    string
	planned                 geom.Pose
	mesial                  *geom.Vec
	diameter, length        float64
	more                    string // further lines of the fixture and further tables
	alignment               string // lines of [alignment]
}

func matrixLines(postToPre geom.Rigid) string {
	m := postToPre.Matrix()
	return "method = \"matrix\"\nmatrix = " + numbers(m[:]...)
}

func numbers(list ...float64) string {
	text, _ := json.Marshal(list)
	return string(text)
}

func point(v geom.Vec) string { return numbers(v.X, v.Y, v.Z) }

// smallCase is the small phantom with its true transform.
func smallCase(t testing.TB) (*phantom.Pair, folder) {
	t.Helper()
	p, err := smallPair()
	require.NoError(t, err)
	f := p.Truth.Fixtures[0]
	return p, folder{
		pre: p.Pre, post: p.Post, site: f.Site,
		preOptions:  encode.Options{StudyDate: "2026-01-02"},
		postOptions: encode.Options{StudyDate: "2026-03-15"},
		planned:     f.Planned, mesial: &f.Mesial, diameter: f.Diameter, length: f.Length,
		alignment: matrixLines(p.Truth.PostToPre),
	}
}

// write makes the folder on disk and gives its path.
func (f folder) write(t testing.TB) string {
	t.Helper()
	dir := t.TempDir()
	require.NoError(t, encode.Volume(filepath.Join(dir, "pre"), f.pre, f.preOptions))
	require.NoError(t, encode.Volume(filepath.Join(dir, "post"), f.post, f.postOptions))
	f.writePlan(t, dir)
	return dir
}

func (f folder) writePlan(t testing.TB, dir string) {
	t.Helper()
	var b strings.Builder
	fmt.Fprintf(&b, "case = \"C-1\"\nplaced = 2026-03-14\nclinician = \"clinician-a\"\nframe = \"lps\"\nnumbering = \"iso3950\"\npre = \"pre\"\npost = \"post\"\n")
	fmt.Fprintf(&b, "[[fixture]]\nsite = %q\nentry = %s\napex = %s\ndiameter = %g\nlength = %g\n", f.site, point(f.planned.Entry), point(f.planned.Apex), f.diameter, f.length)
	if f.mesial != nil {
		fmt.Fprintf(&b, "mesial = %s\n", point(*f.mesial))
	}
	fmt.Fprintf(&b, "%s\n[alignment]\n%s\n", f.more, f.alignment)
	require.NoError(t, os.WriteFile(filepath.Join(dir, "case.toml"), []byte(b.String()), 0o644))
}

func measured(t testing.TB, f folder) *Study {
	t.Helper()
	s, err := Case(f.write(t), Options{Version: "test", Seed: 1})
	require.NoError(t, err)
	require.Len(t, s.Result.Fixtures, 1)
	return s
}

// plainStudy is the small case, written as it is and measured once, with the
// steps that it told of.
var plainStudy *Study
var plainSteps []step

type step struct {
	name     string
	fraction float64
}

func plainMeasured(t testing.TB) *Study {
	t.Helper()
	if plainStudy == nil {
		_, f := smallCase(t)
		s, err := Case(f.write(t), Options{Version: "test", Seed: 1, Progress: func(name string, fraction float64) {
			plainSteps = append(plainSteps, step{name, fraction})
		}})
		require.NoError(t, err)
		plainStudy = s
	}
	return plainStudy
}

func codes(flags measurement.Flags) []string {
	out := []string{}
	for _, f := range flags {
		out = append(out, f.Code)
	}
	return out
}

func flagged(t testing.TB, flags measurement.Flags, code string) measurement.Flag {
	t.Helper()
	for _, f := range flags {
		if f.Code == code {
			return f
		}
	}
	require.Fail(t, "no flag "+code, "%v", flags)
	return measurement.Flag{}
}

// figures lists a deviation's thirteen figures by their stored name.
func figures(t testing.TB, d *measurement.Values) map[string]float64 {
	t.Helper()
	require.NotNil(t, d)
	data, err := json.Marshal(d)
	require.NoError(t, err)
	out := map[string]float64{}
	require.NoError(t, json.Unmarshal(data, &out))
	require.Len(t, out, 13)
	return out
}

// Entry and apex within 0.20 mm and the axis within 0.7° of the truth is what
// the program promises of every case that it does not flag.
func TestSmallPhantomIsMeasuredRightly(t *testing.T) {
	pair, _ := smallCase(t)
	s := plainMeasured(t)
	truth := pair.Truth.Fixtures[0]
	r := s.Result.Fixtures[0]

	assert.False(t, s.Result.InDoubt())
	got := geom.Pose{Entry: vec(r.Achieved.Entry), Apex: vec(r.Achieved.Apex)}
	assert.Less(t, r3.Norm(r3.Sub(got.Entry, truth.Achieved.Entry)), 0.20)
	assert.Less(t, r3.Norm(r3.Sub(got.Apex, truth.Achieved.Apex)), 0.20)
	assert.Less(t, geom.Degrees(geom.Angle(got.Axis(), truth.Achieved.Axis())), 0.7)
	require.Equal(t, got, *s.Sites[0].Achieved.Pose)
	want := figures(t, truth.Deviation)
	for name, v := range figures(t, r.Deviation) {
		limit := 0.20
		if strings.HasSuffix(name, "deg") {
			limit = 0.7
		}
		assert.InDelta(t, want[name], v, limit, name)
	}
	assert.Equal(t, measurement.Placement{Entry: r.Planned.Entry, Apex: r.Planned.Apex, Diameter: truth.Diameter, Length: truth.Length}, r.Planned)
	assert.Less(t, r3.Norm(r3.Sub(vec(r.Planned.Entry), truth.Planned.Entry)), 1e-9)
	assert.Equal(t, truth.Diameter, r.Achieved.Diameter)
	assert.InDelta(t, got.Length(), r.Achieved.Length, 1e-9)

	// An error of more than five standard uncertainties would say that these
	// are too small.
	for end, u := range map[string]struct{ off, u float64 }{
		"entry along": {*r.Deviation[measurement.EntryDepth] - *truth.Deviation[measurement.EntryDepth], r.Uncertainty.Intervals[measurement.EntryDepth].U},
		"apex along":  {*r.Deviation[measurement.ApexDepth] - *truth.Deviation[measurement.ApexDepth], r.Uncertainty.Intervals[measurement.ApexDepth].U},
		"mesial":      {*r.Deviation[measurement.EntryMesial] - *truth.Deviation[measurement.EntryMesial], r.Uncertainty.Intervals[measurement.EntryMesial].U},
		"buccal":      {*r.Deviation[measurement.ApexBuccal] - *truth.Deviation[measurement.ApexBuccal], r.Uncertainty.Intervals[measurement.ApexBuccal].U},
		"tilt":        {*r.Deviation[measurement.TiltMesial] - *truth.Deviation[measurement.TiltMesial], r.Uncertainty.Intervals[measurement.TiltMesial].U},
	} {
		assert.Greater(t, u.u, 0.0, end)
		assert.Less(t, max(u.off, -u.off)/u.u, 5.0, end)
	}

	assert.Equal(t, measurement.Schema, s.Result.Schema)
	assert.Equal(t, "C-1", s.Result.Case)
	assert.Equal(t, "2026-03-14", s.Result.Placed)
	assert.Equal(t, "clinician-a", s.Result.Clinician)
	assert.Equal(t, measurement.Program{Version: "test", Seed: 1}, s.Result.Program)
	assert.Equal(t, "matrix", s.Result.Alignment.Method)
	given := pair.Truth.PostToPre.Matrix()
	assert.InDeltaSlice(t, given[:], s.Result.Alignment.PostToPre[:], 1e-12)
	assert.Empty(t, s.Result.Alignment.Flags, "the true transform, held against the scans")
	assert.Less(t, s.Result.Alignment.Quality["scans_differ_mm"], 0.1)
	assert.Nil(t, s.Result.Alignment.Found)
	assert.Len(t, s.Result.Inputs.PlanSHA256, 64)
	assert.NotEqual(t, s.Result.Inputs.PreSHA256, s.Result.Inputs.PostSHA256)
	assert.NotEqual(t, s.Result.Inputs.PreSeries, s.Result.Inputs.PostSeries)
}

func vec(a [3]float64) geom.Vec { return geom.Vec{X: a[0], Y: a[1], Z: a[2]} }

// moved is a volume carried by a rigid motion: the same voxels at another place.
func moved(v *volume.Volume, m geom.Rigid) *volume.Volume {
	w := *v
	w.Origin = m.Apply(v.Origin)
	for a := range 3 {
		w.Step[a] = m.Rotate(v.Step[a])
	}
	return &w
}

// cropped is the part of a volume within margin mm of the given points.
func cropped(v *volume.Volume, margin float64, points ...geom.Vec) *volume.Volume {
	lo, hi := v.Box(margin, points...)
	w := &volume.Volume{Grid: v.Sub(lo, hi), Slope: v.Slope[lo[2]:hi[2]], Intercept: v.Intercept[lo[2]:hi[2]]}
	for k := lo[2]; k < hi[2]; k++ {
		for j := lo[1]; j < hi[1]; j++ {
			at := (k*v.Size[1] + j) * v.Size[0]
			w.Stored = append(w.Stored, v.Stored[at+lo[0]:at+hi[0]]...)
		}
	}
	return w
}

// upended is the same voxels stored by sagittal slices, as some machines do.
func upended(v *volume.Volume) *volume.Volume {
	w := &volume.Volume{Grid: v.Grid}
	w.Size = [3]int{v.Size[1], v.Size[2], v.Size[0]}
	w.Step = [3]geom.Vec{v.Step[1], v.Step[2], v.Step[0]}
	for i := range v.Size[0] {
		w.Slope, w.Intercept = append(w.Slope, v.Slope[0]), append(w.Intercept, v.Intercept[0])
		for k := range v.Size[2] {
			for j := range v.Size[1] {
				w.Stored = append(w.Stored, v.Stored[(k*v.Size[1]+j)*v.Size[0]+i])
			}
		}
	}
	return w
}

// inverted is the same grey values stored with a falling rescale.
func inverted(v *volume.Volume) *volume.Volume {
	w := &volume.Volume{Grid: v.Grid}
	top := slices.Max(v.Stored)
	for k, s := range v.Slope {
		w.Slope, w.Intercept = append(w.Slope, -s), append(w.Intercept, v.Intercept[k]+s*float64(top))
	}
	for _, s := range v.Stored {
		w.Stored = append(w.Stored, top-s)
	}
	return w
}

// However a case lies in space and is stored, its deviations are the same.
func TestDeviationsDoNotDependOnHowACaseIsStored(t *testing.T) {
	pair, plain := smallCase(t)
	want := plainMeasured(t)
	truth := pair.Truth.Fixtures[0]

	preMotion := geom.Rotation(geom.Vec{X: 0.4, Y: -1.1, Z: 2})
	preMotion.T = geom.Vec{X: 120, Y: -35.5, Z: 61.25}
	postMotion := geom.Rotation(geom.Vec{X: -0.9, Y: 0.35, Z: 0.6})
	postMotion.T = geom.Vec{X: -80, Y: 12, Z: 230}

	shuffled := func(k int) string { return fmt.Sprintf("Z%03d", (k*37+11)%100) }
	backwards := func(v *volume.Volume) []int {
		order := make([]int, v.Size[2])
		for i := range order {
			order[i] = len(order) - 1 - i
		}
		return order
	}
	cases := []struct {
		name   string
		change func(f *folder)
	}{
		{"both scans moved, each in its own way", func(f *folder) {
			f.pre, f.post = moved(f.pre, preMotion), moved(f.post, postMotion)
			f.planned = preMotion.ApplyPose(f.planned)
			mesial := preMotion.Rotate(*f.mesial)
			f.mesial = &mesial
			f.alignment = matrixLines(preMotion.After(pair.Truth.PostToPre).After(postMotion.Inverse()))
		}},
		{"big endian, slices shuffled and renamed", func(f *folder) {
			require.Less(t, max(f.pre.Size[2], f.post.Size[2]), 100, "names would repeat")
			for _, o := range []*encode.Options{&f.preOptions, &f.postOptions} {
				o.Syntax, o.Name = uid.ExplicitVRBigEndian, shuffled
			}
		}},
		{"multi-frame, the follow-up scan signed and from the last frame on", func(f *folder) {
			f.preOptions.Layout, f.preOptions.Syntax = encode.EnhancedCT, uid.ImplicitVRLittleEndian
			f.postOptions.Layout, f.postOptions.Signed = encode.EnhancedCT, true
			f.postOptions.Order = backwards(f.post)
		}},
		{"cropped around the fixture", func(f *folder) {
			f.pre = cropped(f.pre, 6, truth.Planned.Entry, truth.Planned.Apex)
			f.post = cropped(f.post, 6, truth.AchievedPost.Entry, truth.AchievedPost.Apex)
			require.Less(t, f.post.Len(), pair.Post.Len()/2, "a crop that takes something away")
		}},
		{"stored by sagittal slices", func(f *folder) { f.pre, f.post = upended(f.pre), upended(f.post) }},
		{"stored with a falling rescale", func(f *folder) { f.pre, f.post = inverted(f.pre), inverted(f.post) }},
	}
	base := want.Result.Fixtures[0]
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			f := plain
			c.change(&f)
			s := measured(t, f)
			assert.Equal(t, codes(want.Result.Flags), codes(s.Result.Flags))
			got := s.Result.Fixtures[0]
			have := figures(t, got.Deviation)
			for name, v := range figures(t, base.Deviation) {
				assert.InDelta(t, v, have[name], 0.01, name)
			}
			// Another order of sums in the fit tells by less than 5 %. The alignment's
			// share and the motion's follow from how much of the jaw the scans show.
			require.Len(t, got.Uncertainty.Budget, len(base.Uncertainty.Budget))
			for i, w := range base.Uncertainty.Budget {
				h := got.Uncertainty.Budget[i]
				require.Equal(t, w.Name, h.Name)
				if w.Name != "alignment" && w.Name != "head motion" {
					assert.InDelta(t, math.Hypot(w.EntryAlong, w.EntryAcross), math.Hypot(h.EntryAlong, h.EntryAcross), 0.05*math.Hypot(w.EntryAlong, w.EntryAcross)+1e-4, w.Name)
					assert.InDelta(t, math.Hypot(w.ApexAlong, w.ApexAcross), math.Hypot(h.ApexAlong, h.ApexAcross), 0.05*math.Hypot(w.ApexAlong, w.ApexAcross)+1e-4, w.Name)
				}
			}
			// A head turned by half a turn against its own coordinates is told, and
			// rightly so: a plan in other coordinates looks the same.
			told := slices.DeleteFunc(codes(got.Flags), func(c string) bool { return c == "mesial-contradicted" })
			assert.Equal(t, codes(base.Flags), told)
		})
	}
}

// By hand: a straight body along the planned axis, longer than the fixture and d
// mm beside it, is d less both radii away from it as planned. As placed, the
// nearest point of the true axis gives the distance nearly: the envelope leans by
// a few degrees.
func TestClearances(t *testing.T) {
	pair, f := smallCase(t)
	truth := pair.Truth.Fixtures[0]
	e1, _ := geom.Perpendicular(f.planned.Axis())
	at := func(side, along float64) geom.Vec {
		return r3.Add(f.planned.Entry, r3.Add(r3.Scale(side, e1), r3.Scale(along, f.planned.Axis())))
	}
	body := func(name, kind string, side, radius float64, more string) string {
		return fmt.Sprintf("[[structure]]\nname = %q\nkind = %q\npath = [%s, %s]\nradius = %g\n%s", name, kind, point(at(side, -8)), point(at(side, 18)), radius, more)
	}
	f.more = body("canal", "nerve", 7, 1.2, "") + body("root", "root", -5, 1.5, "margin = 1.25\n") + body("cut", "other", 1, 0.5, "")
	r := measured(t, f).Result.Fixtures[0]
	require.Len(t, r.Clearance, 3)
	for i, c := range []struct {
		name, kind   string
		side, radius float64
	}{{"canal", "nerve", 7, 1.2}, {"root", "root", -5, 1.5}, {"cut", "other", 1, 0.5}} {
		got := r.Clearance[i]
		assert.Equal(t, c.name, got.Structure)
		assert.Equal(t, c.kind, got.Kind)
		require.NotNil(t, got.Achieved, c.name)
		assert.LessOrEqual(t, *got.Low, *got.Achieved, c.name)
		assert.GreaterOrEqual(t, *got.High, *got.Achieved, c.name)
		if c.name == "cut" {
			assert.Negative(t, got.Planned)
			assert.Negative(t, *got.Achieved)
			continue
		}
		assert.InDelta(t, math.Abs(c.side)-c.radius-f.diameter/2, got.Planned, 0.005, c.name)
		nearest := math.Inf(1)
		for k := range 101 {
			p := r3.Add(truth.Achieved.Entry, r3.Scale(truth.Length*float64(k)/100, truth.Achieved.Axis()))
			off := r3.Sub(p, at(c.side, 0))
			nearest = min(nearest, r3.Norm(r3.Cross(off, f.planned.Axis())))
		}
		assert.InDelta(t, nearest-c.radius-f.diameter/2, *got.Achieved, 0.25, c.name)
	}
	assert.Equal(t, 2.0, *r.Clearance[0].Margin, "the usual margin of a nerve")
	assert.Equal(t, 1.25, *r.Clearance[1].Margin, "the margin of the case file")
	assert.Equal(t, measurement.Notice, flagged(t, r.Flags, "penetration").Level)
}

func TestSameInputsGiveTheSameBytes(t *testing.T) {
	_, f := smallCase(t)
	first, err := json.Marshal(plainMeasured(t).Result)
	require.NoError(t, err)
	again, err := json.Marshal(measured(t, f).Result)
	require.NoError(t, err)
	assert.Equal(t, string(first), string(again))
}

// Progress only grows, and says what is being done.
func TestProgress(t *testing.T) {
	plainMeasured(t)
	var names []string
	last := 0.0
	for _, s := range plainSteps {
		names = append(names, s.name)
		assert.GreaterOrEqual(t, s.fraction, last, s.name)
		last = s.fraction
	}
	assert.LessOrEqual(t, last, 1.0)
	assert.Equal(t, []string{"reading the plan", "reading the planning scan", "reading the follow-up scan",
		"aligning the scans", "finding the fixtures", "propagating the uncertainty"}, slices.Compact(names))
}
