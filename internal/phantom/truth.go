package phantom

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

// Truth is what is exactly known of a rendered case. Coordinates are patient
// coordinates of the planning scan unless a name says post.
type Truth struct {
	PostToPre  geom.Rigid // of the fixtures' jaw
	OtherJaw   geom.Rigid // the same of the other jaw, which moved on its own
	Fixtures   []FixtureTruth
	Structures []Structure
	Landmarks  []Landmark // points of the fixtures' jaw in both scans
}

// FixtureTruth is one fixture's planned and achieved pose. Where the fixture is
// Missing the achieved poses are zero.
type FixtureTruth struct {
	Fixture
	Planned      geom.Pose
	Achieved     geom.Pose
	AchievedPost geom.Pose // in the follow-up scan
	Mesial       geom.Vec  // unit, perpendicular to the planned axis
	Buccal       geom.Vec  // unit, perpendicular to the planned axis and Mesial
	Clearance    []Clearance
}

// Clearance is the smallest distance from the fixture's envelope (outer thread
// diameter, taper, rounded apex) to a structure's surface, negative where they
// overlap: the depth of the envelope's deepest point.
type Clearance struct {
	Structure string
	Planned   float64
	Achieved  float64 // NaN where the fixture is missing
}

// Structure is a body near the fixtures, as a case file describes it: a centre
// line with a radius at each point, or, for a sinus, an ellipsoid whose axes
// lie along those of Place.
type Structure struct {
	Name   string
	Kind   string // nerve, root, sinus
	Path   []geom.Vec
	Radius []float64 // one, or one a point

	Centre geom.Vec   // of a sinus's bony wall
	Radii  geom.Vec   // along the columns of Place
	Place  geom.Rigid // turns the ellipsoid's axes into the planning scan's
}

// Landmark is one point of the fixtures' jaw.
type Landmark struct {
	Name      string
	Pre, Post geom.Vec // each in its own scan
}

// nearTooth is how far a tooth may lie from a fixture along the arch to be
// listed as a structure, mm: the teeth next to it.
const nearTooth = 16.0

func (sc *scene) truth(plans []frame) Truth {
	s := sc.spec
	toPre, toPost := jawToScan(s.Pre), jawToScan(s.Post)
	t := Truth{PostToPre: toPre.After(toPost.Inverse())}
	otherPre, otherPost := sc.stage(s.Pre, false).toOther, sc.stage(s.Post, true).toOther
	t.OtherJaw = otherPre.Inverse().After(otherPost)

	bodies := sc.structures()
	for _, b := range bodies {
		t.Structures = append(t.Structures, b.describe(toPre))
	}
	for i, f := range s.Fixtures {
		ft := FixtureTruth{
			Fixture: f,
			Planned: toPre.ApplyPose(plans[i].pose(f.Length)),
			Mesial:  toPre.Rotate(plans[i].m),
			Buccal:  toPre.Rotate(plans[i].b),
		}
		achieved := achieve(plans[i], f)
		if !f.Missing {
			ft.Achieved = toPre.ApplyPose(achieved.pose(f.Length))
			ft.AchievedPost = toPost.ApplyPose(achieved.pose(f.Length))
		}
		for _, b := range bodies {
			c := Clearance{Structure: b.name, Planned: clearance(&f, plans[i], b.distance), Achieved: math.NaN()}
			if !f.Missing {
				c.Achieved = clearance(&f, achieved, b.distance)
			}
			ft.Clearance = append(ft.Clearance, c)
		}
		t.Fixtures = append(t.Fixtures, ft)
	}
	for _, l := range sc.landmarks() {
		t.Landmarks = append(t.Landmarks, Landmark{l.Name, toPre.Apply(l.Pre), toPost.Apply(l.Pre)})
	}
	return t
}

func (f frame) pose(length float64) geom.Pose {
	return geom.Pose{Entry: f.origin, Apex: f.place(geom.Vec{Z: length})}
}

// body is a structure in the jaw's frame.
type body struct {
	name, kind string
	chain      []cone
	sinus      *ellipsoid
}

func (b *body) distance(p geom.Vec) float64 {
	if b.sinus != nil {
		return b.sinus.exactDistance(p)
	}
	d := math.Inf(1)
	for i := range b.chain {
		d = min(d, b.chain[i].distance(p))
	}
	return d
}

func (b *body) describe(toPre geom.Rigid) Structure {
	s := Structure{Name: b.name, Kind: b.kind}
	if b.sinus != nil {
		s.Centre, s.Radii, s.Place = toPre.Apply(b.sinus.centre), b.sinus.radii, toPre
		s.Place.T = geom.Vec{}
		return s
	}
	s.Path = append(s.Path, toPre.Apply(b.chain[0].a))
	s.Radius = append(s.Radius, b.chain[0].ra)
	for i := range b.chain {
		s.Path = append(s.Path, toPre.Apply(b.chain[i].b))
		s.Radius = append(s.Radius, b.chain[i].rb)
	}
	if b.kind == "nerve" { // of one radius
		s.Radius = s.Radius[:1]
	}
	return s
}

// structures lists the canals or sinuses, and the roots next to a fixture.
func (sc *scene) structures() []*body {
	var list []*body
	names := [2]string{"right", "left"}
	for i := range sc.own.canals {
		list = append(list, &body{name: names[i] + " mandibular canal", kind: "nerve", chain: sc.own.canals[i]})
	}
	for i := range sc.own.sinuses {
		list = append(list, &body{name: names[i] + " maxillary sinus", kind: "sinus", sinus: &sc.own.sinuses[i]})
	}
	for _, t := range sc.own.teeth {
		near := false
		for _, f := range sc.spec.Fixtures {
			near = near || math.Abs(sc.own.place[f.Site]-t.s) < nearTooth
		}
		if !near {
			continue
		}
		for i := range t.roots {
			list = append(list, &body{name: fmt.Sprintf("root %s.%d", t.site, i+1), kind: "root", chain: t.roots[i : i+1]})
		}
	}
	return list
}

// landmarks are points that a person could find in both scans, in Pre, jaw
// frame: the middle of biting surfaces, or the ridge's top where there are no
// teeth.
func (sc *scene) landmarks() []Landmark {
	var list []Landmark
	for _, t := range sc.own.teeth {
		list = append(list, Landmark{Name: "tooth " + t.site, Pre: t.place(geom.Vec{Z: -t.height})})
	}
	if len(list) < 4 {
		list = nil
		for _, s := range []float64{-40, -25, -10, 10, 25, 40} {
			list = append(list, Landmark{Name: fmt.Sprintf("ridge %+.0f mm", s), Pre: sc.own.crest(s).origin})
		}
	}
	return list
}

// clearance is the smallest value of a signed distance on the envelope of a
// fixture at a place.
//
// Method: a grid on the surface, 0.1 to 0.3 mm apart, then a shrinking pattern
// search from the best point down to a micrometre. A signed distance changes by
// no more than the step, so a second valley is missed only where it is within
// 0.2 mm of the first one's depth and narrower than the grid.
func clearance(f *Fixture, at frame, distance func(geom.Vec) float64) float64 {
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
		return at.place(geom.Vec{X: rho * cos, Y: rho * sin, Z: z})
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
// bisection finds without fail.
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
	for range 200 {
		if mid := (lo + hi) / 2; sum(mid) > 0 {
			lo = mid
		} else {
			hi = mid
		}
	}
	t := (lo + hi) / 2
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
