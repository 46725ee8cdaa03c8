package meshaxis

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
)

// wallDot is a point of the outer wall about an axis.
type wallDot struct {
	z, r, cos, sin float64
	turn           float64 // about the axis, radians
	fitted, off    float64 // the radius there as fitted, and what the point is off, mm
}

// outerWall picks the points whose normal faces away from the axis and outside
// of which there is nothing at their height: the wall of a bore and the inside
// of a sleeve are none.
func (f frame) outerWall(points []sample, every int) []wallDot {
	const (
		bin    = 0.25 // mm of height
		around = 2    // bins to both sides
		outer  = 0.7  // of the largest radius near: a thread's root has 0.75 and more, a bore 0.6
		facing = 0.3  // cosine of the normal to the way out: a thread's flank has 0.5
	)
	type dot struct {
		wallDot
		facing float64
	}
	all := make([]dot, 0, len(points)/every+1)
	low, high := math.Inf(1), math.Inf(-1)
	for i := 0; i < len(points); i += every {
		z, x, y := f.cylinder(points[i].p)
		r := math.Hypot(x, y)
		if r == 0 {
			continue
		}
		_, nx, ny := frame{along: f.along, e1: f.e1, e2: f.e2}.cylinder(points[i].n)
		all = append(all, dot{wallDot{z: z, r: r, cos: x / r, sin: y / r, turn: math.Atan2(y, x)}, (nx*x + ny*y) / r})
		low, high = min(low, z), max(high, z)
	}
	if len(all) == 0 {
		return nil
	}
	reach := make([]float64, int((high-low)/bin)+1)
	for _, d := range all {
		k := int((d.z - low) / bin)
		reach[k] = max(reach[k], d.r)
	}
	limit := make([]float64, len(reach))
	rod := thin * weightedMedian(reach)
	for k := range limit {
		limit[k] = rod
		for j := max(0, k-around); j <= min(len(reach)-1, k+around); j++ {
			limit[k] = max(limit[k], outer*reach[j])
		}
	}
	// Some writers turn all triangles inside out; the outermost points tell.
	flux := 0.0
	for _, d := range all {
		if k := int((d.z - low) / bin); d.r > 0.95*reach[k] {
			flux += d.facing
		}
	}
	sense := math.Copysign(1, flux)
	var out []wallDot
	for _, d := range all {
		if sense*d.facing > facing && d.r >= limit[int((d.z-low)/bin)] {
			out = append(out, d.wallDot)
		}
	}
	return out
}

// regression is the linear fit of the wall's radius about an axis.
type regression struct {
	wall []wallDot
	knot float64 // distance of the knots of the radius along the axis, mm
	wave *wave
	// thread is the wave as one shape of changing strength; nil before a first
	// fit.
	thread *thread

	fitted, residual []float64
	scale            float64 // robust standard deviation of the residual, mm
}

const (
	// cutoff is Tukey's constant for an efficiency of 95 % in normal noise.
	cutoff = 4.685
	// finest is the least scale that weights go by, mm: what facets and the
	// missing harmonics of a thread leave.
	finest = 0.003
	// stretch is the height over which a scale is taken, mm.
	stretch = 0.4
	// ridge steadies knots that have no point, as a share of a point's weight.
	ridge = 1e-8
	// leastWeight is the least weight of a height where the model does not hold.
	leastWeight = 1e-4
)

// solve gives the shift and the tilt of the axis that are left, along e1 and e2,
// mm and radians.
func (r *regression) solve() (shift, tilt [2]float64) {
	n := len(r.wall)
	low, high := r.wall[0].z, r.wall[0].z
	for _, d := range r.wall {
		low, high = min(low, d.z), max(high, d.z)
	}
	radii := int((high-low)/r.knot) + 2
	columns := 4 + radii
	term := r.helix(columns, low, high)
	columns += term.columns
	width := 6 + term.width
	// Row i has its entries at index[i*width:], the same for every round of
	// weights.
	index := make([]int, n*width)
	value := make([]float64, n*width)
	for i, d := range r.wall {
		k, t := knotAt(d.z-low, r.knot)
		next := i * width
		put := func(column int, x float64) {
			index[next], value[next] = column, x
			next++
		}
		put(0, d.cos)
		put(1, d.sin)
		put(2, d.z*d.cos)
		put(3, d.z*d.sin)
		put(4+k, 1-t)
		put(4+k+1, t)
		if term.columns > 0 {
			term.row(d, put)
		}
	}
	r.fitted, r.residual = make([]float64, n), make([]float64, n)
	// What counts is the distance across the surface, which leans by the helix.
	lean, product, weight := make([]float64, n), make([]float64, n), make([]float64, n)
	for i, d := range r.wall {
		lean[i] = 1
		if r.thread != nil {
			lean[i], product[i] = r.thread.lean(*r.wave, d), r.thread.product(*r.wave, d)
		}
		weight[i] = lean[i] * lean[i]
	}
	var solution mat.VecDense
	magnitude := make([]float64, n)
	for range 4 {
		lhs := make([]float64, columns*columns)
		rhs := make([]float64, columns)
		for i := range n {
			w := weight[i]
			if w == 0 {
				continue
			}
			ix, v := index[i*width:(i+1)*width], value[i*width:(i+1)*width]
			for a, p := range ix {
				wv := w * v[a]
				rhs[p] += wv * (r.wall[i].r + product[i])
				for b := a; b < len(ix); b++ { // the columns of a row ascend
					lhs[p*columns+ix[b]] += wv * v[b]
				}
			}
		}
		for p := range columns {
			lhs[p*columns+p] += ridge
		}
		if r.thread != nil { // the shape's size is the strength's to tell
			for h, x := range r.thread.shape {
				at := term.shape + h
				lhs[at*(columns+1)] += firm
				rhs[at] += firm * x
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(mat.NewSymDense(columns, lhs)) || chol.SolveVecTo(&solution, mat.NewVecDense(columns, rhs)) != nil {
			return shift, tilt
		}
		for i, d := range r.wall {
			sum := -product[i]
			for a, p := range index[i*width : (i+1)*width] {
				sum += value[i*width+a] * solution.AtVec(p)
			}
			r.fitted[i], r.residual[i] = sum, d.r-sum
			magnitude[i] = lean[i] * math.Abs(r.residual[i])
		}
		r.scale = 1.4826 * median(magnitude)
		local := r.localScale(low, high, magnitude)
		usual := max(finest, percentile(local, 0.5))
		for i, e := range magnitude {
			weight[i] = 0
			k, _ := knotAt(r.wall[i].z-low, stretch)
			own := max(usual, local[k])
			if u := e / (cutoff * own); u < 1 {
				weight[i] = lean[i] * lean[i] * (1 - u*u) * (1 - u*u) * max(leastWeight, math.Pow(usual/own, 4))
			}
		}
	}
	if r.wave != nil {
		r.learn(solution.RawVector().Data, term, low)
	}
	return [2]float64{solution.AtVec(0), solution.AtVec(1)}, [2]float64{solution.AtVec(2), solution.AtVec(3)}
}

// localScale is the robust standard deviation of the residual by height, mm.
// Where it is large the model does not hold, as at the end of a thread or the
// edge of the apex, and what does not hold is often not the same all round.
func (r *regression) localScale(low, high float64, magnitude []float64) []float64 {
	by := make([][]float64, int((high-low)/stretch)+1)
	for i, d := range r.wall {
		k, _ := knotAt(d.z-low, stretch)
		by[k] = append(by[k], magnitude[i])
	}
	out := make([]float64, len(by))
	for k, x := range by {
		out[k] = r.scale
		if len(x) > 0 {
			out[k] = 1.4826 * median(x)
		}
	}
	return out
}

// knotAt is the knot below z and how far on to the next one it lies.
func knotAt(z, step float64) (int, float64) {
	k := math.Floor(z / step)
	return int(k), z/step - k
}

func median(x []float64) float64 {
	sorted := slices.Clone(x)
	slices.Sort(sorted)
	return sorted[len(sorted)/2]
}
