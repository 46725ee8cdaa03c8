package series

import "plumbline/internal/measurement"

// Result is the measurement of the case that is in force, nil where there is
// none or the figures come from a table.
func (c *CaseState) Result() *measurement.Case {
	if c.Status != StatusMeasured {
		return nil
	}
	return c.measured
}
