package drawing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/trimesh"
)

// layered are the paths of one layer.
func layered(d Drawing, layer Layer) (out []Path) {
	for _, it := range d.Items[0].(Clip).Items {
		if p, ok := it.(Path); ok && p.Layer == layer && p.Stroke != "" {
			out = append(out, p)
		}
	}
	return out
}

func length(paths []Path) (sum float64) {
	for _, p := range paths {
		for i := range len(p.Points) - 1 {
			sum += math.Hypot(p.Points[i+1].X-p.Points[i].X, p.Points[i+1].Y-p.Points[i].Y)
		}
	}
	return sum
}

// By hand: a ball of 2 mm radius is drawn as a circle of 2 mm radius from every side, all
// of it where it lies before the fixture, and less where it lies behind it.
func TestContoursAndWhatHidesThem(t *testing.T) {
	s := scene(t)
	mid := midpoint(s.Planned)
	scale := spaceSide / (2 * spaceReach)
	around := 2 * math.Pi * 2 * scale
	for name, c := range map[string]struct {
		buccal float64 // of the fixture, mm
		turn   float64
		whole  bool
	}{
		"before it":       {6, 0, true},
		"behind it":       {-6, 0, false},
		"seen from there": {-6, math.Pi, true},
	} {
		ball, err := clearance.NewChain([]geom.Vec{r3.Add(midpoint(*s.Achieved.Pose), r3.Scale(c.buccal, s.Directions.Buccal))}, []float64{2})
		require.NoError(t, err)
		s.Structures = []Structure{{Name: "a ball", Kind: casefile.Nerve, Body: ball}}
		d, err := s.Space(c.turn)
		require.NoError(t, err)
		drawn := length(layered(d, StructureLayer))
		if c.whole {
			assert.InDelta(t, around, drawn, 0.01*around, name)
		} else {
			assert.Less(t, drawn, 0.75*around, name)
		}
		assert.NotEmpty(t, layered(d, AchievedLayer))
		for _, p := range layered(d, PlannedLayer) {
			assert.NotEmpty(t, p.Dash)
		}
	}
	// What lies far off is not drawn, from whichever side it would be seen in the frame.
	far, err := clearance.NewChain([]geom.Vec{r3.Add(mid, r3.Scale(40, s.Directions.Buccal))}, []float64{2})
	require.NoError(t, err)
	s.Structures = []Structure{{Name: "far", Body: far}}
	d, err := s.Space(0)
	require.NoError(t, err)
	assert.Empty(t, layered(d, StructureLayer))
}

// A ball of triangles is drawn as one of a centre line is: its contour does not hide itself.
func TestContourOfASurfaceIsWhole(t *testing.T) {
	s := scene(t)
	centre := r3.Add(midpoint(*s.Achieved.Pose), r3.Scale(12, s.Directions.Buccal))
	const n = 48
	m := &trimesh.Mesh{}
	for i := range n + 1 {
		for k := range n {
			sin, cos := math.Sincos(math.Pi * float64(i) / n)
			sinRound, cosRound := math.Sincos(2 * math.Pi * float64(k) / n)
			m.Vertices = append(m.Vertices, r3.Add(centre, r3.Scale(9, geom.Vec{X: sin * cosRound, Y: sin * sinRound, Z: cos})))
		}
	}
	for i := range int32(n) {
		for k := range int32(n) {
			a, b, c, d := i*n+k, i*n+(k+1)%n, (i+1)*n+k, (i+1)*n+(k+1)%n
			if i > 0 {
				m.Triangles = append(m.Triangles, [3]int32{a, c, b})
			}
			if i < n-1 {
				m.Triangles = append(m.Triangles, [3]int32{b, c, d})
			}
		}
	}
	ball, err := clearance.NewSurface(m, true)
	require.NoError(t, err)
	s.Structures = []Structure{{Name: "sinus", Kind: casefile.Sinus, Body: ball}}
	d, err := s.Space(0.3)
	require.NoError(t, err)
	around := 2 * math.Pi * 9 * spaceSide / (2 * spaceReach)
	// The contour of facets runs to and fro by half a facet, and the poles' rows of points are rims.
	assert.Greater(t, length(layered(d, StructureLayer)), 0.95*around)
}

// The contour of an upright cylinder is as wide as the cylinder: the planned fixture, seen
// across its axis.
func TestPlannedContourIsAsWideAsTheFixture(t *testing.T) {
	s := scene(t)
	d, err := s.Space(0.7)
	require.NoError(t, err)
	low, high := math.Inf(1), math.Inf(-1)
	for _, p := range layered(d, PlannedLayer) {
		for _, q := range p.Points {
			low, high = min(low, q.X), max(high, q.X)
		}
	}
	scale := spaceSide / (2 * spaceReach)
	assert.InDelta(t, s.PlannedDiameter, (high-low)/scale, 0.02)
}

// By hand: seen from a corner, a box shows a hexagon, six of its twelve edges: two of each
// length.
func TestSilhouetteOfABox(t *testing.T) {
	s := boxSurface(t)
	edges := s.Silhouette(r3.Unit(geom.Vec{X: 1, Y: 1.1, Z: 0.9}), geom.Vec{}, 20)
	long := 0.0
	for _, e := range edges {
		long += r3.Norm(r3.Sub(e[0], e[1]))
	}
	assert.InDelta(t, 2*(4+6+10), long, 1e-9)
}
