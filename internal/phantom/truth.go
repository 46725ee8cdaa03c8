package phantom

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
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
	AchievedPost geom.Pose           // in the follow-up scan
	Mesial       geom.Vec            // unit, perpendicular to the planned axis
	Buccal       geom.Vec            // unit, perpendicular to the planned axis and Mesial
	Deviation    *measurement.Values // nil where the fixture is missing
	Clearance    []Clearance
}

// Clearance is the smallest distance from a fixture's envelope to a structure's
// surface, negative where they overlap: the depth of the envelope's deepest
// point.
type Clearance struct {
	Structure string `json:"structure"`
	Kind      string `json:"kind"`

	// Of the envelope as it is: outer thread diameter, taper, rounded apex.
	Planned  float64  `json:"planned_mm"`
	Achieved *float64 `json:"achieved_mm,omitempty"` // nil where a fixture is missing

	// Of the cylinder with flat ends that diameter and length alone tell of.
	CylinderPlanned  float64  `json:"cylinder_planned_mm"`
	CylinderAchieved *float64 `json:"cylinder_achieved_mm,omitempty"`
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

// TruthOf is the truth about a case without its scans.
//
// Errors: those of Render.
func TruthOf(s Spec) (*Truth, error) {
	sc, plans, err := newScene(s)
	if err != nil {
		return nil, err
	}
	t := sc.truth(plans)
	return &t, nil
}

func (sc *scene) truth(plans []frame) Truth {
	s := sc.spec
	toPre, toPost := jawToScan(s.Pre), jawToScan(s.Post)
	t := Truth{PostToPre: toPre.After(toPost.Inverse())}
	otherPre, otherPost := sc.inScan(s.Pre, false).toOther, sc.inScan(s.Post, true).toOther
	t.OtherJaw = otherPre.Inverse().After(otherPost)

	bodies := sc.structures()
	for _, b := range bodies {
		t.Structures = append(t.Structures, b.describe(toPre))
	}
	achieved := make([]frame, len(plans))
	for i, f := range s.Fixtures {
		achieved[i] = achievedFrame(plans[i], f)
	}
	for i, f := range s.Fixtures {
		ft := FixtureTruth{
			Fixture: f,
			Planned: toPre.ApplyPose(plans[i].pose(f.Length)),
			Mesial:  toPre.Rotate(plans[i].m),
			Buccal:  toPre.Rotate(plans[i].b),
		}
		if !f.Missing {
			ft.Achieved = toPre.ApplyPose(achieved[i].pose(f.Length))
			ft.AchievedPost = toPost.ApplyPose(achieved[i].pose(f.Length))
			ft.Deviation = f.deviation()
		}
		for _, b := range bodies {
			ft.Clearance = append(ft.Clearance, f.clearanceTo(b, plans[i], achieved[i]))
		}
		for k, g := range s.Fixtures {
			if k != i {
				ft.Clearance = append(ft.Clearance, f.clearanceBeside(g, plans[i], achieved[i], plans[k], achieved[k]))
			}
		}
		t.Fixtures = append(t.Fixtures, ft)
	}
	for _, l := range sc.landmarks() {
		t.Landmarks = append(t.Landmarks, Landmark{l.Name, toPre.Apply(l.Pre), toPost.Apply(l.Pre)})
	}
	return t
}

func (f frame) pose(length float64) geom.Pose {
	return geom.Pose{Entry: f.origin, Apex: f.toJaw(geom.Vec{Z: length})}
}

// deviation is achieved against planned: exact by construction, since Entry and
// Tilt are stated in the planned fixture's own frame of mesial, buccal, apical.
// It shares no formula with package deviation, which it is the truth for.
func (f *Fixture) deviation() *measurement.Values {
	entry := geom.Vec{X: f.Entry[0], Y: f.Entry[1], Z: f.Entry[2]}
	axis := frame{m: geom.Vec{X: 1}, b: geom.Vec{Y: 1}, a: geom.Vec{Z: 1}}.tilted(f.Tilt[0], f.Tilt[1]).a
	apex := r3.Add(entry, r3.Scale(f.Length, r3.Sub(axis, geom.Vec{Z: 1})))
	return &measurement.Values{
		measurement.Entry:        new(norm(entry)),
		measurement.EntryLateral: new(math.Hypot(entry.X, entry.Y)),
		measurement.EntryDepth:   &entry.Z,
		measurement.Apex:         new(norm(apex)),
		measurement.ApexLateral:  new(math.Hypot(apex.X, apex.Y)),
		measurement.ApexDepth:    &apex.Z,
		measurement.Angle:        new(geom.Degrees(math.Atan2(math.Hypot(axis.X, axis.Y), axis.Z))),
		measurement.EntryMesial:  &entry.X,
		measurement.EntryBuccal:  &entry.Y,
		measurement.ApexMesial:   &apex.X,
		measurement.ApexBuccal:   &apex.Y,
		measurement.TiltMesial:   new(f.Tilt[0]),
		measurement.TiltBuccal:   new(f.Tilt[1]),
	}
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
			near = near || math.Abs(sc.own.arcLength[f.Site]-t.s) < nearTooth
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
		list = append(list, Landmark{Name: "tooth " + t.site, Pre: t.toJaw(geom.Vec{Z: -t.height})})
	}
	if len(list) < 4 {
		list = nil
		for _, s := range []float64{-40, -25, -10, 10, 25, 40} {
			list = append(list, Landmark{Name: fmt.Sprintf("ridge %+.0f mm", s), Pre: sc.own.crest(s).origin})
		}
	}
	return list
}
