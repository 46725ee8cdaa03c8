package volume

import (
	"math"

	"plumbline/internal/stats/orderstat"
)

// Cone-beam grey values are not calibrated, so every level below follows from
// the scan's own distribution of grey values g:
//
//	metal threshold   median(g) + c·(dense − median(g)), dense a high quantile
//	metal plateau     the level that as many voxels exceed as metal of known volume fills
//	clipped           g at or above the saturation level (SaturationLevel)

// MetalRule is a metal threshold: which percentile of the grey values is dense
// bone and enamel, and how many times as far above the median metal begins.
type MetalRule struct {
	DensePercentile int
	Contrast        float64
}

var (
	// CellMetal is the rule for means over cells of some millimetres, of which
	// few are all enamel: metal lies at least as far again above the median as
	// the densest thirtieth. It is low, so that registration leaves out the
	// artefacts' rim as well.
	CellMetal = MetalRule{DensePercentile: 97, Contrast: 2}
	// VoxelMetal is the rule for single voxels, of which the brightest hundredth
	// is enamel. Enamel reaches twice its distance from the median; what lies
	// beyond 2.5 times is counted as a volume of metal.
	VoxelMetal = MetalRule{DensePercentile: 99, Contrast: 2.5}
)

// saturatedContrast is the least distance of the saturation level from the
// median, in units of dense − median, for it to be a metal threshold: a scan
// clipped below that has bone and teeth at its saturation level, too.
const saturatedContrast = 1.5

// Threshold is the grey value from which on a voxel counts as metal.
func (r MetalRule) Threshold(median, dense float64) float64 {
	return median + r.Contrast*(dense-median)
}

// ClippedThreshold is Threshold for a scan with the given saturation level, NaN
// when it has none: metal that is clipped begins at that level.
func (r MetalRule) ClippedThreshold(median, dense, saturation float64) float64 {
	metal := r.Threshold(median, dense)
	if saturation > median+saturatedContrast*(dense-median) {
		metal = min(metal, saturation)
	}
	return metal
}

// hardQuantile of the grey values around a fixture is its hard tissue: metal
// fills a twentieth of them at most, bone and enamel more than a tenth.
const hardQuantile = 0.9

// LocalLevels are the grey levels around one metal body of known size.
type LocalLevels struct {
	Metal    float64 // plateau of the metal
	Surround float64 // median of what lies around it
	Hard     float64 // bone and enamel
}

// LevelsAround finds the levels in the grey values (in any order; they are
// reordered) around a body that fills nominal voxels; NaN where there are none.
//
// The plateau is the grey value that as many voxels exceed as a quarter of the
// nominal volume fills: a hollow, threaded, unevenly shaded fixture fills at least
// half of it.
func LevelsAround(greys []float32, nominal float64) LocalLevels {
	n := len(greys)
	if n == 0 {
		return LocalLevels{math.NaN(), math.NaN(), math.NaN()}
	}
	above := min(n-1, int(nominal/4))
	return LocalLevels{
		Metal:    float64(orderstat.Select(greys, n-1-above)),
		Surround: float64(orderstat.Select(greys, n/2)),
		Hard:     float64(orderstat.Select(greys, int(hardQuantile*float64(n-1)))),
	}
}

// ClippedFrom is the grey value from which on a voxel counts as clipped, half a
// stored step below the saturation level; +Inf when there is none (NaN).
func ClippedFrom(saturation float64) float64 {
	if math.IsNaN(saturation) {
		return math.Inf(1)
	}
	return saturation - 0.5
}
