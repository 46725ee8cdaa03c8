package canal

import (
	"container/heap"
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

const (
	// spacing is that of the nodes of paths, mm: a third of a narrow canal.
	spacing = 0.5
	// tubeBlur is the standard deviation, mm, of the blur after which a canal is looked for:
	// a tube of radius r stands out most at r/√2, and canals have 1 to 1.7 mm (from memory).
	tubeBlur = 0.8
	// fine is the voxel up to which a scan is halved before it is blurred, mm: half of that
	// blur is left to do.
	fine = 0.25
	// snap is how far beside a canal's middle a person's point may lie, mm, and snapLikely the
	// standard deviation of that.
	snap, snapLikely = 1.5, 0.7
	// plainCost is the cost of a way through what is no tube, in that of a way through one as
	// plain as those at the points given.
	plainCost = 30.0
)

// tubes are the nodes of paths, and how much each lies in a dark tube: the lesser of the two
// curvatures across of the blurred grey value; NaN where that is not scanned.
type tubes struct {
	volume.Grid
	tube []float64
}

// newSearch prepares a region for paths through points.
//
// Errors: a point about which the scan shows nothing.
func newSearch(f *volume.Field, through []geom.Vec) (*search, error) {
	s := &search{field: f, tubes: newTubes(f)}
	usual := 0.0
	for i, p := range through {
		e := s.tubes.likely(p)
		if e < 0 {
			return nil, fmt.Errorf("the scan shows nothing about point %d", i+1)
		}
		s.ends = append(s.ends, e)
		usual += max(0, s.tubes.tube[e]) / float64(len(through))
	}
	s.cost = make([]float64, len(s.tubes.tube))
	for i, t := range s.tubes.tube {
		share := max(0, min(1, t/usual))
		s.cost[i] = 1 / (1/plainCost + share*share)
		if !(usual > 0) || t != t {
			s.cost[i] = plainCost
		}
	}
	return s, nil
}

func newTubes(f *volume.Field) *tubes {
	for d := f.Spacing(); max(d[0], d[1], d[2]) <= fine; d = f.Spacing() {
		f = f.Halve()
	}
	smooth := &volume.Field{Grid: f.Grid, Grey: slices.Clone(f.Grey)}
	for a, d := range f.Spacing() {
		smooth.Convolve(a, volume.Gaussian(tubeBlur/d))
	}
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	for n := range 8 {
		p := f.Patient(float64(n&1*(f.Size[0]-1)), float64(n>>1&1*(f.Size[1]-1)), float64(n>>2&1*(f.Size[2]-1)))
		low = geom.Vec{X: min(low.X, p.X), Y: min(low.Y, p.Y), Z: min(low.Z, p.Z)}
		high = geom.Vec{X: max(high.X, p.X), Y: max(high.Y, p.Y), Z: max(high.Z, p.Z)}
	}
	d := r3.Scale(1/spacing, r3.Sub(high, low))
	g := &tubes{Grid: volume.Grid{Origin: low, Size: [3]int{int(d.X) + 1, int(d.Y) + 1, int(d.Z) + 1}, Step: [3]geom.Vec{{X: spacing}, {Y: spacing}, {Z: spacing}}}}
	grey := make([]float64, g.Len())
	parallel.For(g.Size[2], func(k int) {
		for i := range g.Size[0] * g.Size[1] {
			c := k*g.Size[0]*g.Size[1] + i
			grey[c] = smooth.Sample(g.place(c))
		}
	})
	g.tube = make([]float64, g.Len())
	x, y, z := 1, g.Size[0], g.Size[0]*g.Size[1]
	parallel.For(g.Size[2], func(k int) {
		for j := range g.Size[1] {
			for i := range g.Size[0] {
				c := g.number(i, j, k)
				if i == 0 || j == 0 || k == 0 || i == g.Size[0]-1 || j == g.Size[1]-1 || k == g.Size[2]-1 {
					g.tube[c] = math.NaN()
					continue
				}
				second := func(s int) float64 { return grey[c-s] - 2*grey[c] + grey[c+s] }
				mixed := func(s, t int) float64 { return (grey[c+s+t] - grey[c+s-t] - grey[c-s+t] + grey[c-s-t]) / 4 }
				g.tube[c] = middleEigenvalue(second(x), second(y), second(z), mixed(x, y), mixed(x, z), mixed(y, z))
			}
		}
	})
	return g
}

// middleEigenvalue is that of a symmetric 3 × 3 matrix.
//
// Method: O. K. Smith, Eigenvalues of a symmetric 3 × 3 matrix, Commun ACM 1961;4:168.
func middleEigenvalue(xx, yy, zz, xy, xz, yz float64) float64 {
	m := (xx + yy + zz) / 3
	a, b, c := xx-m, yy-m, zz-m
	p := math.Sqrt((a*a + b*b + c*c + 2*(xy*xy+xz*xz+yz*yz)) / 6)
	if !(p > 0) {
		return m // NaN stays
	}
	half := (a*(b*c-yz*yz) - xy*(xy*c-yz*xz) + xz*(xy*yz-b*xz)) / 2
	third := math.Acos(max(-1, min(1, half/(p*p*p)))) / 3
	return m + 2*p*math.Cos(third-2*math.Pi/3)
}

func (g *tubes) number(i, j, k int) int { return (k*g.Size[1]+j)*g.Size[0] + i }

func (g *tubes) index(n int) [3]int {
	return [3]int{n % g.Size[0], n / g.Size[0] % g.Size[1], n / (g.Size[0] * g.Size[1])}
}

func (g *tubes) inside(at [3]int) bool {
	for a, x := range at {
		if x < 0 || x >= g.Size[a] {
			return false
		}
	}
	return true
}

func (g *tubes) place(n int) geom.Vec {
	at := g.index(n)
	return g.Patient(float64(at[0]), float64(at[1]), float64(at[2]))
}

// likely is the node of a tube that a point is likely meant to lie in; -1 where the scan
// shows nothing.
func (g *tubes) likely(p geom.Vec) int {
	most, node := math.Inf(-1), -1
	g.within(snap, p, func(c int) {
		likely := math.Exp(-r3.Norm2(r3.Sub(g.place(c), p)) / (2 * snapLikely * snapLikely))
		if v := max(0, g.tube[c]) * likely; v > most {
			most, node = v, c
		}
	})
	return node
}

// within visits the nodes within a radius of a point, in their order.
func (g *tubes) within(radius float64, p geom.Vec, visit func(node int)) {
	var low, high [3]int
	x, y, z := g.Index(p)
	for a, v := range [3]float64{x, y, z} {
		low[a], high[a] = max(0, int(math.Ceil(v-radius/spacing))), min(g.Size[a]-1, int(math.Floor(v+radius/spacing)))
	}
	for k := low[2]; k <= high[2]; k++ {
		for j := low[1]; j <= high[1]; j++ {
			for i := low[0]; i <= high[0]; i++ {
				if c := g.number(i, j, k); r3.Norm2(r3.Sub(g.place(c), p)) <= radius*radius {
					visit(c)
				}
			}
		}
	}
}

// path is the cheapest one through the ends.
func (s *search) path() ([]geom.Vec, error) {
	out := []geom.Vec{s.tubes.place(s.ends[0])}
	for i := 1; i < len(s.ends); i++ {
		leg := s.shortest(s.ends[i-1], s.ends[i])
		if len(leg) < 2 {
			return nil, errors.New("two of the points lie in one place of the canal; give points that are farther apart")
		}
		for _, c := range leg[1:] {
			out = append(out, s.tubes.place(c))
		}
	}
	return out, nil
}

// shortest are the nodes of the cheapest path between two.
//
// Method: E. W. Dijkstra, A note on two problems in connexion with graphs, Numer Math
// 1959;1:269, over the 26 neighbours of each node.
func (s *search) shortest(from, to int) []int {
	g := s.tubes
	total, before := make([]float64, g.Len()), make([]int, g.Len())
	for i := range total {
		total[i] = math.Inf(1)
	}
	total[from], before[from] = 0, -1
	q := &queue{{0, from}}
	for q.Len() > 0 {
		e := heap.Pop(q).(arrival)
		if e.node == to {
			break
		}
		if e.cost > total[e.node] {
			continue
		}
		at := g.index(e.node)
		for n := range 27 {
			d := [3]int{n%3 - 1, n/3%3 - 1, n/9 - 1}
			next := [3]int{at[0] + d[0], at[1] + d[1], at[2] + d[2]}
			if n == 13 || !g.inside(next) {
				continue
			}
			c := g.number(next[0], next[1], next[2])
			length := math.Sqrt(float64(d[0]*d[0] + d[1]*d[1] + d[2]*d[2]))
			if sum := e.cost + length*(s.cost[e.node]+s.cost[c])/2; sum < total[c] {
				total[c], before[c] = sum, e.node
				heap.Push(q, arrival{sum, c})
			}
		}
	}
	var out []int
	for c := to; c >= 0; c = before[c] {
		out = append(out, c)
	}
	slices.Reverse(out)
	return out
}

// arrival is a node with the cost of the cheapest path to it that is known.
type arrival struct {
	cost float64
	node int
}

// queue is a heap of arrivals, the cheapest first; of equal ones that of the lower number,
// so that the same scan gives the same path.
type queue []arrival

func (q queue) Len() int { return len(q) }
func (q queue) Less(i, j int) bool {
	return q[i].cost < q[j].cost || q[i].cost == q[j].cost && q[i].node < q[j].node
}
func (q queue) Swap(i, j int) { q[i], q[j] = q[j], q[i] }
func (q *queue) Push(x any)   { *q = append(*q, x.(arrival)) }
func (q *queue) Pop() any {
	last := (*q)[len(*q)-1]
	*q = (*q)[:len(*q)-1]
	return last
}
