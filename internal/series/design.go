package series

import (
	"fmt"
	"slices"

	"plumbline/internal/anatomy/severity"
)

// Design fixes beforehand what is to be shown of a clinician's cases: that under a share
// of fixtures lie outside the limits. It counts cases whose surgery and whose first figures
// come later, so that nobody chooses limits by what they show.
type Design struct {
	Clinician    string          `json:"clinician"`
	Limits       severity.Limits `json:"limits"`       // of a fixture that is no miss
	Acceptable   float64         `json:"acceptable"`   // share of misses that is well
	Unacceptable float64         `json:"unacceptable"` // share that must not pass for less
	ErrorRate    float64         `json:"error_rate"`   // of showing it wrongly, within Cases
	Cases        int             `json:"cases"`        // how many are looked at
}

// MostDesigned bounds how many cases a design looks at: ten years of a busy practice.
const MostDesigned = 500

// Check refuses a design that makes no sense.
func (d *Design) Check() error {
	if err := checkName(d.Clinician); err != nil {
		return fmt.Errorf("clinician: %w", err)
	}
	l := d.Limits
	switch {
	case !(l.Entry > 0 && l.Entry <= mostMM && l.Apex > 0 && l.Apex <= mostMM && l.Angle > 0 && l.Angle <= mostDeg):
		return fmt.Errorf("limits of %v mm, %v mm and %v°: expected all above 0 and none beyond what a jaw allows", l.Entry, l.Apex, l.Angle)
	case !(d.Acceptable > 0 && d.Acceptable < d.Unacceptable && d.Unacceptable < 1):
		return fmt.Errorf("a share of %v acceptable and of %v not: expected 0 < acceptable < unacceptable < 1", d.Acceptable, d.Unacceptable)
	case !(d.ErrorRate > 0 && d.ErrorRate <= .5):
		return fmt.Errorf("error rate %v: expected above 0 and at most 0.5", d.ErrorRate)
	case d.Cases < 1 || d.Cases > MostDesigned:
		return fmt.Errorf("%d cases: expected 1 to %d", d.Cases, MostDesigned)
	}
	return nil
}

// words says what a design holds.
func (d *Design) words() string {
	return fmt.Sprintf("the design for clinician %s: %g mm, %g mm and %g°, %.3g %% against %.3g %% of misses in %d cases",
		d.Clinician, d.Limits.Entry, d.Limits.Apex, d.Limits.Angle, 100*d.Acceptable, 100*d.Unacceptable, d.Cases)
}

// Designed is a design in force, with the cases that it counts.
type Designed struct {
	Record int    `json:"record"`
	Time   string `json:"time"`
	Design
	// Counted are the cases with figures, in the order in which their first figures were
	// recorded: what a later look adds comes behind.
	Counted []string `json:"counted"`
	// Without are the other cases of the clinician since then that are past and have no
	// figures in force.
	Without []string `json:"without,omitempty"`
}

// firstFigures is the record of a case's first figures that were not withdrawn; 0 without.
func (c *CaseState) firstFigures() int {
	if len(c.Earlier) > 0 {
		return c.Earlier[0].Record
	}
	return c.Measurement
}

// count finds the cases that a design counts.
func (d *Designed) count(cases []CaseState) {
	type counted struct {
		name  string
		first int
	}
	var found []counted
	d.Counted = []string{}
	for i := range cases {
		c := &cases[i]
		// A surgery on the day of the design may have come after it, as with a seal.
		if c.Clinician != d.Clinician || recordedAfter(d.Time, c.Placed) {
			continue
		}
		first := c.firstFigures()
		// Figures that were there before have been seen, though they were withdrawn since.
		if first != 0 && first < d.Record || slices.ContainsFunc(c.Withdrawn, func(w Withdrawal) bool { return w.Record < d.Record && w.Kind != Sealed && w.Counts() }) {
			continue
		}
		switch c.Status {
		case StatusMeasured:
			found = append(found, counted{c.Case, first})
		case StatusOpen:
		default:
			d.Without = append(d.Without, c.Case)
		}
	}
	slices.SortStableFunc(found, func(a, b counted) int { return a.first - b.first })
	for _, c := range found {
		d.Counted = append(d.Counted, c.name)
	}
}

// DesignStandsError reports that a clinician has a design already that has not run out.
type DesignStandsError struct {
	Path      string
	Record    int
	Clinician string
	Left      int // cases that it still looks at
}

func (e *DesignStandsError) Error() string {
	return fmt.Sprintf("%s has a design for clinician %s already (record %d), which looks at %d more cases; a second one at the same time would be a second chance", e.Path, e.Clinician, e.Record, e.Left)
}

// AddDesign writes a design.
//
// Errors: DesignStandsError; those of Add.
func (l *Ledger) AddDesign(d Design) (Appended, error) {
	if err := d.Check(); err != nil {
		return Appended{}, err
	}
	for _, x := range l.designs {
		if left := x.Cases - len(x.Counted); x.Clinician == d.Clinician && left > 0 {
			return Appended{}, &DesignStandsError{l.Path, x.Record, x.Clinician, left}
		}
	}
	return l.Add(Record{Kind: Fixed, Design: &d})
}
