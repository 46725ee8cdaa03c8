package controlchart

import (
	"errors"
	"fmt"
	"math"
	"slices"
)

// Outcomes is a CUSUM of successes and failures, S = max(0, S + weight of the outcome)
// with a holding barrier at zero. A score at or above Limit signals.
type Outcomes struct {
	Acceptable   float64 `json:"acceptable"`   // failure rate of a competent clinician
	Unacceptable float64 `json:"unacceptable"` // failure rate that must not pass for competent
	Success      float64 `json:"success"`      // added to the score by a success
	Failure      float64 `json:"failure"`      // added by a failure
	Limit        float64 `json:"limit"`
	Cases        int     `json:"cases"`      // number of cases that ErrorRate is stated for
	ErrorRate    float64 `json:"error_rate"` // probability of a wrong signal within Cases
	Power        float64 `json:"power"`      // probability of a right signal within Cases
}

// DesignCompetence is the learning-curve CUSUM that declares a clinician
// competent when its score reaches the limit: the score rises with success and
// falls with failure. Its limit is the smallest for which a clinician with the
// unacceptable failure rate is declared competent within the given number of
// cases with at most the probability errorRate; Power is for the acceptable
// rate.
//
// Method: Biau, Williams, Schlup, Nizard and Porcher, Br J Surg 95:925, 2008:
// weights ln((1−p0)/(1−p1)) and ln(p0/p1), barrier max(0, ·). The probabilities
// are exact, by recursion over the states of the score. (Wald's limit
// ln((1−β)/α) bounds the error of one cycle between two visits of the barrier,
// not of a series, so it is not used.)
func DesignCompetence(acceptable, unacceptable, errorRate float64, cases int) (Outcomes, error) {
	o := Outcomes{Acceptable: acceptable, Unacceptable: unacceptable, Cases: cases}
	if err := o.check(errorRate); err != nil {
		return Outcomes{}, err
	}
	o.Success = math.Log((1 - acceptable) / (1 - unacceptable))
	o.Failure = math.Log(acceptable / unacceptable)
	err := o.setLimit(errorRate, unacceptable, acceptable)
	return o, err
}

// maxCases bounds the work of the exact recursion.
const maxCases = 2000

func (o Outcomes) check(errorRate float64) error {
	if !(o.Acceptable > 0 && o.Acceptable < o.Unacceptable && o.Unacceptable < 1) {
		return fmt.Errorf("failure rates %v acceptable and %v unacceptable: expected 0 < acceptable < unacceptable < 1", o.Acceptable, o.Unacceptable)
	}
	if !(errorRate > 0 && errorRate < 1) {
		return fmt.Errorf("error rate %v: expected a probability above 0 and under 1", errorRate)
	}
	if o.Cases < 1 || o.Cases > maxCases {
		return fmt.Errorf("%d cases: expected 1 to %d", o.Cases, maxCases)
	}
	return nil
}

// ErrTooFewCases means that no limit keeps the error rate.
var ErrTooFewCases = errors.New("too few cases to tell the rates apart: even without a single failure the chart could not signal")

// setLimit finds the least limit that keeps the error rate, by a binary search among
// the scores that can be reached: all limits between two of them are the same chart.
func (o *Outcomes) setLimit(errorRate, wrong, right float64) error {
	up, down := math.Max(o.Success, o.Failure), -math.Min(o.Success, o.Failure)
	var scores []float64
	for b := 0; float64(b)*down < float64(o.Cases-b)*up; b++ {
		for a := 1; a+b <= o.Cases; a++ {
			if s := float64(a)*up - float64(b)*down; s > 0 {
				scores = append(scores, s)
			}
		}
	}
	slices.Sort(scores)
	at := func(limit, rate float64) float64 {
		c := *o
		c.Limit = limit
		p := c.SignalProbability(rate, o.Cases)
		return p[len(p)-1]
	}
	i, _ := slices.BinarySearchFunc(scores, errorRate, func(limit, target float64) int {
		if at(limit, wrong) > target {
			return -1
		}
		return 1
	})
	if i == len(scores) {
		return fmt.Errorf("%d cases, failure rates %v and %v, error rate %v: %w", o.Cases, o.Acceptable, o.Unacceptable, errorRate, ErrTooFewCases)
	}
	o.Limit = scores[i]
	o.ErrorRate, o.Power = at(o.Limit, wrong), at(o.Limit, right)
	return nil
}

// roundingSlack is the tolerance in comparing a score with the limit: both are sums of
// the same two weights, so a true difference is far larger than rounding.
const roundingSlack = 1e-9

// SignalProbability is the probability that the chart has signalled by each
// case from the first to the given number, for independent cases with the given
// failure rate.
//
// Method: exact recursion. A score is a·up − b·down with a rises and b falls
// since the barrier was last met, so the states are the pairs (a, b).
func (o Outcomes) SignalProbability(failureRate float64, cases int) []float64 {
	up, down, pUp := o.Success, -o.Failure, 1-failureRate
	// For b falls, the states between barrier and limit have a in [first, last].
	falls := 0
	for float64(falls+1)*down < float64(cases)*up {
		falls++
	}
	first, last := make([]int, falls+1), make([]int, falls+1)
	now, next := make([][]float64, falls+1), make([][]float64, falls+1)
	for b := range now {
		first[b] = int(math.Floor((float64(b)*down+roundingSlack)/up)) + 1
		if b == 0 {
			first[b] = 0
		}
		last[b] = min(cases, int(math.Ceil((o.Limit-roundingSlack+float64(b)*down)/up))-1)
		width := max(0, last[b]-first[b]+1)
		now[b], next[b] = make([]float64, width), make([]float64, width)
	}
	out := make([]float64, cases)
	if len(now[0]) == 0 {
		return out
	}
	now[0][0] = 1
	signalled := 0.0
	for t := range cases {
		for b := range next {
			clear(next[b])
		}
		for b := range now {
			for i, p := range now[b] {
				if p == 0 {
					continue
				}
				a := first[b] + i
				if a+1 > last[b] {
					signalled += p * pUp
				} else {
					next[b][i+1] += p * pUp
				}
				if b < falls && a >= first[b+1] && a <= last[b+1] {
					next[b+1][a-first[b+1]] += p * (1 - pUp)
				} else {
					next[0][0] += p * (1 - pUp)
				}
			}
		}
		now, next = next, now
		out[t] = signalled
	}
	return out
}

// CasesToSignal is the number of further cases by which the chart, now at a score, has
// signalled with a probability of a half, for independent cases with the given failure
// rate; 0 where that is more than most. It may be one case off.
//
// Method: recursion over the score in small steps; what falls between two is shared out so
// that the mean is kept.
func (o Outcomes) CasesToSignal(score, failureRate float64, most int) int {
	const steps = 2000
	now, next := make([]float64, steps), make([]float64, steps)
	signalled := 0.0
	put := func(p []float64, at, mass float64) {
		i := math.Floor(math.Max(0, at))
		part := math.Max(0, at) - i
		for k, m := range [2]float64{mass * (1 - part), mass * part} {
			if j := int(i) + k; j < steps {
				p[j] += m
			} else {
				signalled += m
			}
		}
	}
	step := o.Limit / steps
	put(now, score/step, 1)
	for t := 1; t <= most; t++ {
		clear(next)
		for i, p := range now {
			if p > 0 {
				put(next, float64(i)+o.Success/step, p*(1-failureRate))
				put(next, float64(i)+o.Failure/step, p*failureRate)
			}
		}
		if now, next = next, now; signalled >= .5 {
			return t
		}
	}
	return 0
}

// Path is a chart of outcomes.
type Path struct {
	Score  []float64 `json:"score"`            // after each case
	Signal int       `json:"signal,omitempty"` // the case, counted from 1, at which the chart signalled; 0 = not yet
}

// Run charts cases by their shares of failures, up to the first signal and beyond. A case
// of several outcomes adds
// the mean of what they would: outcomes that are all the same are charted as one, and the
// less alike they are, the less the score strays, so that the stated error is not exceeded.
func (o Outcomes) Run(failed []float64) Path {
	p := Path{Score: make([]float64, len(failed))}
	s := 0.0
	for i, share := range failed {
		by := share*o.Failure + (1-share)*o.Success
		if s = math.Max(0, s+by); s < roundingSlack {
			s = 0
		}
		p.Score[i] = s
		if p.Signal == 0 && s >= o.Limit-roundingSlack {
			p.Signal = i + 1
		}
	}
	return p
}
