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
	// maxRotation, degrees: how far the head may be turned between the scans.
	// 25° about each of two axes make 35°; the rest is reserve.
	maxRotation = 40.0
	// rotationStep, degrees, of the grid of rotation vectors. At the region's rms
	// radius of 15 mm the farthest rotation between nodes (√3/2 steps) moves
	// structure by one coarse cell, which the refinement bridges.
	rotationStep = 13.0
	// minCoverage is the share of the template that a candidate must find in the
	// other scan.
	minCoverage = 0.35
)

// earlyRejection are the stages of correlate before all template points are
// compared: the first points of them must reach the score least, which lies three
// standard errors (1/√n) below the 0.6 that the true place has.
var earlyRejection = [...]struct {
	points int
	least  float32
}{{32, 0.07}, {128, 0.33}}

// candidate is a transform still in the running at a pyramid level.
type candidate struct {
	preToPost    geom.Rigid
	score        float64 // similarity · coverageFactor(coverage)
	similarity   float64
	coverage     float64
	disagreement float64 // mm, from the middle level on; see evaluation.disagreement
}

// rotationGrid is every node of the grid of rotation vectors within maxRotation,
// the smallest rotation (the identity) first.
func rotationGrid() []geom.Rigid {
	n := int(math.Ceil(maxRotation / rotationStep))
	type node struct {
		rotation geom.Vec // rad
		angle    float64
	}
	var all []node
	for x := -n; x <= n; x++ {
		for y := -n; y <= n; y++ {
			for z := -n; z <= n; z++ {
				w := r3.Scale(geom.Radians(rotationStep), geom.Vec{X: float64(x), Y: float64(y), Z: float64(z)})
				if r3.Norm(w) <= geom.Radians(maxRotation)+1e-9 {
					all = append(all, node{w, r3.Norm(w)})
				}
			}
		}
	}
	slices.SortStableFunc(all, func(a, b node) int { return cmp.Compare(a.angle, b.angle) })
	out := make([]geom.Rigid, len(all))
	for i, t := range all {
		out[i] = geom.Rotation(t.rotation)
	}
	return out
}

// templatePoints is how many of the region's cells are compared: their
// correlation at the true place has a standard error of 0.03, less than what the
// grid of rotations costs.
const templatePoints = 400

// template is the region of the planning scan at the coarsest level, subsampled.
type template struct {
	offset []geom.Vec // mm from the region's centre
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
	// In an order in which every run of points is spread over the whole region.
	var sample template
	n := len(t.offset)
	stride := coprimeStride(n)
	for i, at := 0, 0; i < min(n, templatePoints); i, at = i+1, (at+stride)%n {
		sample.offset = append(sample.offset, t.offset[at])
		sample.grey = append(sample.grey, t.grey[at])
	}
	return sample
}

// coprimeStride is near n divided by the golden ratio and coprime to n, so that
// steps of it visit all of n places evenly.
func coprimeStride(n int) int {
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

// search is exhaustive: it places the template by every rotation of the grid at
// every cell of the follow-up scan, and keeps the best local maxima of each
// rotation.
//
// Method: template matching. With pᵢ the template's grey values and qᵢ those of
// the nearest cells of the follow-up scan, over the n pairs where both have one,
//
//	score = cov(p, q)/√(var p · var q) · √min(1, 2n/N)
//
// of N template points: the normalised correlation, and coverageFactor.
func (t template) search(f *volume.Field, reg *region, perRotation int) []candidate {
	radius := 0.0
	for _, d := range t.offset {
		radius = max(radius, r3.Norm(d))
	}
	sp := f.Spacing()
	var pad [3]int
	for a := range 3 {
		pad[a] = int(math.Ceil(radius/sp[a])) + 1
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
	shift := (pad[2]*ny+pad[1])*nx + pad[0] // by how much the padding moves a cell
	grid, inverse := rotationGrid(), f.Inverse()
	found := make([][]candidate, len(grid))
	parallel.For(len(grid), func(r int) {
		index := make([]int, len(t.offset)) // of each point's cell, from the centre's
		for n, d := range t.offset {
			q := grid[r].Rotate(d)
			var o [3]int
			for a := range 3 {
				o[a] = int(math.Round(r3.Dot(q, inverse[a])))
			}
			index[n] = (o[2]*ny+o[1])*nx + o[0] + shift
		}
		score := make([]float32, f.Len())
		coverage := make([]float32, f.Len())
		for k := range f.Size[2] {
			for j := range f.Size[1] {
				for i := range f.Size[0] {
					n := (k*f.Size[1]+j)*f.Size[0] + i
					score[n], coverage[n] = t.correlate(padded[(k*ny+j)*nx+i:], index)
				}
			}
		}
		found[r] = localMaxima(f, score, coverage, perRotation)
		for n := range found[r] {
			c := &found[r][n]
			c.preToPost.R = grid[r].R
			c.preToPost.T = r3.Sub(c.preToPost.T, grid[r].Rotate(reg.centre))
		}
	})
	return slices.Concat(found...)
}

// cell is a grey value of the follow-up scan and its mask: 1, or 0 where there is
// none.
type cell struct{ grey, mask float32 }

// correlate is the score of the template's points against the cells at the given
// indices; zero where a stage of earlyRejection ends it.
func (t template) correlate(cells []cell, index []int) (score, coverage float32) {
	var n, sp, sq, spp, sqq, spq float32
	from := 0
	for stage := range len(earlyRejection) + 1 {
		to, least := len(index), float32(0)
		if stage < len(earlyRejection) {
			to, least = min(to, earlyRejection[stage].points), earlyRejection[stage].least
		}
		grey := t.grey[from:to]
		for i, o := range index[from:to] {
			p, c := grey[i], cells[o]
			pm := p * c.mask
			n += c.mask
			sp += pm
			spp += p * pm
			sq += c.grey
			sqq += c.grey * c.grey
			spq += p * c.grey
		}
		from = to
		coverage = n / float32(to)
		if coverage < minCoverage {
			return 0, coverage
		}
		cpp, cqq, cpq := spp-sp*sp/n, sqq-sq*sq/n, spq-sp*sq/n
		if cpp <= 0 || cqq <= 0 || cpq <= 0 {
			return 0, coverage
		}
		c := float64(cpq) / math.Sqrt(float64(cpp)*float64(cqq))
		score = float32(c * coverageFactor(float64(coverage)))
		if score < least {
			return 0, coverage
		}
	}
	return score, coverage
}

// localMaxima are the highest local maxima of the score, at most most of them;
// their transforms have no rotation yet, and their place for the translation.
func localMaxima(f *volume.Field, score, coverage []float32, most int) []candidate {
	var out []candidate
	nx, ny := f.Size[0], f.Size[1]
	for k := range f.Size[2] {
		for j := range f.Size[1] {
			for i := range f.Size[0] {
				s := score[(k*ny+j)*nx+i]
				if s <= 0 || !isLocalMaximum(f.Size, score, i, j, k) {
					continue
				}
				out = append(out, candidate{
					preToPost: geom.Rigid{T: f.Patient(float64(i), float64(j), float64(k))},
					score:     float64(s),
					coverage:  float64(coverage[(k*ny+j)*nx+i]),
				})
			}
		}
	}
	slices.SortStableFunc(out, byScore)
	return out[:min(most, len(out))]
}

func byScore(a, b candidate) int { return cmp.Compare(b.score, a.score) }

// isLocalMaximum reports whether none of a cell's 26 neighbours scores higher.
func isLocalMaximum(size [3]int, score []float32, i, j, k int) bool {
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

// suppressNonMaxima keeps, from the best score down, the candidates that lie
// distance mm or more (transformDistance) from every better one kept, at most most
// of them.
func suppressNonMaxima(all []candidate, centre geom.Vec, distance float64, most int) []candidate {
	slices.SortStableFunc(all, byScore)
	var out []candidate
	for _, c := range all {
		near := slices.ContainsFunc(out, func(o candidate) bool {
			return transformDistance(c.preToPost, o.preToPost, centre) < distance
		})
		if !near {
			out = append(out, c)
			if len(out) == most {
				break
			}
		}
	}
	return out
}
