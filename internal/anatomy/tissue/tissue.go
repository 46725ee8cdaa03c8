// Package tissue tells hard tissue from what lies outside the jaw in the part of a
// planning scan around a site, and how blurred and noisy that part is.
//
// Conventions: planning frame, patient LPS, mm; grey values are the scan's own, not
// calibrated. Start with Look. A scan's Region answers at points: Outside, Hard, Metal,
// Streaked, Shaded, Disturbance.
//
// Method: hard is what lies a quarter of the way from soft tissue to cortical bone or
// higher, so that a plate thinner than the blur still counts. The outside is the soft
// tissue and air that a ball can reach from above the ridge without touching anything
// hard: spongy bone may have the grey value of soft tissue, but a ball does not get
// through its cortex. Blur and the grey value of cortical bone are those of the thick
// plates of the same region. What streaks of metal do at a point is told by how much of
// its plane's metal it sees, and by the gum beside it, whose grey value is known from the
// slices without metal.
//
// Limits: gaps in a cortex that the ball passes let the outside into the spongy bone;
// Region.Leaks tells it. Cavities that no ball reaches from above the ridge, such as
// the sinus, are not outside. Streaks of metal are told by where they run: a scan whose
// slices do not lie across the axis of its source's turn has them elsewhere.
package tissue

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/plate"
	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

const (
	// cellEdge is about the edge of the cells in which the outside is looked for, mm: a
	// ball of ballRadius is round enough in them.
	cellEdge = 0.35
	// ballRadius, mm: above half the width of a mental foramen (2 to 4 mm in textbooks,
	// from memory, its cortical rim less), below half the gap between neighbouring teeth
	// at the gum.
	ballRadius = 1.0
	// hardShare is how far from soft tissue to cortical bone hard tissue begins: a plate
	// of 0.3 mm in a blur of 0.3 mm reaches 0.38.
	hardShare = 0.25
	// boneStep is the step from soft tissue to cortical bone in steps from air to soft
	// tissue, before the scan's own cortical bone is known. From memory: 1000 to 2000
	// Hounsfield units against 1000.
	boneStep = 1.4
	// seedFrom and seedTo are the heights above the platform, and seedBeside the distance
	// from the axis, between which what is soft is the mouth's, mm: the ridge of the
	// neighbours may stand higher than the platform by some millimetres.
	seedFrom, seedTo, seedBeside = 5.0, 12.0, 8.0
	// oftenSame is the change of the grey value from which on tissue is hard, as a share of
	// its distance from soft tissue, that moves a border by less than a cell.
	oftenSame = 0.2
)

// Region is the part of a scan around a site.
type Region struct {
	*volume.Field
	Air, Soft float64     // grey values; Air is NaN where the scan shows none
	Cortex    plate.Level // of thick plates
	Marrow    plate.Level // of what is neither hard nor outside
	Blur      float64     // standard deviation of the point spread, mm
	Noise     float64     // of the mean profile of a border, grey values
	Measured  bool        // Blur is from borders of the region, not assumed

	cells     cells
	means     []float32 // grey value of each cell
	state     []state
	metal     float64      // grey value from which on a voxel is metal
	streaking [][]geom.Vec // metal that casts streaks into each slice of the region, see slice
	calmGum   plate.Level  // gum where no streaks run
	axis      []geom.Vec   // entry and apex of each pose
}

// cells are the lattice on which the outside is looked for.
type cells struct{ volume.Grid }

func (c cells) index(i, j, k int) int { return (k*c.Size[1]+j)*c.Size[0] + i }

// place is the middle of a cell.
func (c cells) place(n int) geom.Vec {
	return c.Patient(float64(n%c.Size[0]), float64(n/c.Size[0]%c.Size[1]), float64(n/(c.Size[0]*c.Size[1])))
}

// each calls f with every cell and its plane; planes are shared out.
func (c cells) each(f func(plane, cell int)) {
	size := c.Size[0] * c.Size[1]
	parallel.For(c.Size[2], func(k int) {
		for i := k * size; i < (k+1)*size; i++ {
			f(k, i)
		}
	})
}

type state uint8

const (
	unseen state = iota // outside the scanned field
	soft                // neither hard nor outside
	hard
	outside
)

// Around says where to look: the poses of a fixture and how far around their axes, mm.
type Around struct {
	Poses  []geom.Pose
	Radius float64
	Above  float64 // coronally of the platform
	Beyond float64 // apically of the apex
}

// Look studies the part of a scan around a site; ok is false where the scan shows no
// hard and soft tissue there.
func Look(v *volume.Volume, at Around) (*Region, bool) {
	var corners []geom.Vec
	for _, p := range at.Poses {
		corners = append(corners, r3.Sub(p.Entry, r3.Scale(at.Above, p.Axis())), r3.Add(p.Apex, r3.Scale(at.Beyond, p.Axis())))
	}
	lo, hi := v.Box(at.Radius, middles(corners)...)
	low, high := v.Box(1, corners...)
	for a := range 3 {
		lo[a], hi[a] = min(lo[a], low[a]), max(hi[a], high[a])
	}
	for a := range 3 {
		if hi[a]-lo[a] < 8 {
			return nil, false
		}
	}
	r := &Region{Field: v.Region(lo, hi)}
	for _, p := range at.Poses {
		r.axis = append(r.axis, p.Entry, p.Apex)
	}
	if !r.levels(v) {
		return nil, false
	}
	r.findMetal(v, lo)
	inField := fieldOfView(v, lo)
	r.divide(inField)
	r.flood(at.Poses[0])
	assumed := r.HardFrom()
	r.study()
	// Once more with the scan's own cortical bone, where that changes what is hard.
	if math.Abs(r.HardFrom()-assumed) > oftenSame*(assumed-r.Soft) {
		r.divide(inField)
		r.flood(at.Poses[0])
	}
	r.marrow()
	r.calm()
	return r, true
}

// middles are points along the axis so close that balls about them fill a box.
func middles(corners []geom.Vec) []geom.Vec {
	var out []geom.Vec
	for i := 0; i < len(corners); i += 2 {
		for k := range 5 {
			out = append(out, r3.Add(corners[i], r3.Scale(float64(k)/4, r3.Sub(corners[i+1], corners[i]))))
		}
	}
	return out
}

// levels finds the grey values of air and soft tissue.
func (r *Region) levels(v *volume.Volume) bool {
	r.Air, r.Soft = v.TissueLevels()
	step := r.Soft - r.Air
	if math.IsNaN(step) {
		greys := make([]float64, 0, len(r.Grey)/8)
		for i := 0; i < len(r.Grey); i += 8 {
			if g := float64(r.Grey[i]); !math.IsNaN(g) {
				greys = append(greys, g)
			}
		}
		if len(greys) < 1000 {
			return false
		}
		slices.Sort(greys)
		// Without air, soft tissue is what is commonest, and the densest hundredth is bone.
		r.Soft = commonest(greys)
		step = (greys[len(greys)*99/100] - r.Soft) / boneStep
	}
	if !(step > 0) {
		return false
	}
	r.Cortex = plate.Level{Mean: r.Soft + boneStep*step, SD: 0.3 * step}
	r.Blur = 0.3
	r.Noise = 0.05 * step
	return true
}

// commonest is the middle of the shortest interval that holds a fifth of a sorted list.
func commonest(sorted []float64) float64 {
	n := len(sorted) / 5
	best, at := math.Inf(1), 0
	for i := range len(sorted) - n {
		if w := sorted[i+n] - sorted[i]; w < best {
			best, at = w, i
		}
	}
	return (sorted[at] + sorted[at+n]) / 2
}

// HardFrom is the grey value from which on tissue is hard.
func (r *Region) HardFrom() float64 { return r.Soft + hardShare*(r.Cortex.Mean-r.Soft) }

// divide sorts the region's cells into hard, soft and unseen.
func (r *Region) divide(inField func(i, j int) bool) {
	spacing := r.Spacing()
	var factor [3]int
	g := cells{Grid: volume.Grid{Origin: r.Origin}}
	for a := range 3 {
		factor[a] = max(1, int(math.Round(cellEdge/spacing[a])))
		g.Size[a] = r.Size[a] / factor[a]
		g.Step[a] = r3.Scale(float64(factor[a]), r.Step[a])
		g.Origin = r3.Add(g.Origin, r3.Scale(float64(factor[a]-1)/2, r.Step[a]))
	}
	r.cells = g
	r.means, r.state = make([]float32, g.Len()), make([]state, g.Len())
	from := float32(r.HardFrom())
	whole := factor[0] * factor[1] * factor[2]
	scanned := make([]bool, g.Size[0]*g.Size[1])
	for n := range scanned {
		scanned[n] = inField(n%g.Size[0]*factor[0]+factor[0]/2, n/g.Size[0]*factor[1]+factor[1]/2)
	}
	parallel.For(g.Size[2], func(k int) {
		for j := range g.Size[1] {
			for i := range g.Size[0] {
				sum := float32(0)
				for n := range whole {
					sum += r.At(i*factor[0]+n%factor[0], j*factor[1]+n/factor[0]%factor[1], k*factor[2]+n/(factor[0]*factor[1]))
				}
				mean := sum / float32(whole)
				s := soft
				switch {
				case mean != mean || !scanned[j*g.Size[0]+i]:
					s = unseen
				case mean >= from:
					s = hard
				}
				r.means[g.index(i, j, k)], r.state[g.index(i, j, k)] = mean, s
			}
		}
	})
}

// fieldOfView tells whether a column of the region that begins at lo lies in the scanned
// field. A field whose corners are all of one grey value is round.
func fieldOfView(v *volume.Volume, lo [3]int) func(i, j int) bool {
	nx, ny, nz := v.Size[0], v.Size[1], v.Size[2]
	fill := v.Stored[0]
	round := true
	for _, k := range []int{0, nz / 4, nz / 2, 3 * nz / 4, nz - 1} {
		for _, at := range [][2]int{{0, 0}, {nx - 1, 0}, {0, ny - 1}, {nx - 1, ny - 1}, {1, 2}, {nx - 2, ny - 3}} {
			round = round && v.Stored[(k*ny+at[1])*nx+at[0]] == fill
		}
	}
	if !round {
		return func(int, int) bool { return true }
	}
	s := v.Spacing()
	radius := min(float64(nx)*s[0], float64(ny)*s[1])/2 - max(s[0], s[1])
	return func(i, j int) bool {
		x, y := (float64(i+lo[0])-float64(nx-1)/2)*s[0], (float64(j+lo[1])-float64(ny-1)/2)*s[1]
		return x*x+y*y <= radius*radius
	}
}

// at tells what lies at a point: the region's cell there. What is beyond the region is
// unseen.
func (r *Region) at(p geom.Vec) state {
	x, y, z := r.cells.Index(p)
	i, j, k := int(math.Round(x)), int(math.Round(y)), int(math.Round(z))
	if i < 0 || j < 0 || k < 0 || i >= r.cells.Size[0] || j >= r.cells.Size[1] || k >= r.cells.Size[2] {
		return unseen
	}
	return r.state[r.cells.index(i, j, k)]
}

// Outside reports whether a point lies outside the jaw, in soft tissue or air.
func (r *Region) Outside(p geom.Vec) bool { return r.at(p) == outside }

// Seen reports whether a point lies in the scanned part of the region.
func (r *Region) Seen(p geom.Vec) bool { return r.at(p) != unseen }

// Hard reports whether there is hard tissue at a point.
func (r *Region) Hard(p geom.Vec) bool { return r.at(p) == hard }

// Cells are the region's cells with their mean grey values, NaN for what is not seen.
func (r *Region) Cells() *volume.Field {
	f := &volume.Field{Grid: r.cells.Grid, Grey: slices.Clone(r.means)}
	for i, s := range r.state {
		if s == unseen {
			f.Grey[i] = float32(math.NaN())
		}
	}
	return f
}

// Leaks is the share of the fixtures' axes, their ends left out, that lies outside the
// jaw: much of it where soft tissue and spongy bone were not told apart.
func (r *Region) Leaks() float64 {
	n, out := 0.0, 0.0
	for i := 0; i < len(r.axis); i += 2 {
		for k := 3; k <= 9; k++ {
			p := r3.Add(r.axis[i], r3.Scale(float64(k)/12, r3.Sub(r.axis[i+1], r.axis[i])))
			n++
			if r.Outside(p) {
				out++
			}
		}
	}
	return out / n
}

// marrow is the grey value of spongy bone: the median of what is neither hard nor
// outside, its spread from the quartiles.
func (r *Region) marrow() {
	var greys []float64
	for i := 0; i < len(r.state); i += 5 {
		if r.state[i] == soft {
			at := r.cells.place(i)
			if g := r.Sample(at); g == g && g > r.Soft-(r.Cortex.Mean-r.Soft)/4 {
				greys = append(greys, g)
			}
		}
	}
	bone := r.Cortex.Mean - r.Soft
	r.Marrow = plate.Level{Mean: r.Soft + bone/6, SD: bone / 4}
	if len(greys) < 100 {
		return
	}
	slices.Sort(greys)
	q := func(share float64) float64 { return greys[int(share*float64(len(greys)-1))] }
	r.Marrow = plate.Level{Mean: q(0.5), SD: max(bone/5, (q(0.75)-q(0.25))/1.349)}
}
