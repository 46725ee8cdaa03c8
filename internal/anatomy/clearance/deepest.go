package clearance

import (
	"container/heap"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// depthTolerance is the error that is allowed in a depth that is searched, mm.
const depthTolerance = 0.01

// maxCubes bounds the search for a deepest point. A smooth apex in a smooth
// sinus takes some hundreds; two flat faces on each other the most.
const maxCubes = 200_000

// deepestPoint finds the point of a solid envelope that touches a structure where the
// signed distance from it is least. The distance found, 0 or less, is at most
// depthTolerance too large.
//
// Method: branch and bound (A. H. Land and A. G. Doig, Econometrica 1960;
// 28:497) on cubes along the axis: a signed distance is Lipschitz with
// constant 1, and so is the nearest point of a convex body, so that no point of
// the envelope in a cube lies deeper than the one nearest to its centre by more
// than half the cube's diagonal.
func deepestPoint(e *Envelope, distance func(geom.Vec) float64) (best float64, at geom.Vec) {
	best = math.Inf(1)
	e1, e2 := geom.Perpendicular(e.axis)
	var queue cubeHeap
	add := func(c geom.Vec, half float64) {
		reach := half * math.Sqrt(3)
		p := e.nearestInside(c)
		if r3.Norm(r3.Sub(p, c)) > reach {
			return
		}
		d := distance(p)
		if d < best {
			best, at = d, p
		}
		if d-reach < best-depthTolerance {
			heap.Push(&queue, cube{centre: c, half: half, bound: d - reach})
		}
	}
	half := e.radius
	for z := half; z < e.height+half; z += 2 * half {
		add(r3.Add(e.pose.Entry, r3.Scale(z, e.axis)), half)
	}
	for n := 0; len(queue) > 0 && n < maxCubes; n++ {
		c := heap.Pop(&queue).(cube)
		if c.bound >= best-depthTolerance {
			break
		}
		h := c.half / 2
		for i := range 8 {
			sign := func(bit int) float64 { return h * float64(2*(i>>bit&1)-1) }
			off := r3.Add(r3.Add(r3.Scale(sign(0), e1), r3.Scale(sign(1), e2)), r3.Scale(sign(2), e.axis))
			add(r3.Add(c.centre, off), h)
		}
	}
	return min(0, best), at
}

// cube is a part of the search, with a lower bound of the distance in it.
type cube struct {
	centre geom.Vec
	half   float64
	bound  float64
}

// cubeHeap is a heap with the lowest bound first.
type cubeHeap []cube

func (q cubeHeap) Len() int           { return len(q) }
func (q cubeHeap) Less(i, j int) bool { return q[i].bound < q[j].bound }
func (q cubeHeap) Swap(i, j int)      { q[i], q[j] = q[j], q[i] }
func (q *cubeHeap) Push(x any)        { *q = append(*q, x.(cube)) }
func (q *cubeHeap) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}

// clearance makes an envelope the structure beside another one.
func (other Envelope) clearance(e *Envelope) Clearance {
	start := r3.Sub(other.pose.Entry, e.pose.Entry)
	if d, onE, onOther := convexDistance(e.support, other.support, start); d > 0 {
		return Clearance{Distance: d, OnFixture: onE, OnStructure: onOther}
	}
	d, at := deepestPoint(e, other.SignedDistance)
	return Clearance{Distance: d, OnFixture: at, OnStructure: other.Nearest(at)}
}
