package phantom

import (
	"fmt"
	"math"

	"plumbline/internal/geom"
)

// Class is a kind of case for the accuracy runs.
type Class string

const (
	Easy           Class = "easy"        // one bare fixture, low noise, 0.25 mm
	Everyday       Class = "usual"       // 0.2 to 0.3 mm, ordinary noise, at times a cap, a crown, a graft, a socket
	Covered        Class = "cover-screw" // a cover screw or a healing abutment on the platform
	Touching       Class = "touching"    // foreign metal against the fixture
	Neighbour      Class = "neighbour"   // a second fixture about 2 mm away
	Saturated      Class = "saturated"   // grey values end at twelve bits
	Coarse         Class = "coarse"      // 0.4 mm voxels, blurred
	Fine           Class = "fine"        // 0.15 mm voxels, noisy
	SmallField     Class = "small-field" // a follow-up field of 40 to 50 mm
	ToothlessRidge Class = "edentulous"  // no teeth in the jaw
	Moved          Class = "motion"      // the head moved during the follow-up scan
	Crowned        Class = "far-crown"   // metal crowns elsewhere; their streaks lie in the slices that cross them
)

// Classes lists every class.
var Classes = []Class{
	Easy, Everyday, Covered, Touching, Neighbour, Saturated, Coarse, Fine,
	SmallField, ToothlessRidge, Moved, Crowned,
}

// Random draws a case of a class: site, fixture, anatomy, scanner, head pose
// and placement. The same seed and class give the same case.
//
// Errors: a class that does not exist.
func Random(seed uint64, class Class) (Spec, error) {
	name := fmt.Sprintf("%s-%d", class, seed)
	known := false
	for i, c := range Classes {
		if c == class {
			known = true
			seed = mix(seed, uint64(i), 0, 41)
		}
	}
	if !known {
		return Spec{}, fmt.Errorf("class %q: expected one of %v", class, Classes)
	}
	r := newDice(seed, 500)
	s := Spec{Seed: seed, Case: name}
	f := randomFixture(r, class)
	s.Fixtures = []Fixture{f}
	s.Pre, s.Post = randomScans(r, class)
	random := &randomiser{r, &s}
	switch class {
	case Easy:
	case Everyday:
		random.someCap(0.5)
		random.someCrown(0.3)
		s.Graft = r.chance(0.2)
		if r.chance(0.25) {
			s.Before = []Before{Socket, Tooth}[r.IntN(2)]
		}
		s.Post.Clip12 = r.chance(0.15)
		s.Pre.Clip12 = s.Post.Clip12
	case Covered:
		random.someCap(1)
	case Touching:
		random.someCap(0.6)
		s.Touch = []Touch{TouchCrown, TouchPost}[r.IntN(2)]
	case Neighbour:
		random.someCap(0.6)
		random.neighbour()
	case Saturated:
		random.someCap(0.5)
		s.Pre.Clip12, s.Post.Clip12 = true, true
	case Coarse:
		random.someCap(0.5)
	case Fine:
		random.someCap(0.4)
	case SmallField:
		random.someCap(0.4)
		s.Post.Width, s.Post.Height = r.between(40, 50), r.between(38, 45)
		s.Post.Shift = geom.Vec{X: r.between(-3, 3), Y: r.between(-3, 3), Z: r.between(-2, 2)}
	case ToothlessRidge:
		random.someCap(0.4)
		s.Edentulous = true
	case Moved:
		random.someCap(0.4)
		s.Post.Motion = r.between(0.3, 0.8)
	case Crowned:
		random.someCap(0.5)
		random.someCrown(1)
		random.someCrown(0.6)
	}
	return s, nil
}

type randomiser struct {
	*dice
	s *Spec
}

// randomFixture draws site, size and placement over the range of fixtures in
// use.
func randomFixture(r *dice, class Class) Fixture {
	quadrant := 1 + r.IntN(4)
	number := []int{4, 5, 5, 6, 6, 6, 7, 1, 2, 3}[r.IntN(10)]
	if class == Neighbour && number < 4 {
		number += 3
	}
	f := Fixture{Site: fmt.Sprintf("%d%d", quadrant, number)}
	f.Diameter = []float64{3.0, 3.3, 3.5, 3.75, 4.1, 4.3, 4.8, 5.0, 5.5}[r.IntN(9)]
	if number < 3 {
		f.Diameter = []float64{3.0, 3.3, 3.5, 3.75}[r.IntN(4)]
	}
	f.Length = []float64{6, 7, 8, 8.5, 9, 10, 11.5, 12, 13, 14}[r.IntN(10)]
	f.Taper = 1
	if r.chance(0.6) {
		f.Taper = r.between(0.65, 0.97)
	}
	f.ApexRound = r.between(0.3, 0.6) * f.Diameter * f.Taper / 2
	f.ThreadDepth = r.between(0.2, 0.4)
	f.Pitch = r.between(0.6, 1.1)
	f.BoreRadius = min(r.between(0.8, 1.2), f.Diameter/2-f.ThreadDepth-0.2)
	f.BoreDepth = min(r.between(3.5, 5.5), f.Length-2)
	f.Lean = [2]float64{r.spread(0, 5), r.spread(0, 7)}
	f.Sink = r.between(-0.3, 1)
	f.Entry = [3]float64{r.spread(0, 0.6), r.spread(0, 0.6), r.spread(0, 0.5)}
	f.Tilt = [2]float64{r.spread(0, 2.6), r.spread(0, 2.6)}
	return f
}

// randomScans draws a machine for each scan, and the head's lie.
func randomScans(r *dice, class Class) (pre, post Scan) {
	machine := func() Scan {
		c := Scan{
			Voxel: []float64{0.2, 0.25, 0.3, 0.3}[r.IntN(4)],
			Width: r.between(58, 70), Height: r.between(42, 50),
			Opening: r.between(2, 10),
			Noise:   r.between(30, 75),
			Gain:    r.between(0.85, 1.15), Offset: r.between(-110, 110),
			Streaks: r.between(0.7, 1.2),
			Slide:   [3]float64{r.spread(0, 0.4), r.spread(0, 0.5), 0},
		}
		switch class {
		case Easy:
			c.Voxel, c.Noise = 0.25, r.between(12, 25)
			c.Gain, c.Offset = r.between(0.97, 1.03), r.between(-20, 20)
		case Coarse:
			c.Voxel = 0.4
		case Fine:
			c.Voxel, c.Noise = 0.15, r.between(60, 110)
			c.Width, c.Height = r.between(42, 50), r.between(38, 42)
		case Saturated:
			c.Gain = r.between(0.95, 1.25)
		}
		// The point spread of a machine goes with its voxel and detector.
		c.Blur = math.Hypot(r.between(0.25, 0.4), r.between(0.9, 1.4)*c.Voxel)
		return c
	}
	pre, post = machine(), machine()
	pre.Turn = geom.Vec{X: r.spread(0, 3), Y: r.spread(0, 2), Z: r.spread(0, 3)}
	pre.Move = geom.Vec{X: r.spread(0, 3), Y: 8 + r.spread(0, 5), Z: r.spread(0, 8)}
	// The head lies up to 25 degrees about any axis and centimetres away.
	angle := r.between(3, 25)
	axis := geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
	scale := angle / math.Sqrt(axis.X*axis.X+axis.Y*axis.Y+axis.Z*axis.Z)
	post.Turn = geom.Vec{X: scale * axis.X, Y: scale * axis.Y, Z: scale * axis.Z}
	post.Move = geom.Vec{X: r.between(-25, 25), Y: r.between(-25, 25), Z: r.between(-25, 25)}
	return pre, post
}

// someCap puts a cover screw or a healing abutment on every fixture, with
// probability p.
func (r *randomiser) someCap(p float64) {
	if !r.chance(p) {
		return
	}
	f := &r.s.Fixtures[0]
	if r.chance(0.55) {
		f.Cap, f.CapHeight = CoverScrew, r.between(0.6, 1.2)
	} else {
		f.Cap, f.CapHeight = Healing, r.between(2.5, 6)
	}
}

// someCrown puts a metal crown on another tooth of the jaw with probability p.
func (r *randomiser) someCrown(p float64) {
	if !r.chance(p) {
		return
	}
	site := r.s.Fixtures[0].Site
	quadrant := site[:1]
	if r.chance(0.6) { // usually on the other side
		quadrant = map[string]string{"1": "2", "2": "1", "3": "4", "4": "3"}[quadrant]
	}
	crown := fmt.Sprintf("%s%d", quadrant, 4+r.IntN(4))
	switch {
	case crown == site || crown == r.s.FarCrown || crown == r.s.NewCrown:
	case r.s.FarCrown == "":
		r.s.FarCrown = crown
	default:
		r.s.NewCrown = crown
	}
}

// neighbour adds a second fixture, placed with much the same deviation.
func (r *randomiser) neighbour() {
	f := r.s.Fixtures[0]
	g := f
	number := int(f.Site[1]-'0') + 1
	if number > 7 {
		number = 6
	}
	g.Site = fmt.Sprintf("%c%d", f.Site[0], number)
	g.Lean, g.Sink = [2]float64{}, 0
	g.Gap = r.between(1.7, 2.5)
	g.Diameter = []float64{3.5, 4.1, 4.3, 5}[r.IntN(4)]
	g.Length = []float64{8, 10, 11.5}[r.IntN(3)]
	g.ApexRound = min(g.ApexRound, 0.45*g.Diameter*g.Taper)
	g.BoreRadius = min(g.BoreRadius, g.Diameter/2-g.ThreadDepth-0.2)
	g.BoreDepth = min(g.BoreDepth, g.Length-2)
	for i := range 3 {
		g.Entry[i] += r.spread(0, 0.1)
	}
	for i := range 2 {
		g.Tilt[i] += r.spread(0, 0.5)
	}
	r.s.Fixtures = append(r.s.Fixtures, g)
}
