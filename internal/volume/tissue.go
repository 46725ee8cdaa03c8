package volume

import (
	"math"
	"slices"
)

// tissueStride is the voxel stride, along every index, of the sample in TissueStep: a
// twenty-seventh of millions of voxels tells modes and quantiles as well as all.
const tissueStride = 3

const (
	// fillShare is the share of voxels at the lowest grey value from which on it is where
	// the scan saw nothing, or where air was cut off. Noise leaves a handful there, a round
	// field of view in a square image a fifth.
	fillShare = 0.01
	// airQuantile of the grey values is air: nose, mouth and what lies before the face take
	// more of a jaw scan's field where it shows any.
	airQuantile = 0.01
	// Bone and enamel (the brightest hundredth) lie 1 to 3 times as far above soft tissue
	// as that above air, metal among them farther; where they do not, it was no air. From
	// memory: Hounsfield's units of cortical bone 1000 to 2000, of enamel 2000 to 3000.
	leastHard, mostHard = 1.0, 6.0
)

// TissueStep is the step of the grey value from air to soft tissue: the scan's own
// scale, 1000 where grey values are Hounsfield's. NaN where no air is seen.
//
// Air is the lowest grey value where that is common, or else the lowest hundredth; soft
// tissue is the mode of what lies nearer to the median than to air. A scan whose air is
// cut off shows too small a step; one filled somewhat below air too large a one.
func (v *Volume) TissueStep() float64 {
	var greys []float32
	for k := 0; k < v.Size[2]; k += tissueStride {
		for j := 0; j < v.Size[1]; j += tissueStride {
			for i := 0; i < v.Size[0]; i += tissueStride {
				if g := v.Grey(i, j, k); g == g {
					greys = append(greys, float32(g))
				}
			}
		}
	}
	slices.Sort(greys)
	filled := 0
	for filled < len(greys) && greys[filled] == greys[0] {
		filled++
	}
	rest := greys[filled:]
	if len(rest) == 0 {
		return math.NaN()
	}
	airs := []float32{rest[int(airQuantile*float64(len(rest)))]}
	if float64(filled) > fillShare*float64(len(greys)) {
		airs = []float32{greys[0], airs[0]}
	}
	hard := rest[len(rest)*VoxelMetal.DensePercentile/100]
	for _, air := range airs {
		from, _ := slices.BinarySearch(rest, (air+rest[len(rest)/2])/2)
		soft := mode(rest[from:])
		if step := soft - air; step*leastHard < hard-soft && hard-soft < step*mostHard {
			return float64(step)
		}
	}
	return math.NaN()
}

// modeShare of a list lies in the interval whose middle is its mode: wide against noise,
// narrow against the step from soft tissue to bone.
const modeShare = 0.1

// mode is the middle of the shortest interval that holds modeShare of a sorted list,
// which must not be empty (Chernoff, Ann Inst Statist Math 1964;16:31).
func mode(sorted []float32) float32 {
	n := int(modeShare * float64(len(sorted)))
	best, at := float32(math.Inf(1)), 0
	for i := range len(sorted) - n {
		if w := sorted[i+n] - sorted[i]; w < best {
			best, at = w, i
		}
	}
	return (sorted[at] + sorted[at+n]) / 2
}
