//go:build accuracy

package surfacescan

import (
	"flag"
	"fmt"
	"math"
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
	surfaceFirst   = flag.Uint64("first-surface", 1, "seed of the first")
	surfaceClasses = flag.String("surface-classes", "", "classes, with commas between; empty for all")
)

// simulatedCase draws a case of a class. Its planning scan is no finer than 0.3 mm and no
// higher than 36 mm, which costs a quarter of the time and shows no less of the crowns.
func simulatedCase(t *testing.T, seed uint64, class phantom.SurfaceClass) *simulated {
	s, o, err := phantom.RandomSurface(seed, class)
	require.NoError(t, err)
	o.Before = true
	s.Pre.Voxel, s.Pre.Height = max(s.Pre.Voxel, 0.3), min(s.Pre.Height, 36)
	return made(t, s, o)
}

// tally gathers one class, onto the planning scan alone or with a surface before.
type tally struct {
	n, refused, doubted, unflagged int
	off                            [measurement.FigureCount][]float64
	held, of                       [measurement.FigureCount]int
}

// add counts a measurement and tells of it: each figure's error and standard uncertainty, and
// how much each source puts on entry and apex, mm.
func (x *tally) add(t *testing.T, c *simulated, got *evidence.Achieved) string {
	x.n++
	truth := c.truth.Fixtures[0]
	d := &deviation.Directions{Mesial: truth.Mesial, Buccal: truth.Buccal}
	v, err := deviation.Of(truth.Planned, *got.Pose, d)
	require.NoError(t, err)
	u, err := uncertainty.Propagate(truth.Planned, *got.Pose, got.Budget, d, 1)
	require.NoError(t, err)
	var line strings.Builder
	for f := range measurement.FigureCount {
		e := *v[f] - *truth.Deviation[f]
		i := *u.Intervals[f]
		x.of[f]++
		if i.Low <= *truth.Deviation[f] && *truth.Deviation[f] <= i.High {
			x.held[f]++
		}
		fmt.Fprintf(&line, " %+.3f/%.3f", e, i.U)
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
	return fmt.Sprintf("entry %.3f apex %.3f axis %.2f doubt %v;%s", entry, apex, turn, doubt, line.String())
}

// coverage is the share of all intervals that hold the truth, %.
func (x *tally) coverage() float64 {
	held, of := 0, 0
	for f := range x.of {
		held += x.held[f]
		of += x.of[f]
	}
	return 100 * float64(held) / float64(max(1, of))
}

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
			for with := range 2 {
				x := &found[with]
				got, err := c.measure(t, with == 1)
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
			if class != phantom.ToothlessMouth && class != phantom.FewTeeth {
				assert.LessOrEqual(t, x.refused, (*surfaceCases+19)/20)
			}
		}
	}
}

func (x *tally) print(class, name string) {
	fmt.Printf("%s, %s: n %d, refused %d, doubted %d, unflagged %d; entry %s, apex %s, axis %s; coverage %.1f %%:", class, name, x.n, x.refused, x.doubted, x.unflagged,
		spread(x.off[measurement.Entry]), spread(x.off[measurement.Apex]), spread(x.off[measurement.Angle]), x.coverage())
	for f := range measurement.FigureCount {
		fmt.Printf(" %s %d/%d", f, x.held[f], x.of[f])
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
