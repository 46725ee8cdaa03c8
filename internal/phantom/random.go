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
			seed = hash64(seed, uint64(i), 0, 41)
		}
	}
	if !known {
		return Spec{}, fmt.Errorf("class %q: expected one of %v", class, Classes)
	}
	r := newRandomSource(seed, 500)
	s := Spec{Seed: seed, Case: name}
	f := randomFixture(r, class)
	s.Fixtures = []Fixture{f}
	s.Pre, s.Post = randomScans(r, class)
	random := &randomiser{r, &s}
	switch class {
	case Easy:
	case Everyday:
		random.maybeCap(0.5)
		random.maybeCrown(0.3)
		s.Graft = r.bernoulli(0.2)
		if r.bernoulli(0.25) {
			s.Before = []Before{Socket, Tooth}[r.IntN(2)]
		}
		s.Post.Clip12 = r.bernoulli(0.15)
		s.Pre.Clip12 = s.Post.Clip12
	case Covered:
		random.maybeCap(1)
	case Touching:
		random.maybeCap(0.6)
		s.Touch = []Touch{TouchCrown, TouchPost}[r.IntN(2)]
	case Neighbour:
		random.maybeCap(0.6)
		random.addNeighbour()
	case Saturated:
		random.maybeCap(0.5)
		s.Pre.Clip12, s.Post.Clip12 = true, true
	case Coarse:
		random.maybeCap(0.5)
	case Fine:
		random.maybeCap(0.4)
	case SmallField:
		random.maybeCap(0.4)
		s.Post.Width, s.Post.Height = r.uniform(40, 50), r.uniform(38, 45)
		s.Post.Shift = geom.Vec{X: r.uniform(-3, 3), Y: r.uniform(-3, 3), Z: r.uniform(-2, 2)}
	case ToothlessRidge:
		random.maybeCap(0.4)
		s.Edentulous = true
	case Moved:
		random.maybeCap(0.4)
		s.Post.Motion = r.uniform(0.3, 0.8)
	case Crowned:
		random.maybeCap(0.5)
		random.maybeCrown(1)
		random.maybeCrown(0.6)
	}
	return s, nil
}

type randomiser struct {
	*randomSource
	s *Spec
}

// randomFixture draws site, size and placement over the range of fixtures in
// use.
func randomFixture(r *randomSource, class Class) Fixture {
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
	if r.bernoulli(0.6) {
		f.Taper = r.uniform(0.65, 0.97)
	}
	f.ApexRound = r.uniform(0.3, 0.6) * f.Diameter * f.Taper / 2
	f.ThreadDepth = r.uniform(0.2, 0.4)
	f.Pitch = r.uniform(0.6, 1.1)
	f.BoreRadius = min(r.uniform(0.8, 1.2), f.Diameter/2-f.ThreadDepth-0.2)
	f.BoreDepth = min(r.uniform(3.5, 5.5), f.Length-2)
	f.Lean = [2]float64{r.truncatedNormal(0, 5), r.truncatedNormal(0, 7)}
	f.Sink = r.uniform(-0.3, 1)
	f.Entry = [3]float64{r.truncatedNormal(0, 0.6), r.truncatedNormal(0, 0.6), r.truncatedNormal(0, 0.5)}
	f.Tilt = [2]float64{r.truncatedNormal(0, 2.6), r.truncatedNormal(0, 2.6)}
	return f
}

// randomScans draws a machine for each scan, and the head's lie.
func randomScans(r *randomSource, class Class) (pre, post Scan) {
	machine := func() Scan {
		c := Scan{
			Voxel: []float64{0.2, 0.25, 0.3, 0.3}[r.IntN(4)],
			Width: r.uniform(58, 70), Height: r.uniform(42, 50),
			Opening: r.uniform(2, 10),
			Noise:   r.uniform(30, 75),
			Gain:    r.uniform(0.85, 1.15), Offset: r.uniform(-110, 110),
			Streaks: r.uniform(0.7, 1.2),
			Slide:   [3]float64{r.truncatedNormal(0, 0.4), r.truncatedNormal(0, 0.5), 0},
		}
		switch class {
		case Easy:
			c.Voxel, c.Noise = 0.25, r.uniform(12, 25)
			c.Gain, c.Offset = r.uniform(0.97, 1.03), r.uniform(-20, 20)
		case Coarse:
			c.Voxel = 0.4
		case Fine:
			c.Voxel, c.Noise = 0.15, r.uniform(60, 110)
			c.Width, c.Height = r.uniform(42, 50), r.uniform(38, 42)
		case Saturated:
			c.Gain = r.uniform(0.95, 1.25)
		}
		// The point spread of a machine goes with its voxel and detector.
		c.Blur = math.Hypot(r.uniform(0.25, 0.4), r.uniform(0.9, 1.4)*c.Voxel)
		return c
	}
	pre, post = machine(), machine()
	pre.Turn = geom.Vec{X: r.truncatedNormal(0, 3), Y: r.truncatedNormal(0, 2), Z: r.truncatedNormal(0, 3)}
	pre.Move = geom.Vec{X: r.truncatedNormal(0, 3), Y: 8 + r.truncatedNormal(0, 5), Z: r.truncatedNormal(0, 8)}
	// The head lies up to 25 degrees about any axis and centimetres away.
	angle := r.uniform(3, 25)
	axis := geom.Vec{X: r.NormFloat64(), Y: r.NormFloat64(), Z: r.NormFloat64()}
	scale := angle / math.Sqrt(axis.X*axis.X+axis.Y*axis.Y+axis.Z*axis.Z)
	post.Turn = geom.Vec{X: scale * axis.X, Y: scale * axis.Y, Z: scale * axis.Z}
	post.Move = geom.Vec{X: r.uniform(-25, 25), Y: r.uniform(-25, 25), Z: r.uniform(-25, 25)}
	return pre, post
}

// maybeCap puts a cover screw or a healing abutment on every fixture, with
// probability p.
func (r *randomiser) maybeCap(p float64) {
	if !r.bernoulli(p) {
		return
	}
	f := &r.s.Fixtures[0]
	if r.bernoulli(0.55) {
		f.Cap, f.CapHeight = CoverScrew, r.uniform(0.6, 1.2)
	} else {
		f.Cap, f.CapHeight = Healing, r.uniform(2.5, 6)
	}
}

// maybeCrown puts a metal crown on another tooth of the jaw with probability p.
func (r *randomiser) maybeCrown(p float64) {
	if !r.bernoulli(p) {
		return
	}
	site := r.s.Fixtures[0].Site
	quadrant := site[:1]
	if r.bernoulli(0.6) { // usually on the other side
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

// addNeighbour adds a second fixture, placed with much the same deviation.
func (r *randomiser) addNeighbour() {
	f := r.s.Fixtures[0]
	g := f
	number := int(f.Site[1]-'0') + 1
	if number > 7 {
		number = 6
	}
	g.Site = fmt.Sprintf("%c%d", f.Site[0], number)
	g.Lean, g.Sink = [2]float64{}, 0
	g.Gap = r.uniform(1.7, 2.5)
	g.Diameter = []float64{3.5, 4.1, 4.3, 5}[r.IntN(4)]
	g.Length = []float64{8, 10, 11.5}[r.IntN(3)]
	g.ApexRound = min(g.ApexRound, 0.45*g.Diameter*g.Taper)
	g.BoreRadius = min(g.BoreRadius, g.Diameter/2-g.ThreadDepth-0.2)
	g.BoreDepth = min(g.BoreDepth, g.Length-2)
	for i := range 3 {
		g.Entry[i] += r.truncatedNormal(0, 0.1)
	}
	for i := range 2 {
		g.Tilt[i] += r.truncatedNormal(0, 0.5)
	}
	r.s.Fixtures = append(r.s.Fixtures, g)
}
