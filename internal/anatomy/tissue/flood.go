package tissue

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// flood marks as outside what the ball reaches from above the ridge.
func (r *Region) flood(planned geom.Pose) {
	free := near(r.cells, ballRadius, func(i int) bool { return r.state[i] == hard || r.state[i] == unseen })
	for i := range free { // where the ball's middle may lie
		free[i] = !free[i]
	}
	queue := r.seeds(planned, free)
	core := make([]bool, len(free))
	for _, c := range queue {
		core[c] = true
	}
	nx, ny := r.cells.Size[0], r.cells.Size[1]
	steps := [3]int{1, nx, nx * ny}
	for len(queue) > 0 {
		c := queue[len(queue)-1]
		queue = queue[:len(queue)-1]
		at := [3]int{c % nx, c / nx % ny, c / (nx * ny)}
		for a, step := range steps {
			if at[a] > 0 && free[c-step] && !core[c-step] {
				core[c-step] = true
				queue = append(queue, c-step)
			}
			if at[a] < r.cells.Size[a]-1 && free[c+step] && !core[c+step] {
				core[c+step] = true
				queue = append(queue, c+step)
			}
		}
	}
	reached := near(r.cells, ballRadius, func(i int) bool { return core[i] })
	for i, in := range reached {
		if in && r.state[i] == soft {
			r.state[i] = outside
		}
	}
}

// seeds are the cells above the ridge where the ball may begin.
func (r *Region) seeds(planned geom.Pose, free []bool) []int {
	axis := planned.Axis()
	planes := make([][]int, r.cells.Size[2])
	r.cells.each(func(k, i int) {
		if !free[i] {
			return
		}
		d := r3.Sub(r.cells.place(i), planned.Entry)
		up := -r3.Dot(d, axis)
		if up >= seedFrom && up <= seedTo && math.Sqrt(max(0, r3.Dot(d, d)-up*up)) <= seedBeside {
			planes[k] = append(planes[k], i)
		}
	})
	return slices.Concat(planes...)
}

// near marks the cells whose middles lie within a radius, mm, of one that is in a set.
//
// Method: squared distances, exact up to the radius, one axis after the other (P. F.
// Felzenszwalb and D. P. Huttenlocher, Theory of Computing 2012;8:415, with the minimum
// taken directly, since the radius is a few cells).
func near(g cells, radius float64, in func(cell int) bool) []bool {
	far := float32(4 * radius * radius)
	d := make([]float32, g.Len())
	g.each(func(_, i int) {
		d[i] = far
		if in(i) {
			d[i] = 0
		}
	})
	spacing := g.Spacing()
	stride := 1
	for a := range 3 {
		n, step := g.Size[a], stride
		reach := int(radius / spacing[a])
		square := make([]float32, reach+1)
		for t := range square {
			square[t] = float32(float64(t*t) * spacing[a] * spacing[a])
		}
		lines := g.Len() / n
		const many = 256 // lines that are worth a task
		parallel.For((lines+many-1)/many, func(task int) {
			line := make([]float32, n)
			for l := task * many; l < min(lines, (task+1)*many); l++ {
				first := l/step*step*n + l%step
				low, high := far, float32(0)
				for i := range n {
					line[i] = d[first+i*step]
					low, high = min(low, line[i]), max(high, line[i])
				}
				if low == high { // nothing is nearer than what is here
					continue
				}
				for i := range n {
					least := line[i]
					for t := 1; t <= reach && least > square[t]; t++ {
						if i >= t {
							least = min(least, line[i-t]+square[t])
						}
						if i+t < n {
							least = min(least, line[i+t]+square[t])
						}
					}
					d[first+i*step] = least
				}
			}
		})
		stride *= n
	}
	out := make([]bool, len(d))
	g.each(func(_, i int) { out[i] = d[i] <= float32(radius*radius) })
	return out
}
