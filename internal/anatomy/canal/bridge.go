package canal

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/interp"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	// longestBridge is the longest way, mm, over which a line is bridged.
	longestBridge = 10.0
	// bend is the radius with which a canal turns unseen, mm, one standard deviation: between
	// two ends a and b away it then strays from a smooth line by a·b/(2·bend). No source.
	bend = 15.0
	// hand is the standard uncertainty of a person's point where the scan does not show the
	// canal, mm. Common practice, no source.
	hand = 0.5
	// besideSeen is how far beside what is seen a person's point may lie, mm, besides the
	// canal's bend: its radius.
	besideSeen = 1.5
	// support is how far from a bridge a second point carries it, mm: over less, errors of
	// a tenth of a millimetre turn it by more than a canal turns.
	support = 3.0
	// enoughSeen is the share of the way without which it is no canal.
	enoughSeen = 0.5
	// leastSeen is the least stretch that is seen on its own, mm: a section and its neighbours.
	leastSeen = 2.0
	// sectionU, mm, is the standard uncertainty of a border however many rays agree: by how
	// much withinSteepest differs between walls and blurs, and what bends within a section.
	// rayLink is how many rays about one share their error: what draws a border aside, a gap in
	// the wall or a strut beside it, spans up to a third of the turn.
	sectionU, rayLink = 0.07, rays / 3.0
)

// bridged is the way as a line, with what is not seen bridged.
//
// Errors: too little is seen; a bridge that is too long, or would have to turn more than a canal does.
func (w *way) bridged(through []geom.Vec) (*Line, error) {
	n := len(w.sections)
	l := &Line{Points: w.line(), Radius: make([]float64, n), U: make([]float64, n), Seen: w.surelySeen()}
	if share := shareOf(l.Seen); share < enoughSeen {
		return nil, fmt.Errorf("the border of a canal is seen on only %.0f %% of the way between the points", math.Floor(100*share))
	}
	for i, s := range w.sections {
		l.Radius[i] = s.radius + withinSteepest
		// Of n borders that stray by σ a circle's middle strays by σ·√(2/n) to one side, and its
		// radius by σ·√(1/n).
		independent := max(1, rays*s.agree/rayLink)
		l.U[i] = math.Hypot(sectionU, s.spread*math.Sqrt(3/independent))
	}
	for i := 0; i < n; i++ {
		if l.Seen[i] {
			continue
		}
		to := i
		for to < n && !l.Seen[to] {
			to++
		}
		if err := l.bridge(i-1, to, through); err != nil {
			return nil, err
		}
		i = to
	}
	return l, nil
}

// surelySeen are the sections that are seen, without those whose place still leans on
// neighbours that are not, and without short stretches.
func (w *way) surelySeen() []bool {
	const lean = int(1.5 * together / step)
	out := make([]bool, len(w.seen))
	for i := range out {
		out[i] = true
		for j := max(0, i-lean); j <= min(len(out)-1, i+lean); j++ {
			out[i] = out[i] && w.seen[j]
		}
	}
	for from := 0; from < len(out); from++ {
		to := from
		for to < len(out) && out[to] {
			to++
		}
		if float64(to-from)*step < leastSeen {
			clear(out[from:to])
		}
		from = to
	}
	return out
}

// end is one end of a bridge.
type end struct {
	at, away  geom.Vec // away is the direction from what is seen into the bridge
	second    geom.Vec // the point that carries it, support behind
	radius, u float64
	seen      bool // or it is a person's point
}

// end is that at point i of the line, into the bridge by dir 1 or -1.
func (l *Line) end(i, dir int) end {
	back := i
	for d := 1; float64(d)*step <= support; d++ {
		j := i - d*dir
		if j < 0 || j >= len(l.Points) || !l.Seen[j] {
			break
		}
		back = j
	}
	e := end{at: l.Points[i], second: l.Points[back], radius: l.Radius[i], u: l.U[i], seen: true}
	e.away = r3.Unit(r3.Sub(e.at, e.second))
	return e
}

// bridge draws the line anew between two points of it that are seen; before the first one
// and behind the last one stand the person's points.
func (l *Line) bridge(from, to int, through []geom.Vec) error {
	n := len(l.Points)
	var a, b end
	switch {
	case from < 0:
		b = l.end(to, -1)
		a = end{at: through[0], radius: b.radius, u: math.Hypot(hand, b.u)}
	case to >= n:
		a = l.end(from, 1)
		b = end{at: through[len(through)-1], radius: a.radius, u: math.Hypot(hand, a.u)}
	default:
		a, b = l.end(from, 1), l.end(to, -1)
	}
	length := r3.Norm(r3.Sub(b.at, a.at))
	if length > longestBridge {
		return fmt.Errorf("the border of the canal is not seen over %.0f mm of the way, and %.0f mm at most are bridged; give a point there", length, longestBridge)
	}
	for _, e := range []struct {
		seen  end
		other geom.Vec
		which string
	}{{a, b.at, "last"}, {b, a.at, "first"}} {
		d := r3.Sub(e.other, e.seen.at)
		beside := r3.Norm(r3.Sub(d, r3.Scale(r3.Dot(d, e.seen.away), e.seen.away)))
		switch {
		case !e.seen.seen || beside <= besideSeen+length*length/(2*bend) && (length < besideSeen || r3.Dot(d, e.seen.away) > 0):
		case a.seen && b.seen:
			return fmt.Errorf("what is seen of the canal does not fit together over %.0f mm that are not seen; give a point there", length)
		default:
			return fmt.Errorf("the %s point lies %.1f mm beside the canal that the scan shows", e.which, beside)
		}
	}
	var carry []geom.Vec
	if a.seen {
		carry = append(carry, a.second)
	}
	carry = append(carry, a.at, b.at)
	if b.seen {
		carry = append(carry, b.second)
	}
	at, err := curve(carry)
	if err != nil {
		return fmt.Errorf("the way cannot be bridged: %w", err)
	}
	begin := 0.0
	if a.seen {
		begin = r3.Norm(r3.Sub(a.at, a.second))
	}
	first, last := max(from, 0), min(to, n-1)
	for i := first; i <= last; i++ {
		if l.Seen[i] {
			continue
		}
		t := float64(i-first) / float64(last-first)
		l.Points[i] = at(begin + t*length)
		l.Radius[i] = (1-t)*a.radius + t*b.radius
		l.U[i] = math.Hypot((1-t)*a.u+t*b.u, t*(1-t)*length*length/(2*bend))
	}
	return nil
}

// curve is a natural cubic spline through points, over the length of their chords.
//
// Errors: two points in one place.
func curve(points []geom.Vec) (func(s float64) geom.Vec, error) {
	at := make([]float64, len(points))
	var coordinates [3][]float64
	for i, p := range points {
		if i > 0 {
			at[i] = at[i-1] + r3.Norm(r3.Sub(p, points[i-1]))
		}
		for a, x := range [3]float64{p.X, p.Y, p.Z} {
			coordinates[a] = append(coordinates[a], x)
		}
	}
	var fits [3]interp.NaturalCubic
	for a := range fits {
		if err := fits[a].Fit(at, coordinates[a]); err != nil {
			return nil, err
		}
	}
	return func(s float64) geom.Vec {
		return geom.Vec{X: fits[0].Predict(s), Y: fits[1].Predict(s), Z: fits[2].Predict(s)}
	}, nil
}
