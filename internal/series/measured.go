package series

import "plumbline/internal/result"

// Result is the measurement of the case that is in force, nil where there is
// none or the figures come from a table.
func (c *CaseState) Result() *result.Case {
	if c.Status != StatusMeasured {
		return nil
	}
	return c.measured
}
