package tissue

import (
	"math"

	"plumbline/internal/anatomy/plate"
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
	// metalCell is the edge of the squares of a slice that hold metal or not, mm: a hundredth
	// of the way across a jaw. leastMetal is the least area of metal, mm², in such a square
	// and those around it that casts streaks: a wire of 1 mm has it; bright noise in enamel
	// has not.
	metalCell, leastMetal = 1.0, 0.8
	// streakSpread is how far beyond the slices with metal its streaks are feared, mm: the
	// rays of a cone beam are inclined by a tenth at the edge of a field, over the width of a
	// jaw's part.
	streakSpread = 2.0
)

// findMetal finds from which grey value on a voxel is metal, and for every slice of the
// region, the first of which is the scan's slice first, where in the scan the metal lies that
// casts streaks into it: they lie in the plane in which the source turns.
func (r *Region) findMetal(v *volume.Volume, lo [3]int) {
	bone := r.Cortex.Mean - r.Soft
	r.metal = r.Soft + metalShare*bone
	if top := v.SaturationLevel(v.Extremes()); top > r.Soft+saturatedMetal*bone {
		r.metal = min(r.metal, top)
	}
	s := v.Spacing()
	spread := int(math.Ceil(streakSpread / s[2]))
	from := max(0, lo[2]-spread)
	squares := make([][]bool, min(v.Size[2], lo[2]+r.Size[2]+spread)-from)
	nx, ny := int(float64(v.Size[0])*s[0]/metalCell)+1, int(float64(v.Size[1])*s[1]/metalCell)+1
	parallel.For(len(squares), func(k int) { squares[k] = r.metalSquares(v, from+k, nx, ny) })
	r.streaking = make([][]geom.Vec, r.Size[2])
	parallel.For(r.Size[2], func(k int) {
		at := lo[2] + k - from
		for n := range nx * ny {
			for d := max(0, at-spread); d <= min(len(squares)-1, at+spread); d++ {
				if squares[d] != nil && squares[d][n] {
					r.streaking[k] = append(r.streaking[k], geom.Vec{
						X: (float64(n%nx)+0.5)*metalCell - (float64(lo[0])+0.5)*s[0],
						Y: (float64(n/nx)+0.5)*metalCell - (float64(lo[1])+0.5)*s[1],
					})
					break
				}
			}
		}
	})
}

// metalSquares tells which of the nx × ny squares of a slice of the scan hold metal; nil where
// none does.
func (r *Region) metalSquares(v *volume.Volume, k, nx, ny int) []bool {
	s := v.Spacing()
	slope, intercept := v.Slope[k], v.Intercept[k]
	var area []float64
	for j := range v.Size[1] {
		row := v.Stored[(k*v.Size[1]+j)*v.Size[0]:][:v.Size[0]]
		for i, stored := range row {
			if slope*float64(stored)+intercept >= r.metal && !v.Padded(stored) {
				if area == nil {
					area = make([]float64, nx*ny)
				}
				area[int((float64(j)+0.5)*s[1]/metalCell)*nx+int((float64(i)+0.5)*s[0]/metalCell)] += s[0] * s[1]
			}
		}
	}
	var out []bool
	for n, a := range area {
		if a == 0 {
			continue
		}
		sum := 0.0
		for j := max(0, n/nx-1); j <= min(ny-1, n/nx+1); j++ {
			for i := max(0, n%nx-1); i <= min(nx-1, n%nx+1); i++ {
				sum += area[j*nx+i]
			}
		}
		if sum >= leastMetal {
			if out == nil {
				out = make([]bool, nx*ny)
			}
			out[n] = true
		}
	}
	return out
}

// Metal reports whether there is metal at a point.
func (r *Region) Metal(p geom.Vec) bool { return r.Sample(p) >= r.metal }

// slice is the metal that casts streaks into the slice of a point, and the point in the
// plane, mm from the middle of the region's first voxel. Beyond the region nothing is known.
func (r *Region) slice(p geom.Vec) (metal []geom.Vec, x, y float64) {
	i, j, k := r.Index(p)
	s := r.Spacing()
	if n := int(math.Round(k)); n >= 0 && n < len(r.streaking) {
		metal = r.streaking[n]
	}
	return metal, i * s[0], j * s[1]
}

// Streaked reports whether a point lies in slices with metal, wherever in the scan that is.
func (r *Region) Streaked(p geom.Vec) bool {
	metal, _, _ := r.slice(p)
	return len(metal) > 0
}

// shadedFrom is the share of its directions in which a point may see metal: a crown of 9 mm is
// seen so at 15 mm. Nearer to it a shadow in bone or a beam in gum can be as high as the step
// between them (TestStreakAccuracy).
const shadedFrom = 0.2

// Shaded reports whether a point lies so near to metal, or among so much of it, that nothing is
// to be read there.
func (r *Region) Shaded(p geom.Vec) bool { return r.crossed(p) > shadedFrom }

// crossed is the share of the directions in the plane of a slice, over half a turn, in which a
// point sees metal; metal on both sides counts twice. The image at a point is the mean of what
// its rays of all directions say, so that the share is how much of it comes by rays through
// metal.
func (r *Region) crossed(p geom.Vec) float64 {
	metal, x, y := r.slice(p)
	if len(metal) == 0 {
		return 0
	}
	var seen [360]bool
	const degrees = 180 / math.Pi
	for _, m := range metal {
		dx, dy := m.X-x, m.Y-y
		middle := math.Atan2(dy, dx) * degrees
		half := math.Asin(min(1, metalCell/2/max(math.Hypot(dx, dy), metalCell/2))) * degrees
		for a := int(math.Floor(middle - half)); a <= int(math.Floor(middle+half)); a++ {
			seen[(a+720)%360] = true
		}
	}
	n := 0.0
	for _, in := range seen {
		if in {
			n++
		}
	}
	return n / 180
}

const (
	// besideReach and besideHeight bound the gum about a point whose grey values tell how
	// streaks disturb it, mm: streaks are bands of some millimetres in a slice.
	besideReach, besideHeight = 4.0, 0.7
	// fewestBeside cells of gum tell a spread to an eighth of itself.
	fewestBeside = 30
)

// gum is the grey value of soft tissue outside the jaw about a point, in cells that touch
// nothing else: mean, standard deviation and the number of cells.
func (r *Region) gum(p geom.Vec) (mean, sd float64, n int) {
	x, y, z := r.cells.Index(p)
	s := r.cells.Spacing()
	at := [3]int{int(math.Round(x)), int(math.Round(y)), int(math.Round(z))}
	var lo, hi [3]int
	for a, reach := range [3]float64{besideReach, besideReach, besideHeight} {
		d := int(math.Round(reach / s[a]))
		lo[a], hi[a] = max(1, at[a]-d), min(r.cells.Size[a]-2, at[a]+d)
	}
	sum, squares := 0.0, 0.0
	for k := lo[2]; k <= hi[2]; k++ {
		for j := lo[1]; j <= hi[1]; j++ {
			for i := lo[0]; i <= hi[0]; i++ {
				if math.Hypot(float64(i-at[0])*s[0], float64(j-at[1])*s[1]) <= besideReach && r.allGum(i, j, k) {
					d := float64(r.means[r.cells.index(i, j, k)]) - r.Soft
					sum, squares, n = sum+d, squares+d*d, n+1
				}
			}
		}
	}
	mean = sum / float64(max(1, n))
	return r.Soft + mean, math.Sqrt(max(0, squares/float64(max(1, n))-mean*mean)), n
}

// allGum reports whether a cell and all around it are soft tissue outside the jaw.
func (r *Region) allGum(i, j, k int) bool {
	half := float32(math.Inf(-1))
	if !math.IsNaN(r.Air) {
		half = float32((r.Air + r.Soft) / 2)
	}
	gum := func(c int) bool { return r.state[c] == outside && r.means[c] >= half }
	middle := r.cells.index(i, j, k)
	if !gum(middle) {
		return false
	}
	row, layer := r.cells.Size[0], r.cells.Size[0]*r.cells.Size[1]
	for n := range 27 {
		if !gum(middle + n%3 - 1 + (n/3%3-1)*row + (n/9-1)*layer) {
			return false
		}
	}
	return true
}

// calm finds the grey value of gum and its spread where no streaks run: medians over places of
// the outer border in slices without metal. Where there are none it is soft tissue without any
// spread, so that all that is there counts as streaks.
func (r *Region) calm() {
	r.calmGum.Mean = r.Soft
	streaks := false
	for _, m := range r.streaking {
		streaks = streaks || len(m) > 0
	}
	if !streaks {
		return
	}
	_, beside := r.surface()
	found := each(r, beside, func(p geom.Vec) plate.Level {
		mean, sd, n := r.gum(p)
		if n < fewestBeside || r.Streaked(p) {
			return plate.Level{Mean: math.NaN(), SD: math.NaN()}
		}
		return plate.Level{Mean: mean, SD: sd}
	})
	if means := known(found, func(l plate.Level) float64 { return l.Mean }); len(means) >= fewest {
		r.calmGum = plate.Level{Mean: median(means), SD: median(known(found, func(l plate.Level) float64 { return l.SD }))}
	}
}

// Disturbance is what streaks do to the image about a point, told by the gum there against gum
// in slices without metal, grey values: by how much all is too bright or too dark, and the
// standard deviation besides. ok is false where too little gum is seen to rely on them.
func (r *Region) Disturbance(p geom.Vec) (offset, sd float64, ok bool) {
	if !r.Streaked(p) {
		return 0, 0, true
	}
	mean, spread, n := r.gum(p)
	return math.Abs(mean - r.calmGum.Mean), math.Sqrt(max(0, spread*spread-r.calmGum.SD*r.calmGum.SD)), n >= fewestBeside
}
