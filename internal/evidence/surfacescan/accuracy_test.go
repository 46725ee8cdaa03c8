//go:build accuracy

package surfacescan

import (
	"flag"
	"fmt"
	"math"
	"slices"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/evidence"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
)

var (
	surfaceCases = flag.Int("surfaces", 60, "surface scans a class")
	surfaceFirst = flag.Uint64("first-surface", 1, "seed of the first")
)

// Errors, coverage, refusals and flags over phantoms of three classes, with and without a
// surface before surgery. What the tolerances are asked for stands beside them.
func TestAccuracyOfSurfaceScans(t *testing.T) {
	for _, class := range phantom.SurfaceClasses {
		var entry, apex, turn [2][]float64
		var covered, told [2]int
		var refused, unflagged [2]int
		for i := range *surfaceCases {
			seed := *surfaceFirst + uint64(i)
			s, err := phantom.Random(seed, phantom.Everyday)
			require.NoError(t, err)
			o := phantom.RandomSurface(s, class)
			o.Before = true
			c := made(t, s, o)
			for with := range 2 {
				got, err := c.measure(t, with == 1)
				if err != nil {
					refused[with]++
					t.Logf("%s %d, surface before %v: %v", class, seed, with == 1, err)
					continue
				}
				e, a, angle := c.errors(*got.Pose)
				entry[with], apex[with], turn[with] = append(entry[with], e), append(apex[with], a), append(turn[with], angle)
				if e > 0.5 || a > 0.5 || angle > 2 {
					if !slices.ContainsFunc(got.Flags, func(f measurement.Flag) bool { return f.Level == measurement.Doubt }) {
						unflagged[with]++
					}
				}
				in, all := c.coverage(got)
				covered[with] += in
				told[with] += all
			}
		}
		for with, name := range []string{"onto the planning scan", "with a surface before"} {
			fmt.Printf("%s, %s: n %d, refused %d, unflagged %d; entry %s, apex %s, axis %s; coverage %.1f %%\n", class, name, len(entry[with]), refused[with], unflagged[with],
				spread(entry[with]), spread(apex[with]), spread(turn[with]), 100*float64(covered[with])/float64(max(1, told[with])))
			assert.Zero(t, unflagged[with])
			assert.LessOrEqual(t, refused[with], (*surfaceCases+19)/20)
		}
	}
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

// coverage is how many of the twelve 95 % intervals of entry's and apex's coordinates and of
// the axis' two tilts have the truth.
func (c *simulated) coverage(a *evidence.Achieved) (in, all int) {
	cov := a.Budget.Cov()
	want := c.truth.Fixtures[0].Achieved
	e, x := r3.Sub(a.Pose.Entry, want.Entry), r3.Sub(a.Pose.Apex, want.Apex)
	for k, d := range [6]float64{e.X, e.Y, e.Z, x.X, x.Y, x.Z} {
		all++
		if math.Abs(d) < 1.96*math.Sqrt(cov.At(k, k)) {
			in++
		}
		if k >= 3 { // the tilt: apex less entry
			u := math.Sqrt(cov.At(k, k) + cov.At(k-3, k-3) - 2*cov.At(k, k-3))
			tilt := d - [3]float64{e.X, e.Y, e.Z}[k-3]
			axis := a.Pose.Axis()
			if math.Abs([3]float64{axis.X, axis.Y, axis.Z}[k-3]) > 0.7 {
				continue // along the axis there is none
			}
			all++
			if math.Abs(tilt) < 1.96*u {
				in++
			}
		}
	}
	return in, all
}
