package intensity

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/motion"
	"plumbline/internal/parallel"
	"plumbline/internal/registration"
	"plumbline/internal/volume"
)

const (
	// movingEdges is how much farther than in the registration a residual may lie off
	// before its weight is a half: an edge that a moving head displaces is no outlier here,
	// but what surgery changed is. On some twenty phantoms whose heads move by 0.15 to 0.6 mm, 1.5
	// gives 1.3 times that on average; 1 gives three quarters of it, and 3 takes still heads
	// for ones that move by 0.1 mm.
	movingEdges = 1.5
	// faintContrast is the share of the median block's contrast below which a block is
	// faint: next to nothing of its residual comes from displaced edges.
	faintContrast = 0.5
)

// edgeNoise is the residual at edges that artefacts and noise leave, without what a head's
// motion displaces: between the typical one, which holds all of that, and that of faint
// blocks, which holds none of it but too little of the artefacts; their geometric mean. On
// phantoms with motion the typical one alone makes intervals of 1.4 standard uncertainties'
// error, the faint one 0.7, and amplitudes of more than a millimetre where it is 0.3.
func (ev *evaluation) edgeNoise() float64 {
	var contrasts, residuals []float64
	for _, b := range ev.blocks {
		if b.used {
			contrasts = append(contrasts, b.contrast)
		}
	}
	limit := faintContrast * median(contrasts)
	for _, b := range ev.blocks {
		if b.used && b.contrast < limit {
			residuals = append(residuals, b.residual)
		}
	}
	if faint := median(residuals); faint < ev.noise {
		return math.Sqrt(max(faint, minNoise*limit) * ev.noise)
	}
	return ev.noise
}

// motionColumns are the rigid parameters themselves and, for each scan, their patterns.
const (
	motionColumns = 1 + 2*motion.Patterns
	motionSize    = rigidParameters * motionColumns
)

// motionSums are normal equations over the rigid parameters, the planning scan's motion and
// the follow-up scan's, all as small motions about the region's centre in the planning
// frame. Of h the upper triangle is filled.
type motionSums struct {
	h [motionSize][motionSize]float64
	g [motionSize]float64
}

// seenMotion is what the residuals at the optimum tell of heads that moved, and how the
// transform answers to them; nil where it cannot be told.
//
// Method: the metric's least-squares fit, to which the patterns of both scans are added as
// further parameters. An edge of the planning scan that is displaced by u asks for the
// opposite of what one of the follow-up scan asks for.
func (r *refinement) seenMotion(s *samples, moving *volume.Field, preToPost geom.Rigid, l level) *registration.Motion {
	m := newMetric(s, moving, rigidParameters, parallel.For)
	ev := m.evaluate(scaledRigid{Rigid: preToPost}, symmetric)
	if ev.noise == 0 {
		return nil
	}
	pre, post := motion.NewGantry(r.fixed.vol.Axes()), motion.NewGantry(r.moving.vol.Axes()).In(preToPost.Inverse())
	in := newInterpolator(moving, scaledRigid{Rigid: preToPost})
	blocks := len(m.blockStart) - 1
	chunks := (blocks + motionChunk - 1) / motionChunk
	parts := make([]*motionSums, chunks)
	parallel.For(chunks, func(n int) {
		parts[n] = &motionSums{}
		for b := n * motionChunk; b < min(blocks, (n+1)*motionChunk); b++ {
			if ev.blocks[b].used {
				m.addMotion(parts[n], b, &in, ev, pre, post)
			}
		}
	})
	var sum motionSums
	for _, p := range parts {
		for a := range motionSize {
			sum.g[a] += p.g[a]
			for c := a; c < motionSize; c++ {
				sum.h[a][c] += p.h[a][c]
			}
		}
	}
	// The noise-equivalent volume of the smoothing is (2√π σ)³; samples that lie closer
	// share their noise.
	shared := max(1, math.Pow(2*math.Sqrt(math.Pi)*r.smoothing(l), 3)/s.perSample)
	return sum.eliminate(shared * square(ev.edgeNoise()))
}

// motionChunk is how many blocks share their sums.
const motionChunk = 64

// addMotion adds a block's Jacobian products, with its offset and gain projected out as in
// metric.normalEquations.
func (m *metric) addMotion(sum *motionSums, b int, in *interpolator, ev *evaluation, pre, post motion.Gantry) {
	wide := *ev
	wide.noise *= movingEdges
	m.resample(b, in, symmetric)
	var again blockFit
	plain, _ := m.localRegression(b, &again)
	line := m.robustRefit(b, plain, &wide, symmetric)
	var j, one, grey [motionSize]float64
	var rigid [allParameters]float64
	for i := m.blockStart[b]; i < m.blockStart[b+1]; i++ {
		q := m.movingGrey[i]
		if q != q {
			continue
		}
		residual := float64(m.grey[i]) - line.offset - line.gain*q
		w := cauchyWeight(residual, residualScale(&wide))
		gradient := r3.Scale(0.5, r3.Add(m.gradient[i], r3.Scale(line.gain, m.movingGradient[i])))
		m.jacobian(&rigid, i, gradient, rigidParameters)
		of := [2][motion.Patterns]float64{pre.Pattern(gradient), post.Pattern(gradient)}
		copy(j[:], rigid[:rigidParameters])
		for a, v := range rigid[:rigidParameters] {
			for k := range motion.Patterns {
				j[(1+k)*rigidParameters+a] = -of[0][k] * v
				j[(1+motion.Patterns+k)*rigidParameters+a] = of[1][k] * v
			}
		}
		for a, ja := range &j {
			wj := w * ja
			sum.g[a] += wj * residual
			one[a] += wj
			grey[a] += wj * (q - line.meanQ)
			row := sum.h[a][a:]
			for c, jc := range j[a:] {
				row[c] += wj * jc
			}
		}
	}
	for a := range motionSize {
		for c := a; c < motionSize; c++ {
			sum.h[a][c] -= one[a] * one[c] / line.sumW
			if line.sumQQ > 0 {
				sum.h[a][c] -= grey[a] * grey[c] / line.sumQQ
			}
		}
	}
}

// eliminate takes the rigid parameters out by the Schur complement; variance is that of an
// independent residual's noise.
func (s *motionSums) eliminate(variance float64) *registration.Motion {
	const rest = motionSize - rigidParameters
	rigid, cross := mat.NewSymDense(rigidParameters, nil), mat.NewDense(rigidParameters, rest, nil)
	for a := range rigidParameters {
		for c := a; c < rigidParameters; c++ {
			rigid.SetSym(a, c, s.h[a][c])
		}
		cross.SetRow(a, s.h[a][rigidParameters:])
	}
	var chol mat.Cholesky
	var response mat.Dense
	var step mat.VecDense
	if !chol.Factorize(rigid) || chol.SolveTo(&response, cross) != nil || chol.SolveVecTo(&step, mat.NewVecDense(rigidParameters, s.g[:rigidParameters])) != nil {
		return nil
	}
	e := motion.Evidence{Information: mat.NewSymDense(rest, nil), Score: mat.NewVecDense(rest, nil)}
	for a := range rest {
		e.Score.SetVec(a, (s.g[rigidParameters+a]-mat.Dot(cross.ColView(a), &step))/variance)
		for c := a; c < rest; c++ {
			e.Information.SetSym(a, c, (s.h[rigidParameters+a][rigidParameters+c]-mat.Dot(cross.ColView(a), response.ColView(c)))/variance)
		}
	}
	// The transform from the follow-up to the planning scan moves the other way.
	response.Scale(-1, &response)
	return &registration.Motion{Amplitude: motion.Infer(e), Response: &response}
}

// reportMotion adds the head's motion to the result, and a flag where it is a doubt.
func reportMotion(out *registration.Result) {
	if out.Motion == nil {
		return
	}
	travel := motion.Travel(out.Motion.RMS)
	out.Quality["head_travel_mm"] = travel
	if !out.Motion.Doubtful() {
		return
	}
	out.Flags = append(out.Flags, measurement.Flag{
		Code:    measurement.CodeHeadMoved,
		Level:   measurement.Doubt,
		Message: fmt.Sprintf("bone and teeth that face different ways fit each other as if the head had moved by about %.1f mm while one of the scans was taken, or both; every interval takes that in. Look for doubled or smeared edges in both scans before you rely on the figures; a plan that points the wrong way or a scan that is a mirror image looks so, too", travel),
	})
}
