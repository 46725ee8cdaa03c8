package canal

import (
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

const (
	// step is the distance of sections, mm.
	step = 0.5
	// pathBlur is the standard deviation, mm, of the blur that takes the steps of its nodes
	// out of a path; what it takes of a bend the sections give back.
	pathBlur = 1.0
	// rays are those of a section, rayStep the step along them, mm, and rayReach their length.
	rays, rayStep, rayReach = 16, 0.1, 3.2
	// alongReach is how far to both sides of a section its grey values are averaged, mm: a
	// canal that turns with a radius of 10 mm leaves it by 0.03 mm.
	alongReach = 0.8
	// slopeBlur is the standard deviation of the blur with which a slope is taken, mm: below
	// that of a scan.
	slopeBlur = 0.2
	// leastRadius and mostRadius bound a canal's, mm: textbooks have 1 to 2 (from memory).
	leastRadius, mostRadius = 0.6, 2.4
	// window is how far from the circle expected the border is looked for, mm.
	window = 0.8
	// onCircle is how far from a circle a ray's border may lie and be on it, mm: a thin wall
	// in noise strays by a third of that. Of borders at random in the window five of
	// sixteen would lie there.
	onCircle = 0.25
	// rounds of sections about the circles of the last one.
	rounds = 3
	// together is the standard deviation, mm, of the weights with which neighbouring sections
	// count.
	together = 1.0
	// withinSteepest is how far within the canal's border its steepest rise lies, mm. In a blur
	// of σ a wall of thickness w is steepest at the x of h₁·x·g(x) = h₂·(x−w)·g(x−w), with g
	// the blur and h₁, h₂ the steps at its faces, and σ²/2R farther in, since it is bent: from
	// 0.02 mm for 0.7 mm in a fine scan to 0.3 mm for 0.3 mm in a coarse one, some 0.15 mm in
	// the middle, nothing where there is no wall.
	withinSteepest = 0.1
)

// section is a cut across a canal.
type section struct {
	at, along, u, v geom.Vec
	radius          float64
	border          [rays]float64 // where the grey value rises most, mm along each ray; NaN where not scanned
	x, y            float64       // the circle's middle, along u and v
	agree           float64       // share of the rays whose border lies on the circle
	spread          float64       // of those about it, root mean square, mm
}

// sections are cut across a line.
func sections(line []geom.Vec) []section {
	out := make([]section, len(line))
	for i, p := range line {
		along := r3.Unit(r3.Sub(line[min(i+2, len(line)-1)], line[max(i-2, 0)]))
		u, v := geom.Perpendicular(along)
		out[i] = section{at: p, along: along, u: u, v: v}
	}
	return out
}

// resampled is a path without the steps of its nodes, as points about a step apart. It keeps
// its ends.
func resampled(path []geom.Vec) []geom.Vec {
	at := make([]float64, len(path))
	for i := 1; i < len(path); i++ {
		at[i] = at[i-1] + r3.Norm(r3.Sub(path[i], path[i-1]))
	}
	length := at[len(at)-1]
	out := make([]geom.Vec, max(2, int(math.Round(length/step)))+1)
	for i := range out {
		s := length * float64(i) / float64(len(out)-1)
		blur := max(spacing/2, min(pathBlur, s/2, (length-s)/2))
		var sum geom.Vec
		weights := 0.0
		for j, p := range path {
			w := math.Exp(-(at[j] - s) * (at[j] - s) / (2 * blur * blur))
			sum, weights = r3.Add(sum, r3.Scale(w, p)), weights+w
		}
		out[i] = r3.Scale(1/weights, sum)
	}
	return out
}

// direction is that of a ray, and its share of u and v.
func (s *section) direction(ray int) (d geom.Vec, cos, sin float64) {
	sin, cos = math.Sincos(2 * math.Pi * float64(ray) / rays)
	return r3.Add(r3.Scale(cos, s.u), r3.Scale(sin, s.v)), cos, sin
}

const raySteps = int(rayReach/rayStep) + 1

// slopeKernel takes the slope of a profile: the derivative of a Gaussian.
var slopeKernel = func() (k [2*slopeHalf + 1]float64) {
	norm := 0.0
	for i := range k {
		x := float64(i-slopeHalf) * rayStep
		k[i] = x * math.Exp(-x*x/(2*slopeBlur*slopeBlur))
		norm += x * k[i]
	}
	for i := range k {
		k[i] /= norm
	}
	return k
}()

const slopeHalf = int(3 * slopeBlur / rayStep)

// slopes is the rise of the grey value outwards along a ray; NaN where not scanned.
func (s *section) slopes(f *volume.Field, ray int) [raySteps]float64 {
	var grey, out [raySteps]float64
	d, _, _ := s.direction(ray)
	for i := range grey {
		p := r3.Add(s.at, r3.Scale(float64(i)*rayStep, d))
		for n := -2; n <= 2; n++ {
			grey[i] += f.Sample(r3.Add(p, r3.Scale(alongReach*float64(n)/2, s.along))) / 5
		}
	}
	for i := range out {
		for n, w := range slopeKernel {
			j := i + n - slopeHalf
			if j < 0 {
				j = -j
			}
			out[i] += w * grey[min(j, raySteps-1)]
		}
	}
	return out
}

// borders finds each ray's border within the window about the radius.
func (s *section) borders(slopes *[rays][raySteps]float64) {
	for k := range rays {
		most := math.Inf(-1)
		s.border[k] = math.NaN()
		for i := 1; i < raySteps-1; i++ {
			r, rise := float64(i)*rayStep, slopes[k][i]
			if math.Abs(r-s.radius) > window || !(rise > most) {
				continue
			}
			most = rise
			before, after := slopes[k][i-1], slopes[k][i+1]
			s.border[k] = r
			if bend := before - 2*rise + after; bend < 0 { // the top of a parabola
				s.border[k] += rayStep * max(-0.5, min(0.5, (before-after)/(2*bend)))
			}
		}
	}
}

const (
	// circleScale is the distance from the circle at which a ray counts half, mm, and
	// radiusWeight what the expected radius counts, in rays.
	circleScale, radiusWeight = 0.2, 0.5
	// circleTurns of reweighting: it has settled to a hundredth of a millimetre.
	circleTurns = 8
)

// circle fits one through the borders.
//
// Method: iteratively reweighted least squares with the weights of a Cauchy distribution
// (P. J. Huber, Robust Statistics, 1981, from memory). For a small shift (x, y) of its middle
// a circle lies at x·cos + y·sin + radius along a ray.
func (s *section) circle() {
	s.agree, s.spread = 0, 0
	fit := mat.NewVecDense(3, []float64{0, 0, s.radius})
	off := func(k int, cos, sin float64) float64 {
		return s.border[k] - (fit.AtVec(0)*cos + fit.AtVec(1)*sin + fit.AtVec(2))
	}
	for range circleTurns {
		normal := mat.NewSymDense(3, []float64{1e-6, 0, 0, 0, 1e-6, 0, 0, 0, radiusWeight})
		right := mat.NewVecDense(3, []float64{0, 0, radiusWeight * s.radius})
		for k := range rays {
			_, cos, sin := s.direction(k)
			d := off(k, cos, sin)
			if d != d {
				continue
			}
			row := mat.NewVecDense(3, []float64{cos, sin, 1})
			w := 1 / (1 + d*d/(circleScale*circleScale))
			normal.SymRankOne(normal, w, row)
			right.AddScaledVec(right, w*s.border[k], row)
		}
		var c mat.Cholesky
		if !c.Factorize(normal) || c.SolveVecTo(fit, right) != nil {
			return
		}
	}
	s.x, s.y, s.radius = fit.AtVec(0), fit.AtVec(1), fit.AtVec(2)
	on, squares := 0.0, 0.0
	for k := range rays {
		_, cos, sin := s.direction(k)
		if d := off(k, cos, sin); math.Abs(d) <= onCircle {
			on, squares = on+1, squares+d*d
		}
	}
	s.agree = on / rays
	if on > 0 {
		s.spread = math.Sqrt(squares / on)
	}
}

// way is a path with the sections across it.
type way struct {
	sections []section
	seen     []bool
}

// way finds the cheapest way through the ends.
func (s *search) way() (*way, error) {
	path, err := s.path()
	if err != nil {
		return nil, err
	}
	list := sections(resampled(path))
	slopes := make([][rays][raySteps]float64, len(list))
	for round := range rounds {
		parallel.For(len(list), func(i int) {
			for k := range rays {
				slopes[i][k] = list[i].slopes(s.field, k)
			}
		})
		if round == 0 {
			r := commonRadius(slopes)
			for i := range list {
				list[i].radius = r
			}
		}
		for i := range list {
			list[i].borders(&slopes[i])
			list[i].circle()
		}
		list = shifted(list)
	}
	w := &way{sections: list, seen: make([]bool, len(list))}
	for i := range list {
		w.seen[i] = w.agreement(i) >= seenFrom && w.turn(i) <= turnOver/leastBend
	}
	return w, nil
}

// commonRadius is the radius at which the grey value rises most over all sections; no rise
// counts for more than limit, that of cortical bone beside the canal.
func commonRadius(slopes [][rays][raySteps]float64) float64 {
	var all []float64
	for i := range slopes {
		for k := range rays {
			for _, rise := range slopes[i][k] {
				if rise == rise {
					all = append(all, math.Abs(rise))
				}
			}
		}
	}
	if len(all) == 0 {
		return leastRadius
	}
	slices.Sort(all)
	const limit = 0.9
	most := all[int(limit*float64(len(all)-1))]
	best, at := math.Inf(-1), leastRadius
	for j := range raySteps {
		r := float64(j) * rayStep
		if r < leastRadius || r > mostRadius {
			continue
		}
		sum := 0.0
		for i := range slopes {
			for k := range rays {
				if rise := slopes[i][k][j]; rise == rise {
					sum += max(-most, min(most, rise))
				}
			}
		}
		if sum > best {
			best, at = sum, r
		}
	}
	return at
}

// shifted are sections about the middles of the circles, smoothed along the line by how
// much each circle is agreed on.
func shifted(list []section) []section {
	line, radius := make([]geom.Vec, len(list)), make([]float64, len(list))
	const reach = int(3 * together / step)
	for i := range list {
		var shift geom.Vec
		r, weights := 0.0, 0.0
		for j := max(0, i-reach); j <= min(len(list)-1, i+reach); j++ {
			d := float64(i-j) * step / together
			s := &list[j]
			w := math.Exp(-d*d/2) * (s.agree*s.agree + 1e-6)
			shift = r3.Add(shift, r3.Scale(w, r3.Add(r3.Scale(s.x, s.u), r3.Scale(s.y, s.v))))
			r, weights = r+w*s.radius, weights+w
		}
		line[i], radius[i] = r3.Add(list[i].at, r3.Scale(1/weights, shift)), min(max(r/weights, leastRadius), mostRadius)
	}
	out := sections(line)
	for i := range out {
		out[i].radius, out[i].border, out[i].agree, out[i].spread = radius[i], list[i].border, list[i].agree, list[i].spread
	}
	return out
}

// line are the middles of the sections.
func (w *way) line() []geom.Vec {
	out := make([]geom.Vec, len(w.sections))
	for i := range w.sections {
		out[i] = w.sections[i].at
	}
	return out
}

const (
	// seenFrom is the share of the rays of a section and its neighbours within seenOver, mm,
	// whose borders lie on circles from which on the canal is seen (TestCanalAccuracy).
	seenFrom, seenOver = 0.8, 1.5
	// leastBend is the least radius with which a canal turns, mm, below that of the loop
	// behind the mental foramen (from memory), and turnOver the length of the chords
	// whose angle shows it, mm. A line that turns more has left the canal.
	leastBend, turnOver = 4.0, 1.5
)

// turn is the angle of the line's chords before and behind a section, radians; 0 at its ends.
func (w *way) turn(i int) float64 {
	const over = int(turnOver / step)
	if i < over || i+over >= len(w.sections) {
		return 0
	}
	at := w.sections[i].at
	return geom.Angle(r3.Sub(at, w.sections[i-over].at), r3.Sub(w.sections[i+over].at, at))
}

// agreement is the mean share of rays on their circle about a section.
func (w *way) agreement(i int) float64 {
	const reach = int(seenOver / step)
	sum, n := 0.0, 0.0
	for j := max(0, i-reach); j <= min(len(w.sections)-1, i+reach); j++ {
		sum, n = sum+w.sections[j].agree, n+1
	}
	return sum / n
}

// shareOf is how many of a list are true.
func shareOf(list []bool) float64 {
	n := 0.0
	for _, is := range list {
		if is {
			n++
		}
	}
	return n / float64(len(list))
}
