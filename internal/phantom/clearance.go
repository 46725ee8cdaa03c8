package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// cylinder is the fixture as far as diameter and length tell.
func (f Fixture) cylinder() Fixture {
	f.Taper, f.ApexRound = 1, 0
	return f
}

// clearanceTo measures the fixture at its planned and its achieved place
// against a structure.
func (f Fixture) clearanceTo(b *body, planned, achieved frame) Clearance {
	c := Clearance{Structure: b.name, Kind: b.kind}
	plain := f.cylinder()
	c.Planned, c.CylinderPlanned = minDistance(&f, planned, b.distance), minDistance(&plain, planned, b.distance)
	if !f.Missing {
		d, e := minDistance(&f, achieved, b.distance), minDistance(&plain, achieved, b.distance)
		c.Achieved, c.CylinderAchieved = &d, &e
	}
	return c
}

// clearanceBeside measures it against fixture g: plan against plan, achieved
// against achieved.
func (f Fixture) clearanceBeside(g Fixture, planned, achieved, gPlanned, gAchieved frame) Clearance {
	c := Clearance{Structure: "fixture " + g.Site, Kind: "fixture"}
	plain, gPlain := f.cylinder(), g.cylinder()
	c.Planned = minDistance(&f, planned, g.envelope(gPlanned))
	c.CylinderPlanned = minDistance(&plain, planned, gPlain.envelope(gPlanned))
	if !f.Missing && !g.Missing {
		d := minDistance(&f, achieved, g.envelope(gAchieved))
		e := minDistance(&plain, achieved, gPlain.envelope(gAchieved))
		c.Achieved, c.CylinderAchieved = &d, &e
	}
	return c
}

// envelope is the signed distance to the fixture's envelope at a place: in the
// half plane of radius and height, to a polygon whose corners lie on the
// profile. On the apical rounding it lies within a micrometre of it.
func (f Fixture) envelope(at frame) func(geom.Vec) float64 {
	type corner struct{ r, z float64 }
	profile := []corner{{0, 0}, {f.Diameter / 2, 0}, {f.crestRadius(taperFrom * f.Length), taperFrom * f.Length}}
	const arc = 48
	for i := range arc + 1 {
		z := f.Length - f.ApexRound*(1-math.Sin(math.Pi/2*float64(i)/arc))
		if z > taperFrom*f.Length {
			profile = append(profile, corner{f.crestRadius(z), z})
		}
	}
	profile = append(profile, corner{0, f.Length})
	return func(p geom.Vec) float64 {
		l := at.fromJaw(p)
		r := math.Hypot(l.X, l.Y)
		square := math.Inf(1)
		for i := 1; i < len(profile); i++ {
			a, b := profile[i-1], profile[i]
			dr, dz := b.r-a.r, b.z-a.z
			length2 := dr*dr + dz*dz
			if length2 == 0 {
				continue
			}
			t := clamp01(((r-a.r)*dr + (l.Z-a.z)*dz) / length2)
			er, ez := r-a.r-t*dr, l.Z-a.z-t*dz
			square = min(square, er*er+ez*ez)
		}
		if l.Z > 0 && l.Z < f.Length && r < f.crestRadius(l.Z) {
			return -math.Sqrt(square)
		}
		return math.Sqrt(square)
	}
}

// minDistance is the smallest value of a signed distance on the envelope of a
// fixture at a place.
//
// Method: a grid on the surface, 0.1 to 0.3 mm apart, then a shrinking pattern
// search from the best point down to a micrometre. A signed distance changes by
// no more than the step, so a second valley is missed only where it is within
// 0.2 mm of the first one's depth and narrower than the grid.
func minDistance(f *Fixture, at frame, distance func(geom.Vec) float64) float64 {
	r := f.Diameter / 2
	total := r + f.Length + r // along the envelope: platform's middle, rim, flank, apex's middle
	point := func(u, theta float64) geom.Vec {
		u = max(0, min(total, u))
		var rho, z float64
		switch {
		case u < r:
			rho, z = u, 0
		case u < r+f.Length:
			z = u - r
			rho = f.crestRadius(z)
		default:
			z = f.Length
			rho = f.crestRadius(z) * (total - u) / r
		}
		sin, cos := math.Sincos(theta)
		return at.toJaw(geom.Vec{X: rho * cos, Y: rho * sin, Z: z})
	}
	best, bu, bt := math.Inf(1), 0.0, 0.0
	du, dt := total/160, 2*math.Pi/72
	for i := range 161 {
		for k := range 72 {
			if d := distance(point(float64(i)*du, float64(k)*dt)); d < best {
				best, bu, bt = d, float64(i)*du, float64(k)*dt
			}
		}
	}
	for du > 1e-6 {
		moved := false
		for _, step := range [8][2]float64{{1, 0}, {-1, 0}, {0, 1}, {0, -1}, {1, 1}, {-1, -1}, {1, -1}, {-1, 1}} {
			u, t := bu+step[0]*du, bt+step[1]*dt
			if d := distance(point(u, t)); d < best {
				best, bu, bt, moved = d, u, t, true
			}
		}
		if !moved {
			du, dt = du/2, dt/2
		}
	}
	return best
}

// exactDistance is the signed distance to the ellipsoid.
//
// Method: the nearest point has the coordinates r²·p/(r² + t) with the root t of
// Σ (r·p/(r² + t))² = 1 (D. Eberly, Distance from a Point to an Ellipse, an
// Ellipsoid, or a Hyperellipsoid, Geometric Tools, 2013, section 3), which
// bisection finds without fail. Deeper inside than the smallest radius of
// curvature the point found may not be the nearest; no fixture gets there.
func (e *ellipsoid) exactDistance(p geom.Vec) float64 {
	d := r3.Sub(p, e.centre)
	r := [3]float64{e.radii.X, e.radii.Y, e.radii.Z}
	x := [3]float64{math.Abs(d.X), math.Abs(d.Y), math.Abs(d.Z)}
	least := min(r[0], r[1], r[2])
	sum := func(t float64) float64 {
		s := -1.0
		for a := range 3 {
			q := r[a] * x[a] / (r[a]*r[a] + t)
			s += q * q
		}
		return s
	}
	lo, hi := -least*least, max(r[0], r[1], r[2])*norm(d)
	t := (lo + hi) / 2
	for lo < t && t < hi {
		if sum(t) > 0 {
			lo = t
		} else {
			hi = t
		}
		t = (lo + hi) / 2
	}
	square := 0.0
	for a := range 3 {
		gap := x[a] - r[a]*r[a]*x[a]/(r[a]*r[a]+t)
		square += gap * gap
	}
	inside := sum(0) < 0
	if inside {
		return -math.Sqrt(square)
	}
	return math.Sqrt(square)
}
