package intensity

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// samples are points of the planning scan with their grey values and gradients,
// grouped in blocks: cubes so small that within each a gain and an offset map
// one scan's grey values to the other's.
type samples struct {
	centre     geom.Vec    // of rotation, planning frame
	axes       [3]geom.Vec // unit, along the planning grid's indices
	point      []geom.Vec  // mm, planning frame
	grey       []float32
	gradient   []geom.Vec // of grey, per mm
	blockStart []int      // first sample of each block, and the end
	perSample  float64    // mm³ of the scan that each stands for
}

const (
	// minBlockSamples is how many samples a block needs for its gain and offset
	// to be determined.
	minBlockSamples = 24
	// minBlockEdge, in samples, makes a whole block hold nearly twice as many.
	minBlockEdge = 3.5
	// skippedEnergy is the share of the gradient energy that may be left out.
	skippedEnergy = 0.01
)

// selectSamples takes the nodes of a field (already smoothed) inside the region,
// about spacing mm apart along each index. Blocks are blockSide mm wide, or as
// wide as it takes to hold enough samples.
func selectSamples(f *volume.Field, reg *region, spacing, blockSide float64) *samples {
	var every [3]int
	perSample := 1.0 // mm³
	for a, sp := range f.Spacing() {
		every[a] = max(1, int(math.Round(spacing/sp)))
		perSample *= float64(every[a]) * sp
	}
	blockSide = max(blockSide, minBlockEdge*math.Cbrt(perSample))
	s := &samples{centre: reg.centre, axes: f.Axes(), perSample: perSample}
	type node struct {
		point    geom.Vec
		grey     float32
		gradient geom.Vec
		block    [3]int // slices, rows, columns
	}
	in := newInterpolator(f, scaledRigid{Rigid: geom.Identity()})
	planes := make([][]node, (f.Size[2]+every[2]-1)/every[2])
	parallel.For(len(planes), func(n int) {
		k := n * every[2]
		for j := 0; j < f.Size[1]; j += every[1] {
			for i := 0; i < f.Size[0]; i += every[0] {
				if g := f.At(i, j, k); g != g {
					continue
				}
				p := f.Patient(float64(i), float64(j), float64(k))
				if !reg.contains(p) {
					continue
				}
				v, gradient := in.valueAndGradient(p)
				if v != v {
					continue
				}
				d := r3.Sub(p, reg.centre)
				planes[n] = append(planes[n], node{p, float32(v), gradient, [3]int{
					int(math.Floor(r3.Dot(d, s.axes[2])/blockSide + 0.5)),
					int(math.Floor(r3.Dot(d, s.axes[1])/blockSide + 0.5)),
					int(math.Floor(r3.Dot(d, s.axes[0])/blockSide + 0.5)),
				}})
			}
		}
	})
	count, energy := map[[3]int]int{}, map[[3]int]float64{}
	for _, nodes := range planes {
		for i := range nodes {
			count[nodes[i].block]++
			energy[nodes[i].block] += r3.Norm2(nodes[i].gradient)
		}
	}
	blocks := energeticBlocks(count, energy)
	next := map[[3]int]int{}
	total := 0
	for _, block := range blocks {
		s.blockStart = append(s.blockStart, total)
		next[block] = total
		total += count[block]
	}
	s.blockStart = append(s.blockStart, total)
	s.point, s.grey, s.gradient = make([]geom.Vec, total), make([]float32, total), make([]geom.Vec, total)
	for _, nodes := range planes {
		for i := range nodes {
			if at, ok := next[nodes[i].block]; ok {
				s.point[at], s.grey[at], s.gradient[at] = nodes[i].point, nodes[i].grey, nodes[i].gradient
				next[nodes[i].block] = at + 1
			}
		}
	}
	return s
}

// energeticBlocks are the blocks of enough samples that hold 99 % of the gradient
// energy (sum of squared gradient norms), in order of their indices. Gradients are
// all that a registration sees: air and homogeneous soft tissue only cost time.
func energeticBlocks(count map[[3]int]int, energy map[[3]int]float64) [][3]int {
	var blocks [][3]int
	for block, n := range count {
		if n >= minBlockSamples {
			blocks = append(blocks, block)
		}
	}
	byIndex := func(a, b [3]int) int { return slices.Compare(a[:], b[:]) }
	slices.SortFunc(blocks, byIndex)
	slices.SortStableFunc(blocks, func(a, b [3]int) int { return cmp.Compare(energy[b], energy[a]) })
	total := 0.0
	for _, block := range blocks {
		total += energy[block]
	}
	kept, n := 0.0, 0
	for n < len(blocks) && kept < (1-skippedEnergy)*total {
		kept += energy[blocks[n]]
		n++
	}
	blocks = blocks[:n]
	slices.SortFunc(blocks, byIndex)
	return blocks
}
