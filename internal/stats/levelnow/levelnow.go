// Package levelnow says where the level of figures stands at the end of a record that may
// have changed on the way, how far single figures spread about it, and what most of the
// next ones will stay within.
//
// Conventions: one Case for each day's work, in order, with one figure or several; lengths
// and angles are above 0, other figures have a sign. Coverage is the share of the next
// single figures that a bound is to hold, confidence the probability that a bound so made
// does. Start with Average.
//
// Limits: the next figures go on as the record does; a change that has only just begun is
// not seen.
package levelnow

import (
	"errors"
	"math"
)

// Case is the figures of one case.
type Case struct {
	Values []float64
	// Variance is that of the mean of its figures, in units of that of a single one: 1
	// for one figure, 1/k for k independent ones, more for k that are alike.
	Variance float64
	// Other has what else the case differs in, of one length for all cases: 0 where it
	// is as the latest cases are.
	Other []float64
}

// Shape is how the level goes with the case number.
type Shape string

// The shapes.
const (
	Steady    Shape = "steady"    // one level
	Line      Shape = "line"      // changes at a steady pace
	Decay     Shape = "decay"     // changes by a fixed share a case towards a plateau
	TwoPhases Shape = "two-phase" // a line up to a case, one level from there on
	Late      Shape = "late"      // one level up to a case, a line from there on
	Step      Shape = "step"      // one level up to a case, another from there on
)

// Level is what the cases show.
type Level struct {
	Cases   int
	Figures int

	// Mean is the mean of single figures at the next case, if they go on as they did.
	Mean float64
	// First is the mean of single figures at the first case, otherwise as at the next.
	First float64
	// SD is the standard deviation of single figures about it, in their unit.
	SD float64

	// Of all shapes together: the probabilities that the level has not changed, has
	// fallen and has not levelled off, has fallen and stays on one level since, and has
	// risen.
	Unchanged, Falling, Settled, Risen float64

	// Since is the case from which on the level stays, of the likeliest shape that has
	// one; 0 where there is none or the level is steady.
	Since int

	parts   []part
	largest float64
	seen    [2]float64 // least and largest figure
}

// part is one shape of one amount on one scale.
type part struct {
	shape   Shape
	from    int     // the last case before the change, or the rate of a decay in cases; 0 for a line
	amount  float64 // by how much the level lies lower at the end than at the beginning; 0 where it is the same
	power   float64
	weight  float64
	mean    float64 // level at the next case, on the scale
	first   float64 // and at the first
	h       float64 // standard error of the mean, in units of s
	s       float64 // standard deviation of a single figure there
	nu      float64 // degrees of freedom of s
	tail    float64 // of those, what heavy tails leave
	hard    float64 // what a hard case's figure is multiplied by on the scale, or its logarithm added; 0 where none is allowed for
	largest float64 // largest residual, beside the level at the next case
}

// MinCases is the smallest number of cases that is looked at.
const MinCases = 10

var (
	// ErrTooFew means fewer than MinCases cases.
	ErrTooFew = errors.New("too few cases")
	// ErrNoSpread means that all figures are the same, as rounded ones may be.
	ErrNoSpread = errors.New("all figures are the same")
	// ErrConfounded means that what else the cases differ in leaves nothing of the level.
	ErrConfounded = errors.New("what the cases differ in cannot be told apart")
)

// powers are the exponents of the scales for lengths and angles; 0 is the logarithm. The
// length of two normal parts is nearly normal at 0.53, of three at 0.67.
var powers = []float64{0, .25, .5, .75}

// Average fits one level and several shapes of change, each by several amounts and on
// several scales, and averages over them by their posterior probabilities.
//
// Errors: ErrTooFew, ErrNoSpread, ErrConfounded; a figure that is not finite or, with
// positive, under 0.
//
// Method: Bayesian model averaging (Hoeting and others, Stat Sci 14:382, 1999). A length
// whose level changes spreads in proportion to it: of a shape and an amount, every figure
// is brought to the next case by a factor, and on each scale that leaves a linear model of
// one level, whose likelihood is integrated over level and spread in closed form (Box and
// Tiao, Bayesian Inference in Statistical Analysis, 1973, chapter 2), with the Jacobian of
// factor and scale (Box and Cox, J R Stat Soc B 26:211, 1964). The amount is integrated
// numerically, over a prior density. Figures with a sign change their
// level, by an addend whose prior is normal, and their spread, by a factor (variance
// functions: Carroll and Ruppert, Transformation and Weighting in Regression, 1988, chapter
// 3). Exponential and
// two-phase curves: Papachristofi and others, Trials 17:266, 2016.
func Average(cases []Case, positive bool) (*Level, error) {
	f, err := newFit(cases, positive)
	if err != nil {
		return nil, err
	}
	scales := powers
	if !positive {
		scales = []float64{1}
	}
	var found []weighed
	candidates := f.candidates()
	if len(candidates) == 1 {
		return nil, ErrConfounded
	}
	for _, power := range scales {
		plain := f.onScale(power)
		lead := f.weigh(&found, candidates, plain, math.Log(1-priorHard))
		if lead == nil {
			continue
		}
		if allowed, ok := f.allow(lead, plain); ok {
			f.weigh(&found, candidates, allowed, math.Log(priorHard))
		}
	}
	if len(found) == 0 {
		return nil, ErrConfounded
	}
	l := &Level{Cases: len(cases), Figures: f.figures, seen: f.seen}
	for _, w := range heaviest(found) {
		l.parts = append(l.parts, f.part(w))
	}
	l.describe()
	return l, nil
}
