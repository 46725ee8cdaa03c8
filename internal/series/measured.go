package series

import "plumbline/internal/measurement"

// SealedOn is the day of the seal that counts, ISO; empty where the case has none from
// before surgery.
func (c *CaseState) SealedOn() string { return dayOf(c.sealed) }

// MeasuredOn is the day on which the figures in force were entered, ISO; empty where
// there are none.
func (c *CaseState) MeasuredOn() string {
	if c.last == nil {
		return ""
	}
	return dayOf(c.last.Time)
}

// Result is the measurement of the case that is in force, nil where there is
// none or the figures come from a table.
func (c *CaseState) Result() *measurement.Case {
	if c.Status != StatusMeasured {
		return nil
	}
	return c.measured
}
