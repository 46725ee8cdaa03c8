package tissue

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/plate"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

const (
	// gradientReach is the half width of the differences that give a border's normal,
	// mm: the blur of a scan, so that noise counts little.
	gradientReach = 0.5
	// beside is how far to four sides of a profile its parallels run, mm: over that
	// distance the border of a jaw bends by 0.02 mm (a radius of 4 mm), and the mean of
	// five has less than half the noise of one.
	beside = 0.4
	// ProfileStep is the step of a profile, mm: a third of the finest usual voxel's blur.
	ProfileStep = 0.1
)

// Normal is the unit direction at a point in which the grey value falls most, the mean of
// the surroundings within a blur; ok is false where it is not known.
func (r *Region) Normal(p geom.Vec) (n geom.Vec, ok bool) {
	axes := [3]geom.Vec{{X: 1}, {Y: 1}, {Z: 1}}
	var g [3]float64
	for _, off := range append(axes[:], geom.Vec{X: -1}, geom.Vec{Y: -1}, geom.Vec{Z: -1}, geom.Vec{}) {
		q := r3.Add(p, r3.Scale(gradientReach, off))
		for a, e := range axes {
			g[a] += r.Sample(r3.Sub(q, r3.Scale(gradientReach, e))) - r.Sample(r3.Add(q, r3.Scale(gradientReach, e)))
		}
	}
	v := geom.Vec{X: g[0], Y: g[1], Z: g[2]}
	l := r3.Norm(v)
	if !(l > 0) {
		return geom.Vec{}, false
	}
	return r3.Scale(1/l, v), true
}

// Profile is the mean grey value of five parallels along n through p, from low to high, mm
// from p; NaN outside the scan.
func (r *Region) Profile(p, n geom.Vec, low, high float64) (x, g []float64) {
	u, v := geom.Perpendicular(n)
	for i := range int(math.Round((high-low)/ProfileStep)) + 1 {
		at := low + ProfileStep*float64(i)
		q := r3.Add(p, r3.Scale(at, n))
		sum := r.Sample(q)
		for _, d := range []geom.Vec{u, v} {
			sum += r.Sample(r3.Add(q, r3.Scale(beside, d))) + r.Sample(r3.Sub(q, r3.Scale(beside, d)))
		}
		x, g = append(x, at), append(g, sum/5)
	}
	return x, g
}

// Within is the grey value of five samples about p across n, as a Profile has it.
func (r *Region) Within(p, n geom.Vec) float64 {
	_, g := r.Profile(p, n, 0, 0)
	return g[0]
}

const (
	// studied is how many places of the outer border are looked at: their median blur is
	// known to a twentieth of its spread.
	studied = 240
	// A body is thick where its grey value stays above thickFlat of its highest from
	// thickFrom to thickTo below its border, mm, as that of teeth and dense bone does: no
	// inner border is within the blur.
	thickFlat, thickFrom, thickTo = 0.85, 0.4, 1.2
	// fewest places tell blur, and as many the grey value of cortical bone.
	fewest = 12
	// slopeReach is the half width about its half level over which a border's slope is
	// taken, mm.
	slopeReach = 0.3
	// outsideFrom and outsideTo bound what is still gum beyond a border, mm.
	outsideFrom, outsideTo = 0.7, 0.9
	// A plate of plateBlurs shows its grey value, to within its prior, apart from its
	// thickness.
	plateBlurs = 4.0
)

// study finds the blur at the borders of thick bodies of the region, and then the grey
// value of cortical bone, and the noise, at plates beside the site.
func (r *Region) study() {
	all, beside := r.surface()
	blurs := known(each(r, all, r.blurAt), func(blur float64) float64 { return blur })
	if len(blurs) < fewest {
		return
	}
	r.Blur, r.Measured = median(blurs), true
	plates := each(r, beside, r.plateAt)
	cortices := known(plates, func(f plate.Fit) float64 { return f.Dense })
	// What is left of a fit is noise, however thick the plate is.
	residuals := known(plates, func(f plate.Fit) float64 {
		if math.IsNaN(f.Dense) && len(cortices) >= fewest {
			return math.NaN()
		}
		return f.Residual
	})
	if len(residuals) >= fewest {
		r.Noise = min(r.Noise, median(residuals))
	}
	if len(cortices) < fewest {
		return
	}
	mean := median(cortices)
	q := func(share float64) float64 { return cortices[int(share*float64(len(cortices)-1))] }
	r.Cortex = plate.Level{Mean: mean, SD: max(leastSpread*(mean-r.Soft), (q(0.84)-q(0.16))/2)}
}

// each is what a measure finds at an even choice of places.
func each[T any](r *Region, places []int, measure func(geom.Vec) T) []T {
	n := min(studied, len(places))
	out := make([]T, n)
	parallel.For(n, func(i int) { out[i] = measure(r.cells.place(places[i*len(places)/n])) })
	return out
}

// known are the values of what was found, sorted, without NaN.
func known[T any](list []T, of func(T) float64) []float64 {
	var out []float64
	for _, x := range list {
		if v := of(x); !math.IsNaN(v) {
			out = append(out, v)
		}
	}
	slices.Sort(out)
	return out
}

func median(sorted []float64) float64 { return sorted[(len(sorted)-1)/2] }

// surface lists the hard cells that border on the outside, and those of them that lie
// beside the site.
func (r *Region) surface() (all, beside []int) {
	nx, ny, nz := r.cells.Size[0], r.cells.Size[1], r.cells.Size[2]
	for k := 1; k < nz-1; k++ {
		for j := 1; j < ny-1; j++ {
			for i := 1; i < nx-1; i++ {
				c := r.cells.index(i, j, k)
				if r.state[c] != hard {
					continue
				}
				for _, step := range []int{1, nx, nx * ny} {
					if r.state[c-step] == outside || r.state[c+step] == outside {
						all = append(all, c)
						if r.besideSite(r.cells.place(c)) {
							beside = append(beside, c)
						}
						break
					}
				}
			}
		}
	}
	return all, beside
}

// blurAt is the blur at the border of a thick body; NaN where there is none.
//
// Method: a step of height h that is blurred by s falls by h·erf(d/(√2·s)) within ±d of its
// half level.
func (r *Region) blurAt(p geom.Vec) float64 {
	n, ok := r.Normal(p)
	if !ok {
		return math.NaN()
	}
	x, g := r.Profile(p, n, -2.4, 1.6)
	at := func(v float64) float64 { return interpolated(x, g, v) }
	mean := func(from, to float64) (mean, least float64) {
		sum, count := 0.0, 0.0
		least = math.Inf(1)
		for d := from; d <= to+ProfileStep/2; d += ProfileStep {
			v := at(d)
			sum, count, least = sum+v, count+1, min(least, v)
		}
		return sum / count, least
	}
	top, first := math.Inf(-1), 0
	for i, v := range g {
		if x[i] <= 0.6 && v > top {
			top, first = v, i
		}
	}
	border := falls(x, g, first, (top+r.Soft)/2)
	within, least := mean(border-thickTo, border-thickFrom)
	beyond, _ := mean(border+outsideFrom, border+outsideTo)
	switch {
	case !(top < r.metal), !(least > r.Soft+thickFlat*(top-r.Soft)), within-r.Soft < (r.Cortex.Mean-r.Soft)/2:
		return math.NaN()
	}
	border = falls(x, g, first, (within+beyond)/2) // between its own plateaus
	fall := (at(border-slopeReach) - at(border+slopeReach)) / (within - beyond)
	if !(fall > 0.2 && fall < 0.999) {
		return math.NaN()
	}
	return slopeReach / (math.Sqrt2 * math.Erfinv(fall))
}

// falls is where a profile first falls below a level from index first on; NaN where it
// does not.
func falls(x, g []float64, first int, level float64) float64 {
	for i := first; i+1 < len(g); i++ {
		if g[i] >= level && g[i+1] < level {
			return x[i] + ProfileStep*(g[i]-level)/(g[i]-g[i+1])
		}
	}
	return math.NaN()
}

// plateAt is the plate at a border; its grey value is NaN where it is not thick enough to show
// it, and what is left of the fit too where that is no plate.
func (r *Region) plateAt(p geom.Vec) plate.Fit {
	none := plate.Fit{Dense: math.NaN(), Residual: math.NaN()}
	n, ok := r.Normal(p)
	if !ok {
		return none
	}
	bone := r.Cortex.Mean - r.Soft
	m := plate.Model{
		Inside: plate.Level{Mean: r.Soft + bone/6, SD: bone / 4}, Plate: plate.Level{Mean: r.Cortex.Mean, SD: bone / 3},
		Outside: plate.Level{Mean: r.Soft, SD: bone / 8}, Blur: r.Blur, Noise: r.Noise, Correlation: 2 * r.Blur,
	}
	x, g := r.Profile(p, n, -2.4, outsideTo)
	f, ok := m.Fit(x, g)
	if !ok || f.Residual > bone/10 {
		return none
	}
	if f.Thickness < plateBlurs*r.Blur || f.Thickness > plate.Thickest-0.7 || f.ThickU > r.Blur/2 {
		f.Dense = math.NaN()
	}
	return f
}

// siteReach bounds what is studied, mm from a fixture's axis: beyond it, and above the
// platform, are the crowns of the neighbours.
const siteReach = 14.0

// besideSite reports whether a point lies at the height of a fixture, and near it.
func (r *Region) besideSite(p geom.Vec) bool {
	for i := 0; i < len(r.axis); i += 2 {
		along := r3.Sub(r.axis[i+1], r.axis[i])
		length := r3.Norm(along)
		d := r3.Sub(p, r.axis[i])
		h := r3.Dot(d, along) / length
		if h >= 0 && h <= length && r3.Dot(d, d)-h*h <= siteReach*siteReach {
			return true
		}
	}
	return false
}

// leastSpread of the grey value of cortical bone among plates, as a share of its step from
// soft tissue: thick and thin plates of one jaw differ in density by some per cent (common
// practice, no source).
const leastSpread = 0.06

// interpolated is a profile's value at a place; NaN outside.
func interpolated(x, g []float64, at float64) float64 {
	f := (at - x[0]) / ProfileStep
	i := int(math.Floor(f))
	if i < 0 || i+1 >= len(g) {
		return math.NaN()
	}
	return g[i] + (f-float64(i))*(g[i+1]-g[i])
}
