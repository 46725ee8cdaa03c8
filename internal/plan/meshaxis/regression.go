package meshaxis

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"

	"plumbline/internal/stats/orderstat"
)

// wallPoint is a point of the outer wall about an axis: height and radius, mm, and the
// angle about the axis, rad, with its cosine and sine.
type wallPoint struct {
	z, r, cos, sin   float64
	angle            float64
	fitted, residual float64 // of the radius, mm
}

// outerWall picks the points whose normal faces away from the axis and outside
// of which there is nothing at their height: the wall of a bore and the inside
// of a sleeve are none.
func (f frame) outerWall(points []sample, every int) []wallPoint {
	const (
		bin    = 0.25 // mm of height
		around = 2    // bins to both sides
		outer  = 0.7  // of the largest radius near: a thread's root has 0.75 and more, a bore 0.6
		facing = 0.3  // cosine of the normal to the way out: a thread's flank has 0.5
	)
	type facingPoint struct {
		wallPoint
		facing float64
	}
	all := make([]facingPoint, 0, len(points)/every+1)
	low, high := math.Inf(1), math.Inf(-1)
	for i := 0; i < len(points); i += every {
		z, x, y := f.cylindrical(points[i].p)
		r := math.Hypot(x, y)
		if r == 0 {
			continue
		}
		_, nx, ny := frame{along: f.along, e1: f.e1, e2: f.e2}.cylindrical(points[i].n)
		all = append(all, facingPoint{wallPoint{z: z, r: r, cos: x / r, sin: y / r, angle: math.Atan2(y, x)}, (nx*x + ny*y) / r})
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
	// Some writers turn all triangles inside out, which the outermost points show.
	flux := 0.0
	for _, d := range all {
		if k := int((d.z - low) / bin); d.r > 0.95*reach[k] {
			flux += d.facing
		}
	}
	sense := math.Copysign(1, flux)
	var out []wallPoint
	for _, d := range all {
		if sense*d.facing > facing && d.r >= limit[int((d.z-low)/bin)] {
			out = append(out, d.wallPoint)
		}
	}
	return out
}

// regression is the linear fit of the wall's radius r about an axis:
//
//	r(z, θ) = s₁·cos θ + s₂·sin θ + z·(t₁·cos θ + t₂·sin θ) + ρ(z) + thread(z, θ)
//
// with the shift s and the tilt t of the axis along e1 and e2, ρ linear between knots, and
// the thread's harmonics (see threadTerms). Columns are in that order. Method: iteratively
// reweighted least squares with Tukey's weights (1 − (e/(c·σ))²)², c = cutoff, σ the
// local robust standard deviation.
type regression struct {
	wall []wallPoint
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
	// madToSD turns a median absolute deviation into a normal standard deviation.
	madToSD = 1.4826
	// reweightings is how often the weights follow the residuals in one solution.
	reweightings = 4
	// poseColumns are the columns of shift and tilt.
	poseColumns = 4
	// minScale is the least scale that weights go by, mm: what facets and the
	// missing harmonics of a thread leave.
	minScale = 0.003
	// scaleBin is the height over which a local scale is taken, mm.
	scaleBin = 0.4
	// ridge regularises knots that have no point, as a share of a point's weight.
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
	design := r.designMatrix(low, high)
	r.fitted, r.residual = make([]float64, n), make([]float64, n)
	// What counts is the distance across the surface, which leans by the helix.
	target, cosine, weight := make([]float64, n), make([]float64, n), make([]float64, n)
	product := make([]float64, n)
	for i, d := range r.wall {
		cosine[i] = 1
		if r.thread != nil {
			cosine[i], product[i] = r.thread.flankCosine(*r.wave, d), r.thread.displacement(*r.wave, d)
		}
		weight[i] = cosine[i] * cosine[i]
		target[i] = d.r + product[i]
	}
	var solution mat.VecDense
	distance := make([]float64, n) // from the surface
	for range reweightings {
		lhs, rhs := design.normalEquations(weight, target)
		if r.thread != nil {
			for h, x := range r.thread.shape {
				at := design.thread.shape + h
				lhs[at*(design.columns+1)] += shapeRidge
				rhs[at] += shapeRidge * x
			}
		}
		var chol mat.Cholesky
		if !chol.Factorize(mat.NewSymDense(design.columns, lhs)) || chol.SolveVecTo(&solution, mat.NewVecDense(design.columns, rhs)) != nil {
			return shift, tilt
		}
		for i, d := range r.wall {
			sum := -product[i]
			index, value := design.row(i)
			for a, p := range index {
				sum += value[a] * solution.AtVec(p)
			}
			r.fitted[i], r.residual[i] = sum, d.r-sum
			distance[i] = cosine[i] * math.Abs(r.residual[i])
		}
		r.scale = madToSD * orderstat.UpperMedian(slices.Clone(distance))
		r.reweight(weight, cosine, distance, low, high)
	}
	if r.wave != nil {
		r.updateThread(solution.RawVector().Data, design.thread, low)
	}
	return [2]float64{solution.AtVec(0), solution.AtVec(1)}, [2]float64{solution.AtVec(2), solution.AtVec(3)}
}

// designMatrix is a sparse one: each row has width entries, whose columns ascend.
type designMatrix struct {
	columns, width int
	index          []int // of row i from i·width on
	value          []float64
	thread         threadTerms
}

func (m *designMatrix) row(i int) (index []int, value []float64) {
	return m.index[i*m.width : (i+1)*m.width], m.value[i*m.width : (i+1)*m.width]
}

// designMatrix has a row for each point of the wall; low and high are its ends.
func (r *regression) designMatrix(low, high float64) designMatrix {
	knots := int((high-low)/r.knot) + 2
	m := designMatrix{columns: poseColumns + knots}
	m.thread = r.threadTerms(m.columns, low, high)
	m.columns += m.thread.columns
	m.width = poseColumns + 2 + m.thread.width
	m.index = make([]int, len(r.wall)*m.width)
	m.value = make([]float64, len(r.wall)*m.width)
	for i, d := range r.wall {
		k, t := knotAt(d.z-low, r.knot)
		next := i * m.width
		put := func(column int, x float64) {
			m.index[next], m.value[next] = column, x
			next++
		}
		put(0, d.cos)
		put(1, d.sin)
		put(2, d.z*d.cos)
		put(3, d.z*d.sin)
		put(poseColumns+k, 1-t)
		put(poseColumns+k+1, t)
		if m.thread.columns > 0 {
			m.thread.row(d, put)
		}
	}
	return m
}

// normalEquations gives XᵀWX, upper triangle, with the ridge on its diagonal, and XᵀWy.
func (m *designMatrix) normalEquations(weight, target []float64) (lhs, rhs []float64) {
	lhs = make([]float64, m.columns*m.columns)
	rhs = make([]float64, m.columns)
	for i, w := range weight {
		if w == 0 {
			continue
		}
		index, value := m.row(i)
		for a, p := range index {
			wv := w * value[a]
			rhs[p] += wv * target[i]
			for b := a; b < len(index); b++ {
				lhs[p*m.columns+index[b]] += wv * value[b]
			}
		}
	}
	for p := range m.columns {
		lhs[p*m.columns+p] += ridge
	}
	return lhs, rhs
}

// reweight sets Tukey's weights from the points' distances. Heights at which the scale
// is larger than usual count for less by its fourth power: the model does not hold there.
func (r *regression) reweight(weight, cosine, distance []float64, low, high float64) {
	local := r.localScale(low, high, distance)
	usual := max(minScale, percentile(local, 0.5))
	for i, e := range distance {
		weight[i] = 0
		k, _ := knotAt(r.wall[i].z-low, scaleBin)
		own := max(usual, local[k])
		if u := e / (cutoff * own); u < 1 {
			weight[i] = cosine[i] * cosine[i] * (1 - u*u) * (1 - u*u) * max(leastWeight, math.Pow(usual/own, 4))
		}
	}
}

// localScale is the robust standard deviation of the residual by height, mm.
// Where it is large the model does not hold, as at the end of a thread or the
// edge of the apex, and what does not hold is often not the same all round.
func (r *regression) localScale(low, high float64, distance []float64) []float64 {
	by := make([][]float64, int((high-low)/scaleBin)+1)
	for i, d := range r.wall {
		k, _ := knotAt(d.z-low, scaleBin)
		by[k] = append(by[k], distance[i])
	}
	out := make([]float64, len(by))
	for k, x := range by {
		out[k] = r.scale
		if len(x) > 0 {
			out[k] = madToSD * orderstat.UpperMedian(x)
		}
	}
	return out
}

// knotAt is the knot below z and how far on to the next one it lies.
func knotAt(z, step float64) (int, float64) {
	k := math.Floor(z / step)
	return int(k), z/step - k
}
