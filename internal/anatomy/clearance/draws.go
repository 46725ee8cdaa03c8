package clearance

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
)

// Distances are the clearances of one shape at many places, as drawn from the
// uncertainty of its place.
//
// Errors: those of Shape.Place.
//
// Method: each is measured, but for the depth in a closed surface, which would
// take too long: see probe.
func Distances(shape Shape, places []geom.Pose, s Structure) ([]float64, error) {
	all, err := placeAll(shape, places)
	if err != nil {
		return nil, err
	}
	out := make([]float64, len(all))
	if surface, ok := s.(*Surface); ok && surface.closed {
		p := newProbe(surface, all)
		for i := range all {
			out[i] = p.clearance(&all[i])
		}
		return out, nil
	}
	parallel.For(len(all), func(i int) { out[i] = s.clearance(&all[i]).Distance })
	return out, nil
}

// Between are the clearances of two fixtures at many places of both: the i-th of
// the one goes with the i-th of the other, so that what moves both, such as the
// alignment of the scans, can be drawn for both at once.
//
// Errors: those of Shape.Place.
func Between(a Shape, placesA []geom.Pose, b Shape, placesB []geom.Pose) ([]float64, error) {
	allA, err := placeAll(a, placesA)
	if err != nil {
		return nil, err
	}
	allB, err := placeAll(b, placesB)
	if err != nil {
		return nil, err
	}
	out := make([]float64, min(len(allA), len(allB)))
	parallel.For(len(out), func(i int) { out[i] = allB[i].clearance(&allA[i]).Distance })
	return out, nil
}

// placeAll puts a shape at every place. Where the length is uncertain, some are too short
// for the shape's rounding, which then takes half of them.
func placeAll(shape Shape, places []geom.Pose) ([]Envelope, error) {
	out := make([]Envelope, len(places))
	for i, p := range places {
		var err error
		s := shape
		s.Round = min(s.Round, p.Length()/2)
		if out[i], err = s.Place(p); err != nil {
			return nil, fmt.Errorf("draw %d of the fixture's place: %w", i+1, err)
		}
	}
	return out, nil
}

const (
	// probeStep is the distance between a probe's points and between the nodes
	// of its lattice, mm. Over 0.25 mm the distance from a surface that bends
	// with a radius of 3 mm departs from a straight line by 0.25²/(8·3) =
	// 0.003 mm.
	probeStep = 0.25
	// maxNodes bounds a lattice's side, so that draws all over the room take
	// no more than 64 MiB; the lattice is then coarser.
	maxNodes = 256
)

// probe measures the clearance of many places of one envelope from a closed
// surface: the least signed distance at points of the envelope's surface,
// interpolated between the nodes of a lattice. Its error at the first place is
// subtracted everywhere.
type probe struct {
	surface *Surface
	first   *Envelope
	e1, e2  geom.Vec       // across the first one's axis
	points  []surfacePoint // those that can be the nearest at any place
	bias    float64        // its error at the first place, mm

	step   float64  // of the lattice, mm
	corner geom.Vec // node (0, 0, 0)
	size   [3]int
	value  []float32 // NaN until it is asked for
}

// surfacePoint is a point of an envelope's surface: radius, share of the height and
// turn about the axis.
type surfacePoint struct{ radius, share, cos, sin float64 }

func newProbe(s *Surface, all []Envelope) *probe {
	p := &probe{surface: s, first: &all[0]}
	p.e1, p.e2 = geom.Perpendicular(p.first.axis)
	low := geom.Vec{X: math.Inf(1), Y: math.Inf(1), Z: math.Inf(1)}
	high := r3.Scale(-1, low)
	travel := 0.0
	for i := range all {
		for _, q := range []geom.Vec{all[i].pose.Entry, all[i].pose.Apex} {
			low = geom.Vec{X: min(low.X, q.X), Y: min(low.Y, q.Y), Z: min(low.Z, q.Z)}
			high = geom.Vec{X: max(high.X, q.X), Y: max(high.Y, q.Y), Z: max(high.Z, q.Z)}
		}
		travel = max(travel, r3.Norm(r3.Sub(all[i].pose.Entry, p.first.pose.Entry)), r3.Norm(r3.Sub(all[i].pose.Apex, p.first.pose.Apex)))
	}
	rim := p.first.radius + probeStep
	span := r3.Sub(high, low)
	p.step = max(probeStep, (max(span.X, span.Y, span.Z)+2*rim)/(maxNodes-4))
	p.corner = r3.Sub(low, geom.Vec{X: rim, Y: rim, Z: rim})
	cells := 1
	for i, x := range [3]float64{span.X, span.Y, span.Z} {
		p.size[i] = int((x+2*rim)/p.step) + 3
		cells *= p.size[i]
	}
	p.value = make([]float32, cells)
	for i := range p.value {
		p.value[i] = float32(math.NaN())
	}

	// A point can be nearest somewhere only if it is no farther at the first
	// place than the nearest one there and what both can travel. A point beside
	// the axis travels as far as the ends, and the turn of its radius besides.
	every := p.surfacePoints()
	at := make([]float64, len(every))
	least := math.Inf(1)
	for i, d := range every {
		at[i] = p.distance(p.transfer(p.first, d))
		least = min(least, at[i])
	}
	reach := 2 * travel * (1 + 2*p.first.radius/p.first.height)
	for i, d := range every {
		if at[i] <= least+reach {
			p.points = append(p.points, d)
		}
	}
	p.bias = p.clearance(p.first) - s.clearance(p.first).Distance
	return p
}

// surfacePoints are points all over the first envelope's surface, probeStep apart.
func (p *probe) surfacePoints() []surfacePoint {
	e := p.first
	var out []surfacePoint
	ring := func(r, z float64) {
		n := max(1, int(math.Ceil(2*math.Pi*r/probeStep)))
		for i := range n {
			sin, cos := math.Sincos(2 * math.Pi * float64(i) / float64(n))
			out = append(out, surfacePoint{r, z / e.height, cos, sin})
		}
	}
	corners := [][2]float64{{0, 0}, {e.radius, 0}, e.touch}
	const arc = 4
	from := math.Atan2(e.normal[1], e.normal[0])
	for i := 1; i <= arc && e.round > 0; i++ {
		sin, cos := math.Sincos(from + (math.Pi/2-from)*float64(i)/arc)
		corners = append(corners, [2]float64{e.flat + e.round*cos, e.height - e.round + e.round*sin})
	}
	corners = append(corners, [2]float64{0, e.height})
	ring(0, 0)
	for i := 1; i < len(corners); i++ {
		a, b := corners[i-1], corners[i]
		n := int(math.Ceil(math.Hypot(b[0]-a[0], b[1]-a[1]) / probeStep))
		for k := 1; k <= n; k++ {
			t := float64(k) / float64(n)
			ring(a[0]+t*(b[0]-a[0]), a[1]+t*(b[1]-a[1]))
		}
	}
	return out
}

// transfer takes a point of the first envelope's surface to another one's, without a
// rotation about the axis.
func (p *probe) transfer(e *Envelope, d surfacePoint) geom.Vec {
	out := r3.Add(r3.Scale(d.cos, p.e1), r3.Scale(d.sin, p.e2))
	out = r3.Sub(out, r3.Scale(r3.Dot(out, e.axis), e.axis))
	return r3.Add(e.pose.Entry, r3.Add(r3.Scale(d.radius, out), r3.Scale(d.share*e.height, e.axis)))
}

// clearance is that of an envelope, mm.
func (p *probe) clearance(e *Envelope) float64 {
	least := math.Inf(1)
	for _, d := range p.points {
		least = min(least, p.distance(p.transfer(e, d)))
	}
	return least - p.bias
}

// distance is the signed distance at a point inside the lattice, trilinear between its
// nodes.
func (p *probe) distance(q geom.Vec) float64 {
	q = r3.Scale(1/p.step, r3.Sub(q, p.corner))
	i, j, k := int(q.X), int(q.Y), int(q.Z)
	x, y, z := q.X-float64(i), q.Y-float64(j), q.Z-float64(k)
	sum := 0.0
	for n := range 8 {
		a, b, c := n&1, n>>1&1, n>>2
		w := math.Abs(1-float64(a)-x) * math.Abs(1-float64(b)-y) * math.Abs(1-float64(c)-z)
		if w > 0 {
			sum += w * p.node(i+a, j+b, k+c)
		}
	}
	return sum
}

// node is the signed distance at a node, computed when first asked for.
func (p *probe) node(i, j, k int) float64 {
	v := &p.value[(k*p.size[1]+j)*p.size[0]+i]
	if math.IsNaN(float64(*v)) {
		d, _ := p.surface.Nearest(r3.Add(p.corner, r3.Scale(p.step, geom.Vec{X: float64(i), Y: float64(j), Z: float64(k)})))
		*v = float32(d)
	}
	return float64(*v)
}
