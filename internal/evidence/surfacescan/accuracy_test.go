//go:build accuracy

package surfacescan

import (
	"flag"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/deviation"
	"plumbline/internal/deviation/uncertainty"
	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
)

var (
	surfaceCases   = flag.Int("surfaces", 60, "surface scans a class")
	surfaceWrong   = flag.Int("wrong-surfaces", 20, "mouths of which each is taken for another")
	surfaceFirst   = flag.Uint64("first-surface", 1, "seed of the first")
	surfaceClasses = flag.String("surface-classes", "", "classes, with commas between; empty for all")
)

// drawn is a case of a class.
type drawn struct {
	*simulated
	seat  float64     // standard deviation of the scan body's seat along each axis, mm
	seats []geom.Pose // where the fixture may lie under the scan body as it stands, see seatedAnew
}

// seatsDrawn are the fixture's places drawn for each phantom.
const seatsDrawn = 20

// seatedAnew draws a place of the fixture under the scan body as it stands: with the seat that the
// budget allows where the case file states none.
func (c drawn) seatedAnew(random *rand.Rand) geom.Pose {
	seated := c.surfaces.Seated[0]
	e1, e2 := geom.Perpendicular(seated.Axis())
	normal := func(sd float64, axes ...geom.Vec) (sum geom.Vec) {
		for _, e := range axes {
			sum = r3.Add(sum, r3.Scale(sd*random.NormFloat64(), e))
		}
		return sum
	}
	m := geom.Rotation(normal(usualSeating/seatArm, e1, e2))
	m.T = r3.Add(r3.Sub(seated.Entry, m.Rotate(seated.Entry)), normal(usualSeating, e1, e2, seated.Axis()))
	return m.ApplyPose(seated)
}

// simulatedCase draws a case of a class. Its planning scan is no finer than 0.3 mm, no wider than
// 60 mm and no higher than 36 mm, which costs a quarter of the time and shows no less of the
// crowns beside the site.
func simulatedCase(t *testing.T, seed uint64, class phantom.SurfaceClass) drawn {
	s, o, err := phantom.RandomSurface(seed, class)
	require.NoError(t, err)
	o.Before = true
	s.Pre.Voxel, s.Pre.Width, s.Pre.Height = max(s.Pre.Voxel, 0.3), min(s.Pre.Width, 60), min(s.Pre.Height, 36)
	c := drawn{simulated: made(t, s, o), seat: o.Seat}
	random := rand.New(rand.NewPCG(seed, 67))
	for range seatsDrawn {
		c.seats = append(c.seats, c.seatedAnew(random))
	}
	return c
}

// tally gathers one class, onto the planning scan alone or with a surface before.
type tally struct {
	n, refused, doubted, unflagged int
	off                            [measurement.FigureCount][]float64
	beyond                         [3][]float64 // entry, apex and axis off where the scan body sits: beyond what the seat puts them off
	held, of                       [measurement.FigureCount]int
	heldStated                     int                          // of all figures, where the case states how well its scan body seats
	heldDrawn, ofDrawn             [measurement.FigureCount]int // with the seats drawn
}

// add counts a measurement and tells of it: each figure's error and standard uncertainty, and
// how much each source puts on entry and apex, mm.
func (x *tally) add(t *testing.T, c drawn, got *evidence.Achieved) string {
	x.n++
	truth := c.truth.Fixtures[0]
	d := &deviation.Directions{Mesial: truth.Mesial, Buccal: truth.Buccal}
	v, err := deviation.Of(truth.Planned, *got.Pose, d)
	require.NoError(t, err)
	u, err := uncertainty.Propagate(truth.Planned, *got.Pose, got.Budget, d, 1)
	require.NoError(t, err)
	stated, err := uncertainty.Propagate(truth.Planned, *got.Pose, c.stated(got.Budget), d, 1)
	require.NoError(t, err)
	var line strings.Builder
	for f := range measurement.FigureCount {
		e := *v[f] - *truth.Deviation[f]
		i := *u.Intervals[f]
		x.of[f]++
		if i.Low <= *truth.Deviation[f] && *truth.Deviation[f] <= i.High {
			x.held[f]++
		}
		if i := *stated.Intervals[f]; i.Low <= *truth.Deviation[f] && *truth.Deviation[f] <= i.High {
			x.heldStated++
		}
		fmt.Fprintf(&line, " %+.3f/%.3f", e, i.U)
	}
	for _, p := range c.seats {
		truly, err := deviation.Of(truth.Planned, p, d)
		require.NoError(t, err)
		for f := range measurement.FigureCount {
			x.ofDrawn[f]++
			if i := *u.Intervals[f]; i.Low <= *truly[f] && *truly[f] <= i.High {
				x.heldDrawn[f]++
			}
		}
	}
	entry, apex, turn := c.errors(*got.Pose)
	x.off[measurement.Entry] = append(x.off[measurement.Entry], entry)
	x.off[measurement.Apex] = append(x.off[measurement.Apex], apex)
	x.off[measurement.Angle] = append(x.off[measurement.Angle], turn)
	doubt := slices.ContainsFunc(got.Flags, func(f measurement.Flag) bool { return f.Level == measurement.Doubt })
	if doubt {
		x.doubted++
	} else if entry > 0.5 || apex > 0.5 || turn > 2 {
		x.unflagged++
	}
	seated := c.surfaces.Seated[0]
	x.beyond[0] = append(x.beyond[0], r3.Norm(r3.Sub(got.Pose.Entry, seated.Entry)))
	x.beyond[1] = append(x.beyond[1], r3.Norm(r3.Sub(got.Pose.Apex, seated.Apex)))
	x.beyond[2] = append(x.beyond[2], geom.Degrees(geom.Angle(got.Pose.Axis(), seated.Axis())))
	cov := mat.NewSymDense(6, nil)
	for _, b := range got.Budget {
		if b.Name != "seating" {
			cov.AddSym(cov, b.Cov)
		}
	}
	_, up := got.Pose, got.Pose.Axis()
	e1, e2 := geom.Perpendicular(up)
	line.WriteString(" | seatless z")
	for i, d := range []geom.Vec{r3.Sub(got.Pose.Entry, seated.Entry), r3.Sub(got.Pose.Apex, seated.Apex)} {
		for _, e := range []geom.Vec{e1, e2, up} {
			v := mat.NewVecDense(6, nil)
			v.SetVec(3*i, e.X)
			v.SetVec(3*i+1, e.Y)
			v.SetVec(3*i+2, e.Z)
			fmt.Fprintf(&line, " %+.3f/%.3f", r3.Dot(d, e), math.Sqrt(mat.Inner(v, cov, v)))
		}
	}
	for _, b := range got.Budget {
		fmt.Fprintf(&line, " %s %.3f/%.3f", b.Name, math.Sqrt(mat.Trace(b.Cov.SliceSym(0, 3))), math.Sqrt(mat.Trace(b.Cov.SliceSym(3, 6))))
	}
	return fmt.Sprintf("entry %.3f apex %.3f axis %.2f doubts %v;%s", entry, apex, turn, codes(got.Flags), line.String())
}

// stated is a budget as it is where the case file states the seat's standard uncertainty.
func (c drawn) stated(b evidence.Budget) evidence.Budget {
	out := slices.Clone(b)
	for i := range out {
		if out[i].Name == "seating" {
			ratio := c.seat / usualSeating
			scaled := mat.NewSymDense(6, nil)
			scaled.ScaleSym(ratio*ratio, out[i].Cov)
			out[i].Cov = scaled
		}
	}
	return out
}

// coverage is the share of all intervals that hold the truth, %: with the usual seat, with the
// class's own, and with the usual seat where the true one is drawn from it.
func (x *tally) coverage() (usual, stated, published float64) {
	share := func(held, of int) float64 { return 100 * float64(held) / float64(max(1, of)) }
	sum := func(all [measurement.FigureCount]int) (n int) {
		for _, k := range all {
			n += k
		}
		return n
	}
	return share(sum(x.held), sum(x.of)), share(x.heldStated, sum(x.of)), share(sum(x.heldDrawn), sum(x.ofDrawn))
}

// ordinary are the classes whose intervals are held against their 95 %.
var ordinary = []phantom.SurfaceClass{phantom.PlainSurface, phantom.UsualSurface, phantom.HardSurface}

// Errors, coverage of every figure, refusals and flags over phantoms, with and without a
// surface before surgery.
func TestAccuracyOfSurfaceScans(t *testing.T) {
	for _, class := range phantom.SurfaceClasses {
		if *surfaceClasses != "" && !slices.Contains(strings.Split(*surfaceClasses, ","), string(class)) {
			continue
		}
		var found [2]tally
		for i := range *surfaceCases {
			seed := *surfaceFirst + uint64(i)
			c := simulatedCase(t, seed, class)
			scan := c.open(t, true)
			for with := range 2 {
				x := &found[with]
				s := *scan
				if with == 0 {
					s.before = nil
				}
				got, err := c.measured(t, &s)
				if err != nil {
					x.refused++
					t.Logf("%s %d, surface before %v: %v", class, seed, with == 1, err)
					continue
				}
				t.Logf("%s %d, surface before %v: %s", class, seed, with == 1, x.add(t, c, got))
			}
		}
		for with, name := range []string{"onto the planning scan", "with a surface before"} {
			x := &found[with]
			x.print(string(class), name)
			assert.Zero(t, x.unflagged)
			if _, _, published := x.coverage(); slices.Contains(ordinary, class) && *surfaceCases >= 30 {
				assert.InDelta(t, 95, published, 3)
			}
			if class != phantom.ToothlessMouth && class != phantom.FewTeeth {
				assert.LessOrEqual(t, x.refused, (*surfaceCases+19)/20)
			}
		}
	}
}

// A scan of another patient, of the other jaw, with the scan body on the next tooth, or whose
// plan lies a tooth farther along the arch is refused, or the scan body is not found; of none
// figures come without a doubt.
func TestRefusalAccuracyOfSurfaceScans(t *testing.T) {
	outcomes := map[string]map[string]int{}
	for i := range *surfaceWrong {
		seed := *surfaceFirst + 5000 + uint64(i)
		c := simulatedCase(t, seed, phantom.UsualSurface)
		spec, o, err := phantom.RandomSurface(seed, phantom.UsualSurface)
		require.NoError(t, err)
		o.Before = true
		site := spec.Fixtures[0].Site
		along := c.truth.Fixtures[0].Mesial
		wrong := func(name, site string, from phantom.Spec, o phantom.SurfaceScan) {
			from.Fixtures = slices.Clone(from.Fixtures[:1])
			from.Fixtures[0].Site = site
			from.FarCrown, from.NewCrown = "", "" // which may stand there
			m, err := phantom.RenderSurfaces(from, o)
			require.NoError(t, err)
			c.write(t, "after.stl", m.After)
			c.write(t, "body.stl", m.Bodies[0])
			c.count(t, outcomes, name)
		}
		other, _, err := phantom.RandomSurface(seed+5000, phantom.UsualSurface)
		require.NoError(t, err)
		wrong("another patient", site, other, o)
		opposite := map[byte]byte{'1': '4', '2': '3', '3': '2', '4': '1'}
		wrong("the other jaw", string([]byte{opposite[site[0]], site[1]}), spec, o)
		next := site[1] + 1
		if next > '7' {
			next = site[1] - 1
		}
		wrong("scan body on the next tooth", string([]byte{site[0], next}), spec, o)
		c.write(t, "after.stl", c.surfaces.After)
		c.write(t, "body.stl", c.surfaces.Bodies[0])
		for k, way := range []float64{8, -8} {
			c.planned(t)
			p := &c.plan.Fixtures[0].Planned
			p.Entry, p.Apex = r3.Add(p.Entry, r3.Scale(way, along)), r3.Add(p.Apex, r3.Scale(way, along))
			c.count(t, outcomes, []string{"plan a tooth farther mesially", "plan a tooth farther distally"}[k])
		}
	}
	for name, x := range outcomes {
		fmt.Println(name, x)
		assert.Zero(t, x["passed"], name)
	}
}

// count counts what a wrong case says, with and without a surface before surgery.
func (c *simulated) count(t *testing.T, outcomes map[string]map[string]int, name string) {
	for _, before := range []bool{false, true} {
		problem, doubts := c.outcome(t, before)
		key := "passed"
		switch {
		case problem != "":
			key = "refused"
		case slices.Contains(doubts, measurement.CodeScanBodyNotFound):
			key = "no scan body"
		case len(doubts) > 0:
			key = "doubted"
		}
		if outcomes[name] == nil {
			outcomes[name] = map[string]int{}
		}
		outcomes[name][key]++
		t.Logf("%s, %s, surface before %v: %s %v %s", c.folder, name, before, key, doubts, problem)
	}
}

func (x *tally) print(class, name string) {
	usual, stated, published := x.coverage()
	fmt.Printf("%s, %s: n %d, refused %d, doubted %d, unflagged %d; entry %s, apex %s, axis %s; beyond the seat %s, %s, %s; coverage %.1f %%, with the seat stated %.1f %%, with seats as published %.1f %%:", class, name, x.n, x.refused, x.doubted, x.unflagged,
		spread(x.off[measurement.Entry]), spread(x.off[measurement.Apex]), spread(x.off[measurement.Angle]), spread(x.beyond[0]), spread(x.beyond[1]), spread(x.beyond[2]), usual, stated, published)
	for f := range measurement.FigureCount {
		fmt.Printf(" %s %d/%d %d/%d", f, x.held[f], x.of[f], x.heldDrawn[f], x.ofDrawn[f])
	}
	fmt.Println()
}

// spread is median, 95th percentile and largest.
func spread(x []float64) string {
	if len(x) == 0 {
		return "none"
	}
	slices.Sort(x)
	return fmt.Sprintf("%.3f/%.3f/%.3f", x[len(x)/2], x[int(0.95*float64(len(x)-1)+0.5)], x[len(x)-1])
}

// errors are those of entry and apex, mm, and of the axis, degrees.
func (c *simulated) errors(got geom.Pose) (entry, apex, turn float64) {
	want := c.truth.Fixtures[0].Achieved
	return r3.Norm(r3.Sub(got.Entry, want.Entry)), r3.Norm(r3.Sub(got.Apex, want.Apex)), geom.Degrees(geom.Angle(got.Axis(), want.Axis()))
}
