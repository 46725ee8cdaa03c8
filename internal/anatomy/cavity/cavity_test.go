package cavity

import (
	"math"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/clearance"
	"plumbline/internal/anatomy/tissue"
	"plumbline/internal/anatomy/tissue/tissuetest"
	"plumbline/internal/geom"
	"plumbline/internal/tooth"
	"plumbline/internal/volume"
)

// sinus is an upper jaw with a sinus in it, both of exact shape: the jaw a slab between
// two cortical plates, upwards without end; the sinus a sphere whose mucosa is of even
// thickness. Its image under a Gaussian point spread is, but for the bend of its surfaces,
// that of planes.
type sinus struct {
	centre               geom.Vec
	radius, mucosa       float64
	floor                float64 // thickness of the cortical bone in front of the mucosa
	filled               bool    // without air
	voxel, blur, noise   float64
	marrow, soft, struts float64
	seed                 uint64
}

const (
	halfWidth, shell          = 11.5, 1.2
	cortical, tissues, enamel = 1450.0, 0.0, 2800.0
)

func (s sinus) render(middle geom.Vec, reach float64) *volume.Volume {
	g := tissuetest.Cube(middle, reach, s.voxel)
	noise, struts := tissuetest.Noise(g, 0.9, s.noise, s.seed), tissuetest.Noise(g, 0.6/s.voxel, s.struts, s.seed+1)
	below := func(d float64) float64 { return tissuetest.Below(d, s.blur) }
	return tissuetest.Render(g, func(p geom.Vec, at int) float64 {
		jaw := max(math.Abs(p.X)-halfWidth, -p.Z) // the crest at z = 0, bone above
		out := tissues
		if p.Z < -7 {
			out = -1000
		}
		in, within := below(jaw), below(jaw+shell)
		grey := within*(s.marrow+float64(struts.Grey[at])) + (in-within)*cortical + (1-in)*out
		d := r3.Norm(r3.Sub(p, s.centre)) - s.radius
		// Shares of what lies one within the other, which blurs leave as they are.
		cavity, bony, air := below(d), below(d-s.floor), below(d+s.mucosa)
		if s.filled {
			air = 0
		}
		grey = (1-bony)*grey + (bony-cavity)*cortical + (cavity-air)*s.soft + air*(-1000)
		crown := r3.Norm(r3.Sub(geom.Vec{X: p.X, Y: math.Abs(p.Y), Z: p.Z}, geom.Vec{Y: 12, Z: -4})) - 4
		return grey + below(crown)*(enamel-grey) + float64(noise.Grey[at])
	})
}

// upright is a fixture from the crest up.
var upright = geom.Pose{Entry: geom.Vec{Z: 0.5}, Apex: geom.Vec{Z: 10.5}}

func find(t *testing.T, s sinus, p geom.Pose, n tooth.Number) []Cavity {
	t.Helper()
	return at(look(t, s, p), p, n)
}

func look(t *testing.T, s sinus, p geom.Pose) *tissue.Region {
	t.Helper()
	v := s.render(geom.Vec{Z: 8}, 16)
	region, ok := tissue.Look(v, tissue.Around{Poses: []geom.Pose{p}, Radius: 15, Above: 12.5, Beyond: 13})
	require.True(t, ok)
	return region
}

func at(region *tissue.Region, p geom.Pose, n tooth.Number) []Cavity {
	return Find(region, Site{Number: n, Poses: []geom.Pose{p}, Mesial: geom.Vec{Y: -1}, Buccal: geom.Vec{X: 1}})
}

var usual = sinus{centre: geom.Vec{Z: 22.5}, radius: 9.5, mucosa: 2, voxel: 0.4, blur: 0.35, noise: 30, marrow: 230, soft: -20, struts: 60, seed: 5}

// The truth is the sphere's.
func TestSinusIsFound(t *testing.T) {
	region := look(t, usual, upright)
	found := at(region, upright, 25)
	require.Len(t, found, 1)
	c := found[0]
	assert.Equal(t, Sinus, c.What)
	wall, err := clearance.NewSurface(c.Wall, false)
	require.NoError(t, err)
	air, err := clearance.NewSurface(c.Air, false)
	require.NoError(t, err)
	require.True(t, wall.Closed())
	for _, turn := range []float64{0, 0.15, 0.3} {
		sin, cos := math.Sincos(turn)
		down := geom.Vec{X: sin, Z: -cos}
		d, on := wall.Nearest(r3.Add(usual.centre, r3.Scale(usual.radius, down)))
		assert.InDelta(t, 0, d, 1.96*c.UAt(on), turn)
		d, _ = air.Nearest(r3.Add(usual.centre, r3.Scale(usual.radius-usual.mucosa, down)))
		assert.InDelta(t, 0, d, 0.1, turn)
	}
	assert.Less(t, c.UAt(geom.Vec{Z: 13}), 0.25)
	assert.Equal(t, Nose, at(region, upright, 21)[0].What, "in front of a sinus there is the nose")
}

// A sinus full of fluid shows nothing, and neither does a jaw without one.
func TestNoAirNoCavity(t *testing.T) {
	full := usual
	full.filled = true
	assert.Empty(t, find(t, full, upright, 25))
	far := usual
	far.centre.Z = 60
	assert.Empty(t, find(t, far, upright, 25))
}

// Thin mucosa is not passed over: the wall is not taken for a strut of bone behind it.
func TestThinMucosa(t *testing.T) {
	thin := usual
	thin.mucosa = 0.7
	found := find(t, thin, upright, 25)
	require.Len(t, found, 1)
	wall, err := clearance.NewSurface(found[0].Wall, false)
	require.NoError(t, err)
	d, on := wall.Nearest(r3.Sub(thin.centre, geom.Vec{Z: thin.radius}))
	assert.InDelta(t, 0, d, 1.96*found[0].UAt(on))
	assert.Less(t, found[0].UAt(on), 0.4)
}
