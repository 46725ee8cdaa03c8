package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// The jaw frame: x to the patient's left, y posterior, z superior, origin in
// the midline amid the arch, in the occlusal plane. Height h is measured from
// the occlusal plane towards the jaw's roots: h = −z in a lower jaw, +z in an
// upper one.

// archFront is the y of the arch's foremost point, mm.
const archFront = -25.0

// arch is the curve in the occlusal plane that the teeth and the ridge follow:
// half an ellipse, then straight backwards. Arc length s is 0 in the midline,
// positive to the left; t is the distance to it, positive to buccal.
type arch struct {
	half, depth, right float64 // half width, depth, how much wider the right side is
	points             []geom.Vec
	arc                []float64 // s of each point
	toS, toT           []float32 // on a plane grid
}

const (
	archCell = 0.5   // cell of the lookup plane, mm
	archLowX = -62.0 // its corner, mm
	archLowY = -48.0 // mm
	archNX   = int(124/archCell) + 1
	archNY   = int(138/archCell) + 1
	archTail = 75.0 // straight part, mm
)

func newArch(half, depth, right float64) *arch {
	a := &arch{half: half, depth: depth, right: right}
	at := func(u float64) geom.Vec { // u from −1 (right end) over 0 (midline) to 1
		side := 1.0
		if u < 0 {
			side = -a.right
		}
		v := math.Abs(u)
		const bow = 0.45 // share of the parameter spent on the ellipse
		if v < bow {
			phi := v / bow * math.Pi / 2
			return geom.Vec{X: side * half * math.Sin(phi), Y: archFront + depth*(1-math.Cos(phi))}
		}
		back := (v - bow) / (1 - bow) * archTail
		return geom.Vec{X: side * (half + 0.06*back + 0.0012*back*back), Y: archFront + depth + back}
	}
	const n = 1200
	for i := 0; i <= n; i++ {
		a.points = append(a.points, at(2*float64(i)/n-1))
	}
	a.arc = make([]float64, n+1)
	for i := n/2 + 1; i <= n; i++ {
		a.arc[i] = a.arc[i-1] + norm(r3.Sub(a.points[i], a.points[i-1]))
	}
	for i := n/2 - 1; i >= 0; i-- {
		a.arc[i] = a.arc[i+1] - norm(r3.Sub(a.points[i+1], a.points[i]))
	}
	a.fillLookup()
	return a
}

// fillLookup measures every node of the lookup plane against the curve.
func (a *arch) fillLookup() {
	a.toS = make([]float32, archNX*archNY)
	a.toT = make([]float32, archNX*archNY)
	type segment struct{ x, y, ux, uy, length2 float64 }
	segments := make([]segment, len(a.points)) // the one that ends at each point
	for k := 1; k < len(segments); k++ {
		p := a.points[k-1]
		ux, uy := a.points[k].X-p.X, a.points[k].Y-p.Y
		segments[k] = segment{p.X, p.Y, ux, uy, ux*ux + uy*uy}
	}
	for j := range archNY {
		for i := range archNX {
			px, py := archLowX+archCell*float64(i), archLowY+archCell*float64(j)
			// The nearest point, coarse to fine; the curve bends little over
			// 24 points.
			best, bestD := 0, math.Inf(1)
			lo, hi := 0, len(a.points)-1
			for _, stride := range [3]int{24, 5, 1} {
				for k := lo; k <= hi; k += stride {
					x, y := px-a.points[k].X, py-a.points[k].Y
					if d := x*x + y*y; d < bestD {
						best, bestD = k, d
					}
				}
				lo, hi = max(0, best-stride), min(len(a.points)-1, best+stride)
			}
			lo, hi = max(1, best-1), min(len(a.points)-1, best+2)
			bestD = math.Inf(1)
			var s, t float64
			for k := lo; k <= hi; k++ {
				g := &segments[k]
				wx, wy := px-g.x, py-g.y
				f := clamp01((wx*g.ux + wy*g.uy) / g.length2)
				x, y := wx-f*g.ux, wy-f*g.uy
				if d := x*x + y*y; d < bestD {
					bestD = d
					s = a.arc[k-1] + f*(a.arc[k]-a.arc[k-1])
					t = math.Copysign(math.Sqrt(d), g.ux*wy-g.uy*wx)
				}
			}
			// Along the curve from right to left the outer side is to the
			// right hand, where the cross product is negative.
			a.toS[j*archNX+i], a.toT[j*archNX+i] = float32(s), float32(-t)
		}
	}
}

// coordinates is the arc length and the buccal distance of a point.
func (a *arch) coordinates(x, y float64) (s, t float64) {
	u := max(0, min(float64(archNX)-1.001, (x-archLowX)/archCell))
	v := max(0, min(float64(archNY)-1.001, (y-archLowY)/archCell))
	i, j := int(u), int(v)
	fx, fy := u-float64(i), v-float64(j)
	n := j*archNX + i
	w00, w10, w01, w11 := (1-fx)*(1-fy), fx*(1-fy), (1-fx)*fy, fx*fy
	s = w00*float64(a.toS[n]) + w10*float64(a.toS[n+1]) + w01*float64(a.toS[n+archNX]) + w11*float64(a.toS[n+archNX+1])
	t = w00*float64(a.toT[n]) + w10*float64(a.toT[n+1]) + w01*float64(a.toT[n+archNX]) + w11*float64(a.toT[n+archNX+1])
	return s, t
}

// pointAt is the curve's point and its unit direction towards larger s.
func (a *arch) pointAt(s float64) (p, along geom.Vec) {
	lo, hi := 1, len(a.arc)-1
	for lo < hi {
		mid := (lo + hi) / 2
		if a.arc[mid] < s {
			lo = mid + 1
		} else {
			hi = mid
		}
	}
	u := r3.Sub(a.points[lo], a.points[lo-1])
	f := (s - a.arc[lo-1]) / (a.arc[lo] - a.arc[lo-1])
	return r3.Add(a.points[lo-1], r3.Scale(f, u)), r3.Unit(u)
}

// frameAt is the frame of a site: origin on the curve at height h, mesial along
// the curve towards the midline, buccal outwards, apical along the roots.
func (a *arch) frameAt(s, h, sign float64) frame {
	p, along := a.pointAt(s)
	p.Z = sign * h
	m := along
	if s > 0 {
		m = r3.Scale(-1, along)
	}
	out := geom.Vec{X: along.Y, Y: -along.X} // to the right of the way from right to left: outwards
	return frame{origin: p, m: m, b: out, a: geom.Vec{Z: sign}}
}
