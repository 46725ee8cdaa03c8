package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Signed distances are negative inside, mm.

// cone is the hull of two spheres: a root, a canal segment, a post.
type cone struct {
	a, b   geom.Vec
	ra, rb float64

	ba              geom.Vec
	l2, rr, a2, il2 float64
}

func newCone(a, b geom.Vec, ra, rb float64) cone {
	c := cone{a: a, b: b, ra: ra, rb: rb, ba: r3.Sub(b, a)}
	c.l2 = r3.Dot(c.ba, c.ba)
	c.rr = ra - rb
	c.a2 = c.l2 - c.rr*c.rr
	c.il2 = 1 / c.l2
	return c
}

// distance is the exact signed distance to the hull. It needs |ra − rb| < |b − a|.
func (c *cone) distance(p geom.Vec) float64 {
	pa := r3.Sub(p, c.a)
	y := r3.Dot(pa, c.ba)
	z := y - c.l2
	x := r3.Sub(r3.Scale(c.l2, pa), r3.Scale(y, c.ba))
	return c.fromParts(r3.Dot(x, x), y, z)
}

func (c *cone) fromParts(x2, y, z float64) float64 {
	y2 := y * y * c.l2
	z2 := z * z * c.l2
	k := c.rr * c.rr * x2
	if c.rr < 0 {
		k = -k
	}
	if math.Copysign(c.a2*z2, z) > k {
		return math.Sqrt(x2+z2)*c.il2 - c.rb
	}
	if math.Copysign(c.a2*y2, y) < k {
		return math.Sqrt(x2+y2)*c.il2 - c.ra
	}
	return (math.Sqrt(x2*c.a2*c.il2)+y*c.rr)*c.il2 - c.ra
}

// reach is the bounding sphere.
func (c *cone) reach() (geom.Vec, float64) {
	return r3.Scale(0.5, r3.Add(c.a, c.b)), math.Sqrt(c.l2)/2 + max(c.ra, c.rb)
}

// roundCone2 is the signed distance in the plane to the hull of two discs at
// (ax, ay) and (bx, by).
func roundCone2(px, py, ax, ay, bx, by, ra, rb float64) float64 {
	bax, bay := bx-ax, by-ay
	l2 := bax*bax + bay*bay
	rr := ra - rb
	c := cone{ra: ra, rb: rb, l2: l2, rr: rr, a2: l2 - rr*rr, il2: 1 / l2}
	pax, pay := px-ax, py-ay
	y := pax*bax + pay*bay
	cross := pax*bay - pay*bax
	return c.fromParts(cross*cross*l2, y, y-l2)
}

// ellipsoid has its axes along the frame's; its distance is exact at the
// surface and within a few per cent close to it.
type ellipsoid struct{ centre, radii geom.Vec }

func (e *ellipsoid) distance(p geom.Vec) float64 {
	d := r3.Sub(p, e.centre)
	u := geom.Vec{X: d.X / e.radii.X, Y: d.Y / e.radii.Y, Z: d.Z / e.radii.Z}
	v := geom.Vec{X: u.X / e.radii.X, Y: u.Y / e.radii.Y, Z: u.Z / e.radii.Z}
	k0, k1 := norm(u), norm(v)
	if k1 == 0 {
		return -min(e.radii.X, e.radii.Y, e.radii.Z)
	}
	return k0 * (k0 - 1) / k1
}

// roundBox is the exact signed distance to a box of half edges (x, y, z) whose
// edges are rounded with radius r.
func roundBox(px, py, pz, x, y, z, r float64) float64 {
	qx, qy, qz := math.Abs(px)-x+r, math.Abs(py)-y+r, math.Abs(pz)-z+r
	ox, oy, oz := max(qx, 0), max(qy, 0), max(qz, 0)
	return math.Sqrt(ox*ox+oy*oy+oz*oz) + min(max(qx, qy, qz), 0) - r
}

// frame is an orthonormal frame in the jaw: mesial, buccal, apical.
type frame struct {
	origin  geom.Vec
	m, b, a geom.Vec
}

func (f *frame) fromJaw(p geom.Vec) geom.Vec {
	d := r3.Sub(p, f.origin)
	return geom.Vec{X: r3.Dot(d, f.m), Y: r3.Dot(d, f.b), Z: r3.Dot(d, f.a)}
}

func (f *frame) toJaw(q geom.Vec) geom.Vec {
	return r3.Add(f.origin, f.direction(q))
}

func (f *frame) direction(q geom.Vec) geom.Vec {
	return r3.Add(r3.Scale(q.X, f.m), r3.Add(r3.Scale(q.Y, f.b), r3.Scale(q.Z, f.a)))
}

// tilted is f with its apical direction leant by degrees to mesial and to
// buccal: the tilts of definitions of deviation, tan(mesial) = a·m, tan(buccal)
// = a·b before normalising.
func (f frame) tilted(mesial, buccal float64) frame {
	a := r3.Unit(r3.Add(f.a, r3.Add(
		r3.Scale(math.Tan(geom.Radians(mesial)), f.m),
		r3.Scale(math.Tan(geom.Radians(buccal)), f.b))))
	m := r3.Unit(r3.Sub(f.m, r3.Scale(r3.Dot(f.m, a), a)))
	b := r3.Cross(a, m)
	if r3.Dot(b, f.b) < 0 {
		b = r3.Scale(-1, b)
	}
	return frame{origin: f.origin, m: m, b: b, a: a}
}

// planeFraction is how much of a cell of edge w lies inside a surface at signed
// distance d from its centre: exact for a plane parallel to a face, within a
// few hundredths for any other.
func planeFraction(d, w float64) float64 {
	c := 0.5 - d/w
	if c <= 0 {
		return 0
	}
	if c >= 1 {
		return 1
	}
	return c
}

func clamp01(x float64) float64 { return max(0, min(1, x)) }

// smoothstep rises from 0 to 1 between low and high with no kink.
func smoothstep(low, high, x float64) float64 {
	t := clamp01((x - low) / (high - low))
	return t * t * (3 - 2*t)
}

// norm is the length of v. It skips the guard against overflow of r3.Norm,
// which takes several times as long.
func norm(v geom.Vec) float64 { return math.Sqrt(v.X*v.X + v.Y*v.Y + v.Z*v.Z) }
