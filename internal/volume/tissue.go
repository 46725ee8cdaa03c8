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
	// Where the brightest hundredth lies metalOver times as far above soft tissue as the
	// brightest twentieth, it may be metal; the twentieth is then bone, a quarter of the
	// step and more above soft tissue. Enamel lies two to three times as far above as dense
	// bone (from the same units).
	bonePercentile, metalOver, leastBone = 95, 3.5, 0.25
	// A filling that lies lower than air by more than this share of air's distance from
	// soft tissue is no air: noise is less, and a rounded field's cut-off air lies nearer.
	belowAir = 0.25
	// In the lower half of the way to soft tissue, air is a peak where a stretch of
	// airWindow of the way holds peakOver times as many voxels as one above it; partial
	// volume alone rises to soft tissue.
	airWindow, peakOver = 0.1, 2
)

// TissueStep is the step of the grey value from air to soft tissue: the scan's own
// scale, 1000 where grey values are Hounsfield's. NaN where no air is seen.
//
// A scan whose air is cut off shows too small a step.
func (v *Volume) TissueStep() float64 {
	air, soft := v.TissueLevels()
	return float64(float32(soft) - float32(air))
}

// TissueLevels are the grey values of air and of soft tissue; NaN where no air is seen.
//
// Air is the lowest grey value where that is common and no air is seen above it, or else
// the lowest hundredth; soft tissue is the mode of what lies nearer to the median than to
// air.
func (v *Volume) TissueLevels() (air, soft float64) {
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
		return math.NaN(), math.NaN()
	}
	airs := []float32{rest[int(airQuantile*float64(len(rest)))]}
	if float64(filled) > fillShare*float64(len(greys)) && !(airs[0]-greys[0] > belowAir*(softTissue(rest, airs[0])-airs[0]) && showsAir(rest, airs[0])) {
		airs = []float32{greys[0], airs[0]}
	}
	for _, air := range airs {
		soft := softTissue(rest, air)
		step := soft - air
		lies := func(grey float32, low, high float32) bool { return step*low < grey-soft && grey-soft < step*high }
		hard, below := rest[len(rest)*VoxelMetal.DensePercentile/100], rest[len(rest)*bonePercentile/100]
		metal := hard-soft > metalOver*(below-soft)
		if lies(hard, leastHard, mostHard) || metal && lies(below, leastBone, mostHard) {
			return float64(air), float64(soft)
		}
	}
	return math.NaN(), math.NaN()
}

// softTissue is its grey value in a sorted list, given that of air.
func softTissue(sorted []float32, air float32) float32 {
	from, _ := slices.BinarySearch(sorted, (air+sorted[len(sorted)/2])/2)
	return mode(sorted[from:])
}

// showsAir reports whether a sorted list has a peak from a grey value on that may be air.
func showsAir(sorted []float32, air float32) bool {
	way := softTissue(sorted, air) - air
	voxels := func(at float32) int {
		from, _ := slices.BinarySearch(sorted, at)
		to, _ := slices.BinarySearch(sorted, at+airWindow*way)
		return to - from
	}
	peak := voxels(air - airWindow*way/2)
	for share := float32(0); share < 0.5; share += airWindow {
		n := voxels(air + share*way)
		if peak >= peakOver*n {
			return true
		}
		peak = max(peak, n)
	}
	return false
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
