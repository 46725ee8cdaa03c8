package canal

import (
	"math"
	"math/rand/v2"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/anatomy/tissue/tissuetest"
	"plumbline/internal/geom"
	"plumbline/internal/volume"
)

// body is the body of a lower jaw with a canal in it, both of exact shape: the jaw between
// two cortical plates and a lower border, the canal about a curve along y. Its image under a
// Gaussian point spread is, but for the bend of its surfaces, that of planes.
type body struct {
	place                 geom.Rigid
	half, below           float64    // the plates' distance from the middle, the lower border's from the canal
	sway, wave            [2]float64 // of the curve, across and upwards: amplitude and length, mm
	phase                 [2]float64
	rise                  float64 // upwards along the curve
	radius, wall          float64
	cover                 float64 // how far the wall's grey value lies from marrow to the lining of a socket
	bare                  [2]float64
	open                  float64 // the share of the wall's turn that is missing
	voids                 []ball
	voxel, blur, noise    float64
	marrow, nerve, struts float64
	seed                  uint64
}

type ball struct {
	centre geom.Vec
	radius float64
	grey   float64
}

func (b body) at(y float64) geom.Vec {
	return geom.Vec{
		X: b.sway[0] * math.Sin(2*math.Pi*y/b.wave[0]+b.phase[0]),
		Y: y,
		Z: b.sway[1]*math.Sin(2*math.Pi*y/b.wave[1]+b.phase[1]) + b.rise*y,
	}
}

// nearest is the place along the curve that is nearest to a point of the body's frame.
func (b body) nearest(p geom.Vec) float64 {
	y := p.Y
	for range 4 {
		const h = 1e-3
		c, before, after := b.at(y), b.at(y-h), b.at(y+h)
		first := r3.Scale(1/(2*h), r3.Sub(after, before))
		second := r3.Scale(1/(h*h), r3.Add(r3.Sub(after, c), r3.Sub(before, c)))
		d := r3.Sub(c, p)
		y -= r3.Dot(d, first) / max(0.2, r3.Dot(first, first)+r3.Dot(d, second))
	}
	return y
}

// off is how a point of the scan lies to the curve, in the body's frame.
func (b body) off(p geom.Vec) geom.Vec {
	q := b.place.Inverse().Apply(p)
	return r3.Sub(q, b.at(b.nearest(q)))
}

const (
	cortical, lamina, tissues = 1450.0, 1200.0, 0.0
	// plateThick is that of the plates, and reach how far the points lie from the middle, mm.
	plateThick, reach = 2.0, 12.0
)

// render makes the scan of the jaw about the canal.
func (b body) render() *volume.Volume {
	g := tissuetest.Cube(geom.Vec{}, reach+5, b.voxel)
	for _, a := range []int{0, 2} {
		g.Size[a] = int(24 / b.voxel)
	}
	g.Origin = r3.Scale(-b.voxel/2, geom.Vec{X: float64(g.Size[0]), Y: float64(g.Size[1]), Z: float64(g.Size[2])})
	noise, struts := tissuetest.Noise(g, 0.9, b.noise, b.seed), tissuetest.Noise(g, 0.6/b.voxel, b.struts, b.seed+1)
	below := func(d float64) float64 { return tissuetest.Below(d, b.blur) }
	back := b.place.Inverse()
	return tissuetest.Render(g, func(p geom.Vec, at int) float64 {
		q := back.Apply(p)
		jaw := max(math.Abs(q.X)-b.half, -q.Z-b.below)
		in, within := below(jaw), below(jaw+plateThick)
		grey := within*(b.marrow+float64(struts.Grey[at])) + (in-within)*cortical + (1-in)*tissues
		for _, v := range b.voids {
			if d := r3.Norm(r3.Sub(q, v.centre)) - v.radius; d < 1.5 {
				grey += below(d) * within * (v.grey - grey)
			}
		}
		if r3.Norm(r3.Sub(q, b.at(q.Y))) < 6 {
			y := b.nearest(q)
			off := r3.Sub(q, b.at(y))
			d := r3.Norm(off) - b.radius
			if y > b.bare[0] && y < b.bare[1] {
				return grey + float64(noise.Grey[at])
			}
			wall := b.marrow + b.cover*(lamina-b.marrow)
			if math.Mod(math.Atan2(off.Z, off.X)+y/9+9*math.Pi, 2*math.Pi) < 2*math.Pi*b.open {
				wall = b.marrow
			}
			grey += below(d-b.wall) * in * (wall - grey)
			grey += below(d) * in * (b.nerve - grey)
		}
		return grey + float64(noise.Grey[at])
	})
}

// ends are two points near the curve's ends, off it by a hand's error.
func (b body) ends(rng *rand.Rand, hand float64) []geom.Vec {
	var out []geom.Vec
	for _, y := range []float64{-reach, reach} {
		p := r3.Add(b.at(y), geom.Vec{X: hand * rng.NormFloat64(), Y: hand * rng.NormFloat64(), Z: hand * rng.NormFloat64()})
		out = append(out, b.place.Apply(p))
	}
	return out
}

// plain is a body of middling size, in a scan that is rendered fast.
func plain() body {
	return body{
		half: 5.5, below: 6, sway: [2]float64{1, 1.5}, wave: [2]float64{60, 50}, place: geom.Identity(),
		radius: 1.4, wall: 0.5, cover: 1, voxel: 0.5, blur: 0.4, noise: 40, marrow: 230, nerve: 40, struts: 60, seed: 3,
	}
}

// The truth is the body's own, as in the accuracy test with many more.
func TestFind(t *testing.T) {
	b := plain()
	b.bare = [2]float64{2.5, 5.5}
	v := b.render()
	rng := rand.New(rand.NewPCG(2, 2))
	through := b.ends(rng, 0.4)
	l, err := Find(v, through)
	require.NoError(t, err)
	all, bridged := l.Length()
	assert.InDelta(t, 2*reach, all, 2)
	assert.Greater(t, bridged, 2.0, "neither wall nor nerve is there")
	assert.Less(t, bridged, longestBridge)
	for i, p := range l.Points {
		off := b.off(p)
		assert.Less(t, r3.Norm(off), 0.5, i)
		assert.InDelta(t, b.radius, l.Radius[i], 0.3, i)
		assert.Less(t, math.Abs(off.X), 2.5*l.U[i], i)
		y := b.place.Inverse().Apply(p).Y
		if y < -1.5 || y > 9.5 {
			assert.True(t, l.Seen[i], i)
		}
		if y > 3.5 && y < 4.5 {
			assert.False(t, l.Seen[i], i)
		}
	}

	for says, points := range map[string][]geom.Vec{
		"two points or more":      through[:1],
		"lie 1.0 mm apart":        {through[0], r3.Add(through[0], geom.Vec{Y: 1})},
		"point 2 lies outside":    {through[0], r3.Add(through[1], geom.Vec{Y: 30})},
		"a canal is seen on only": {{X: 0.5, Y: -9, Z: 7}, {X: -0.5, Y: 9, Z: 8}},
		"of the way":              {through[0], r3.Add(through[1], geom.Vec{Z: 4.5})}, // beside the canal
	} {
		_, err := Find(v, points)
		assert.ErrorContains(t, err, says, says)
	}
}
