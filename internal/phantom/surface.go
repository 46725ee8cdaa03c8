package phantom

import (
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/trimesh"
)

// SurfaceScan is how the mouth's surface is scanned before and after surgery. Each error of a
// scanner is drawn from the case's seed, of the size stated here.
type SurfaceScan struct {
	From, To    float64  // mm along the arch from the midline, positive on the left
	Noise       float64  // standard deviation along the normal, mm
	Ripple      float64  // of waves some millimetres long, mm
	Bend        float64  // stitching: displacement 60 mm from where the scan begins, mm
	Holes       int      // places that were not seen
	Islands     int      // pieces of cheek or tongue
	Changed     string   // site of a tooth whose crown is another one after; "" = none
	SeatShift   geom.Vec // of the scan body off the platform, fixture frame, mm
	SeatTilt    geom.Vec // rotation vector, degrees
	Before      bool     // there is a surface before surgery
	BeforeShift geom.Vec // its registration error about the arch's middle, mm
	BeforeTurn  geom.Vec // rotation vector, degrees
}

// Surfaces are the files of a surface scan and what is exactly known of them.
type Surfaces struct {
	After  *trimesh.Mesh // in a frame of its own
	Before *trimesh.Mesh // in the planning scan's frame but for its registration error; nil where there is none
	Body   *trimesh.Mesh // the scan body, in the fixture's frame
	ToPre  geom.Rigid    // from After's frame to the planning scan's, without bending
}

// An invented scan body: a cylinder with a chamfer at its top and a flat side above the
// middle.
const (
	bodyRadius, bodyTop   = 2.2, 10.0
	bodyChamfer           = 0.5
	bodyFacet, bodyFacets = 0.6, 6.0 // depth of the flat side, and from where on
)

func bodyDistance(p geom.Vec) float64 {
	r := math.Hypot(p.X, p.Y)
	d := max(r-bodyRadius, p.Z-bodyTop, -p.Z, (r+p.Z-bodyRadius-bodyTop+bodyChamfer)/math.Sqrt2)
	return max(d, min(p.X-bodyRadius+bodyFacet, p.Z-bodyFacets))
}

// RenderSurfaces makes a case's surfaces.
//
// Errors: those of Render.
func RenderSurfaces(s Spec, o SurfaceScan) (*Surfaces, error) {
	sc, _, err := newScene(s)
	if err != nil {
		return nil, err
	}
	sc.addAnatomy()
	toPre := jawToScan(s.Pre)
	r := newRandomSource(s.Seed, 302)
	out := &Surfaces{Body: trimesh.Isosurface(bodyDistance, geom.Vec{X: -3, Y: -3, Z: -0.5}, geom.Vec{X: 3, Y: 3, Z: bodyTop + 0.5}, 0.15)}
	after := sc.mouthSurface(o, true)
	o.err(after, r, sc.own, newLattice(hash64(s.Seed, 3, 1, 7)))
	turn := r3.Scale(r.uniform(0.3, math.Pi), r3.Unit(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}))
	pose := geom.Rotation(turn)
	pose.T = geom.Vec{X: r.uniform(-40, 40), Y: r.uniform(-40, 40), Z: r.uniform(-40, 40)}
	moveMesh(after, pose)
	out.After, out.ToPre = after, toPre.After(pose.Inverse())
	if o.Before {
		before := sc.mouthSurface(o, false)
		o.err(before, r, sc.own, newLattice(hash64(s.Seed, 3, 2, 7)))
		off := geom.Rotation(r3.Scale(math.Pi/180, o.BeforeTurn))
		off.T = o.BeforeShift
		moveMesh(before, toPre.After(off))
		out.Before = before
	}
	return out, nil
}

func moveMesh(m *trimesh.Mesh, by geom.Rigid) {
	for i, p := range m.Vertices {
		m.Vertices[i] = by.Apply(p)
	}
}

// mouthSurface is crowns and gum of the fixtures' jaw, jaw frame, with scan bodies after
// surgery.
func (sc *scene) mouthSurface(o SurfaceScan, after bool) *trimesh.Mesh {
	const (
		gum     = 1.4  // mm over the ridge
		deepest = 6.0  // mm below the ridge's top
		wide    = 10.0 // mm to each side of it
		step    = 0.6  // mm, of the grid: triangles of some 0.3 mm, as a scanner makes
	)
	j := sc.own
	teeth := j.teeth
	if after && o.Changed != "" {
		teeth = nil
		for _, t := range j.teeth {
			if t.site == o.Changed {
				other := *t
				other.md *= 0.92
				other.bl *= 1.06
				other.height *= 0.9
				other.cusp *= 0.5
				t = &other
			}
			teeth = append(teeth, t)
		}
	}
	bodies := make([]geom.Rigid, 0, len(sc.fixtures)) // jaw to scan body
	if after {
		for _, f := range sc.fixtures {
			if f != nil {
				bodies = append(bodies, f.bodyToJaw(o).Inverse())
			}
		}
	}
	distance := func(p geom.Vec) float64 {
		s, t := j.arch.coordinates(p.X, p.Y)
		h := j.sign * p.Z
		ridge := j.profileAt(s)
		d, _ := j.boneDistance(p)
		d -= gum
		for _, c := range teeth {
			l := c.fromJaw(p)
			if bound := c.crownLowerBound(l) / 2; bound < d {
				d = min(d, c.crownDistance(l))
			}
		}
		for _, b := range bodies {
			d = min(d, bodyDistance(b.Apply(p)))
		}
		return max(d, h-ridge.crestH-deepest, math.Abs(t-ridge.crestT)-wide, o.From-s, s-o.To)
	}
	low, high := geom.Vec{X: 1e9, Y: 1e9}, geom.Vec{X: -1e9, Y: -1e9}
	for s := o.From; s <= o.To; s++ {
		p, _ := j.arch.pointAt(s)
		low.X, low.Y = min(low.X, p.X-wide-1), min(low.Y, p.Y-wide-1)
		high.X, high.Y = max(high.X, p.X+wide+1), max(high.Y, p.Y+wide+1)
	}
	// From above a scan body to below the ridge.
	top, bottom := -3.0, 10.2+2+j.resorbed+deepest+2
	low.Z, high.Z = min(j.sign*top, j.sign*bottom), max(j.sign*top, j.sign*bottom)
	whole := trimesh.Isosurface(distance, low, high, step)
	// The cut surfaces are not seen.
	m := &trimesh.Mesh{Vertices: whole.Vertices}
	for i, t := range whole.Triangles {
		a, b, c := whole.Corners(i)
		p := r3.Scale(1./3, r3.Add(a, r3.Add(b, c)))
		s, across := j.arch.coordinates(p.X, p.Y)
		ridge := j.profileAt(s)
		if max(j.sign*p.Z-ridge.crestH-deepest, math.Abs(across-ridge.crestT)-wide, o.From-s, s-o.To) < -0.2 {
			m.Triangles = append(m.Triangles, t)
		}
	}
	return m
}

// bodyToJaw places a scan body on its fixture, as well as it is seated.
func (f *placedFixture) bodyToJaw(o SurfaceScan) geom.Rigid {
	up := r3.Scale(-1, f.a)
	y := r3.Cross(up, f.m)
	on := geom.Rigid{R: [3][3]float64{{f.m.X, y.X, up.X}, {f.m.Y, y.Y, up.Y}, {f.m.Z, y.Z, up.Z}}, T: f.origin}
	seat := geom.Rotation(r3.Scale(math.Pi/180, o.SeatTilt))
	seat.T = o.SeatShift
	return on.After(seat)
}

// err adds a scanner's errors to a surface in the jaw's frame.
func (o SurfaceScan) err(m *trimesh.Mesh, r *randomSource, j *jaw, waves *lattice) {
	normals := make([]geom.Vec, len(m.Vertices))
	for i, t := range m.Triangles {
		a, b, c := m.Corners(i)
		n := r3.Cross(r3.Sub(b, a), r3.Sub(c, a))
		for _, v := range t {
			normals[v] = r3.Add(normals[v], n)
		}
	}
	var seen []geom.Vec // the middles of what is not
	used := m.Triangles
	for range o.Holes {
		t := used[r.IntN(len(used))]
		seen = append(seen, m.Vertices[t[0]])
	}
	begin, direction := o.From, r3.Unit(geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()})
	if r.bernoulli(0.5) {
		begin = o.To
	}
	bend := o.Bend * r.truncatedNormal(0, 1)
	for i, p := range m.Vertices {
		s, _ := j.arch.coordinates(p.X, p.Y)
		q := (s - begin) / 60
		shift := r3.Scale(bend*2*q*q/(1+q*q), direction)
		if l := norm(normals[i]); l > 0 {
			off := o.Noise*r.NormFloat64() + o.Ripple*waves.at(p.X/2, p.Y/2, p.Z/2)
			shift = r3.Add(shift, r3.Scale(off/l, normals[i]))
		}
		m.Vertices[i] = r3.Add(p, shift)
	}
	var kept [][3]int32
	for _, t := range m.Triangles {
		hidden := false
		for _, c := range seen {
			hidden = hidden || norm(r3.Sub(m.Vertices[t[0]], c)) < 0.9
		}
		if !hidden {
			kept = append(kept, t)
		}
	}
	m.Triangles = kept
	for range o.Islands {
		s := r.uniform(o.From, o.To)
		p, along := j.arch.pointAt(s)
		side := 15.0
		if r.bernoulli(0.5) {
			side = -13
		}
		centre := geom.Vec{X: p.X + along.Y*side, Y: p.Y - along.X*side, Z: j.sign * r.uniform(4, 10)}
		patch := trimesh.Isosurface(func(q geom.Vec) float64 { return norm(r3.Sub(q, centre)) - 4 },
			r3.Sub(centre, geom.Vec{X: 2.5, Y: 2.5, Z: 5}), r3.Add(centre, geom.Vec{X: 2.5, Y: 2.5, Z: 0}), 0.4)
		base := int32(len(m.Vertices))
		m.Vertices = append(m.Vertices, patch.Vertices...)
		for _, t := range patch.Triangles {
			m.Triangles = append(m.Triangles, [3]int32{base + t[0], base + t[1], base + t[2]})
		}
	}
	used, index := nil, map[int32]int32{} // vertices that no triangle has go
	vertices := m.Vertices
	m.Vertices = nil
	for _, t := range m.Triangles {
		for k, v := range t {
			n, ok := index[v]
			if !ok {
				n = int32(len(m.Vertices))
				index[v] = n
				m.Vertices = append(m.Vertices, vertices[v])
			}
			t[k] = n
		}
		used = append(used, t)
	}
	m.Triangles = used
}

// SurfaceClass says how good a surface scan is.
type SurfaceClass string

const (
	PlainSurface SurfaceClass = "plain"
	UsualSurface SurfaceClass = "usual"
	HardSurface  SurfaceClass = "hard"
)

// SurfaceClasses are all of them, the easiest first.
var SurfaceClasses = []SurfaceClass{PlainSurface, UsualSurface, HardSurface}

// RandomSurface draws a surface scan of a case. Sizes of errors as published: noise 5 to
// 17 µm, full arches true to some 0.05 mm, seats to 10 to 50 µm and some tenths of a degree,
// registrations of surfaces to 0.03 to 0.18 mm.
func RandomSurface(s Spec, class SurfaceClass) SurfaceScan {
	r := newRandomSource(s.Seed, 303)
	o := SurfaceScan{From: -56, To: 56, Noise: 0.006, Ripple: 0.004, Bend: 0.02, Holes: 3}
	seat, tilt, shift, turn := 0.008, 0.03, 0.03, 0.06
	switch class {
	case UsualSurface:
		o.Noise, o.Ripple, o.Bend, o.Holes = 0.009, 0.006, 0.04, 8
		seat, tilt, shift, turn = 0.015, 0.06, 0.05, 0.1
	case HardSurface:
		o.Noise, o.Ripple, o.Bend, o.Holes, o.Islands = 0.016, 0.008, 0.1, 15, 4
		seat, tilt, shift, turn = 0.035, 0.15, 0.08, 0.2
	}
	left := s.Fixtures[0].Site[0] == '2' || s.Fixtures[0].Site[0] == '3'
	if class == HardSurface || class == UsualSurface && r.bernoulli(0.5) { // a quadrant and a little more
		if left {
			o.From = -5
		} else {
			o.To = 5
		}
	}
	if class == HardSurface {
		number := byte('4')
		if s.Fixtures[0].Site[1] <= '4' {
			number = '6'
		}
		o.Changed = string([]byte{s.Fixtures[0].Site[0], number})
	}
	vec := func(sd float64) geom.Vec {
		return geom.Vec{X: r.truncatedNormal(0, sd), Y: r.truncatedNormal(0, sd), Z: r.truncatedNormal(0, sd)}
	}
	o.SeatShift = vec(seat)
	o.SeatShift.Z = math.Abs(o.SeatShift.Z)
	o.SeatTilt = vec(tilt)
	o.SeatTilt.Z = 0
	o.BeforeShift, o.BeforeTurn = vec(shift), vec(turn)
	return o
}
