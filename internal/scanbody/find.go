package scanbody

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/registration/surface"
)

// line is an axis that some upright walls share.
type line struct {
	at, axis geom.Vec
	seen     float64 // mm² of wall
}

const (
	searchWidth = 0.5  // mm, between the points that walls are looked for with
	wallOff     = 0.12 // mm, of a point from the wall
	wallReach   = 6.0  // mm, along the axis
	pairs       = 40   // tried for each seed
	seeds       = 4    // one point of so many is a seed: a wall of 80 mm² still has some eighty
	leastAround = 5    // of twelve sectors that must show the wall
	kept        = 8    // lines looked at
)

// lines finds axes of upright cylinders of a radius.
//
// Method: the normals of two points of a cylinder's wall are both perpendicular to its axis
// and meet it at the radius (as Rabbani T, van den Heuvel F, ISPRS 2005;36:60, vote for
// cylinders). Axes of many pairs are held against all points around.
func lines(c *surface.Cloud, radius float64) []line {
	near := surface.NewNeighbours(c, 2*radius+1)
	found := make([]line, (len(c.Points)+seeds-1)/seeds)
	parallel.For(len(found), func(i int) {
		p, n := c.Points[seeds*i], c.Normals[seeds*i]
		around := near.Around(p, math.Hypot(2*radius, 2))
		step := max(1, len(around)/pairs)
		for k := 0; k < len(around); k += step {
			j := around[k]
			axis := r3.Cross(n, c.Normals[j])
			l := r3.Norm(axis)
			if l < 0.5 {
				continue
			}
			axis = r3.Scale(1/l, axis)
			for _, side := range [2]float64{1, -1} {
				a, b := r3.Sub(p, r3.Scale(side*radius, n)), r3.Sub(c.Points[j], r3.Scale(side*radius, c.Normals[j]))
				d := r3.Sub(b, a)
				if r3.Norm(r3.Sub(d, r3.Scale(r3.Dot(d, axis), axis))) > 2*wallOff {
					continue
				}
				if seen := wall(c, near, a, axis, radius, side); seen > found[i].seen {
					found[i] = line{a, axis, seen}
				}
			}
		}
	})
	slices.SortStableFunc(found, func(a, b line) int { return cmp.Compare(b.seen, a.seen) })
	var out []line
	for _, l := range found {
		if l.seen == 0 || len(out) == kept {
			break
		}
		if !slices.ContainsFunc(out, func(o line) bool { return o.like(l) }) {
			out = append(out, l)
		}
	}
	return out
}

// like reports whether two lines are of one body.
func (l line) like(o line) bool {
	d := r3.Sub(o.at, l.at)
	return math.Abs(r3.Dot(l.axis, o.axis)) > 0.94 && r3.Norm(r3.Sub(d, r3.Scale(r3.Dot(d, l.axis), l.axis))) < 1
}

// wall is the area of what lies on a cylinder's wall, zero where too little of its round
// is seen.
func wall(c *surface.Cloud, near *surface.Neighbours, at, axis geom.Vec, radius, side float64) float64 {
	e1, e2 := geom.Perpendicular(axis)
	area := 0.0
	var sector [12]bool
	for _, i := range near.Around(at, wallReach) {
		d := r3.Sub(c.Points[i], at)
		x, y := r3.Dot(d, e1), r3.Dot(d, e2)
		r := math.Hypot(x, y)
		if math.Abs(r-radius) > wallOff {
			continue
		}
		n := c.Normals[i]
		if math.Abs(r3.Dot(n, axis)) > upright || side*(x*r3.Dot(n, e1)+y*r3.Dot(n, e2)) < 0.95*r {
			continue
		}
		area += c.Area[i]
		sector[int(6*(1+math.Atan2(y, x)/math.Pi))%12] = true
	}
	filled := 0
	for _, s := range sector {
		if s {
			filled++
		}
	}
	if filled < leastAround {
		return 0
	}
	return area
}

// Found is a scan body in a surface.
type Found struct {
	ToSurface geom.Rigid // from the body's frame to the surface's
	Seen      float64    // share of the body's surface that was seen
	TopSeen   float64    // the same of what faces along the axis, which alone tells the height
	Residual  float64    // of the fit, robust standard deviation, mm
	Off       float64    // mm² beside the body that runs along it but not on it, as a share of what lies on it
	Inward    bool       // the surface's normals face inwards
	// Cov is the covariance of the body's motion (ω, τ) about its platform's centre, in its
	// own frame, rad and mm.
	Cov *mat.SymDense
}

// Fit parameters of Find.
const (
	reach = 1.0 // mm, from which the coarse fits find their way
	// Rounds of these, the last for the best third, and for two where there are few.
	firstRounds, lastRounds = 5, 10
	goOn                    = 3
	noise                   = 0.01 // mm: a scanner's on smooth parts (facts of local noise: 5 to 13 µm)
	agrees                  = 0.10 // mm, of a point that shows the body
	alike                   = 0.96 // cosine between the normals of body and surface: rounded edges differ more
	leastSeen               = 0.3  // share of a body's surface; crowns taken for one had 0.26 and less, bodies 0.65 and more
	// leastTopSeen is the share of its top, without which a body slides along its axis: ones that
	// had slid showed none, others 0.3 and more.
	leastTopSeen = 0.1
	faces        = 0.7 // cosine between the axis and the normal of what faces along it
	piece        = 2.0 // mm, of the pieces that are left out in turn
	hopeless     = 0.8 // of leastSeen, of a fit that is settled but for a tenth
)

// Find fits a body to every place in a surface scan where it may be, best first.
func Find(c *surface.Cloud, b *Body) []Found {
	where := lines(c.Thinned(searchWidth), b.Radius)
	settled := make([]*Found, len(where))
	parallel.For(len(where), func(i int) { settled[i] = b.settle(c, where[i]) })
	var out []Found
	for _, f := range settled {
		if f != nil && f.Seen > leastSeen && f.TopSeen > leastTopSeen {
			out = append(out, *f)
		}
	}
	slices.SortStableFunc(out, func(a, b Found) int { return cmp.Compare(b.Seen, a.Seen) })
	return out
}

// settle fits the body along a line, either way up and in every turn.
func (b *Body) settle(c *surface.Cloud, l line) *Found {
	ends := b.Top + 3
	part := c.Where(func(i int) bool {
		d := r3.Sub(c.Points[i], l.at)
		z := r3.Dot(d, l.axis)
		return math.Abs(z) < ends && r3.Norm2(d)-z*z < (b.Radius+1.5)*(b.Radius+1.5)
	})
	coarse := part.Thinned(0.35)
	roughly := b.index.Roughly(alike, false)
	var tried []*Found
	for _, up := range [2]geom.Vec{l.axis, r3.Scale(-1, l.axis)} {
		var heights []float64
		for _, p := range part.Points {
			d := r3.Sub(p, l.at)
			if z := r3.Dot(d, up); r3.Norm2(d)-z*z < 0.6*b.Radius*b.Radius {
				heights = append(heights, z)
			}
		}
		if len(heights) == 0 {
			continue
		}
		slices.Sort(heights)
		top := heights[int(0.9*float64(len(heights)-1))]
		e1, e2 := geom.Perpendicular(up)
		starts := 1
		if b.Turns {
			starts = 12
		}
		for k := range starts {
			s, co := math.Sincos(2 * math.Pi * float64(k) / float64(starts))
			x := r3.Add(r3.Scale(co, e1), r3.Scale(s, e2))
			y := r3.Cross(up, x)
			start := geom.Rigid{R: [3][3]float64{{x.X, y.X, up.X}, {x.Y, y.Y, up.Y}, {x.Z, y.Z, up.Z}}}
			start.T = r3.Add(l.at, r3.Scale(top-b.Top, up))
			f, _ := b.fit(coarse, roughly, start, reach, firstRounds)
			tried = append(tried, f)
		}
	}
	if len(tried) == 0 {
		return nil
	}
	slices.SortStableFunc(tried, func(a, b *Found) int { return cmp.Compare(b.score(), a.score()) })
	better := func(f, than *Found) *Found {
		if than == nil || f.score() > than.score() {
			return f
		}
		return than
	}
	var best *Found
	for _, f := range tried[:min(len(tried), max(2, len(tried)/goOn))] {
		f, _ = b.fit(coarse, roughly, f.ToSurface, reach/2, lastRounds)
		best = better(f, best)
	}
	// Along an upright wall a fit slides, so other heights are tried.
	nominal := best.ToSurface
	for _, up := range [...]float64{-3, -2, -1, 1, 2, 3} {
		start := nominal
		start.T = nominal.Apply(geom.Vec{Z: up})
		f, _ := b.fit(coarse, roughly, start, reach, firstRounds+lastRounds)
		best = better(f, best)
	}
	// Most lines are crowns, which some rounds tell from a body.
	first, _ := b.fit(part, b.index.OnTo(alike), best.ToSurface, 0.3, 5)
	if first.Seen < hopeless*leastSeen {
		return nil
	}
	found, s := b.fit(part, b.index.OnTo(alike), first.ToSurface, 0.3, 20)
	if b.Turns && found.Seen > leastSeen {
		found, s = b.fit(part, b.index.OnTo(alike), b.turned(part, found).ToSurface, 0.3, 25)
	}
	found.Off = b.off(part, s.ToFixed, found.Inward)
	found.Cov = s.LeftOut(part, geom.Vec{}, piece)
	return found
}

// turned tries a body in every turn about its axis: to a flat side that is some degrees off,
// robust weights are blind. Points and matches are those of the last fit, since a flat side is a
// tenth of what is seen and coarse ones stray by as much.
func (b *Body) turned(part *surface.Cloud, f *Found) *Found {
	const step = 5 // degrees
	turns := make([]*Found, 360/step)
	parallel.For(len(turns), func(i int) {
		start := f.ToSurface.After(geom.Rotation(geom.Vec{Z: geom.Radians(float64(i * step))}))
		turns[i], _ = b.fit(part, b.index.OnTo(alike), start, 0.15, 0)
	})
	return slices.MaxFunc(turns, func(a, b *Found) int { return cmp.Compare(a.score(), b.score()) })
}

// score is the greater the more of the body is seen; the top decides between equals. A pose
// without a top, which is never taken, stands behind every other: upside down a plain wall
// fits as well.
func (f *Found) score() float64 {
	s := f.Seen + 0.1*f.TopSeen
	if f.TopSeen <= leastTopSeen {
		s--
	}
	return s
}

// fit moves the surface onto the body.
func (b *Body) fit(part *surface.Cloud, match surface.Matcher, start geom.Rigid, within float64, rounds int) (*Found, *surface.State) {
	f := surface.Fit{Cloud: part, Weight: part.Area, Match: match, Noise: noise}
	s := f.Run(start.Inverse(), within, 0.15, rounds)
	found := &Found{ToSurface: s.ToFixed.Inverse(), Residual: s.Scale}
	outward := 0.0
	for i, r := range s.Residual {
		if math.Abs(r) < agrees {
			found.Seen += part.Area[i] / b.area
			outward += part.Area[i] * r3.Dot(s.Normals[i], s.ToFixed.Rotate(part.Normals[i]))
			if s.Normals[i].Z > faces {
				found.TopSeen += part.Area[i] / b.topArea
			}
		}
	}
	found.Inward = outward < 0
	return found, s
}

// What runs along a body but not on it, such as a waist or a flat side in another place: within
// beside, mm, with a cosine of the normals of along at least, facing the same way; crowns beside
// the body face the other.
const (
	beside = 1.0
	along  = 0.8
)

// off is the surface that runs beside a body as a share of that which lies on it.
func (b *Body) off(part *surface.Cloud, toBody geom.Rigid, inward bool) float64 {
	f := surface.Fit{Cloud: part, Match: b.index.OnTo(along), Noise: noise}
	s := f.At(toBody, beside)
	on, off := 0.0, 0.0
	for i, r := range s.Residual {
		switch {
		case r != r || (r3.Dot(s.Normals[i], toBody.Rotate(part.Normals[i])) < 0) != inward:
		case math.Abs(r) < agrees:
			on += part.Area[i]
		default:
			off += part.Area[i]
		}
	}
	return off / max(on, 1e-9)
}

// Turns of a body about its axis that are tried, and how far it is leant besides, radians: a
// fixture leans by some degrees off its plan, and fits find their way from half of that.
const (
	turnsTried = 36
	leanTried  = 6 * math.Pi / 180
)

// Starts are the motions that bring a body found in a surface onto a planned fixture, in
// every turn about its axis, upright and leant to four sides: from the surface's frame to the
// plan's.
func Starts(toSurface geom.Rigid, planned geom.Pose) []geom.Rigid {
	up := r3.Scale(-1, planned.Axis())
	e1, e2 := geom.Perpendicular(up)
	back := toSurface.Inverse()
	var out []geom.Rigid
	for _, lean := range [...][2]float64{{}, {1, 0}, {-1, 0}, {0, 1}, {0, -1}} {
		leant := geom.Rotation(r3.Scale(leanTried, r3.Add(r3.Scale(lean[0], e1), r3.Scale(lean[1], e2))))
		leant.T = r3.Sub(planned.Entry, leant.Rotate(planned.Entry))
		for k := range turnsTried {
			s, c := math.Sincos(2 * math.Pi * float64(k) / turnsTried)
			x := r3.Add(r3.Scale(c, e1), r3.Scale(s, e2))
			y := r3.Cross(up, x)
			toPlan := geom.Rigid{R: [3][3]float64{{x.X, y.X, up.X}, {x.Y, y.Y, up.Y}, {x.Z, y.Z, up.Z}}, T: planned.Entry}
			out = append(out, leant.After(toPlan).After(back))
		}
	}
	return out
}
