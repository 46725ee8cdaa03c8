package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// metal is a metal body in the frame of the fixtures' jaw.
type metal interface {
	// distance is the signed distance to its surface, near enough to exact
	// within a tenth of a millimetre of it, and never more than the true one
	// elsewhere.
	distance(p geom.Vec) float64
	// capsule is a capsule around it: ends and radius.
	capsule() (a, b geom.Vec, r float64)
	alloy() alloy
}

type alloy int

const (
	titanium alloy = iota
	cobaltChromium
	alloys
)

// placedFixture is a fixture at its achieved pose, with its cap.
type placedFixture struct {
	Fixture
	pose  geom.Pose // jaw frame
	frame           // z apical from the platform
	turn  float64   // phase of the thread
	hand  float64   // 1 where mesial, buccal, apical are right-handed, else −1
}

func newPlacedFixture(f Fixture, at frame, turn float64) *placedFixture {
	hand := 1.0
	if r3.Dot(r3.Cross(at.m, at.b), at.a) < 0 {
		hand = -1
	}
	return &placedFixture{
		Fixture: f, frame: at, turn: turn, hand: hand,
		pose: geom.Pose{Entry: at.origin, Apex: at.toJaw(geom.Vec{Z: f.Length})},
	}
}

// usualCollar is the usual smooth coronal part without thread, mm; taperFrom is where
// along the length the taper starts.
const (
	usualCollar = 1.0
	taperFrom   = 0.3
)

func (f *Fixture) collar() float64 {
	if f.Collar == 0 {
		return usualCollar
	}
	return f.Collar
}

// crestRadius is the radius of the envelope at z from the platform: straight,
// then tapered, then rounded.
func (f *Fixture) crestRadius(z float64) float64 {
	r := f.Diameter / 2
	r *= 1 - (1-f.Taper)*clamp01((z/f.Length-taperFrom)/(1-taperFrom))
	if over := z - (f.Length - f.ApexRound); over > 0 && f.ApexRound > 0 {
		u := min(1, over/f.ApexRound)
		r -= f.ApexRound * (1 - math.Sqrt(1-u*u))
	}
	return r
}

// surfaceRadius is the radius of the threaded surface at height z and angle
// theta: a right-handed helix whose valleys lie ThreadDepth below the envelope.
func (p *placedFixture) surfaceRadius(z, theta float64) float64 {
	r := p.crestRadius(z)
	if p.ThreadDepth == 0 {
		return r
	}
	fade := smoothstep(0.6*p.collar(), 1.4*p.collar(), z) * (1 - smoothstep(p.Length-p.ApexRound-0.2, p.Length-0.1, z))
	if fade == 0 {
		return r
	}
	u := z/p.Pitch - p.hand*theta/(2*math.Pi) + p.turn
	u -= math.Floor(u)
	// A flat crest of a fifth of the pitch, straight flanks, a rounded valley.
	valley := smoothstep(0.1, 0.42, min(u, 1-u))
	return r - p.ThreadDepth*fade*valley
}

func (p *placedFixture) distance(q geom.Vec) float64 {
	l := p.fromJaw(q)
	r := math.Sqrt(l.X*l.X + l.Y*l.Y)
	out := max(-l.Z, l.Z-p.Length)
	if far := max(out, r-p.Diameter/2); far > 0.3 {
		return far
	}
	z := max(0, min(p.Length, l.Z))
	theta := math.Atan2(l.Y, l.X)
	const dz = 0.04
	rs := p.surfaceRadius(z, theta)
	slope := (p.surfaceRadius(min(p.Length, z+dz), theta) - p.surfaceRadius(max(0, z-dz), theta)) / (2 * dz)
	d := max((r-rs)/math.Sqrt(1+slope*slope), out)
	if p.BoreRadius > 0 {
		// The bore ends in a cone of 120 degrees, as a drill leaves it.
		end := l.Z - p.BoreDepth + 0.577*(r-p.BoreRadius)
		bore := max(r-p.BoreRadius, end*0.866)
		d = max(d, -bore)
	}
	return d
}

func (p *placedFixture) capsule() (a, b geom.Vec, r float64) {
	return p.pose.Entry, p.pose.Apex, p.Diameter/2 + 0.05
}

func (p *placedFixture) alloy() alloy { return titanium }

// abutment is a cover screw, healing abutment or crown abutment: a flared cylinder
// coronal of the platform with a screw that goes into the bore.
type abutment struct {
	*placedFixture
	foot  float64 // radius at the platform
	top   float64 // radius at its coronal end
	shank float64 // how deep its screw goes, mm
}

// usualStep is by how much the radius of a usual cap's foot lies inside the platform's, mm.
const usualStep = 0.1

func newAbutment(p *placedFixture) *abutment {
	l := &abutment{placedFixture: p, foot: p.Diameter/2 - usualStep + p.CapWider/2, shank: 0.7 * p.BoreDepth}
	l.top = l.foot
	switch p.Cap {
	case Healing:
		l.top = l.foot + usualStep + 0.12*p.CapHeight
	case AbutmentCrown:
		l.top = 0.62 * p.Diameter / 2
	}
	return l
}

func (c *abutment) distance(q geom.Vec) float64 {
	l := c.fromJaw(q)
	r := math.Sqrt(l.X*l.X + l.Y*l.Y)
	u := clamp01(-l.Z / c.CapHeight)
	slope := (c.top - c.foot) / c.CapHeight
	body := max((r-c.foot-(c.top-c.foot)*u)/math.Sqrt(1+slope*slope), l.Z, -l.Z-c.CapHeight)
	if c.BoreRadius == 0 {
		return body
	}
	screw := max(r-0.92*c.BoreRadius, -l.Z-0.1, l.Z-c.shank)
	// A driver's socket in the top.
	socket := max(r-0.6, -l.Z-c.CapHeight-0.1, l.Z+c.CapHeight-min(1.2, 0.6*c.CapHeight))
	return max(min(body, screw), -socket)
}

func (c *abutment) capsule() (a, b geom.Vec, r float64) {
	return c.toJaw(geom.Vec{Z: -c.CapHeight}), c.toJaw(geom.Vec{Z: c.shank}), max(c.top, c.foot, c.Diameter/2) + 0.05
}

// shellCrown is a cast metal crown: the outer shape of a tooth's crown, hollow
// where the tooth or the abutment is.
type shellCrown struct {
	*tooth
	wall float64 // mm
}

func (s *shellCrown) distance(q geom.Vec) float64 {
	l := s.fromJaw(q)
	d := s.crownDistance(l)
	return max(d, -(d + s.wall), l.Z-0.4)
}

func (s *shellCrown) capsule() (a, b geom.Vec, r float64) {
	c := s.toJaw(geom.Vec{Z: -s.height / 2})
	return c, r3.Add(c, r3.Scale(0.01, s.a)), math.Sqrt(s.md*s.md+s.bl*s.bl+s.height*s.height) / 2
}

func (s *shellCrown) alloy() alloy { return cobaltChromium }

// castCrown is a hollow cast crown of plain shape.
type castCrown struct {
	frame
	half     geom.Vec
	rounding float64
	wall     float64 // mm
}

func (b *castCrown) distance(q geom.Vec) float64 {
	l := b.fromJaw(q)
	d := roundBox(l.X, l.Y, l.Z, b.half.X, b.half.Y, b.half.Z, b.rounding)
	return max(d, -(d + b.wall))
}

func (b *castCrown) capsule() (from, to geom.Vec, r float64) {
	return b.origin, r3.Add(b.origin, r3.Scale(0.01, b.a)), norm(b.half)
}

func (b *castCrown) alloy() alloy { return cobaltChromium }

// post is a metal rod with round ends.
type post struct {
	cone
	of alloy
}

func (p *post) capsule() (a, b geom.Vec, r float64) { return p.a, p.b, max(p.ra, p.rb) + 0.05 }
func (p *post) alloy() alloy                        { return p.of }
