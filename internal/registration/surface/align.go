// Package surface registers a surface scan to the planning scan's frame: onto another
// surface scan of the same jaw that lies there, or onto the enamel of the planning scan
// itself.
//
// Conventions: the moving surface is in its own file's frame, the fixed one in the planning
// frame, patient LPS, mm. Start with Onto.
//
// Method: from a set of starts, iterated least squares of the distances along the fixed
// surface's normals (Chen Y, Medioni G, Image Vis Comput 1992;10:145) with Tukey's
// biweight, first on few points and all alike, at last on many and weighted towards the
// fixtures, since a surface scan is joined from pictures and bends over the arch. What lies
// otherwise in both, such as a new crown, gets no weight.
package surface

import (
	"cmp"
	"errors"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/stats/orderstat"
)

// Moving is the surface to be registered.
type Moving struct {
	Cloud  *Cloud
	Bodies []geom.Vec   // where scan bodies stand on it; what is around them is new and does not count
	Starts []geom.Rigid // from its frame to the planning frame
	Inward bool         // its normals face inwards, which the scan bodies show
	Up     geom.Vec     // unit, coronal, likewise
}

// old is what was there before the scan bodies, facing outwards.
func (m *Moving) old() *Cloud {
	out := m.Cloud.Where(func(i int) bool {
		return !slices.ContainsFunc(m.Bodies, func(b geom.Vec) bool { return r3.Norm(r3.Sub(m.Cloud.Points[i], b)) < bodyReach })
	})
	if m.Inward {
		for i, n := range out.Normals {
			out.Normals[i] = r3.Scale(-1, n)
		}
	}
	return out
}

const (
	besideTop = 6.0 // mm: the next tooth's top lies within
	belowTop  = 4.5 // mm: crowns stand 6 to 10 out of the gum (textbooks, from memory)
)

// tops is what lies at most belowTop under the highest point beside it: crowns, where there
// are any.
func (c *Cloud) tops(up geom.Vec) *Cloud {
	return c.Where(func(i int) bool {
		for _, q := range c.Points {
			d := r3.Sub(q, c.Points[i])
			if z := r3.Dot(d, up); z > belowTop && r3.Norm2(d)-z*z < besideTop*besideTop {
				return false
			}
		}
		return true
	})
}

// Fixed is what a surface is registered onto: Surface or Scan.
type Fixed struct {
	coarse func() *Index // for the search; Refine does without it
	match  Matcher
	enamel *Enamel // nil for a surface
	toward float64 // mm: how fast points count less away from the fixtures
	noise  float64 // mm, the least scale of residuals
	middle float64 // mm, reach at the start of the fit between the search and the last
	start  float64 // mm, the same of the last fit
	bend   float64 // mm, see unbent
	most   float64 // mm, median distance of what fits
}

const (
	// Over a surface scan the neighbours of a site tell its place to micrometres, so that
	// only bending counts; the enamel's edge in a scan is noisier and takes more teeth.
	towardSurface, towardScan = 12.0, 20.0
	noiseSurface, noiseScan   = 0.01, 0.05
	// The median distance, mm, that right ones may have: between the 0.008 to 0.019 of right pairs
	// of surfaces and the 0.10 and more of mirrored ones and of other mouths; onto scans 0.025 to
	// 0.041 (with voxels of 0.4 mm), and 0.11 and more. From three kinds of phantom and one scan
	// at 0.4 mm, a few pairs each.
	typicalSurface, typicalScan = 0.045, 0.07
)

// OntoSurface registers onto a surface.
func OntoSurface(x *Index) *Fixed {
	return &Fixed{coarse: func() *Index { return x }, match: x.OnTo(likeNormals), toward: towardSurface, noise: noiseSurface, middle: middleReach, start: 0.5, bend: math.Sqrt2 * bendSurface, most: typicalSurface}
}

// OntoScan registers onto a planning scan's enamel.
func OntoScan(e *Enamel) *Fixed {
	coarse := func() *Index { return NewPointIndex(e.Surface(), 1.5*e.field.Spacing()[0], margin) }
	return &Fixed{coarse: coarse, match: e.OnEdge, enamel: e, toward: towardScan, noise: noiseScan, middle: middleReach, start: 0.6, bend: bendSurface, most: typicalScan}
}

// Found is a registration.
type Found struct {
	ToFixed geom.Rigid
	// The covariance of a small motion (ω, τ) about Centre, as in registration.Result.
	Centre geom.Vec
	Cov    *mat.SymDense

	Overlap  float64 // mm² of the moving surface that the fixed one shows
	On       float64 // share of it that lies on the fixed one
	Runner   float64 // the area of the next best pose that may be right, as a share of the best one's
	Typical  float64 // median distance of what lies near, mm
	Residual float64 // robust standard deviation of the distances, mm
	Scale    float64 // of the moving surface against the fixed one
	ScaleU   float64 // its standard uncertainty

	Distances []Distance // over what of the moving surface was there before
}

// Distance is how one place of the registered surface lies to what it was laid onto.
type Distance struct {
	At      geom.Vec // in the fixed frame
	Offset  float64  // mm, positive where it lies outside of that; NaN where nothing lies near
	Counted bool     // it had a weight in the fit
}

// Errors of Align.
var (
	ErrNoOverlap = errors.New("the surfaces have too little in common")
	ErrAmbiguous = errors.New("the surface fits in more than one place")
)

const (
	firstWidth, coarseWidth             = 2.8, 2.0 // mm, between points: half as many at first
	middleWidth, fineWidth              = 0.8, 0.4
	coarseReach, nearReach, finalReach  = 4.0, 1.5, 0.7 // mm
	middleReach                         = 1.0           // mm
	coarseOn, middleOn                  = 0.5, 0.2      // mm: a point lies on the fixed surface
	coarseNoise                         = 0.2           // mm: the points of an index stand about so far from the nearest
	firstRounds, nextRounds, lastRounds = 5, 4, 6       // of the coarse search; after the first the best third goes on
	goOn                                = 3
	keptCoarse                          = 8
	samePlace                           = 1.0 // mm between poses
	sameWay                             = 0.5 // mm: of poses so near each other one goes on, the others would end in the same place
	leanSteps                           = 2
	leanStep                            = 4 * math.Pi / 180
	hopeless                            = 0.3 // of the best one's area, with which a pose cannot come near mostRunner
	changedAt                           = 2.0 // standard deviations of residuals, within which 19 of 20 lie
	bodyReach                           = 5.0 // mm around a scan body that is new

	// What a registration must show, see also typicalSurface. Right pairs of a few phantoms had
	// 0.92 and more on, mirrored scans and those of other mouths up to 0.77.
	LeastOverlap = 300.0 // mm²: the crowns of two molars as far as they are seen
	leastOn      = 0.72
	mostRunner   = 0.75 // right ones had 0.44 and less
)

// Align registers a surface.
//
// Errors: ErrNoOverlap, ErrAmbiguous.
func Align(m Moving, onto *Fixed) (*Found, error) {
	whole := m.old()
	coarse, middle := whole.Thinned(coarseWidth), whole.Thinned(middleWidth)
	if onto.enamel != nil { // gum would slide onto crowns
		coarse, middle = coarse.tops(m.Up), middle.tops(m.Up)
	}
	if len(coarse.Points) == 0 || len(m.Bodies) == 0 {
		return nil, ErrNoOverlap
	}
	at := m.Bodies[0]
	found := distinct(middle.settled(search(coarse, onto, m.Starts, at), onto), at, keptCoarse)
	if len(found) == 0 || found[0].area <= 0 {
		return nil, ErrNoOverlap
	}
	refined := func(c candidate) *Found { return refine(whole, m.Bodies, c.toFixed, onto) }
	fits := func(f *Found) bool { return f.fits(onto) }
	best, out := 0, refined(found[0])
	if !fits(out) { // gum that slid onto crowns covers as much
		found = distinct(append(found, middle.settled(leant(found[:min(len(found), keptCoarse/4)], middle.middle(), m.Up), onto)...), at, keptCoarse)
		// Who tries more finds more by chance, such as two teeth of a mirrored scan.
		fits = func(f *Found) bool { return f.fits(onto) && f.Overlap >= 2*LeastOverlap }
		for i, c := range found {
			if c.area < mostRunner*found[0].area {
				break
			}
			if f := refined(c); i == 0 || fits(f) {
				best, out = i, f
			}
			if fits(out) {
				break
			}
		}
	}
	for i, c := range found {
		if i == best {
			continue
		}
		if ratio := c.area / found[best].area; ratio <= mostRunner {
			out.Runner = max(out.Runner, ratio)
			break
		}
		// So near that the last fit decides.
		if f := refined(c); fits(f) && apart(f.ToFixed, out.ToFixed, at) > samePlace {
			out.Runner = max(out.Runner, f.gain()/out.gain())
		}
	}
	switch {
	case !fits(out):
		return out, ErrNoOverlap
	case out.Runner > mostRunner:
		return out, ErrAmbiguous
	}
	return out, nil
}

// Refine registers a surface that lies within a millimetre of its place.
//
// Errors: ErrNoOverlap.
func Refine(m Moving, start geom.Rigid, onto *Fixed) (*Found, error) {
	whole := m.old()
	out := refine(whole, m.Bodies, start, onto)
	if !out.fits(onto) {
		return out, ErrNoOverlap
	}
	return out, nil
}

// fits reports whether it can be of one mouth.
func (f *Found) fits(onto *Fixed) bool {
	return f.Overlap >= LeastOverlap && f.On >= leastOn && f.Typical <= onto.most
}

// refine makes the last fit, twice: the points are thinned in the fixed frame where they lie, and
// those of the second are the same wherever the first began, and however the file lies.
func refine(whole *Cloud, bodies []geom.Vec, start geom.Rigid, onto *Fixed) *Found {
	var (
		fine   *Cloud
		places []geom.Vec
		f      Fit
		s      *State
	)
	for _, reach := range [...]float64{onto.start, 0.3} {
		if s != nil {
			start = s.ToFixed.After(start)
		}
		fine = onto.facing(whole.moved(start).Thinned(fineWidth))
		places = make([]geom.Vec, len(bodies))
		for i, b := range bodies {
			places[i] = start.Apply(b)
		}
		f = Fit{Cloud: fine, Weight: towards(fine, places, onto.toward), Match: onto.match, Noise: onto.noise}
		from := geom.Identity()
		if onto.enamel != nil {
			// Alike first: beside the fixtures a new crown would weigh more than the arch.
			alike := f
			alike.Weight = fine.Area
			s = alike.Run(from, reach, 0.3, 20)
			s.leaveChanged(fine, f.Weight)
			from, reach = s.ToFixed, 0.3
		}
		s = f.Run(from, reach, 0.3, 20)
		if onto.enamel != nil {
			f.Inside = onto.enamel.inside(fine, s)
			s = f.Run(s.ToFixed, 0.3, 0.3, 10)
		}
	}
	out := &Found{Residual: s.Scale}
	wide := f.At(s.ToFixed, middleReach)
	var distances []float32
	out.Distances = make([]Distance, len(wide.Residual))
	for i, r := range wide.Residual {
		// A match leads to the fixed surface along its normal, which may face inwards.
		outwards := math.Copysign(1, r3.Dot(wide.Normals[i], s.ToFixed.Rotate(fine.Normals[i])))
		out.Distances[i] = Distance{s.ToFixed.Apply(fine.Points[i]), -outwards * r, s.Robust[i] > 0}
		if r == r {
			out.Overlap += fine.Area[i]
			distances = append(distances, float32(math.Abs(r)))
		}
	}
	if len(distances) > 0 {
		out.Typical = float64(orderstat.Select(distances, len(distances)/2))
	}
	out.On = wide.on(fine, middleOn) / max(out.Overlap, 1e-9)
	var unbent geom.Rigid
	unbent, out.Centre, out.Cov = s.unbent(fine, places, onto)
	out.ToFixed = unbent.After(start)
	out.Scale, out.ScaleU = s.scaleOf(fine)
	return out
}

// leaveChanged takes the weight of pieces as large as a tooth, less than half of which lies on the
// fixed surface where the rest does: a new crown, whose every point is a little off, is no outlier
// by itself. What has no match counts on neither side.
func (s *State) leaveChanged(c *Cloud, weight []float64) {
	type share struct{ on, of float64 }
	at := func(i int) [3]int32 { return block(s.ToFixed.Apply(c.Points[i]), blockWidth) }
	pieces := map[[3]int32]share{}
	for i, r := range s.Residual {
		if r == r {
			x := pieces[at(i)]
			x.of += c.Area[i]
			if math.Abs(r) < changedAt*s.Scale {
				x.on += c.Area[i]
			}
			pieces[at(i)] = x
		}
	}
	for i := range weight {
		if x := pieces[at(i)]; x.on < x.of/2 {
			weight[i] = 0
		}
	}
}

// facing turns a cloud's normals outwards where the fixed surface shows which way that is.
func (f *Fixed) facing(c *Cloud) *Cloud {
	if f.enamel != nil && f.enamel.outside(c) < 0 {
		for i, n := range c.Normals {
			c.Normals[i] = r3.Scale(-1, n)
		}
	}
	return c
}

// candidate is a pose in the running.
type candidate struct {
	toFixed geom.Rigid
	area    float64 // mm² that lie on the fixed surface less those that lie beside it
}

// on is the area of the points that lie within limit of the fixed surface, mm².
func (s *State) on(c *Cloud, limit float64) float64 {
	sum := 0.0
	for i, r := range s.Residual {
		if math.Abs(r) < limit {
			sum += c.Area[i]
		}
	}
	return sum
}

// gain is the area of the points within limit of the fixed surface less that of those that only
// lie near it: gum slid onto crowns has much of both.
func (s *State) gain(c *Cloud, limit float64) float64 {
	near := 0.0
	for i, r := range s.Residual {
		if r == r {
			near += c.Area[i]
		}
	}
	return 2*s.on(c, limit) - near
}

// gain is the same of a last fit.
func (f *Found) gain() float64 { return (2*f.On - 1) * f.Overlap }

// apart is how far two poses put the points around a place apart, mm.
func apart(a, b geom.Rigid, at geom.Vec) float64 {
	worst := 0.0
	for _, d := range [4]geom.Vec{{}, {X: span}, {Y: span}, {Z: span}} {
		p := r3.Add(at, d)
		worst = max(worst, r3.Norm(r3.Sub(a.Apply(p), b.Apply(p))))
	}
	return worst
}

// search refines every start and gives distinct poses, that of most area on the fixed
// surface first; none where all lie beside it. at is a point of the cloud around which poses are
// compared. After some rounds on few points most starts are far behind, and only the best go on.
func search(coarse *Cloud, onto *Fixed, starts []geom.Rigid, at geom.Vec) []candidate {
	type run struct {
		candidate
		reach float64
	}
	var runs []run
	for _, m := range starts {
		// From afar a wide reach finds the way; from near it is led astray by the gum.
		runs = append(runs, run{candidate{toFixed: m}, coarseReach}, run{candidate{toFixed: m}, nearReach})
	}
	match := onto.coarse().Roughly(likeNormals, onto.enamel != nil)
	further := func(c *Cloud, rounds int) {
		f := Fit{Cloud: c, Weight: c.Area, Match: match, Noise: coarseNoise}
		parallel.For(len(runs), func(i int) {
			r := &runs[i]
			s := f.Run(r.toFixed, r.reach, finalReach, rounds)
			r.toFixed = s.ToFixed
			r.reach = max(finalReach, min(r.reach, tukey*s.Scale))
			r.area = f.At(s.ToFixed, nearReach).gain(c, coarseOn)
		})
		slices.SortStableFunc(runs, func(a, b run) int { return cmp.Compare(b.area, a.area) })
	}
	keep := func(most int, least float64) {
		var kept []run
		for _, r := range runs[:most] {
			if r.area >= least && !slices.ContainsFunc(kept, func(k run) bool { return apart(k.toFixed, r.toFixed, at) < sameWay }) {
				kept = append(kept, r)
			}
		}
		runs = kept
	}
	further(coarse.Thinned(firstWidth), firstRounds)
	keep((len(runs)+goOn-1)/goOn, math.Inf(-1))
	for _, rounds := range [...]int{nextRounds, lastRounds} {
		further(coarse, rounds)
		if runs[0].area <= 0 {
			return nil
		}
		keep(len(runs), hopeless*runs[0].area)
	}
	found := make([]candidate, len(runs))
	for i, r := range runs {
		found[i] = r.candidate
	}
	return distinct(found, at, keptCoarse)
}

// settled fits a cloud from each of the candidates.
func (c *Cloud) settled(from []candidate, onto *Fixed) []candidate {
	out := make([]candidate, len(from))
	for i, start := range from {
		near := onto.facing(c.moved(start.toFixed))
		f := Fit{Cloud: near, Weight: near.Area, Match: onto.match, Noise: 0.05}
		s := f.Run(geom.Identity(), onto.middle, 0.3, 15)
		out[i] = candidate{s.ToFixed.After(start.toFixed), f.At(s.ToFixed, middleReach).gain(near, middleOn)}
	}
	return out
}

// middle is the mean of the points.
func (c *Cloud) middle() geom.Vec {
	var sum geom.Vec
	for _, p := range c.Points {
		sum = r3.Add(sum, p)
	}
	return r3.Scale(1/float64(len(c.Points)), sum)
}

// leant are candidates leant to all sides about a point of the moving surface, the middle of its
// crowns: where gum slid onto bone or crowns the whole leans about these, and the way back is not
// downhill.
func leant(from []candidate, at, up geom.Vec) []candidate {
	e1, e2 := geom.Perpendicular(up)
	var out []candidate
	for _, c := range from {
		for i := -leanSteps; i <= leanSteps; i++ {
			for j := -leanSteps; j <= leanSteps; j++ {
				lean := geom.Rotation(r3.Scale(leanStep, r3.Add(r3.Scale(float64(i), e1), r3.Scale(float64(j), e2))))
				lean.T = r3.Sub(at, lean.Rotate(at))
				out = append(out, candidate{toFixed: c.toFixed.After(lean)})
			}
		}
	}
	return out
}

// distinct is the best of candidates that lie apart.
func distinct(all []candidate, at geom.Vec, most int) []candidate {
	slices.SortStableFunc(all, func(a, b candidate) int { return cmp.Compare(b.area, a.area) })
	var out []candidate
	for _, c := range all {
		if len(out) == most {
			break
		}
		if !slices.ContainsFunc(out, func(o candidate) bool { return apart(o.toFixed, c.toFixed, at) < samePlace }) {
			out = append(out, c)
		}
	}
	return out
}

// towards weighs points by their area and by their distance from the nearest of some places:
// (1 + d²/distance²)⁻².
func towards(c *Cloud, places []geom.Vec, distance float64) []float64 {
	out := make([]float64, len(c.Points))
	for i, p := range c.Points {
		nearest := math.Inf(1)
		for _, q := range places {
			nearest = min(nearest, r3.Norm(r3.Sub(p, q)))
		}
		w := 1 + nearest*nearest/(distance*distance)
		out[i] = c.Area[i] / (w * w)
	}
	return out
}
