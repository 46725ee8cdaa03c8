package meshaxis

import (
	"math"
	"slices"
)

const (
	// harmonics of the thread's shape: a triangular profile's fifth has a 25th of the first.
	harmonics = 4
	// minWaveKnot is the least distance of the knots of the wave's amplitude, mm. A
	// thread runs out over a turn or less, so the knots lie a turn apart; nearer
	// ones could pass for a shift of the axis.
	minWaveKnot = 0.8
	// rampKnot is the distance of the knots of a thread's strength, mm: it begins
	// and ends within half a millimetre.
	rampKnot = 0.1
	// shapeRidge regularises a thread's shape toward the last one, in points' weight:
	// only strength times shape is determined.
	shapeRidge = 1e-3
)

// wave is a helical wave on the wall, of phase 2π·rate·z − turns·θ: turns is the number of
// starts, negative for a left-handed thread, and 1/rate the pitch.
type wave struct {
	rate  float64 // 1/mm
	turns float64 // starts, with the hand's sign
}

func (w wave) phase(d wallPoint) float64 {
	return 2*math.Pi*w.rate*d.z - w.turns*d.angle
}

// thread is a wave of one shape all along, as a thread has: cosine and sine
// amplitudes of its harmonics, times a strength by the height, mm.
type thread struct {
	shape    []float64
	low      float64 // height of the first knot of the strength, mm
	strength []float64
}

// harmonicSum gives the shape's value and its derivative by the phase.
func (t *thread) harmonicSum(phase float64) (value, byPhase float64) {
	for h := range harmonics {
		n := float64(h + 1)
		sin, cos := math.Sincos(n * phase)
		value += t.shape[2*h]*cos + t.shape[2*h+1]*sin
		byPhase += n * (t.shape[2*h+1]*cos - t.shape[2*h]*sin)
	}
	return value, byPhase
}

// strengthAt is the strength at a height, linear between knots; 0 before a first fit.
func (t *thread) strengthAt(z float64) float64 {
	if len(t.strength) == 0 {
		return 0
	}
	k, f := knotAt(z-t.low, rampKnot)
	last := len(t.strength) - 1
	return (1-f)*t.strength[min(last, max(0, k))] + f*t.strength[min(last, max(0, k+1))]
}

// displacement is what the thread adds to the radius, mm.
func (t *thread) displacement(w wave, d wallPoint) float64 {
	value, _ := t.harmonicSum(w.phase(d))
	return value * t.strengthAt(d.z)
}

// flankCosine is the cosine of the angle between the flank and the axis: it turns a
// residual of the radius into a distance from the surface.
func (t *thread) flankCosine(w wave, d wallPoint) float64 {
	_, byPhase := t.harmonicSum(w.phase(d))
	return 1 / math.Hypot(1, t.strengthAt(d.z)*byPhase*2*math.Pi*w.rate)
}

// threadTerms is the thread's part of the design matrix.
type threadTerms struct {
	columns, width int // in all, and of one row
	shape          int // first column of a thread's shape
	knots          int // of a wave's amplitudes
	row            func(d wallPoint, put func(column int, x float64))
}

// threadTerms makes the columns from first on: none without a wave; of a wave the
// amplitudes at knots along the axis; of a thread its strength, its shape and its
// rate.
func (r *regression) threadTerms(first int, low, high float64) threadTerms {
	if r.wave == nil {
		return threadTerms{}
	}
	if r.thread == nil {
		knot := max(minWaveKnot, 1/r.wave.rate)
		knots := int((high-low)/knot) + 2
		return threadTerms{columns: 2 * harmonics * knots, width: 4 * harmonics, knots: knots, row: func(d wallPoint, put func(int, float64)) {
			k, t := knotAt(d.z-low, knot)
			phase := r.wave.phase(d)
			for h := range harmonics {
				sin, cos := math.Sincos(float64(h+1) * phase)
				at := first + 2*(h*knots+k)
				put(at, (1-t)*cos)
				put(at+1, (1-t)*sin)
				put(at+2, t*cos)
				put(at+3, t*sin)
			}
		}}
	}
	// Strength and shape are both unknown, so their product is linearised about the last
	// ones: strength·shape₀ + strength₀·shape − strength₀·shape₀.
	shape := first + int((high-low)/rampKnot) + 2
	rate := shape + 2*harmonics
	return threadTerms{columns: rate + 1 - first, width: 2 + 2*harmonics + 1, shape: shape, row: func(d wallPoint, put func(int, float64)) {
		phase := r.wave.phase(d)
		value, byPhase := r.thread.harmonicSum(phase)
		strength := r.thread.strengthAt(d.z)
		k, t := knotAt(d.z-low, rampKnot)
		put(first+k, (1-t)*value)
		put(first+k+1, t*value)
		for h := range harmonics {
			sin, cos := math.Sincos(float64(h+1) * phase)
			put(shape+2*h, strength*cos)
			put(shape+2*h+1, strength*sin)
		}
		put(rate, strength*byPhase*2*math.Pi*d.z)
	}}
}

// updateThread takes the thread from a solution.
func (r *regression) updateThread(solution []float64, term threadTerms, low float64) {
	first := len(solution) - term.columns
	if r.thread == nil {
		r.thread = &thread{shape: strongestShape(solution[first:], term.knots)}
		return
	}
	rate := len(solution) - 1
	r.wave = &wave{rate: r.wave.rate + solution[rate], turns: r.wave.turns}
	r.thread = &thread{shape: slices.Clone(solution[term.shape:rate]), low: low, strength: slices.Clone(solution[first:term.shape])}
}

// strongestShape picks a wave's amplitudes at the knot where their power is largest, at
// unit power.
func strongestShape(amplitudes []float64, knots int) []float64 {
	best, top := 0, -1.0
	for k := range knots {
		power := 0.0
		for h := range harmonics {
			at := 2 * (h*knots + k)
			power += amplitudes[at]*amplitudes[at] + amplitudes[at+1]*amplitudes[at+1]
		}
		if power > top && k > 0 && k < knots-1 { // the outer knots have little to go by
			best, top = k, power
		}
	}
	out := make([]float64, 0, 2*harmonics)
	for h := range harmonics {
		at := 2 * (h*knots + best)
		out = append(out, amplitudes[at]/math.Sqrt(max(top, 1e-12)), amplitudes[at+1]/math.Sqrt(max(top, 1e-12)))
	}
	return out
}

// dominantWave finds the helical wave with the largest power in the residual e; nil where
// none stands out. Power is the share of the residual's squares that a wave explains,
// 2·|Σ e·exp(iψ)|²/(n·Σ e²) (Schuster's periodogram).
func (r *regression) dominantWave() *wave {
	const (
		maxRate = 4.0 // 1/mm: a pitch of 0.25 mm
		// minTurns is how often a wave goes round at least: a thread does, the
		// corners of a box do not.
		minTurns = 1.5
		few      = 2000
		// minPower is the least share of the residual's squares that a wave must
		// explain to be one; of noise the best of some thousand
		// waves explains a hundredth.
		minPower = 0.03
		// maxDepth is what a thread may be off the wall, mm; where a sleeve and a
		// plain neck have more surface than the thread, it is no part of the scale.
		maxDepth = 0.4
	)
	every := max(1, len(r.wall)/few)
	far := max(cutoff*r.scale, maxDepth)
	var points []wallPoint
	squares := 0.0
	low, high := math.Inf(1), math.Inf(-1)
	for i := 0; i < len(r.wall); i += every {
		if e := r.residual[i]; math.Abs(e) < far {
			d := r.wall[i]
			d.residual = e
			points = append(points, d)
			squares += e * e
			low, high = min(low, d.z), max(high, d.z)
		}
	}
	power := func(w wave) float64 {
		re, im := 0.0, 0.0
		for _, d := range points {
			sin, cos := math.Sincos(w.phase(d))
			re += d.residual * cos
			im += d.residual * sin
		}
		return (re*re + im*im) * 2 / (float64(len(points)) * squares)
	}
	if len(points) == 0 || squares == 0 {
		return nil
	}
	step := 1 / (4 * (high - low))
	best, top := wave{}, minPower
	for _, turns := range []float64{1, -1, 2, -2} {
		for rate := minTurns / (high - low); rate < maxRate; rate += step {
			w := wave{rate, turns}
			if p := power(w); p > top {
				best, top = w, p
			}
		}
	}
	if best == (wave{}) {
		return nil
	}
	for ; step > 1e-5; step /= 2 {
		for _, to := range []float64{best.rate - step/2, best.rate + step/2} {
			w := wave{to, best.turns}
			if p := power(w); p > top {
				best, top = w, p
			}
		}
	}
	return &best
}
