package dentalarch

import (
	"math"

	"plumbline/internal/tooth"
)

// point is a place in the occlusal plane: x to the patient's left, y backwards,
// mm.
type point struct{ x, y float64 }

func (p point) minus(q point) point { return point{p.x - q.x, p.y - q.y} }
func (p point) dot(q point) float64 { return p.x*q.x + p.y*q.y }
func (p point) norm() float64       { return math.Hypot(p.x, p.y) }

// form is an arch: depth·(1 − (1 − (x/half)²)^bend) backwards from its front,
// with straight tails, widening by its splay on the way. A bend of 0.8 is the curve
// of S. Braun, W. P. Hnat, D. E. Fender and H. L. Legan, The form of the human dental
// arch, Angle Orthod 1998; 68:29; 0.5 is an ellipse, as J. H. Currier, Am J Orthod
// 1969; 56:164 has it; 1 is a parabola (papers from memory).
type form struct {
	front point   // its foremost point
	turn  float64 // of the head to the left about the body's axis, radians
	half  float64 // half the width, mm
	depth float64 // from the front to the tails, mm
	bend  float64 // 0.5 to 1: from blunt to pointed
	splay float64 // by how much it widens on each side for each millimetre backwards, tails included
}

const (
	formStep = 1.0 // between the points of a drawn form, mm
	formEnd  = 62  // points to either side of the midline: behind the second molar
)

// drawn has points of a form at every millimetre of arc, from the right end to
// the left, formEnd points to either side of the front.
type drawn [2*formEnd + 1]point

func (f form) draw() *drawn {
	var out drawn
	sin, cos := math.Sincos(f.turn)
	put := func(i int, p point) {
		out[formEnd+i] = point{f.front.x + cos*p.x - sin*p.y, f.front.y + sin*p.x + cos*p.y}
		out[formEnd-i] = point{f.front.x - cos*p.x - sin*p.y, f.front.y - sin*p.x + cos*p.y}
	}
	put(0, point{})
	// The curve in short pieces, evenly spread where it is an ellipse, and the
	// tail as the last piece.
	const pieces = 60
	last, walked, next := point{}, 0.0, 1
	for k := 1; k <= pieces+1 && next <= formEnd; k++ {
		p := point{f.half + 2*formEnd*f.splay, f.depth + 2*formEnd}
		if k <= pieces {
			s, c := math.Sincos(math.Pi / 2 * float64(k) / pieces)
			y := f.depth * (1 - math.Pow(max(0, c), 2*f.bend))
			p = point{s * (f.half + f.splay*(y-f.depth)), y}
		}
		d := p.minus(last)
		l := d.norm()
		for ; next <= formEnd && float64(next)*formStep <= walked+l; next++ {
			t := (float64(next)*formStep - walked) / l
			put(next, point{last.x + t*d.x, last.y + t*d.y})
		}
		walked += l
		last = p
	}
	return &out
}

// widths are the mesiodistal widths of the teeth by place from the midline, mm
// (textbook means, R. C. Wheeler, Dental anatomy; from memory).
var widths = map[tooth.Jaw][9]float64{
	tooth.Upper: {0, 8.5, 6.5, 7.5, 7, 7, 10, 9, 8.5},
	tooth.Lower: {0, 5, 5.5, 7, 7, 7, 11, 10.5, 10},
}

// arcOf is how far along the arch from the midline a tooth usually stands, mm,
// positive on the left.
func arcOf(n tooth.Number) float64 {
	w := widths[n.Jaw()]
	s := w[n.Place()] / 2
	for place := 1; place < n.Place(); place++ {
		s += w[place]
	}
	if n.Side() == tooth.Right {
		return -s
	}
	return s
}
