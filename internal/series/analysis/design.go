package analysis

import (
	"errors"
	"fmt"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/series"
	"plumbline/internal/stats/controlchart"
)

// UsualDesign is what a design has where nothing else is asked. Shares of 10 and 20 %
// follow the convention that twice the acceptable rate is unacceptable; they and 5 % errors
// are common practice in learning-curve charts.
func UsualDesign() series.Design {
	return series.Design{Limits: severity.UsualLimits, Acceptable: 0.1, Unacceptable: 0.2, ErrorRate: 0.05, Cases: 50}
}

// Promise is what a design can show.
type Promise struct {
	series.Design
	Score controlchart.Outcomes
}

// IndistinctError reports a design that could show nothing.
type IndistinctError struct{ series.Design }

func (e *IndistinctError) Error() string {
	return fmt.Sprintf("in %s a share of %s cannot be told from %s with an error of %s: even without a single miss it would not be shown",
		counted(e.Cases, "case"), rate(e.Acceptable), rate(e.Unacceptable), rate(e.ErrorRate))
}

// PromiseOf is what a design can show.
//
// Errors: IndistinctError; those of Design.Check.
func PromiseOf(d series.Design) (Promise, error) {
	p := Promise{Design: d}
	err := d.Check()
	if err != nil {
		return p, err
	}
	p.Score, err = controlchart.DesignCompetence(d.Acceptable, d.Unacceptable, d.ErrorRate, d.Cases)
	if errors.Is(err, controlchart.ErrTooFewCases) {
		return p, &IndistinctError{d}
	}
	return p, err
}

// Fixed says what the design holds the cases to.
func (p *Promise) Fixed() string {
	return fmt.Sprintf("at most %g mm at the entry, %g mm at the apex and %g°, in the next %s", p.Limits.Entry, p.Limits.Apex, p.Limits.Angle, counted(p.Cases, "case"))
}

// Words says how soon and for whom it can be shown, and how many cases would do better.
func (p *Promise) Words() []string {
	out := []string{fmt.Sprintf("That under %s miss is shown after %s without a miss at the earliest. Of clinicians who miss in %s it is shown for %s, of those who miss in %s wrongly for %.1f %%.",
		rate(p.Unacceptable), counted(p.Score.CasesToSignal(0, 0, p.Cases), "case"), rate(p.Acceptable), percent(p.Score.Power), rate(p.Unacceptable), 100*p.Score.ErrorRate)}
	if more := p.enough(); more > 0 {
		out = append(out, fmt.Sprintf("A design for %d cases would show it for four in five of those who miss in %s.", more, rate(p.Acceptable)))
	}
	return out
}

// wanted is the power that a study is usually given (Cohen, Statistical Power Analysis for
// the Behavioral Sciences, 1988).
const wanted = .8

// enough is the least number of cases, in tens, with the wanted power; 0 where the design
// has it, or where no number that can be fixed has.
func (p *Promise) enough() int {
	if p.Score.Power >= wanted {
		return 0
	}
	d := p.Design
	for d.Cases = 10 * (d.Cases/10 + 1); d.Cases <= series.MostDesigned; d.Cases += 10 {
		more, err := PromiseOf(d)
		if err != nil {
			return 0
		}
		if more.Score.Power >= wanted {
			return d.Cases
		}
	}
	return 0
}
