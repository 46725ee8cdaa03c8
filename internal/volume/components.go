package volume

import (
	"math"
	"slices"

	"plumbline/internal/parallel"
)

// Run is a stretch of one row of voxels: columns From (included) to To (excluded) of
// row J in slice K.
type Run struct{ From, To, J, K int }

// Components are the connected components of the voxels at or above a grey value, in
// the order of their first voxels, each as its runs in the order of the voxels. Voxels
// are connected by their faces (6-connectivity); padding belongs to none.
//
// Method: run-length encoding of the rows, union-find over runs that overlap in
// neighbouring rows.
func (v *Volume) Components(level float64) [][]Run {
	runs, first := v.runsAbove(level)
	sets := newDisjointSets(len(runs))
	rows := v.Size[1]
	for k := range v.Size[2] {
		for j := range rows {
			n := k*rows + j
			if j > 0 {
				sets.joinOverlapping(runs, first[n:n+2], first[n-1:n+1])
			}
			if k > 0 {
				sets.joinOverlapping(runs, first[n:n+2], first[n-rows:n-rows+2])
			}
		}
	}
	place := map[int]int{} // of a set's root among the components
	var out [][]Run
	for i, r := range runs {
		root := sets.find(i)
		n, ok := place[root]
		if !ok {
			n = len(out)
			place[root] = n
			out = append(out, nil)
		}
		out[n] = append(out[n], r)
	}
	return out
}

// runsAbove lists the runs at or above a grey value, row by row. first[n] is the
// index of row n's first run, counting rows through all slices; its last entry is the
// number of runs.
func (v *Volume) runsAbove(level float64) (runs []Run, first []int) {
	slicesRuns := make([][]Run, v.Size[2])
	first = make([]int, v.Size[1]*v.Size[2]+1) // within its slice for now
	parallel.For(v.Size[2], func(k int) {
		sign := math.Copysign(1, v.Slope[k]) // so that grey values rise with sign times stored values
		least := sign * (level - v.Intercept[k]) / v.Slope[k]
		for j := range v.Size[1] {
			n := k*v.Size[1] + j
			first[n] = len(slicesRuns[k])
			open := false
			for i, s := range v.Stored[n*v.Size[0]:][:v.Size[0]] {
				above := sign*float64(s) >= least && !v.Padded(s)
				switch {
				case above && !open:
					slicesRuns[k] = append(slicesRuns[k], Run{i, i + 1, j, k})
				case above:
					slicesRuns[k][len(slicesRuns[k])-1].To = i + 1
				}
				open = above
			}
		}
	})
	before := 0
	for k, own := range slicesRuns {
		for j := range v.Size[1] {
			first[k*v.Size[1]+j] += before
		}
		before += len(own)
	}
	first[len(first)-1] = before
	return slices.Concat(slicesRuns...), first
}

// disjointSets is a union-find forest over runs: each entry is its parent, a root its
// own. The root is the set's first run.
type disjointSets []int

func newDisjointSets(n int) disjointSets {
	sets := make(disjointSets, n)
	for i := range sets {
		sets[i] = i
	}
	return sets
}

// find gives the root of a run's set, and halves the path to it.
func (s disjointSets) find(i int) int {
	for s[i] != i {
		s[i] = s[s[i]]
		i = s[i]
	}
	return i
}

// joinOverlapping joins the runs of two rows that share columns. row and other are the
// indices of the rows' first runs and of the ones after their last.
func (s disjointSets) joinOverlapping(runs []Run, row, other []int) {
	a, b := row[0], other[0]
	for a < row[1] && b < other[1] {
		if runs[a].From < runs[b].To && runs[b].From < runs[a].To {
			p, q := s.find(a), s.find(b)
			s[max(p, q)] = min(p, q)
		}
		if runs[a].To < runs[b].To {
			a++
		} else {
			b++
		}
	}
}
