// Package sealing enters a plan in a series before surgery: it is held against its
// planning scan, and sealed unless it is in doubt. Start with Look.
package sealing

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

// Plan is a plan to be sealed, held against its planning scan.
type Plan struct {
	Case    *casefile.Case
	Planned *measure.Planned // nil where the planning scan is not there yet
	sum     string           // of the planning scan
}

// PlanningScan opens the planning scan of a case, nil where it is not there yet.
//
// Errors: those of scan.Open.
func PlanningScan(c *casefile.Case, o scan.Options) (*scan.Scan, error) {
	if _, err := os.Stat(c.Pre); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	pre, err := scan.Open(c.Pre, o)
	if err != nil {
		return nil, fmt.Errorf("nothing was sealed, as the planning scan cannot be read: %w", err)
	}
	return pre, nil
}

// Look holds the plan of a case against its planning scan, which is nil where it is not
// there yet; today is an ISO date.
//
// Errors: those of measure.CheckPlan.
func Look(c *casefile.Case, pre *scan.Scan, today string) (*Plan, error) {
	p := &Plan{Case: c}
	if pre == nil {
		return p, nil
	}
	planned, err := measure.CheckPlan(c, pre, today)
	if err != nil {
		return nil, fmt.Errorf("nothing was sealed: %w", err)
	}
	p.Planned, p.sum = planned, pre.SHA256()
	return p, nil
}

// Doubts are what speaks against the plan as it stands.
func (p *Plan) Doubts() []measurement.Flag {
	if p.Planned == nil {
		return nil
	}
	return slices.DeleteFunc(p.Planned.AllFlags(), func(f measurement.Flag) bool { return f.Level != measurement.Doubt })
}

// ErrInDoubt says that a plan in doubt was not sealed.
var ErrInDoubt = errors.New("nothing was sealed, as the plan is in doubt")

// Entry is how a plan stands in a series after it was sealed.
type Entry struct {
	Already *series.Record // the seal that was there; nil where one was added
	Added   series.Appended
	Plan    series.Plan
}

// Seal enters the plan in a series, unless it is there. despite says why a plan in doubt
// is right as it stands.
//
// Errors: ErrInDoubt; those of series.Ledger.Add.
func (p *Plan) Seal(l *series.Ledger, despite string) (*Entry, error) {
	e := &Entry{Plan: series.PlanOf(p.Case, p.sum)}
	e.Plan.Doubts = p.Doubts()
	if len(e.Plan.Doubts) > 0 && despite == "" {
		return nil, ErrInDoubt
	}
	if last := l.LastSeal(p.Case.Name); last != nil && last.Plan.Same(&e.Plan) {
		e.Already = last
		return e, nil
	}
	r := series.Record{Kind: series.Sealed, Case: p.Case.Name, Plan: &e.Plan}
	if len(e.Plan.Doubts) > 0 {
		r.Reason = despite
	}
	var err error
	e.Added, err = l.Add(r)
	return e, err
}
