package surface

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/stats/orderstat"
)

// Match is where a point of the moving surface belongs on the fixed one: Offset along the
// unit Normal brings it there.
type Match struct {
	Offset float64 // mm
	Normal geom.Vec
}

// Matcher finds the match of a point with its normal, both moved, within reach, mm; false
// where there is none.
type Matcher func(p, normal geom.Vec, reach float64) (Match, bool)

// OnTo matches with the nearest point of an indexed surface, where the cosine between the
// normals is at least alike, whichever way they face.
func (x *Index) OnTo(alike float64) Matcher {
	return func(p, normal geom.Vec, reach float64) (Match, bool) {
		q, n, ok := x.closest(p, reach)
		if !ok || math.Abs(r3.Dot(n, normal)) < alike {
			return Match{}, false
		}
		return Match{r3.Dot(n, r3.Sub(q, p)), n}, true
	}
}

// Roughly is OnTo with a point near the moved one instead of the nearest, for coarse fits. With
// facing the normals must face the same way.
func (x *Index) Roughly(alike float64, facing bool) Matcher {
	return func(p, normal geom.Vec, reach float64) (Match, bool) {
		v := x.roughly(p)
		if v < 0 || x.cloud.Rim[v] {
			return Match{}, false
		}
		d, n := r3.Sub(x.cloud.Points[v], p), x.cloud.Normals[v]
		cos := r3.Dot(n, normal)
		if !facing {
			cos = math.Abs(cos)
		}
		if cos < alike || r3.Norm2(d) > reach*reach {
			return Match{}, false
		}
		return Match{r3.Dot(n, d), n}, true
	}
}

// likeNormals is the cosine of the largest angle between normals of one surface seen twice.
const likeNormals = 0.7

// Fit is a least-squares fit of a cloud, moved by a rigid transform, to what a Matcher
// gives.
type Fit struct {
	Cloud  *Cloud
	Weight []float64 // of each point; nil for all alike
	Match  Matcher
	Noise  float64   // mm, the least scale of residuals
	Inside []float64 // mm, by which each point's match lies inside of the surface itself; nil for none
}

// State is a fit at one transform.
type State struct {
	ToFixed  geom.Rigid
	Residual []float64 // Offset of each point; NaN where it has no match
	Robust   []float64 // robust weight times weight
	Normals  []geom.Vec
	Scale    float64 // of the residuals, mm

	sizes []float32 // of weigh
}

// tukey is the constant of the biweight for 95 % efficiency under normal errors (Beaton AE,
// Tukey JW, Technometrics 1974;16:147).
const tukey = 4.685

// At matches every point and weighs the residuals.
func (f *Fit) At(m geom.Rigid, reach float64) *State {
	n := len(f.Cloud.Points)
	s := &State{Residual: make([]float64, n), Robust: make([]float64, n), Normals: make([]geom.Vec, n), sizes: make([]float32, 0, n)}
	f.rematch(s, m, reach)
	return s
}

// rematch is At in a state's own memory.
func (f *Fit) rematch(s *State, m geom.Rigid, reach float64) {
	s.ToFixed = m
	n := len(f.Cloud.Points)
	turn := rowsOf(m)
	match := func(from, to int) {
		for i := from; i < to; i++ {
			got, ok := f.Match(r3.Add(turn.of(f.Cloud.Points[i]), m.T), turn.of(f.Cloud.Normals[i]), reach)
			if !ok {
				s.Residual[i] = math.NaN()
				continue
			}
			s.Residual[i], s.Normals[i] = got.Offset, got.Normal
			if f.Inside != nil {
				s.Residual[i] += f.Inside[i]
			}
		}
	}
	const share = 512
	if n <= worthSharing {
		match(0, n)
	} else {
		parallel.For((n+share-1)/share, func(block int) { match(block*share, min(n, (block+1)*share)) })
	}
	s.weigh(f)
}

// worthSharing is the number of points that take longer to match than to share out.
const worthSharing = 2048

// rows are those of a rotation matrix: in loops twice as fast as Rigid.Rotate, which is handed
// the whole matrix each time.
type rows struct{ x, y, z geom.Vec }

func rowsOf(m geom.Rigid) rows {
	row := func(k int) geom.Vec { return geom.Vec{X: m.R[k][0], Y: m.R[k][1], Z: m.R[k][2]} }
	return rows{row(0), row(1), row(2)}
}

func (r *rows) of(v geom.Vec) geom.Vec {
	return geom.Vec{X: r3.Dot(r.x, v), Y: r3.Dot(r.y, v), Z: r3.Dot(r.z, v)}
}

// weigh gives Tukey's biweight with the scale from the median of absolute residuals.
func (s *State) weigh(f *Fit) {
	sizes := s.sizes[:0]
	for _, r := range s.Residual {
		if r == r {
			sizes = append(sizes, float32(math.Abs(r)))
		}
	}
	s.Scale = f.Noise
	if len(sizes) > 0 {
		s.Scale = max(f.Noise, 1.4826*float64(orderstat.Select(sizes, len(sizes)/2)))
	}
	for i, r := range s.Residual {
		s.Robust[i] = 0
		if u := r / (tukey * s.Scale); u*u < 1 {
			s.Robust[i] = (1 - u*u) * (1 - u*u)
			if f.Weight != nil {
				s.Robust[i] *= f.Weight[i]
			}
		}
	}
}

// normalEquations are those of a small motion (ω, τ) about centre.
func (s *State) normalEquations(c *Cloud, centre geom.Vec) (*mat.SymDense, *mat.VecDense) {
	var a [6][6]float64
	var b [6]float64
	turn := rowsOf(s.ToFixed)
	for i, w := range s.Robust {
		if w == 0 {
			continue
		}
		j := row(r3.Sub(r3.Add(turn.of(c.Points[i]), s.ToFixed.T), centre), s.Normals[i])
		for k := range 6 {
			b[k] += w * j[k] * s.Residual[i]
			for l := k; l < 6; l++ {
				a[k][l] += w * j[k] * j[l]
			}
		}
	}
	n := mat.NewSymDense(6, nil)
	for k := range 6 {
		for l := k; l < 6; l++ {
			n.SetSym(k, l, a[k][l])
		}
	}
	return n, mat.NewVecDense(6, b[:])
}

// row is the Jacobian of a point's offset along a normal after (ω, τ): ω × d + τ.
func row(d, n geom.Vec) [6]float64 {
	r := r3.Cross(d, n)
	return [6]float64{r.X, r.Y, r.Z, n.X, n.Y, n.Z}
}

// leastSeen is the share of the largest eigenvalue of the normal equations, rotations
// measured at span, below which a motion is not seen.
const (
	leastSeen = 1e-6
	span      = 10.0 // mm
)

// solve solves normal equations, of which the first three unknowns are a turn; what the points
// do not tell is zero.
func solve(n *mat.SymDense, b *mat.VecDense) (x []float64, ok bool) {
	size := n.SymmetricDim()
	x = make([]float64, size)
	unit := func(k int) float64 {
		if k < 3 {
			return 1 / span
		}
		return 1
	}
	scaled := mat.NewSymDense(size, nil)
	for k := range size {
		for l := k; l < size; l++ {
			scaled.SetSym(k, l, n.At(k, l)*unit(k)*unit(l))
		}
	}
	var eig mat.EigenSym
	if !eig.Factorize(scaled, true) {
		return x, false
	}
	values := eig.Values(nil)
	largest := values[size-1]
	if !(largest > 0) {
		return x, false
	}
	var v mat.Dense
	eig.VectorsTo(&v)
	for e, lambda := range values {
		if lambda < leastSeen*largest {
			continue
		}
		dot := 0.0
		for k := range size {
			dot += v.At(k, e) * b.AtVec(k) * unit(k)
		}
		for k := range size {
			x[k] += v.At(k, e) * dot / lambda * unit(k)
		}
	}
	return x, true
}

// motion is the rigid motion (ω, τ) about a centre.
func motion(x []float64, centre geom.Vec) geom.Rigid {
	m := geom.Rotation(geom.Vec{X: x[0], Y: x[1], Z: x[2]})
	m.T = r3.Add(r3.Sub(centre, m.Rotate(centre)), geom.Vec{X: x[3], Y: x[4], Z: x[5]})
	return m
}

// settled is the share of the least noise of residuals that ends the iteration: for the finest
// 0.2 µm.
const settled = 0.02

// Run iterates from a start: each round matches within reach, which shrinks from widest
// to narrowest, mm, as the residuals do.
func (f *Fit) Run(start geom.Rigid, widest, narrowest float64, rounds int) *State {
	reach := widest
	s := f.At(start, reach)
	for range rounds {
		centre := s.centre(f.Cloud)
		n, b := s.normalEquations(f.Cloud, centre)
		x, ok := solve(n, b)
		if !ok {
			return s
		}
		turn := math.Sqrt(x[0]*x[0]+x[1]*x[1]+x[2]*x[2]) * span
		shift := math.Sqrt(x[3]*x[3] + x[4]*x[4] + x[5]*x[5])
		tighter := min(reach, max(narrowest, tukey*s.Scale))
		done := turn+shift < settled*f.Noise && tighter == reach
		reach = tighter
		f.rematch(s, motion(x, centre).After(s.ToFixed), reach)
		if done {
			break
		}
	}
	return s
}

// centre is the weighted mean of the moved points.
func (s *State) centre(c *Cloud) geom.Vec {
	var sum geom.Vec
	total := 0.0
	for i, w := range s.Robust {
		if w > 0 {
			sum = r3.Add(sum, r3.Scale(w, c.Points[i]))
			total += w
		}
	}
	if total == 0 {
		return s.ToFixed.T
	}
	return s.ToFixed.Apply(r3.Scale(1/total, sum))
}
