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

const (
	// turnRange, degrees: how far the head may be turned between the scans.
	// 25° about each of two axes make 35°; the rest is reserve.
	turnRange = 40.0
	// turnStep, degrees, of the grid of rotation vectors. At the region's rms
	// radius of 15 mm the farthest turn between nodes (√3/2 steps) moves
	// structure by one coarse cell, which the refinement bridges.
	turnStep = 13.0
	// leastCoverage is the share of the region that a candidate must find in
	// the other scan.
	leastCoverage = 0.35
)

// glances are looks at a place with a few of the region's points, before all of
// them are compared: each asks for a correlation that lies three standard
// errors (1/√n) below the 0.6 that the true place has.
var glances = [...]struct {
	points int
	least  float32
}{{32, 0.07}, {128, 0.33}}

// candidate is a transform on the way, with its score.
type candidate struct {
	preToPost  geom.Rigid
	score      float64
	similarity float64
	coverage   float64
	disagree   float64
}

// turns is the grid of rotations, the identity first.
func turns() []geom.Rigid {
	n := int(math.Ceil(turnRange / turnStep))
	type turn struct {
		w geom.Vec
		n float64
	}
	var all []turn
	for x := -n; x <= n; x++ {
		for y := -n; y <= n; y++ {
			for z := -n; z <= n; z++ {
				w := r3.Scale(geom.Radians(turnStep), geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)})
				if r3.Norm(w) <= geom.Radians(turnRange)+1e-9 {
					all = append(all, turn{w, r3.Norm(w)})
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b turn) int { return cmp.Compare(a.n, b.n) })
	out := make([]geom.Rigid, len(all))
	for i, t := range all {
		out[i] = geom.Rotation(t.w)
	}
	return out
}

// templatePoints are enough of the region's cells: their correlation at the
// true place is known to 0.03, less than what the turn's grid costs.
const templatePoints = 400

// template is the region of the planning scan at the coarsest level, thinned
// out, as offsets from the fixtures' middle.
type template struct {
	offset []geom.Vec
	grey   []float32
}

func newTemplate(f *volume.Field, reg *region) template {
	var t template
	for k := range f.Size[2] {
		for j := range f.Size[1] {
			for i := range f.Size[0] {
				g := f.At(i, j, k)
				p := f.Patient(float64(i), float64(j), float64(k))
				if g == g && reg.contains(p) {
					t.offset = append(t.offset, r3.Sub(p, reg.centre))
					t.grey = append(t.grey, g)
				}
			}
		}
	}
	// Reordered so that every run of points is spread over the whole region.
	var spread template
	n := len(t.offset)
	step := spreadStep(n)
	for i, at := 0, 0; i < min(n, templatePoints); i, at = i+1, (at+step)%n {
		spread.offset = append(spread.offset, t.offset[at])
		spread.grey = append(spread.grey, t.grey[at])
	}
	return spread
}

// spreadStep is near n divided by the golden ratio and has no common factor
// with n.
func spreadStep(n int) int {
	for s := max(1, int(float64(n)*0.6180339887)); ; s++ {
		a, b := n, s
		for b != 0 {
			a, b = b, a%b
		}
		if a == 1 {
			return s
		}
	}
}

// search tries every turn of the grid and every place of the fixtures' middle
// in the follow-up scan, and returns the best places of each turn.
//
// Method: normalised correlation of the region's greys with what the follow-up
// scan has at the nearest cells; cells without a value on either side do not
// count. The score is the correlation times the root of the coverage up to
// one half, so that a small overlap needs more likeness.
func (t template) search(f *volume.Field, reg *region, perTurn int) []candidate {
	reach := 0.0
	for _, d := range t.offset {
		reach = max(reach, r3.Norm(d))
	}
	sp := f.Spacing()
	var pad [3]int
	for a := range 3 {
		pad[a] = int(math.Ceil(reach/sp[a])) + 1
	}
	nx, ny, nz := f.Size[0]+2*pad[0], f.Size[1]+2*pad[1], f.Size[2]+2*pad[2]
	padded := make([]cell, nx*ny*nz)
	for k := range f.Size[2] {
		for j := range f.Size[1] {
			row := padded[((k+pad[2])*ny+j+pad[1])*nx+pad[0]:][:f.Size[0]]
			for i := range row {
				if g := f.At(i, j, k); g == g {
					row[i] = cell{g, 1}
				}
			}
		}
	}
	rim := (pad[2]*ny+pad[1])*nx + pad[0] // from a padded cell to the one it pads
	grid := turns()
	found := make([][]candidate, len(grid))
	parallel.For(len(grid), func(r int) {
		offs := make([]int, len(t.offset))
		for n, d := range t.offset {
			q := grid[r].Rotate(d)
			var o [3]int
			for a := range 3 {
				o[a] = int(math.Round(r3.Dot(q, f.Step[a]) / r3.Dot(f.Step[a], f.Step[a])))
			}
			offs[n] = (o[2]*ny+o[1])*nx + o[0] + rim
		}
		score := make([]float32, f.Len())
		cover := make([]float32, f.Len())
		for k := range f.Size[2] {
			for j := range f.Size[1] {
				for i := range f.Size[0] {
					n := (k*f.Size[1]+j)*f.Size[0] + i
					score[n], cover[n] = t.correlate(padded[(k*ny+j)*nx+i:], offs)
				}
			}
		}
		found[r] = peaks(f, score, cover, perTurn)
		for n := range found[r] {
			c := &found[r][n]
			c.preToPost.R = grid[r].R
			c.preToPost.T = r3.Sub(c.preToPost.T, grid[r].Rotate(reg.centre))
		}
	})
	return slices.Concat(found...)
}

// cell is a grey of the follow-up scan and whether there is one, 1 or 0.
type cell struct{ grey, there float32 }

// correlate compares the template with the cells offs from the first of them;
// the score is zero where a glance tells enough.
func (t template) correlate(cells []cell, offs []int) (score, coverage float32) {
	var n, sp, sq, spp, sqq, spq float32
	from := 0
	for stage := range len(glances) + 1 {
		to, least := len(offs), float32(0)
		if stage < len(glances) {
			to, least = min(to, glances[stage].points), glances[stage].least
		}
		grey := t.grey[from:to]
		for i, o := range offs[from:to] {
			p, c := grey[i], cells[o]
			pt := p * c.there
			n += c.there
			sp += pt
			spp += p * pt
			sq += c.grey
			sqq += c.grey * c.grey
			spq += p * c.grey
		}
		from = to
		coverage = n / float32(to)
		if coverage < leastCoverage {
			return 0, coverage
		}
		cpp, cqq, cpq := spp-sp*sp/n, sqq-sq*sq/n, spq-sp*sq/n
		if cpp <= 0 || cqq <= 0 || cpq <= 0 {
			return 0, coverage
		}
		c := float64(cpq) / math.Sqrt(float64(cpp)*float64(cqq))
		score = float32(c * rootCoverage(float64(coverage)))
		if score < least {
			return 0, coverage
		}
	}
	return score, coverage
}

// rootCoverage is one from a coverage of a half up.
func rootCoverage(c float64) float64 { return math.Sqrt(min(1, 2*c)) }

// peaks are the highest local maxima; their transform's shift is the place.
func peaks(f *volume.Field, score, cover []float32, most int) []candidate {
	var out []candidate
	nx, ny := f.Size[0], f.Size[1]
	for k := range f.Size[2] {
		for j := range f.Size[1] {
			for i := range f.Size[0] {
				s := score[(k*ny+j)*nx+i]
				if s <= 0 || !highest(f.Size, score, i, j, k) {
					continue
				}
				out = append(out, candidate{
					preToPost: geom.Rigid{T: f.Patient(float64(i), float64(j), float64(k))},
					score:     float64(s),
					coverage:  float64(cover[(k*ny+j)*nx+i]),
				})
			}
		}
	}
	slices.SortStableFunc(out, byScore)
	return out[:min(most, len(out))]
}

func byScore(a, b candidate) int { return cmp.Compare(b.score, a.score) }

func highest(size [3]int, score []float32, i, j, k int) bool {
	s := score[(k*size[1]+j)*size[0]+i]
	for z := max(0, k-1); z <= min(size[2]-1, k+1); z++ {
		for y := max(0, j-1); y <= min(size[1]-1, j+1); y++ {
			for x := max(0, i-1); x <= min(size[0]-1, i+1); x++ {
				if score[(z*size[1]+y)*size[0]+x] > s {
					return false
				}
			}
		}
	}
	return true
}

// apart is how far two transforms differ near the fixtures, mm.
func apart(a, b geom.Rigid, centre geom.Vec) float64 {
	d := a.Inverse().After(b)
	return r3.Norm(r3.Sub(d.Apply(centre), centre)) + lever*d.Angle()
}

// distinct keeps the best of candidates that lie within distance of each other.
func distinct(all []candidate, centre geom.Vec, distance float64, most int) []candidate {
	slices.SortStableFunc(all, byScore)
	var out []candidate
	for _, c := range all {
		fresh := true
		for _, o := range out {
			if apart(c.preToPost, o.preToPost, centre) < distance {
				fresh = false
				break
			}
		}
		if fresh {
			out = append(out, c)
			if len(out) == most {
				break
			}
		}
	}
	return out
}
