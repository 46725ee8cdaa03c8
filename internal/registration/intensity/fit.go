package intensity

import (
	"cmp"
	"math"
	"slices"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/parallel"
	"plumbline/internal/volume"
)

// A small motion in the planning frame has 6 parameters, turn ω about the
// centre and shift τ; the scale check adds 3.
const (
	rigidParameters = 6
	allParameters   = 9
)

// motion is preToPost with, for the scale check, a stretch that comes first:
// scales 1 + stretch along the planning scan's axes about a centre.
type motion struct {
	geom.Rigid
	stretch [3]float64
	axes    [3]geom.Vec // unit; unused while the stretch is zero
	centre  geom.Vec
}

// affine is the motion as p ↦ m·p + t.
func (mo motion) affine() (m [3][3]float64, t geom.Vec) {
	m, t = mo.R, mo.T
	for a, e := range mo.stretch {
		if e == 0 {
			continue
		}
		axis := mo.axes[a]
		turned := mo.Rotate(axis)
		for i, u := range [3]float64{turned.X, turned.Y, turned.Z} {
			for j, v := range [3]float64{axis.X, axis.Y, axis.Z} {
				m[i][j] += e * u * v
			}
		}
		t = r3.Sub(t, r3.Scale(e*r3.Dot(axis, mo.centre), turned))
	}
	return m, t
}

// samples are points of the planning scan with their greys, grouped in blocks:
// cubes small enough that a gain and an offset carry one scan's greys to the
// other's inside each.
type samples struct {
	centre geom.Vec
	axes   [3]geom.Vec // of the planning scan's grid, unit; the scale check's directions
	point  []geom.Vec
	grey   []float32
	slope  []geom.Vec // gradient of grey, per mm
	block  []int      // first sample of each block, and the end
}

const (
	// fewestInBlock is how many samples a block needs for its gain and offset to
	// mean anything.
	fewestInBlock = 24
	// blockEdge, in samples, is the edge of a block at least: its whole has
	// nearly twice the fewest.
	blockEdge = 3.5
)

// gather reads the samples of a field (already smoothed) at its own nodes
// inside the region, about stride mm apart along each index. Blocks are as large
// as it takes to hold a good number of them.
func gather(f *volume.Field, reg *region, stride, side float64) *samples {
	var every [3]int
	apart := 1.0 // mm³ a sample
	for a, sp := range f.Spacing() {
		every[a] = max(1, int(math.Round(stride/sp)))
		apart *= float64(every[a]) * sp
	}
	side = max(side, blockEdge*math.Cbrt(apart))
	s := &samples{centre: reg.centre}
	for a := range 3 {
		s.axes[a] = r3.Unit(f.Step[a])
	}
	type node struct {
		p   geom.Vec
		g   float32
		d   geom.Vec
		key [3]int
	}
	rd := newReader(f, motion{Rigid: geom.Identity()})
	planes := make([][]node, (f.Size[2]+every[2]-1)/every[2])
	parallel.For(len(planes), func(n int) {
		k := n * every[2]
		for j := 0; j < f.Size[1]; j += every[1] {
			for i := 0; i < f.Size[0]; i += every[0] {
				if g := f.At(i, j, k); g != g {
					continue
				}
				p := f.Patient(float64(i), float64(j), float64(k))
				if !reg.contains(p) {
					continue
				}
				v, slope := rd.at(p)
				if v != v {
					continue
				}
				d := r3.Sub(p, reg.centre)
				planes[n] = append(planes[n], node{p, float32(v), slope, [3]int{
					int(math.Floor(r3.Dot(d, s.axes[2])/side + 0.5)),
					int(math.Floor(r3.Dot(d, s.axes[1])/side + 0.5)),
					int(math.Floor(r3.Dot(d, s.axes[0])/side + 0.5)),
				}})
			}
		}
	})
	count, strength := map[[3]int]int{}, map[[3]int]float64{}
	for _, nodes := range planes {
		for i := range nodes {
			count[nodes[i].key]++
			strength[nodes[i].key] += r3.Norm2(nodes[i].d)
		}
	}
	keys := telling(count, strength)
	next := map[[3]int]int{}
	total := 0
	for _, key := range keys {
		s.block = append(s.block, total)
		next[key] = total
		total += count[key]
	}
	s.block = append(s.block, total)
	s.point, s.grey, s.slope = make([]geom.Vec, total), make([]float32, total), make([]geom.Vec, total)
	for _, nodes := range planes {
		for i := range nodes {
			if at, ok := next[nodes[i].key]; ok {
				s.point[at], s.grey[at], s.slope[at] = nodes[i].p, nodes[i].g, nodes[i].d
				next[nodes[i].key] = at + 1
			}
		}
	}
	return s
}

// telling are the blocks, in order of place, that hold all but a hundredth of
// the squared slopes, which are what a fit knows: air and soft flesh only cost
// time.
func telling(count map[[3]int]int, strength map[[3]int]float64) [][3]int {
	var keys [][3]int
	for key, n := range count {
		if n >= fewestInBlock {
			keys = append(keys, key)
		}
	}
	byPlace := func(a, b [3]int) int { return slices.Compare(a[:], b[:]) }
	slices.SortFunc(keys, byPlace)
	slices.SortStableFunc(keys, func(a, b [3]int) int { return cmp.Compare(strength[b], strength[a]) })
	total := 0.0
	for _, key := range keys {
		total += strength[key]
	}
	kept, n := 0.0, 0
	for n < len(keys) && kept < (1-negligible)*total {
		kept += strength[keys[n]]
		n++
	}
	keys = keys[:n]
	slices.SortFunc(keys, byPlace)
	return keys
}

// negligible is the share of the squared slopes that may be left out.
const negligible = 0.01

// normal is a block's share of the normal equations and what its greys say.
type normal struct {
	n        int // samples that both scans have
	of       int // samples of the planning scan
	gain     float64
	residual float64 // weighted rms of what gain and offset leave of the planning greys
	contrast float64 // standard deviation of the planning greys
	corr     float64 // correlation of both scans' greys
	used     bool
	weight   float64 // mean robust weight
	bend     float64 // mean derivative of the robust influence, of which the weight is the upper bound
	h        [allParameters][allParameters]float64
	g        [allParameters]float64
	cross    [allParameters][allParameters]float64 // h from one scan's slopes times the other's; only from curvature
	centroid geom.Vec                              // of the samples, planning frame
}

// evaluation is the state of a fit at one transform.
type evaluation struct {
	blocks []normal
	noise  float64 // robust scale of the residual, planning greys
	gain   float64 // typical gain
}

// workspace keeps one fit's per-sample numbers between its two passes.
type workspace struct {
	value []float64
	slope []geom.Vec
	each  func(n int, f func(i int)) // over the blocks: parallel or serial
}

func newWorkspace(s *samples, each func(n int, f func(i int))) *workspace {
	return &workspace{value: make([]float64, len(s.point)), slope: make([]geom.Vec, len(s.point)), each: each}
}

// serial runs f(0) … f(n−1), for work that is one of many side by side.
func serial(n int, f func(i int)) {
	for i := range n {
		f(i)
	}
}

// detail says how much an evaluation works out.
type detail int

const (
	// brisk takes the planning scan's slopes for both scans': half the work,
	// and near enough on the way.
	brisk detail = iota
	// even takes the mean of both scans' slopes, so that neither scan's noise
	// weighs more and both directions of alignment agree.
	even
	// full adds the curvature from the product of both scans' slopes, whose
	// noises are independent, so that noise does not pass for structure.
	full
)

// Weights of the robust fit.
const (
	// cauchy is where a sample's weight falls to a half, in units of the noise.
	// 2.385 keeps 95 % efficiency under normal noise (Holland PW, Welsch RE.
	// Commun Stat Theory Methods 1977;6(9):813-827).
	cauchy = 2.385
	// gainRange bounds a block's gain against the typical one. Beam hardening
	// and cupping change a cone-beam scan's greys by some ten percent; a block
	// that wants more than twice or half the gain has no match there.
	gainRange = 2.0
)

// evaluate compares the scans at preToPost.
//
// Method: in each block the planning greys p are fitted by a + b·q, q the
// follow-up greys where preToPost takes the samples. With a and b eliminated,
// the sum of squares left falls as the blocks' squared correlation rises, so
// its minimum is the maximum of a local normalised correlation, and Gauss and
// Newton's step for it is had from ∂q alone, made orthogonal to 1 and q
// (variable projection in Kaufman's form: Kaufman L. BIT 1975;15:49-57). Near
// the optimum b·∂q and ∂p are the same but for noise, so either or the mean of
// both serves (efficient second-order minimisation: Benhimane S, Malis E. IROS
// 2004:943-948). Samples are reweighted by Cauchy's function of their residual.
func (s *samples) evaluate(moving *volume.Field, preToPost motion, ws *workspace, parameters int, how detail) *evaluation {
	rd := newReader(moving, preToPost)
	blocks := len(s.block) - 1
	ev := &evaluation{blocks: make([]normal, blocks)}
	type line struct{ a, b, p, q float64 } // offset and gain, and the mean greys
	lines := make([]line, blocks)
	rms := make([]float64, blocks)

	ws.each(blocks, func(b int) {
		from, to := s.block[b], s.block[b+1]
		nb := &ev.blocks[b]
		nb.of = to - from
		var sp, sq, spp, sqq, spq float64
		for i := from; i < to; i++ {
			var q float64
			if how == brisk {
				q = rd.value(s.point[i])
			} else {
				q, ws.slope[i] = rd.at(s.point[i])
			}
			ws.value[i] = q
			if q != q {
				continue
			}
			p := float64(s.grey[i])
			nb.n++
			nb.centroid = r3.Add(nb.centroid, s.point[i])
			sp += p
			sq += q
			spp += p * p
			sqq += q * q
			spq += p * q
		}
		if nb.n < fewestInBlock || 3*nb.n < nb.of {
			return
		}
		n := float64(nb.n)
		nb.centroid = r3.Scale(1/n, nb.centroid)
		cpp, cqq, cpq := spp/n-sp*sp/n/n, sqq/n-sq*sq/n/n, spq/n-sp*sq/n/n
		if cpp <= 0 || cqq <= 0 {
			return
		}
		nb.used = true
		nb.contrast = math.Sqrt(cpp)
		nb.corr = cpq / math.Sqrt(cpp*cqq)
		nb.gain = cpq / cqq
		lines[b] = line{(sp - nb.gain*sq) / n, nb.gain, sp / n, sq / n}
		rms[b] = math.Sqrt(max(0, cpp*(1-nb.corr*nb.corr)))
	})

	ev.noise, ev.gain = ev.typical(rms)
	if ev.noise == 0 {
		return ev
	}
	half := cauchy * ev.noise
	ws.each(blocks, func(b int) {
		nb := &ev.blocks[b]
		if !nb.used {
			return
		}
		from, to := s.block[b], s.block[b+1]
		gain := min(max(lines[b].b, ev.gain/gainRange), ev.gain*gainRange)
		// Weights from the plain line, and where it matters from the weighted one.
		rounds := 2
		if how == brisk {
			rounds = 1
		}
		offset := lines[b].a
		if gain != lines[b].b {
			offset = meanOffset(s.grey[from:to], ws.value[from:to], gain)
		}
		var sw, mq, cqq float64
		for range rounds {
			var sq, sp, sqq, sqp float64 // of what is beyond the plain means
			sw = 0
			for i := from; i < to; i++ {
				q := ws.value[i]
				if q != q {
					continue
				}
				p := float64(s.grey[i])
				w := robustWeight(p-offset-gain*q, half)
				p, q = p-lines[b].p, q-lines[b].q
				sw += w
				sq += w * q
				sp += w * p
				sqq += w * q * q
				sqp += w * q * p
			}
			mq = lines[b].q + sq/sw
			mp := lines[b].p + sp/sw
			cqq = sqq - sq*sq/sw
			cqp := sqp - sq*sp/sw
			if cqq > 0 {
				gain = min(max(cqp/cqq, ev.gain/gainRange), ev.gain*gainRange)
			}
			offset = mp - gain*mq
		}
		nb.gain = gain

		var h, cross [allParameters][allParameters]float64
		var g, j, j1, jq, m1, mq1, p1, pq1, jm, jp [allParameters]float64
		srr, bend := 0.0, 0.0
		for i := from; i < to; i++ {
			q := ws.value[i]
			if q != q {
				continue
			}
			r := float64(s.grey[i]) - offset - gain*q
			w := robustWeight(r, half)
			bend += w * (2*w - 1)
			srr += w * r * r
			slope := s.slope[i]
			if how != brisk {
				slope = r3.Scale(0.5, r3.Add(slope, r3.Scale(gain, ws.slope[i])))
			}
			s.jacobian(&j, i, slope, parameters)
			for a, ja := range j[:parameters] {
				wj := w * ja
				g[a] += wj * r
				j1[a] += wj
				jq[a] += wj * (q - mq)
				row := h[a][a:parameters]
				for c, jc := range j[a:parameters] {
					row[c] += wj * jc
				}
			}
			if how != full {
				continue
			}
			s.jacobian(&jp, i, s.slope[i], parameters)
			for a := range parameters {
				jm[a] = 2*j[a] - jp[a]
				wp, wm := w*jp[a], w*jm[a]
				p1[a] += wp
				pq1[a] += wp * (q - mq)
				m1[a] += wm
				mq1[a] += wm * (q - mq)
				row := cross[a][:parameters]
				for c := range row {
					row[c] += wp * jm[c]
				}
			}
		}
		project := func(v, a1, c1, aq, cq float64) float64 {
			v -= a1 * c1 / sw
			if cqq > 0 {
				v -= aq * cq / cqq
			}
			return v
		}
		for a := range parameters {
			for c := a; c < parameters; c++ {
				v := project(h[a][c], j1[a], j1[c], jq[a], jq[c])
				nb.h[a][c], nb.h[c][a] = v, v
				if how == full {
					v = (project(cross[a][c], p1[a], m1[c], pq1[a], mq1[c]) + project(cross[c][a], p1[c], m1[a], pq1[c], mq1[a])) / 2
					nb.cross[a][c], nb.cross[c][a] = v, v
				}
			}
			nb.g[a] = g[a]
		}
		nb.weight, nb.bend = sw/float64(nb.n), bend/float64(nb.n)
		nb.residual = math.Sqrt(srr / sw)
	})
	return ev
}

func meanOffset(p []float32, q []float64, gain float64) float64 {
	sum, n := 0.0, 0
	for i := range p {
		if q[i] == q[i] {
			sum += float64(p[i]) - gain*q[i]
			n++
		}
	}
	return sum / float64(n)
}

func robustWeight(r, half float64) float64 {
	x := r / half
	return 1 / (1 + x*x)
}

// jacobian is the change of gain·q at sample i with the parameters: ω about
// the centre, τ, and the three relative scales along the planning scan's axes.
func (s *samples) jacobian(j *[allParameters]float64, i int, slope geom.Vec, parameters int) {
	d := r3.Sub(s.point[i], s.centre)
	turn := r3.Cross(d, slope)
	j[0], j[1], j[2] = turn.X, turn.Y, turn.Z
	j[3], j[4], j[5] = slope.X, slope.Y, slope.Z
	if parameters == allParameters {
		for a, axis := range s.axes {
			j[6+a] = r3.Dot(d, axis) * r3.Dot(slope, axis)
		}
	}
}

// typical is the noise and the gain of the blocks that have structure: medians
// over the blocks with more than the median contrast.
func (ev *evaluation) typical(rms []float64) (noise, gain float64) {
	var contrast []float64
	for _, b := range ev.blocks {
		if b.used {
			contrast = append(contrast, b.contrast)
		}
	}
	if len(contrast) == 0 {
		return 0, 0
	}
	limit := median(contrast)
	var noises, gains []float64
	for i, b := range ev.blocks {
		if b.used && b.contrast >= limit {
			noises = append(noises, rms[i])
			gains = append(gains, b.gain)
		}
	}
	// A scan aligned to its own copy leaves nothing but rounding.
	return max(median(noises), exactCopy*limit), max(median(gains), 1e-9)
}

// exactCopy is the least noise, in contrasts, that a fit reckons with: some
// hundred roundings of single precision.
const exactCopy = 1e-5

// median sorts v.
func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	n := len(v)
	return (v[(n-1)/2] + v[n/2]) / 2
}

// similarity is the contrast-weighted mean of the blocks' correlation, 1 at
// most. No block counts for more than four times the median variance, so that
// a few crowns cannot speak for the bone.
func (ev *evaluation) similarity() float64 {
	var variances []float64
	for _, b := range ev.blocks {
		if b.used {
			variances = append(variances, b.contrast*b.contrast)
		}
	}
	if len(variances) == 0 {
		return 0
	}
	most := 4 * median(variances)
	sum, total := 0.0, 0.0
	for _, b := range ev.blocks {
		if !b.used {
			continue
		}
		w := min(b.contrast*b.contrast, most) * float64(b.n)
		sum += w * b.corr
		total += w
	}
	return sum / total
}

// score weighs likeness and overlap; see rootCoverage.
func (ev *evaluation) score() float64 { return ev.similarity() * rootCoverage(ev.coverage()) }

// coverage is the share of the samples that both scans have.
func (ev *evaluation) coverage() float64 {
	n, of := 0, 0
	for _, b := range ev.blocks {
		of += b.of
		if b.used {
			n += b.n
		}
	}
	if of == 0 {
		return 0
	}
	return float64(n) / float64(of)
}

// sum adds the blocks' normal equations.
func sum(blocks []normal, parameters int) (h *mat.SymDense, g *mat.VecDense) {
	h = mat.NewSymDense(parameters, nil)
	g = mat.NewVecDense(parameters, nil)
	for i := range blocks {
		if !blocks[i].used {
			continue
		}
		for a := range parameters {
			g.SetVec(a, g.AtVec(a)+blocks[i].g[a])
			for c := a; c < parameters; c++ {
				h.SetSym(a, c, h.At(a, c)+blocks[i].h[a][c])
			}
		}
	}
	return h, g
}

// step solves the normal equations; ok is false when they do not determine the
// motion.
func step(blocks []normal, parameters int, damping float64) (x []float64, ok bool) {
	h, g := sum(blocks, parameters)
	for a := range parameters {
		h.SetSym(a, a, h.At(a, a)*(1+damping))
	}
	var chol mat.Cholesky
	if !chol.Factorize(h) {
		return nil, false
	}
	var v mat.VecDense
	if err := chol.SolveVecTo(&v, g); err != nil {
		return nil, false
	}
	return v.RawVector().Data, true
}

// split takes the turn ω and the shift τ out of a parameter vector.
func split(x []float64) (omega, tau geom.Vec) {
	return geom.Vec{X: x[0], Y: x[1], Z: x[2]}, geom.Vec{X: x[3], Y: x[4], Z: x[5]}
}

// move is the small motion p ↦ p + τ + ω × (p − centre), made exactly rigid.
func move(centre, omega, tau geom.Vec) geom.Rigid {
	r := geom.Rotation(omega)
	r.T = r3.Add(tau, r3.Sub(centre, r.Rotate(centre)))
	return r
}

// size is how far a motion about the centre moves a point at the lever.
func size(omega, tau geom.Vec, lever float64) float64 {
	return r3.Norm(tau) + lever*r3.Norm(omega)
}

// lever, mm, is where a motion's size is judged: about the length of a fixture.
const lever = 12.0

// damping of Gauss and Newton's step, relative: a direction that nothing holds
// stays where it is.
const damping = 1e-3

// refine iterates from start until the fit has settled near the fixtures or the
// level's steps are used up. The evaluation belongs to the returned transform.
func (s *samples) refine(moving *volume.Field, start geom.Rigid, l level, how detail, each func(int, func(int))) (geom.Rigid, *evaluation) {
	mo, ev := s.descend(moving, motion{Rigid: start}, l, rigidParameters, how, each)
	return mo.Rigid, ev
}

// stretch goes on from a rigid fit with the three scales free.
func (s *samples) stretch(moving *volume.Field, start geom.Rigid, l level) (motion, *evaluation) {
	return s.descend(moving, motion{Rigid: start, axes: s.axes, centre: s.centre}, l, allParameters, full, parallel.For)
}

// descend takes Gauss and Newton's steps; the last evaluation is done as how
// says. A brisk descent, which may be far from the optimum or on few samples,
// returns the best of the places it came through.
func (s *samples) descend(moving *volume.Field, mo motion, l level, parameters int, how detail, each func(int, func(int))) (motion, *evaluation) {
	ws := newWorkspace(s, each)
	now := min(how, even)
	ev := s.evaluate(moving, mo, ws, parameters, now)
	best, bestMotion := ev, mo
	for range l.steps {
		x, ok := step(ev.blocks, parameters, damping)
		if !ok {
			break
		}
		omega, tau := split(x)
		length := size(omega, tau, lever)
		shrink := 1.0
		if length > l.reach {
			shrink = l.reach / length
		}
		mo.Rigid = mo.Rigid.After(move(s.centre, r3.Scale(shrink, omega), r3.Scale(shrink, tau)))
		for a := rigidParameters; a < parameters; a++ {
			mo.stretch[a-rigidParameters] += shrink * x[a]
			length += lever * math.Abs(x[a])
		}
		settled := length < l.settle
		if settled {
			now = how
		}
		ev = s.evaluate(moving, mo, ws, parameters, now)
		if how == brisk && ev.score() > best.score() {
			best, bestMotion = ev, mo
		}
		if settled {
			break
		}
	}
	switch {
	case how == brisk:
		return bestMotion, best
	case now != how:
		ev = s.evaluate(moving, mo, ws, parameters, how)
	}
	return mo, ev
}
