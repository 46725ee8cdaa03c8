// Package motion is how a head that moves while the source circles it shows in the
// image, and how far it moved.
//
// A reconstruction takes an edge from the views along it, so that the edge lies where the
// head was then: its displacement from the mean pose depends on which way it faces in the
// slice. By the projection-slice theorem (A. C. Kak and M. Slaney, Principles of
// Computerized Tomographic Imaging, 1988, chapter 3) that holds for each spatial
// frequency; here it is taken for edges. Over a full turn two opposite views share an edge,
// which lies at the mean of their poses; so a displacement repeats after half a turn and
// is a Fourier series in twice the angle φ that the edge's normal has in the slice,
//
//	u(x, n) = Σₖ cₖ(n)·(τₖ + ωₖ × (x − centre))
//
// with cₖ the patterns cos 2φ, sin 2φ, cos 4φ, sin 4φ and small motions (ωₖ, τₖ), rad and
// mm. Edges across the axis of rotation are seen by all views and stay at the mean pose.
// Of u only the part along n is to be seen; most of what displaces a whole jaw is not.
//
// Limits: what moves an edge along itself, or all edges alike, cannot be told from the
// image; only its usual size follows from that of what can. Start with Infer.
package motion

import (
	"math"

	"gonum.org/v1/gonum/mat"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/geom"
)

const (
	harmonics = 2
	// Patterns is the number of angular patterns, Parameters that of a scan's motion: for
	// each pattern a rotation vector, rad, and a translation, mm.
	Patterns   = 2 * harmonics
	Parameters = 6 * Patterns
)

// grazing softens the patterns of edges that face along the axis of rotation: the squared
// sine of the angle to it, 8°, below which an edge of some millimetres is seen by all views.
const grazing = 0.02

// Gantry is the plane in which a scan's source turns: two unit vectors across its axis of
// rotation.
type Gantry struct{ e1, e2 geom.Vec }

// NewGantry is that of a scan with these unit axes, of columns, rows and slices' normal. The
// source turns about the one that lies nearest to the patient's height, whichever way the
// scan is stored.
func NewGantry(axes [3]geom.Vec) Gantry {
	up := 0
	for a, v := range axes {
		if math.Abs(v.Z) > math.Abs(axes[up].Z) {
			up = a
		}
	}
	return Gantry{axes[(up+1)%3], axes[(up+2)%3]}
}

// In is the gantry in another frame.
func (g Gantry) In(m geom.Rigid) Gantry { return Gantry{m.Rotate(g.e1), m.Rotate(g.e2)} }

// Pattern is the patterns' values at an edge with a normal n of any length.
func (g Gantry) Pattern(n geom.Vec) (out [Patterns]float64) {
	u, v := r3.Dot(n, g.e1), r3.Dot(n, g.e2)
	soft := u*u + v*v + grazing*r3.Norm2(n)
	if soft == 0 {
		return out
	}
	re, im := (u*u-v*v)/soft, 2*u*v/soft
	c, d := re, im
	for k := 0; k < Patterns; k += 2 {
		out[k], out[k+1] = c, d
		c, d = c*re-d*im, c*im+d*re
	}
	return out
}

const (
	// patternSD is the standard deviation of a first pattern's translation for a head whose
	// place along an axis has one of 1 mm; those of the k-th have a k-th of it. A steady
	// drift has 0.55/k/√2 for either of a pair, slow swings 0.3 to 0.5.
	patternSD = 0.4
	// pivot is the distance about which a head turns as it moves, mm: from the occipital
	// condyles to the teeth. Common practice, no source.
	pivot = 80.0
)

// sd is the standard deviation of a parameter at an amplitude of 1 mm.
func sd(parameter int) float64 {
	s := patternSD / float64(parameter/12+1)
	if parameter%6 < 3 {
		s /= pivot
	}
	return s
}

// Covariance is that of what responds to the motions by the columns of response, whose
// number is a multiple of Parameters, at an amplitude in mm.
func Covariance(response *mat.Dense, amplitude float64) *mat.SymDense {
	rows, columns := response.Dims()
	scaled := mat.NewDense(rows, columns, nil)
	scaled.Apply(func(_, k int, v float64) float64 { return amplitude * sd(k%Parameters) * v }, response)
	out := mat.NewSymDense(rows, nil)
	out.SymOuterK(1, scaled)
	return out
}

// Evidence is what images tell of their motions, one after the other, all else eliminated:
// the normal equations of a least-squares fit, in units of the noise's variance.
type Evidence struct {
	Information *mat.SymDense
	Score       *mat.VecDense
}

// Amplitudes that are weighed, mm: from what no scan shows to what no scan survives.
const (
	leastAmplitude = 0.002
	mostAmplitude  = 1.5
	amplitudeSteps = 40
)

// usualAmplitude is the mean amplitude before a scan is seen, mm, of an exponential
// distribution: a tracker saw movement of 0.5 mm and more in 77.7 % of 206 examinations
// (R. Spin-Neto and others), which for a steady drift along three axes is an amplitude of
// 0.083 mm; exp(−0.083/0.33) = 0.777.
const usualAmplitude = 0.33

// artefactAmplitude is the amplitude that streaks and beam hardening imitate, mm: they
// displace edges by which way these face, too. Still heads in scans by two simulators
// look like 0.003 to 0.067 mm.
const artefactAmplitude = 0.05

// Amplitude of a head's motion, mm: the standard deviation of its place along each axis.
type Amplitude struct {
	RMS float64 // root mean square over the posterior distribution
	// Odds of the likeliest amplitude against a head that kept still, as a natural
	// logarithm: 0 where the images tell nothing.
	Odds float64
}

// Infer gives the amplitude of a head's motion. Patterns at an amplitude A are normally
// distributed about zero (see Covariance), so that
//
//	2·log p(scan | A) = gᵀ(S + Q⁻¹)⁻¹g − log det(I + Q·S) + const
//
// with S the information, g the score, and Q the patterns' covariance, which grows with A².
func Infer(e Evidence) Amplitude {
	still := e.logLikelihood(artefactAmplitude)
	var logs, squares [amplitudeSteps]float64
	most, out := math.Inf(-1), Amplitude{}
	for i := range logs {
		a := leastAmplitude * math.Pow(mostAmplitude/leastAmplitude, float64(i)/(amplitudeSteps-1))
		likelihood := e.logLikelihood(math.Hypot(a, artefactAmplitude))
		out.Odds = max(out.Odds, likelihood-still)
		// Of an exponential distribution, in equal steps of log a.
		logs[i] = likelihood - a/usualAmplitude + math.Log(a)
		squares[i] = a * a
		most = max(most, logs[i])
	}
	var sum, mean float64
	for i, l := range logs {
		w := math.Exp(l - most)
		sum += w
		mean += w * squares[i]
	}
	out.RMS = math.Sqrt(mean / sum)
	return out
}

// Travel is how far a head moves from the scan's first view to its last, mm, that drifts
// steadily along one axis at an amplitude: uniformly distributed places a length l apart at
// most have a standard deviation of l/√12.
func Travel(amplitude float64) float64 { return math.Sqrt(12) * amplitude }

func (e Evidence) logLikelihood(amplitude float64) float64 {
	n := e.Score.Len()
	b, v := mat.NewSymDense(n, nil), mat.NewVecDense(n, nil)
	for i := range n {
		si := amplitude * sd(i%Parameters)
		v.SetVec(i, si*e.Score.AtVec(i))
		for j := i; j < n; j++ {
			b.SetSym(i, j, si*amplitude*sd(j%Parameters)*e.Information.At(i, j))
		}
		b.SetSym(i, i, b.At(i, i)+1)
	}
	var chol mat.Cholesky
	var x mat.VecDense
	if !chol.Factorize(b) || chol.SolveVecTo(&x, v) != nil {
		return math.Inf(-1)
	}
	return (mat.Dot(v, &x) - chol.LogDet()) / 2
}
