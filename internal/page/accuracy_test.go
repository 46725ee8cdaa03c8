//go:build accuracy

package page

import (
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
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
	"plumbline/internal/plan/casefile"
)

// hand is a scripted hand: it steps along the arch as the page does and clicks the middle of
// a line where that passes the cut, off by a normal error in both directions of the cut.
type hand struct {
	*rand.Rand
	jitter    float64 // mm, standard deviation in each direction
	middle, m geom.Vec
	line      []geom.Vec
}

// points are what it clicks, as the page's form has them: between 3 and 9 points, from some
// way distal of the fixture to some way mesial of it.
func (h *hand) points() string {
	up := geom.Vec{Z: 1}
	b := r3.Unit(r3.Cross(h.m, up))
	n := 3 + h.IntN(7)
	reach := 7 + 4*h.Float64()
	var out []string
	for i := range n {
		// The bar has steps of half a millimetre.
		s := math.Round(2*(reach-2*reach*float64(i)/float64(n-1))) / 2
		at := r3.Add(h.middle, r3.Scale(s, h.m))
		if p, ok := crossing(h.line, at, h.m); ok {
			p = r3.Add(p, r3.Add(r3.Scale(h.jitter*h.NormFloat64(), b), r3.Scale(h.jitter*h.NormFloat64(), up)))
			out = append(out, text(p))
		}
	}
	if len(out) < fewestPoints { // it went too far, and begins again
		return h.points()
	}
	return strings.Join(out, "\n")
}

// crossing is where a line passes a plane.
func crossing(line []geom.Vec, at, normal geom.Vec) (geom.Vec, bool) {
	off := func(p geom.Vec) float64 { return r3.Dot(r3.Sub(p, at), normal) }
	for i := 1; i < len(line); i++ {
		if a, b := off(line[i-1]), off(line[i]); a*b <= 0 && a != b {
			return r3.Add(line[i-1], r3.Scale(a/(a-b), r3.Sub(line[i], line[i-1]))), true
		}
	}
	return geom.Vec{}, false
}

// A canal that a hand draws with errors of 0.3 mm, once or twice: the clearance of the placed
// fixture lies within its 95 % interval of the truth. The truth is the distance of the true
// fixture, as the nominal body that the program takes it for, to the true canal. The radius
// is the one that the page proposes, the points go through the page's own form, and each
// phantom has many drawings side by side.
func TestDrawnCanalCoverage(t *testing.T) {
	const drawings = 40 // on each phantom
	held, of, width := map[bool]int{}, map[bool]int{}, map[bool]float64{}
	for n, site := range []string{"46", "36", "45", "35", "47", "37"} {
		rng := rand.New(rand.NewPCG(uint64(n), 22))
		spec := phantom.Usual(site)
		spec.Seed = uint64(n + 1)
		spec.Fixtures[0].Entry = [3]float64{rng.NormFloat64() * 0.6, rng.NormFloat64() * 0.6, rng.NormFloat64() * 0.5}
		spec.Fixtures[0].Tilt = [2]float64{rng.NormFloat64() * 2, rng.NormFloat64() * 2}
		for _, s := range []*phantom.Scan{&spec.Pre, &spec.Post} {
			s.Voxel, s.Slice, s.Width, s.Height = 0.5, 0, 50, 40
		}
		of1, held1 := 0, 0
		for _, d := range drawnOn(t, spec, rng, drawings) {
			of[d.twice]++
			of1++
			width[d.twice] += *d.High - *d.Low
			if *d.Low <= d.truth && d.truth <= *d.High {
				held[d.twice]++
				held1++
			}
		}
		t.Logf("site %s: %d of %d", site, held1, of1)
	}
	for twice, n := range of {
		t.Logf("drawn twice %v: %d of %d intervals have the truth, %.1f mm wide on average", twice, held[twice], n, width[twice]/float64(n))
		assert.GreaterOrEqual(t, float64(held[twice])/float64(n), 0.93)
	}
}

// drawing is the clearance to a canal that was drawn.
type drawing struct {
	measurement.Clearance
	truth float64 // mm
	twice bool
}

// drawnOn plans a phantom's case on the page, draws its canal many times, each as a structure
// of its own and every other one twice, and measures the case.
func drawnOn(t *testing.T, spec phantom.Spec, rng *rand.Rand, drawings int) []drawing {
	t.Helper()
	const jitter = 0.3 // mm
	made := filepath.Join(t.TempDir(), "made")
	require.NoError(t, phantom.Write(made, spec))
	told, err := casefile.ReadPlan(made)
	require.NoError(t, err)
	f, canal := told.Fixtures[0], told.Structures[0]
	require.Equal(t, casefile.Nerve, canal.Kind)

	v := begun(t)
	status, body := v.send("/new", map[string]string{"name": "C-001", "clinician": "a"}, scanFiles(t, filepath.Join(made, "pre")))
	require.Equal(t, http.StatusOK, status, body)
	v.done("/case/C-001/tooth", "site", f.Site.String())
	v.done("/case/C-001/place/"+f.Site.String(), "entry", text(f.Planned.Entry), "apex", text(f.Planned.Apex), "diameter", fmt.Sprint(f.Diameter), "length", fmt.Sprint(f.Length))
	v.done("/case/C-001/about", "placed", "2026-01-20")
	m := siteOf(f.Site).Mesial
	h := &hand{Rand: rng, jitter: jitter, line: canal.Path, m: geom.Vec{X: m[0], Y: m[1], Z: m[2]}, middle: r3.Scale(0.5, r3.Add(f.Planned.Entry, f.Planned.Apex))}
	for i := range drawings {
		fields := []string{"kind", "nerve", "name", fmt.Sprintf("canal %d", i), "radius", fmt.Sprint(drawable[0].Radius), "points"}
		v.done("/case/C-001/draw", append(fields, h.points())...)
		if i%2 == 1 {
			v.done("/case/C-001/draw?kind=nerve&again", append(fields, h.points())...)
		}
	}
	v.done("/case/C-001/confirm")
	require.NoError(t, os.CopyFS(filepath.Join(v.folder, "C-001", "post"), os.DirFS(filepath.Join(made, "post"))))
	s, err := measure.Case(filepath.Join(v.folder, "C-001"), measure.Options{Version: "v0", Seed: 1})
	require.NoError(t, err)

	known, err := phantom.TruthOf(spec)
	require.NoError(t, err)
	placed, err := clearance.Nominal(f.Diameter).Place(known.Fixtures[0].Achieved)
	require.NoError(t, err)
	chain, err := clearance.NewChain(canal.Path, canal.Radius)
	require.NoError(t, err)
	truth := clearance.Of(placed, chain).Distance
	var out []drawing
	for i, c := range s.Result.Fixtures[0].Clearance[:drawings] {
		out = append(out, drawing{c, truth, i%2 == 1})
	}
	return out
}
