package report

import (
	"bytes"
	"fmt"
	"image"
	"image/png"
	"math"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/report/drawing"
)

// measured is a small phantom that was measured from its files, with its truth.
func measured(t *testing.T) (*measure.Study, *phantom.Record) {
	t.Helper()
	s := phantom.Usual("44")
	s.Seed = 5
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height = 0.35, 24, 24
	}
	dir := filepath.Join(t.TempDir(), "case")
	require.NoError(t, phantom.Write(dir, s))
	o := measure.Options{Seed: 1}
	in, err := measure.Open(filepath.Join(dir, "case-matrix.toml"), o)
	require.NoError(t, err)
	study, err := measure.Measure(in, o)
	require.NoError(t, err)
	truth, err := phantom.ReadRecord(dir)
	require.NoError(t, err)
	return study, truth
}

func vec(a [3]float64) geom.Vec { return geom.Vec{X: a[0], Y: a[1], Z: a[2]} }

func poseOf(p *measurement.Placement) geom.Pose {
	return geom.Pose{Entry: vec(p.Entry), Apex: vec(p.Apex)}
}

// cutsOf are the drawn cuts of a report, those to step through among them.
func cutsOf(d *Document) (out []drawing.Drawing) {
	for _, b := range d.blocks {
		group, ok := b.(pictures)
		if !ok || !group.Outlines {
			continue
		}
		for _, p := range group.Items {
			if p.Steps != nil && !p.Paper {
				out = append(out, p.Steps.Drawings...)
			} else {
				out = append(out, p.Drawing)
			}
		}
	}
	return out
}

var (
	cutSides = regexp.MustCompile(`Right is (\w+), up is (\w+)\.`)
	cutPlace = regexp.MustCompile(`axis, (through the axis|at the entry|at the apex|[0-9.]+ mm (\w+)(?: of the (entry|apex))?)\.`)
)

// planeOf is the plane of a cut by what its words say, with the truth's own
// directions.
func planeOf(t *testing.T, alt string, achieved geom.Pose, f phantom.FixtureRecord) drawing.Plane {
	t.Helper()
	axis := achieved.Axis()
	off := func(v geom.Vec) geom.Vec { return r3.Unit(r3.Sub(v, r3.Scale(r3.Dot(v, axis), axis))) }
	mesial := off(vec(f.Mesial))
	buccal := r3.Cross(axis, mesial)
	if r3.Dot(buccal, vec(f.Buccal)) < 0 {
		buccal = r3.Scale(-1, buccal)
	}
	way := map[string]geom.Vec{
		"mesial": mesial, "distal": r3.Scale(-1, mesial), "buccal": buccal, "lingual": r3.Scale(-1, buccal),
		"coronal": r3.Scale(-1, axis), "apical": axis,
	}
	m := cutSides.FindStringSubmatch(alt)
	require.NotNil(t, m, alt)
	require.Contains(t, way, m[1])
	require.Contains(t, way, m[2])
	p := drawing.Plane{Centre: r3.Scale(0.5, r3.Add(achieved.Entry, achieved.Apex)), Right: way[m[1]], Up: way[m[2]]}
	if strings.Contains(alt, "across the achieved axis") {
		p.Centre = achieved.Entry
	}
	place := cutPlace.FindStringSubmatch(alt)
	require.NotNil(t, place, alt)
	var mm float64
	if place[2] != "" {
		_, err := fmt.Sscanf(place[1], "%f", &mm)
		require.NoError(t, err)
	}
	switch {
	case place[1] == "at the apex":
		p.Centre = achieved.Apex
	case place[3] == "apex":
		p.Centre = r3.Add(achieved.Apex, r3.Scale(mm, way[place[2]]))
	case place[2] != "":
		p.Centre = r3.Add(p.Centre, r3.Scale(mm, way[place[2]]))
	}
	return p
}

// lines takes a cut apart: its grey values and where they lie on paper, and the
// outlines.
func lines(t *testing.T, d drawing.Drawing) (grey *image.Gray, at drawing.Raster, planned, achieved []drawing.Point) {
	t.Helper()
	widest := map[drawing.Layer]float64{}
	for _, it := range d.Items[0].(drawing.Clip).Items {
		switch v := it.(type) {
		case drawing.Raster:
			img, err := png.Decode(bytes.NewReader(v.PNG))
			require.NoError(t, err)
			grey, at = img.(*image.Gray), v
		case drawing.Path:
			low, high := math.Inf(1), math.Inf(-1)
			for _, p := range v.Points {
				low, high = math.Min(low, p.X), math.Max(high, p.X)
			}
			if v.Closed && high-low > widest[v.Layer] {
				widest[v.Layer] = high - low
				switch v.Layer {
				case drawing.PlannedLayer:
					planned = v.Points
				case drawing.AchievedLayer:
					achieved = v.Points
				}
			}
		}
	}
	return grey, at, planned, achieved
}

// apart is the largest distance of a point of one closed line from another.
func apart(from, to []drawing.Point) float64 {
	largest := 0.0
	for _, p := range from {
		least := math.Inf(1)
		for i, a := range to {
			b := to[(i+1)%len(to)]
			dx, dy := b.X-a.X, b.Y-a.Y
			s := 0.0
			if l := dx*dx + dy*dy; l > 0 {
				s = math.Min(1, math.Max(0, ((p.X-a.X)*dx+(p.Y-a.Y)*dy)/l))
			}
			least = math.Min(least, math.Hypot(p.X-a.X-s*dx, p.Y-a.Y-s*dy))
		}
		largest = math.Max(largest, least)
	}
	return largest
}

// From the files to the drawing: in the report of a measured phantom, whose metal
// has a thread, a taper and a bore, each drawn outline is that of the truth's
// pose within a pixel; the achieved one may lie off by the pose's own error as
// well, which is within what was stated; and the metal's middle, row by row, is
// on the truth's axis.
func TestOutlinesLieOnTheMetalOfAMeasuredPhantom(t *testing.T) {
	study, truth := measured(t)
	f, want := study.Result.Fixtures[0], truth.Fixtures[0]
	require.NotNil(t, f.Achieved)
	achieved, real, planned := poseOf(f.Achieved), poseOf(want.Achieved), poseOf(&want.Planned)

	// The error of an end is within three of its standard uncertainties, each of
	// three directions being no worse than along the axis.
	var stated [2]float64
	for _, s := range f.Uncertainty.Budget {
		stated[0] += s.EntryAlong*s.EntryAlong + 2*s.EntryAcross*s.EntryAcross
		stated[1] += s.ApexAlong*s.ApexAlong + 2*s.ApexAcross*s.ApexAcross
	}
	missed := math.Max(r3.Norm(r3.Sub(achieved.Entry, real.Entry)), r3.Norm(r3.Sub(achieved.Apex, real.Apex)))
	allowed := 3 * math.Sqrt(math.Max(stated[0], stated[1]))
	require.Less(t, missed, allowed, "the pose's error is as stated")

	d, err := Case(study, Options{})
	require.NoError(t, err)
	drawn := cutsOf(d)
	require.Greater(t, len(drawn), 30)
	seen, rows := map[string]int{}, 0
	worst := map[string]float64{}
	for _, cut := range drawn {
		plane := planeOf(t, cut.Alt, achieved, want)
		grey, at, plannedLine, achievedLine := lines(t, cut)
		onPixel := at.Width / float64(grey.Bounds().Dx())
		scale := onPixel / pixel // paper mm a mm
		expect := func(pose geom.Pose) []drawing.Point {
			e, err := clearance.Nominal(want.Planned.Diameter).Place(pose)
			require.NoError(t, err)
			var out []drawing.Point
			for _, q := range drawing.Cut(&e, plane) {
				out = append(out, drawing.Point{X: at.Min.X + at.Width/2 + q[0]*scale, Y: at.Min.Y + at.Height/2 - q[1]*scale})
			}
			return out
		}
		for name, x := range map[string]struct {
			drawn, want []drawing.Point
			allowed     float64 // mm
		}{
			"planned":  {plannedLine, expect(planned), pixel},
			"achieved": {achievedLine, expect(real), pixel + missed},
		} {
			// A cut that only just meets a body shows a sliver that a small
			// error makes or takes.
			if wide(x.want) < 1*scale || wide(x.drawn) < 1*scale {
				continue
			}
			off := math.Max(apart(x.drawn, x.want), apart(x.want, x.drawn)) / scale
			assert.LessOrEqual(t, off, x.allowed, "%s: %s", name, cut.Alt)
			worst[name] = math.Max(worst[name], off)
			seen[name]++
		}
		for _, p := range structurePoints(cut) {
			x, y := (p.X-at.Min.X-at.Width/2)/scale, (at.Min.Y+at.Height/2-p.Y)/scale
			off := offStructures(study, plane.At(x, y))
			assert.LessOrEqual(t, off, pixel, "structure: %s", cut.Alt)
			worst["structure"] = math.Max(worst["structure"], off)
			seen["structure"]++
		}
		if off, n := middleOff(grey, at, expect(real)); n >= 20 && strings.Contains(cut.Alt, "follow-up scan") {
			assert.LessOrEqual(t, math.Abs(off), 1.0, "the metal's middle: %s", cut.Alt)
			worst["middle"] = math.Max(worst["middle"], math.Abs(off)*pixel)
			rows += n
		}
	}
	assert.Greater(t, seen["structure"], 1000)
	assert.Greater(t, seen["planned"], 20)
	assert.Greater(t, seen["achieved"], 20)
	assert.Greater(t, rows, 500)
	t.Logf("pose off by %.3f mm, stated %.3f; outlines off by up to %.3f and %.3f mm, structures by %.3f mm, the metal's middle by %.3f mm", missed, allowed, worst["planned"], worst["achieved"], worst["structure"], worst["middle"])
}

// structurePoints are the points of a cut's structures, and those half way between them.
func structurePoints(d drawing.Drawing) []drawing.Point {
	var out []drawing.Point
	for _, it := range d.Items[0].(drawing.Clip).Items {
		if p, ok := it.(drawing.Path); ok && p.Layer == drawing.StructureLayer && p.Stroke == drawing.StructureOnScan {
			for i, q := range p.Points {
				out = append(out, q)
				if i > 0 {
					out = append(out, drawing.Point{X: (q.X + p.Points[i-1].X) / 2, Y: (q.Y + p.Points[i-1].Y) / 2})
				}
			}
		}
	}
	return out
}

// offStructures is how far a point lies off the surface of the nearest of the case's
// centre lines: balls set densely along each.
func offStructures(s *measure.Study, p geom.Vec) float64 {
	off := math.Inf(1)
	for _, body := range s.Structures {
		st, least := body.Plan, math.Inf(1)
		for i := range len(st.Path) - 1 {
			for k := range 201 {
				at := float64(k) / 200
				radius := st.Radius[min(i, len(st.Radius)-1)] + at*(st.Radius[min(i+1, len(st.Radius)-1)]-st.Radius[min(i, len(st.Radius)-1)])
				centre := r3.Add(st.Path[i], r3.Scale(at, r3.Sub(st.Path[i+1], st.Path[i])))
				least = math.Min(least, r3.Norm(r3.Sub(p, centre))-radius)
			}
		}
		off = math.Min(off, math.Abs(least))
	}
	return off
}

// middleOff is how far, on average over the rows of a cut, the middle between
// the two steepest edges near a closed line lies from the line's own middle, in
// pixels. The thread, which is symmetric to the axis only over a turn, averages out.
func middleOff(grey *image.Gray, at drawing.Raster, ring []drawing.Point) (off float64, rows int) {
	w := grey.Bounds().Dx()
	onPixel := at.Width / float64(w)
	const reach = 0.8 / pixel
	steepest := func(y int, about float64, sign int) float64 {
		best, where := 0, about
		for x := int(about - reach); x <= int(about+reach); x++ {
			if x < 1 || x >= w {
				continue
			}
			if step := sign * (int(grey.GrayAt(x, y).Y) - int(grey.GrayAt(x-1, y).Y)); step > best {
				best, where = step, float64(x)
			}
		}
		return where
	}
	for y := range grey.Bounds().Dy() {
		left, right := math.Inf(1), math.Inf(-1)
		py := at.Min.Y + (float64(y)+0.5)*onPixel
		for i, p := range ring {
			q := ring[(i+1)%len(ring)]
			if (p.Y < py) != (q.Y < py) {
				x := (p.X + (q.X-p.X)*(py-p.Y)/(q.Y-p.Y) - at.Min.X) / onPixel
				left, right = math.Min(left, x), math.Max(right, x)
			}
		}
		// Near the edge of the body a thread's turn shifts one side alone.
		if right-left < 3/pixel {
			continue
		}
		off += (steepest(y, left, 1)+steepest(y, right, -1))/2 - (left+right)/2
		rows++
	}
	return off / float64(max(rows, 1)), rows
}

func wide(ring []drawing.Point) float64 {
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range ring {
		low, high = math.Min(low, p.X), math.Max(high, p.X)
	}
	return high - low
}
