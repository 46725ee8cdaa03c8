package tissue

import (
	"math"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

const (
	// metalShare is how far from soft tissue to cortical bone metal begins: enamel, the
	// hardest else, reaches twice that way (from Hounsfield units in textbooks, from
	// memory), and saturatedMetal how far the grey value has to lie at which a scan is clipped
	// for a voxel there to be taken for metal.
	metalShare, saturatedMetal = 2.6, 1.8
	// leastMetal is the least area of metal in a slice that casts streaks, mm²: a wire of
	// 1 mm has it; bright noise in enamel has not.
	leastMetal = 0.8
	// streakSpread is how far beyond the slices with metal its streaks are feared, mm: the
	// rays of a cone beam are inclined by a tenth at the edge of a field, over the width of a
	// jaw's part.
	streakSpread = 2.0
)

// findMetal finds from which grey value on a voxel is metal, and the slices of the region,
// the first of which is the scan's slice first, that its streaks run through: shadows and
// beams of metal lie in the plane in which the source turns, and cross the whole of it.
func (r *Region) findMetal(v *volume.Volume, first int) {
	bone := r.Cortex.Mean - r.Soft
	r.metal = r.Soft + metalShare*bone
	if top := v.SaturationLevel(v.Extremes()); top > r.Soft+saturatedMetal*bone {
		r.metal = min(r.metal, top)
	}
	s := v.Spacing()
	spread := int(math.Ceil(streakSpread / s[2]))
	from := max(0, first-spread)
	metal := make([]bool, min(v.Size[2], first+r.Size[2]+spread)-from)
	parallel.For(len(metal), func(k int) {
		n, plane := 0, v.Size[0]*v.Size[1]
		slope, intercept := v.Slope[from+k], v.Intercept[from+k]
		for _, stored := range v.Stored[(from+k)*plane : (from+k+1)*plane] {
			if slope*float64(stored)+intercept >= r.metal && !v.Padded(stored) {
				n++
			}
		}
		metal[k] = float64(n)*s[0]*s[1] >= leastMetal
	})
	r.streaked = make([]bool, r.Size[2])
	for k := range r.streaked {
		at := first + k - from
		for d := max(0, at-spread); d <= min(len(metal)-1, at+spread); d++ {
			r.streaked[k] = r.streaked[k] || metal[d]
		}
	}
}

// Metal reports whether there is metal at a point.
func (r *Region) Metal(p geom.Vec) bool { return r.Sample(p) >= r.metal }

// Streaked reports whether a point lies in slices that streaks of metal run through, the
// metal being anywhere in the scan. Beyond the region nothing is known of it.
func (r *Region) Streaked(p geom.Vec) bool {
	_, _, z := r.Index(p)
	k := int(math.Round(z))
	return k >= 0 && k < len(r.streaked) && r.streaked[k]
}
