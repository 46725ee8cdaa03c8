package phantom

import (
	"fmt"
	"math"
	"slices"

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
	Extracted   string   // site of a tooth that is gone after; "" = none
	Swollen     float64  // gum over the first fixture's site after surgery, beyond that before, mm
	Wander      float64  // standard deviation of how far each tooth has moved since, along each axis, mm
	Coarse      bool     // triangles of 0.8 mm, in place of 0.4
	SeatShift   geom.Vec // of the scan body off the platform, fixture frame, mm
	SeatTilt    geom.Vec // rotation vector, degrees
	Seat        float64  // standard deviation from which SeatShift was drawn along each axis, mm; 0 where it was not drawn
	Alone       bool     // in place of the follow-up scan
	Before      bool     // there is a surface before surgery
	BeforeShift geom.Vec // its registration error about the arch's middle, mm
	BeforeTurn  geom.Vec // rotation vector, degrees
}

// Surfaces are the files of a surface scan and what is exactly known of them.
type Surfaces struct {
	After  *trimesh.Mesh   // in a frame of its own
	Before *trimesh.Mesh   // in the planning scan's frame but for its registration error; nil where there is none
	Bodies []*trimesh.Mesh // the scan body of each fixture, in the fixture's frame
	ToPre  geom.Rigid      // from After's frame to the planning scan's, without bending
	Seated []geom.Pose     // where the fixtures would lie if their scan bodies sat true, planning frame; zero for a missing one
}

// scanBody is an invented scan body: a cylinder with a chamfer at its top and a flat side above
// the middle, about as wide as its fixture.
type scanBody struct{ radius float64 }

const (
	bodyTop               = 10.0
	bodyChamfer           = 0.5
	bodyFacet, bodyFacets = 0.6, 6.0 // depth of the flat side, and from where on
)

// scanBody is what is seated on the fixture.
func (f Fixture) scanBody() scanBody { return scanBody{max(1.6, min(f.Diameter/2, 2.4))} }

func (b scanBody) distance(p geom.Vec) float64 {
	r := math.Hypot(p.X, p.Y)
	d := max(r-b.radius, p.Z-bodyTop, -p.Z, (r+p.Z-b.radius-bodyTop+bodyChamfer)/math.Sqrt2)
	return max(d, min(p.X-b.radius+bodyFacet, p.Z-bodyFacets))
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
	out := &Surfaces{}
	for _, f := range s.Fixtures {
		out.Bodies = append(out.Bodies, trimesh.Isosurface(f.scanBody().distance, geom.Vec{X: -3, Y: -3, Z: -0.5}, geom.Vec{X: 3, Y: 3, Z: bodyTop + 0.5}, 0.25))
	}
	out.Seated = make([]geom.Pose, len(sc.fixtures))
	for i, f := range sc.fixtures {
		if f != nil {
			out.Seated[i] = toPre.After(f.bodyToJaw(o)).ApplyPose(geom.Pose{Apex: geom.Vec{Z: -s.Fixtures[i].Length}})
		}
	}
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
		swell   = 6.0  // mm along the arch, of swollen gum
	)
	step := 0.6 // mm, of the grid: triangles of some 0.4 mm, as a scanner makes
	if o.Coarse {
		step = 1.2
	}
	j := sc.own
	site := sc.fixtures[0]
	teeth := o.teeth(sc, after)
	middle, _ := j.arch.coordinates(site.origin.X, site.origin.Y)
	type placed struct {
		scanBody
		fromJaw geom.Rigid
	}
	var bodies []placed
	if after {
		for i, f := range sc.fixtures {
			if f != nil {
				bodies = append(bodies, placed{sc.spec.Fixtures[i].scanBody(), f.bodyToJaw(o).Inverse()})
			}
		}
	}
	distance := func(p geom.Vec) float64 {
		s, t := j.arch.coordinates(p.X, p.Y)
		h := j.sign * p.Z
		ridge := j.profileAt(s)
		d, _ := j.boneDistance(p)
		d -= gum
		if u := (s - middle) / swell; after && o.Swollen != 0 {
			d -= o.Swollen * math.Exp(-u*u/2)
		}
		for _, c := range teeth {
			l := c.fromJaw(p)
			if bound := c.crownLowerBound(l) / 2; bound < d {
				d = min(d, c.crownDistance(l))
			}
		}
		for _, b := range bodies {
			d = min(d, b.distance(b.fromJaw.Apply(p)))
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

// teeth are the crowns before or after surgery.
func (o SurfaceScan) teeth(sc *scene, after bool) []*tooth {
	j := sc.own
	out := slices.Clone(j.teeth)
	if !after {
		if t := j.shapes[sc.spec.Fixtures[0].Site]; t != nil && sc.spec.Before == Tooth {
			out = append(out, t)
		}
		return out
	}
	out = slices.DeleteFunc(out, func(t *tooth) bool { return t.site == o.Extracted })
	r := newRandomSource(sc.spec.Seed, 304)
	for i, t := range out {
		other := *t
		if t.site == o.Changed {
			other.md *= 0.92
			other.bl *= 1.06
			other.height *= 0.9
			other.cusp *= 0.5
		}
		if o.Wander > 0 {
			by := geom.Vec{X: r.truncatedNormal(0, o.Wander), Y: r.truncatedNormal(0, o.Wander), Z: r.truncatedNormal(0, o.Wander)}
			other.origin, other.centre = r3.Add(t.origin, by), r3.Add(t.centre, by)
		}
		out[i] = &other
	}
	return out
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

// check is the first error.
func (o SurfaceScan) check() error {
	for _, site := range []string{o.Changed, o.Extracted} {
		if site != "" && !validSite(site) {
			return fmt.Errorf("changed or extracted tooth %q: expected a tooth from 11 to 48 (ISO 3950)", site)
		}
	}
	return checkLimits([]limit{
		{"beginning along the arch", o.From, -70, 30, "mm"},
		{"end along the arch", o.To, max(-30, o.From+20), 70, "mm"},
		{"noise", o.Noise, 0, 0.5, "mm"},
		{"ripple", o.Ripple, 0, 0.5, "mm"},
		{"bend", o.Bend, 0, 3, "mm"},
		{"holes", float64(o.Holes), 0, 200, ""},
		{"islands", float64(o.Islands), 0, 50, ""},
		{"swollen gum", o.Swollen, -2, 4, "mm"},
		{"wander of teeth", o.Wander, 0, 2, "mm"},
	})
}

// SurfaceClass says what a surface scan is like.
type SurfaceClass string

const (
	PlainSurface   SurfaceClass = "plain"
	UsualSurface   SurfaceClass = "usual"
	HardSurface    SurfaceClass = "hard"     // a quadrant, noisy, bent, with islands, a new crown, a tooth gone and a seat that is off
	FewTeeth       SurfaceClass = "few"      // three or four teeth are left
	SwollenGum     SurfaceClass = "swollen"  // the gum at the site is thicker than before
	WanderedTeeth  SurfaceClass = "wandered" // every tooth has moved a little since the planning scan
	CoarseSurface  SurfaceClass = "coarse"   // few large triangles
	ToothlessMouth SurfaceClass = "toothless"
)

// SurfaceClasses are all of them, the easiest first.
var SurfaceClasses = []SurfaceClass{PlainSurface, UsualSurface, HardSurface, FewTeeth, SwollenGum, WanderedTeeth, CoarseSurface, ToothlessMouth}

// RandomSurface draws a case with surface scans, of which the spec is drawn as an everyday
// one in which the scan body is free of the crowns beside it. Sizes of errors as published: noise
// 5 to 17 µm, full arches true to some 0.05 mm, seats to 10 to 50 µm and some tenths of a degree,
// registrations of surfaces to 0.03 to 0.18 mm.
//
// Errors: a class that does not exist; a seed of which nothing free comes.
func RandomSurface(seed uint64, class SurfaceClass) (Spec, SurfaceScan, error) {
	if !slices.Contains(SurfaceClasses, class) {
		return Spec{}, SurfaceScan{}, fmt.Errorf("surface class %q: expected one of %v", class, SurfaceClasses)
	}
	const tries, free = 30, 0.1 // mm
	for try := range uint64(tries) {
		of := seed
		if try > 0 {
			of = hash64(seed, try, 0, 305)
		}
		s, o, err := randomSurface(of, class)
		if err != nil {
			return s, o, err
		}
		s.Case = fmt.Sprintf("surface-%s-%d", class, seed)
		if gap, err := bodyGap(s, o); err != nil || gap > free {
			return s, o, err
		}
	}
	return Spec{}, SurfaceScan{}, fmt.Errorf("seed %d: no scan body is free of the crowns beside it; take another", seed)
}

// bodyGap is the least distance between a scan body and a crown after surgery, mm: negative
// where one is in the other.
func bodyGap(s Spec, o SurfaceScan) (float64, error) {
	sc, _, err := newScene(s)
	if err != nil {
		return 0, err
	}
	teeth := o.teeth(sc, true)
	least := math.Inf(1)
	for i, f := range sc.fixtures {
		if f == nil {
			continue
		}
		b, toJaw := s.Fixtures[i].scanBody(), f.bodyToJaw(o)
		for z := bodyTop; z > 0; z -= 0.5 {
			for k := range 24 {
				sin, cos := math.Sincos(2 * math.Pi * float64(k) / 24)
				p := toJaw.Apply(geom.Vec{X: b.radius * cos, Y: b.radius * sin, Z: z})
				for _, t := range teeth {
					least = min(least, t.crownDistance(t.fromJaw(p)))
				}
			}
		}
	}
	return least, nil
}

// behindBody, mm along the arch, is scanned beyond a scan body's axis at least: who scans one goes
// around it.
const behindBody = 8.0

func randomSurface(seed uint64, class SurfaceClass) (Spec, SurfaceScan, error) {
	s, err := Random(seed, Everyday)
	if err != nil {
		return s, SurfaceScan{}, err
	}
	r := newRandomSource(s.Seed, 303)
	o := SurfaceScan{From: -56, To: 56, Noise: 0.009, Ripple: 0.006, Bend: 0.04, Holes: 8}
	seat, tilt, shift, turn := 0.015, 0.06, 0.05, 0.1
	switch class {
	case PlainSurface:
		o.Noise, o.Ripple, o.Bend, o.Holes = 0.006, 0.004, 0.02, 3
		seat, tilt, shift, turn = 0.008, 0.03, 0.03, 0.06
	case HardSurface:
		o.Noise, o.Ripple, o.Bend, o.Holes, o.Islands = 0.016, 0.008, 0.1, 15, 4
		seat, tilt, shift, turn = 0.035, 0.15, 0.08, 0.2
	}
	quadrant, number := s.Fixtures[0].Site[0], s.Fixtures[0].Site[1]
	if class == HardSurface || class != PlainSurface && r.bernoulli(0.5) { // a quadrant and a little more
		if quadrant == '2' || quadrant == '3' {
			o.From = -5
		} else {
			o.To = 5
		}
	}
	sc, _, err := newScene(s)
	if err != nil {
		return s, o, err
	}
	origin := sc.fixtures[0].origin
	at, _ := sc.own.arch.coordinates(origin.X, origin.Y)
	o.From, o.To = min(o.From, at-behindBody), max(o.To, at+behindBody)
	switch class {
	case HardSurface:
		o.Changed = string([]byte{quadrant, '4'})
		if number <= '4' {
			o.Changed = string([]byte{quadrant, '6'})
		}
		o.Extracted = string([]byte{quadrant, '7'})
		if number == '7' {
			o.Extracted = string([]byte{quadrant, '5'})
		}
	case FewTeeth:
		s.Absent = fewTeeth(r, quadrant, number)
		s.FarCrown, s.NewCrown = "", "" // which stand on teeth
	case SwollenGum:
		o.Swollen = r.uniform(0.5, 1.5)
	case WanderedTeeth:
		o.Wander = 0.1
	case CoarseSurface:
		o.Coarse = true
	case ToothlessMouth:
		s.Edentulous, s.FarCrown, s.NewCrown = true, "", ""
	}
	vec := func(sd float64) geom.Vec {
		return geom.Vec{X: r.truncatedNormal(0, sd), Y: r.truncatedNormal(0, sd), Z: r.truncatedNormal(0, sd)}
	}
	o.Seat, o.SeatShift = seat, vec(seat)
	o.SeatShift.Z = math.Abs(o.SeatShift.Z)
	o.SeatTilt = vec(tilt)
	o.SeatTilt.Z = 0
	o.BeforeShift, o.BeforeTurn = vec(shift), vec(turn)
	return s, o, nil
}

// fewTeeth are the sites of a jaw that lose their teeth, so that three or four are left, one
// of them in the fixture's quadrant.
func fewTeeth(r *randomSource, quadrant, number byte) []string {
	other := '3' - quadrant + '0' // 1 and 2, 3 and 4 are of one jaw
	if quadrant >= '3' {
		other = '7' - quadrant + '0'
	}
	var own, all []string
	for n := byte('1'); n <= '7'; n++ {
		if n != number {
			own = append(own, string([]byte{quadrant, n}))
		}
		all = append(all, string([]byte{other, n}))
	}
	keep := own[r.IntN(len(own))]
	all = append(all, own...)
	left := 3 + r.IntN(2)
	for len(all) > left-1 {
		i := r.IntN(len(all))
		all = slices.Delete(all, i, i+1)
	}
	all = append(all, keep)
	var out []string
	for n := byte('1'); n <= '8'; n++ {
		for _, q := range []byte{quadrant, other} {
			if site := string([]byte{q, n}); !slices.Contains(all, site) {
				out = append(out, site)
			}
		}
	}
	return out
}
