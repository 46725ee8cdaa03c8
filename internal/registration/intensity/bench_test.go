package intensity

import (
	"fmt"
	"sync"
	"testing"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/parallel"
	"plumbline/internal/phantom"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// finer is a scan on smaller voxels, interpolated between its own: good for
// time only, since nothing new is in it.
func finer(v *volume.Volume, size [3]int) *volume.Volume {
	w := &volume.Volume{Grid: volume.Grid{Size: size, Origin: v.Origin}}
	var ratio [3]float64
	for a := range 3 {
		ratio[a] = float64(v.Size[a]-1) / float64(size[a])
		w.Step[a] = r3.Scale(ratio[a], v.Step[a])
	}
	w.Stored = make([]uint16, w.Len())
	for range size[2] {
		w.Slope, w.Intercept = append(w.Slope, v.Slope[0]), append(w.Intercept, v.Intercept[0])
	}
	parallel.For(size[2], func(k int) {
		z := float64(k) * ratio[2]
		for j := range size[1] {
			y := float64(j) * ratio[1]
			for i := range size[0] {
				x := float64(i) * ratio[0]
				i0, j0, k0 := int(x), int(y), int(z)
				sum := 0.0
				for c := range 8 {
					a, b, d := c&1, c>>1&1, c>>2
					weight := func(x float64, whole, up int) float64 {
						if up == 1 {
							return x - float64(whole)
						}
						return 1 - x + float64(whole)
					}
					sum += weight(x, i0, a) * weight(y, j0, b) * weight(z, k0, d) *
						float64(v.Stored[((k0+d)*v.Size[1]+j0+b)*v.Size[0]+i0+a])
				}
				w.Stored[(k*size[1]+j)*size[0]+i] = uint16(sum + 0.5)
			}
		}
	})
	return w
}

// wide is a lower jaw that both scans see in a field of a given size, at voxels
// large enough to be rendered in seconds.
func wide(width, height float64) func() *phantom.Pair {
	s := phantom.Usual("46")
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		c.Voxel, c.Width, c.Height, c.Noise = 0.8, width, height, 20
	}
	return rendered(s)
}

var benchmarks = []struct {
	size [3]int
	pair func() *phantom.Pair
	once sync.Once
	pre  *volume.Volume
	post *volume.Volume
}{
	{size: [3]int{200, 200, 200}, pair: wide(60, 60)},
	{size: [3]int{512, 512, 400}, pair: wide(128, 100)},
}

func BenchmarkAlign(b *testing.B) {
	for i := range benchmarks {
		c := &benchmarks[i]
		b.Run(fmt.Sprintf("%dx%dx%d", c.size[0], c.size[1], c.size[2]), func(b *testing.B) {
			p := c.pair()
			c.once.Do(func() { c.pre, c.post = finer(p.Pre, c.size), finer(p.Post, c.size) })
			targets := targetsOf(p.Truth)
			b.ReportAllocs()
			for b.Loop() {
				r, err := Align(c.pre, c.post, tooth.Lower, targets, Options{})
				if err != nil {
					b.Fatal(err)
				}
				b.ReportMetric(1000*errorAt(r.PostToPre, p.Truth.PostToPre, targets), "µm-off")
			}
		})
	}
}

// BenchmarkEvaluate compares the scans once at the true transform, at the middle level.
func BenchmarkEvaluate(b *testing.B) {
	p := wide(60, 60)()
	reg := newRegion(targetsOf(p.Truth), tooth.Lower)
	r := newRefinement(newPyramid(p.Pre), newPyramid(p.Post), reg)
	truth := p.Truth.PostToPre.Inverse()
	l := middleLevel
	s, moving := r.samples(l), r.field(r.moving, l, truth)
	for scheme, name := range []string{oneSided: "one-sided", symmetric: "symmetric", crossHessian: "cross-Hessian"} {
		b.Run(name, func(b *testing.B) {
			m := newMetric(s, moving, rigidParameters, serial)
			for b.Loop() {
				m.evaluate(scaledRigid{Rigid: truth}, gradientScheme(scheme))
			}
			b.ReportMetric(float64(b.Elapsed())/float64(b.N*len(s.point)), "ns/sample")
		})
	}
}
