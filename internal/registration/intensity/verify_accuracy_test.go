//go:build accuracy

package intensity

import (
	"fmt"
	"math/rand/v2"
	"os"
	"strconv"
	"testing"
	"time"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/phantom"
	"plumbline/internal/registration"
)

// smallOf is a phantom of a class in fields of at most 44 × 34 mm at 0.4 mm voxels
// or more, so that many are made in minutes.
func smallOf(seed uint64, class phantom.Class) (*phantom.Pair, phantom.Spec, error) {
	s, err := phantom.Random(seed, class)
	if err != nil {
		return nil, s, err
	}
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height = max(c.Voxel, 0.4), min(c.Width, 44), min(c.Height, 34)
	}
	p, err := phantom.Render(s)
	return p, s, err
}

// TestVerifyAccuracy holds given transforms against phantoms of every class: the
// true one, and for the first of each class ones that are off at the fixture by a
// known shift or turn in a random direction. No true one may be doubted, and none that is off by more than
// half a millimetre or two degrees may pass. PER_CLASS and FIRST as in
// TestAlignmentAccuracy.
func TestVerifyAccuracy(t *testing.T) {
	count, first := 4, 2000
	if v, err := strconv.Atoi(os.Getenv("PER_CLASS")); err == nil {
		count = v
	}
	if v, err := strconv.Atoi(os.Getenv("FIRST")); err == nil {
		first = v
	}
	type fault struct{ mm, deg float64 }
	faults := []fault{{0, 0}, {0.3, 0}, {0.5, 0}, {1, 0}, {2, 0}, {3, 0}, {0, 1}, {0, 3}, {0, 10}}
	checks := 0
	type tally struct{ runs, doubted, noticed, unverified, held int }
	totals := make([]tally, len(faults))
	seconds := 0.0
	for _, class := range phantom.Classes {
		for i := range count {
			seed := uint64(first + i)
			p, spec, err := smallOf(seed, class)
			if err != nil {
				t.Fatal(err)
			}
			random := rand.New(rand.NewPCG(seed, 77))
			direction := func() geom.Vec {
				return r3.Unit(geom.Vec{X: random.NormFloat64(), Y: random.NormFloat64(), Z: random.NormFloat64()})
			}
			targets := targetsOf(p.Truth)
			var fixtures []geom.Pose
			for _, f := range targets {
				fixtures = append(fixtures, f.Planned)
			}
			middle := r3.Scale(0.5, r3.Add(fixtures[0].Entry, fixtures[0].Apex))
			for n, f := range faults {
				if n > 0 && i > 0 {
					break
				}
				off := smallMotion(middle, r3.Scale(geom.Radians(f.deg), direction()), r3.Scale(f.mm, direction()))
				given := registration.Given(off.After(p.Truth.PostToPre))
				start := time.Now()
				found, err := Verify(p.Pre, p.Post, jawOf(spec), targets, Options{Start: &given.PostToPre}, func(r *registration.Result) bool {
					return registration.Compare(given, *r, fixtures).Agrees()
				})
				seconds += time.Since(start).Seconds()
				c := &totals[n]
				c.runs++
				checks++
				if err != nil {
					c.unverified++
					fmt.Printf("  %s %d off %v: not checked\n", class, seed, f)
					continue
				}
				out := registration.Compare(given, *found, fixtures).Result()
				if normalised(off, &out) <= within95 {
					c.held++
				}
				switch {
				case out.Found != nil:
					c.doubted++
					if n == 0 {
						fmt.Printf("  %s %d doubted: %v\n", class, seed, out.Flags)
					}
				case len(out.Flags) > 0:
					c.noticed++
				}
				if out.Found == nil && (f.mm > 0.5 || f.deg > 2) {
					fmt.Printf("  %s %d off %v not doubted: %v\n", class, seed, f, out.Quality)
				}
			}
		}
	}
	fmt.Println("off mm, deg: runs doubted noticed not-checked held95")
	for n, f := range faults {
		c := totals[n]
		fmt.Printf("%.1f %4.1f: %3d %3d %3d %3d %3d\n", f.mm, f.deg, c.runs, c.doubted, c.noticed, c.unverified, c.held)
		if f == (fault{}) && c.doubted > 0 {
			t.Errorf("%d true transforms doubted", c.doubted)
		}
		if (f.mm > 0.5 || f.deg > 2) && c.doubted+c.unverified < c.runs {
			t.Errorf("%d of %d off by %v pass", c.runs-c.doubted-c.unverified, c.runs, f)
		}
	}
	fmt.Printf("%.2f s a check\n", seconds/float64(checks))
}
