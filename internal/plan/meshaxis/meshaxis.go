// Package meshaxis finds the axis and the ends of a planned fixture in a
// triangle surface: a body of revolution, plain or threaded, straight or
// tapered, closed or open, with or without a guide sleeve on the same axis above
// it, noisy and with holes.
//
// Conventions: lengths are mm, in the surface's own frame, which is
// right-handed. The axis as fitted has no sense: the caller says which way is
// apical. Start with Fit and Solid.Fixture.
//
// Accuracy: on drawn surfaces of threaded, tapered and sleeved fixtures at any
// pose, with noise of 0.02 mm and a tenth of the surface missing, the axis is
// within 0.05° and the ends within 0.05 mm (TestDrawnFixtures and, at eight poses
// each, TestAccuracyOfDrawnFixtures). The error grows with the noise over the
// length: of one 6 mm long and 5.5 mm wide it is 0.033° on average at that noise
// and 0.09° at most, and within 0.05° at half of it.
//
// Limits: what stands on the platform is left out where it parts from the body
// by a gap or by a step of its outline; an abutment that goes on in the
// fixture's own outline cannot be told from it.
package meshaxis

import (
	"errors"
	"fmt"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// ErrNoFixture is returned when a surface is no single fixture.
var ErrNoFixture = errors.New("the surface is not that of one fixture")

// Solid is a surface with its axis.
type Solid struct {
	frame    frame
	points   []sample    // outer wall and everything else, by area
	vertices []sample    // of the triangles
	wall     []wallPoint // the outer wall
	area     float64     // that a sample stands for, mm²
}

const (
	// maxSamples is how many points a surface is looked at in; with 25,000 the
	// wall of a fixture has some eighty a mm².
	maxSamples = 25_000
	// minTriangles is the least number of triangles that can show an axis: a prism of
	// four sides without its ends.
	minTriangles = 8
	// maxExtent is the greatest extent of a fixture with a sleeve and a drawn axis
	// above it, mm; more is a jaw or a guide.
	maxExtent = 120.0
)

// sample is a point of the surface with its unit normal.
type sample struct{ p, n geom.Vec }

// frame is an axis: a point on it, its unit direction, and two across it.
type frame struct{ at, along, e1, e2 geom.Vec }

func newFrame(at, along geom.Vec) frame {
	f := frame{at: at, along: r3.Unit(along)}
	f.e1, f.e2 = geom.Perpendicular(f.along)
	return f
}

// cylindrical gives a point's height z along the axis and its coordinates across it, mm.
func (f frame) cylindrical(p geom.Vec) (z, x, y float64) {
	q := r3.Sub(p, f.at)
	return r3.Dot(q, f.along), r3.Dot(q, f.e1), r3.Dot(q, f.e2)
}

// Fit finds the axis of a surface.
//
// Errors: ErrNoFixture, with the reason.
//
// Method: a surface of revolution has one radius at each height. The radius of
// the outer wall is fitted as a function of the height, a helical thread on it of
// one shape whose strength changes along the axis, and a shift and a tilt of the
// axis, which are taken out until none is left; Tukey's weights leave out what
// fits none of it. Holes do no harm, since only what is there is fitted. The
// pitch of the thread starts where the spectrum of the residual has its peak. The
// search starts from the principal axes of the points and of the normals (H.
// Pottmann and T. Randrup, Rotational and helical surface approximation for
// reverse engineering, Computing 1998; 60:307, use the normals; from memory).
func Fit(m *trimesh.Mesh) (*Solid, error) {
	if len(m.Triangles) < minTriangles {
		return nil, fmt.Errorf("%w: it has %d triangles, fewer than any fixture takes", ErrNoFixture, len(m.Triangles))
	}
	low, high := m.Vertices[0], m.Vertices[0]
	for _, v := range m.Vertices {
		low = geom.Vec{X: min(low.X, v.X), Y: min(low.Y, v.Y), Z: min(low.Z, v.Z)}
		high = geom.Vec{X: max(high.X, v.X), Y: max(high.Y, v.Y), Z: max(high.Z, v.Z)}
	}
	if extent := r3.Norm(r3.Sub(high, low)); extent > maxExtent {
		return nil, fmt.Errorf("%w: it is %.0f mm across; export the fixture alone, without guide and jaw", ErrNoFixture, extent)
	}
	s := &Solid{}
	s.points, s.area = sampleSurface(m)
	s.vertices = vertexSamples(m)
	if s.area == 0 {
		return nil, fmt.Errorf("%w: its triangles have no area", ErrNoFixture)
	}
	if err := s.initialAxis(); err != nil {
		return nil, err
	}
	return s, s.refine()
}

// sampleSurface spreads points evenly over the surface by area; area is what each
// stands for, mm².
//
// Method: the points' places within the triangles follow the additive
// recurrence of the plastic number (M. Roberts, from memory), so that the same
// surface gives the same points.
func sampleSurface(m *trimesh.Mesh) (points []sample, area float64) {
	total := 0.0
	areas := make([]float64, len(m.Triangles))
	for i := range m.Triangles {
		areas[i] = m.Area(i)
		total += areas[i]
	}
	step := total / maxSamples
	if !(step > 0) {
		return nil, 0
	}
	const plastic = 1.32471795724474602596
	due, count := step/2, 0.0
	for i, own := range areas {
		a, b, c := m.Corners(i)
		u, v := r3.Sub(b, a), r3.Sub(c, a)
		n := r3.Unit(r3.Cross(u, v))
		for ; due < own; due += step {
			count++
			s := math.Mod(0.5+count/plastic, 1)
			t := math.Mod(0.5+count/(plastic*plastic), 1)
			if s+t > 1 {
				s, t = 1-s, 1-t
			}
			points = append(points, sample{r3.Add(a, r3.Add(r3.Scale(s, u), r3.Scale(t, v))), n})
		}
		due -= own
	}
	return points, step
}

// vertexSamples are a surface's vertices, each with the mean normal of the triangles that
// meet there, weighted by area.
func vertexSamples(m *trimesh.Mesh) []sample {
	out := make([]sample, len(m.Vertices))
	for i, t := range m.Triangles {
		a, b, c := m.Corners(i)
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		for _, k := range t {
			out[k].n = r3.Add(out[k].n, n)
		}
	}
	for k := range out {
		out[k].p = m.Vertices[k]
		if r3.Norm2(out[k].n) > 0 {
			out[k].n = r3.Unit(out[k].n)
		}
	}
	return out
}

// fitPoints are the points that the axis is fitted to in the end. Corners lie on
// the body and the triangles between them within it, which cuts a thread's
// crests, more on the one side than on the other at its ends; so the corners,
// where they are enough to show a thread.
func (s *Solid) fitPoints() []sample {
	const enough = 1500 // on the wall: some ten in each turn of each of ten sectors
	if len(s.vertices) <= maxSamples && len(s.frame.outerWall(s.vertices, 1)) > enough {
		return s.vertices
	}
	return s.points
}

// initialAxis finds the axis to within some degrees: of the principal axes of the
// points and of the normals the one about which the wall is roundest.
func (s *Solid) initialAxis() error {
	centre := geom.Vec{}
	for _, q := range s.points {
		centre = r3.Add(centre, r3.Scale(1/float64(len(s.points)), q.p))
	}
	const few = 2000 // points: enough for some degrees, and a tenth of the time
	every := max(1, len(s.points)/few)
	best := math.Inf(1)
	for _, axis := range slices.Concat(
		principalAxes(s.points, func(q sample) geom.Vec { return r3.Sub(q.p, centre) }),
		principalAxes(s.points, func(q sample) geom.Vec { return q.n }),
	) {
		f := newFrame(centre, axis)
		score := math.Inf(1)
		for range 8 {
			wall := f.outerWall(s.points, every)
			if !surroundsAxis(wall) {
				score = math.Inf(1)
				break
			}
			r := regression{wall: wall, knot: 0.5}
			shift, tilt := r.solve()
			score = r.scale / float64(len(wall)) // of two equally round the one with more wall
			f = f.moved(shift, tilt)
			const coarse = 0.01 // mm and radians
			if max(math.Hypot(shift[0], shift[1]), math.Hypot(tilt[0], tilt[1])) < coarse {
				break
			}
		}
		if score < best {
			best, s.frame = score, f
		}
	}
	if math.IsInf(best, 1) {
		return fmt.Errorf("%w: it has no round wall", ErrNoFixture)
	}
	return nil
}

// principalAxes are the eigenvectors of Σ v·vᵀ over the points' vectors.
func principalAxes(points []sample, of func(sample) geom.Vec) []geom.Vec {
	m := mat.NewSymDense(3, nil)
	for _, q := range points {
		v := of(q)
		m.SymRankOne(m, 1, mat.NewVecDense(3, []float64{v.X, v.Y, v.Z}))
	}
	var eigen mat.EigenSym
	if !eigen.Factorize(m, true) {
		return nil
	}
	var vectors mat.Dense
	eigen.VectorsTo(&vectors)
	out := make([]geom.Vec, 3)
	for i := range out {
		out[i] = geom.Vec{X: vectors.At(0, i), Y: vectors.At(1, i), Z: vectors.At(2, i)}
	}
	return out
}

// surroundsAxis reports whether there is wall on all sides of the axis; a hole may be as
// wide as a third of it.
func surroundsAxis(wall []wallPoint) bool {
	const sectors = 24
	var count [sectors]int
	for _, d := range wall {
		count[min(sectors-1, int((d.angle+math.Pi)/(2*math.Pi)*sectors))]++
	}
	filled := 0
	for _, n := range count {
		if n*sectors*4 > len(wall) {
			filled++
		}
	}
	return len(wall) >= 100 && filled >= sectors*2/3
}

// moved is the axis shifted across itself and tilted, both along e1 and e2.
func (f frame) moved(shift, tilt [2]float64) frame {
	at := r3.Add(f.at, r3.Add(r3.Scale(shift[0], f.e1), r3.Scale(shift[1], f.e2)))
	return newFrame(at, r3.Add(f.along, r3.Add(r3.Scale(tilt[0], f.e1), r3.Scale(tilt[1], f.e2))))
}

const (
	// The fit has converged when a further step is smaller, radians and mm: a hundredth
	// of what is asked of the axis.
	tiltTolerance, shiftTolerance = 2e-5, 2e-4
	maxRounds                     = 40
	// maxOutOfRound is the root mean square residual of the wall's radius that a fixture
	// may have, as a share of its radius: a prism of eight sides has 0.03.
	maxOutOfRound = 0.05
)

// refine fits the axis with the thread until it has converged.
func (s *Solid) refine() error {
	var r regression
	points := s.fitPoints()
	for round := range maxRounds {
		s.wall = s.frame.outerWall(points, 1)
		if !surroundsAxis(s.wall) {
			return fmt.Errorf("%w: it has no round wall", ErrNoFixture)
		}
		wave, thread := r.wave, r.thread
		r = regression{wall: s.wall, knot: 0.15}
		if round >= 1 {
			r.wave, r.thread = wave, thread
			if round == 1 {
				plain := r
				plain.solve()
				r.wave = plain.dominantWave()
			}
		}
		shift, tilt := r.solve()
		s.frame = s.frame.moved(shift, tilt)
		if round > 2 && math.Hypot(shift[0], shift[1]) < shiftTolerance && math.Hypot(tilt[0], tilt[1]) < tiltTolerance {
			break
		}
	}
	for i := range s.wall {
		s.wall[i].fitted, s.wall[i].residual = r.fitted[i], r.residual[i]
	}
	return nil
}
