package drawing

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"
	"pgregory.net/rapid"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/geom"
)

func drawDirection(t *rapid.T, name string) geom.Vec {
	z := rapid.Float64Range(-1, 1).Draw(t, name+" height")
	phi := rapid.Float64Range(0, 2*math.Pi).Draw(t, name+" turn")
	s, c := math.Sincos(phi)
	r := math.Sqrt(1 - z*z)
	return geom.Vec{X: r * c, Y: r * s, Z: z}
}

// Every point of a cut lies on the envelope and in the plane, and the cut's area
// is that of the envelope's points in the plane, counted on a grid.
func TestCutLiesOnTheEnvelope(t *testing.T) {
	cuts, misses := 0, 0
	rapid.Check(t, func(t *rapid.T) {
		entry := geom.Vec{X: rapid.Float64Range(-40, 40).Draw(t, "x"), Y: 3, Z: -12}
		axis := drawDirection(t, "axis")
		length := rapid.Float64Range(6, 16).Draw(t, "length")
		diameter := rapid.Float64Range(3, 6).Draw(t, "diameter")
		e, err := clearance.Nominal(diameter).Place(geom.Pose{Entry: entry, Apex: r3.Add(entry, r3.Scale(length, axis))})
		require.NoError(t, err)
		n := drawDirection(t, "normal")
		if rapid.Bool().Draw(t, "along") && r3.Norm(r3.Cross(n, axis)) > 1e-3 {
			n = across(n, axis)
		}
		right, up := geom.Perpendicular(n)
		p := Plane{Right: right, Up: up}
		p.Centre = r3.Add(entry, r3.Add(r3.Scale(rapid.Float64Range(-1, length+1).Draw(t, "down"), axis),
			r3.Scale(rapid.Float64Range(-4, 4).Draw(t, "aside"), n)))

		ring := Cut(&e, p)
		const grid = 0.25
		// A plane that only touches may count as a cut or as none.
		least, most := 0, 0
		for i := -80; i < 80; i++ {
			for j := -80; j < 80; j++ {
				d := e.SignedDistance(p.At((float64(i)+0.5)*grid, (float64(j)+0.5)*grid))
				if d < -1e-6 {
					least++
				}
				if d < 1e-6 {
					most++
				}
			}
		}
		if ring == nil {
			misses++
			assert.Less(t, float64(least)*grid*grid, 1.0, "a plane that cuts the body needs an outline")
			return
		}
		cuts++
		area, around := 0.0, 0.0
		for i, q := range ring {
			at := p.At(q[0], q[1])
			assert.InDelta(t, 0, r3.Dot(r3.Sub(at, p.Centre), n), 1e-9)
			assert.InDelta(t, 0, e.SignedDistance(at), 2e-6)
			next := ring[(i+1)%len(ring)]
			area += (q[0]*next[1] - q[1]*next[0]) / 2
			around += math.Hypot(next[0]-q[0], next[1]-q[1])
		}
		// Counting misses half a cell at random along the edge; a bound that
		// cannot be passed is a whole cell along all of it.
		slack := 0.01 + around*grid/2
		assert.Greater(t, math.Abs(area), float64(least)*grid*grid-slack)
		assert.Less(t, math.Abs(area), float64(most)*grid*grid+slack)
	})
	assert.Greater(t, 5*cuts, cuts+misses, "a fifth of the planes cut it")
	assert.Greater(t, 20*misses, cuts+misses, "and a twentieth do not")
}

func TestCutOfAKnownBody(t *testing.T) {
	e, err := clearance.Shape{Diameter: 4, Taper: 1}.Place(geom.Pose{Apex: geom.Vec{Z: -10}})
	require.NoError(t, err)
	// A plane 1 mm beside the axis cuts a cylinder of radius 2 in a rectangle of
	// 2·√3 × 10 mm.
	ring := Cut(&e, Plane{Centre: geom.Vec{Y: 1}, Right: geom.Vec{X: 1}, Up: geom.Vec{Z: 1}})
	lowX, highX, lowY, highY := math.Inf(1), math.Inf(-1), math.Inf(1), math.Inf(-1)
	for _, q := range ring {
		lowX, highX = min(lowX, q[0]), max(highX, q[0])
		lowY, highY = min(lowY, q[1]), max(highY, q[1])
	}
	assert.InDelta(t, math.Sqrt(3), highX, 1e-6)
	assert.InDelta(t, -math.Sqrt(3), lowX, 1e-6)
	assert.InDelta(t, 0, highY, 1e-6)
	assert.InDelta(t, -10, lowY, 1e-6)

	assert.Nil(t, Cut(&e, Plane{Centre: geom.Vec{Y: 2.1}, Right: geom.Vec{X: 1}, Up: geom.Vec{Z: 1}}))
	circle := Cut(&e, Plane{Centre: geom.Vec{Z: -5}, Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}})
	for _, q := range circle {
		assert.InDelta(t, 2, math.Hypot(q[0], q[1]), 1e-6)
	}
	assert.Nil(t, Cut(&e, Plane{Centre: geom.Vec{Z: 0.1}, Right: geom.Vec{X: 1}, Up: geom.Vec{Y: 1}}))
}

// By definition: what is left are points of the line, and no point of it lies farther from
// what is left than was said. A ring stays one.
func TestSimplifiedStaysNear(t *testing.T) {
	for _, closed := range []bool{false, true} {
		var line []Point
		for i := range 200 {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / 200)
			line = append(line, Point{20 * cos, 20 * sin})
		}
		few := simplified(line, closed)
		assert.Less(t, len(few), 80)
		assert.Equal(t, line[0], few[0])
		for i, p := range few {
			assert.InDelta(t, 20, math.Hypot(p.X, p.Y), 1e-9)
			if q := few[(i+1)%len(few)]; closed || i < len(few)-1 {
				assert.InDelta(t, 20, math.Hypot((p.X+q.X)/2, (p.Y+q.Y)/2), simplest)
			}
		}
		if !closed {
			assert.Equal(t, line[199], few[len(few)-1])
		}
	}
}
