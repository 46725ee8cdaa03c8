package measure

import (
	"fmt"

	"plumbline/internal/measurement"
)

// dates are the days that a case's scans, surgery and measurement are of, ISO; "" is
// one that is not known.
type dates struct{ pre, post, placed, today string }

// flags says which of them cannot all be right, and what cannot be shown.
func (d dates) flags(followUp bool) []measurement.Flag {
	var out []measurement.Flag
	doubt := func(code measurement.Code, format string, args ...any) {
		out = append(out, measurement.Flag{Code: code, Level: measurement.Doubt, Message: fmt.Sprintf(format, args...)})
	}
	if d.today != "" && d.placed > d.today {
		if followUp {
			doubt(measurement.CodeSurgeryToCome, "the surgery of %s was still to come when the case was measured, on %s; check the date placed", d.placed, d.today)
		}
	}
	if d.pre > d.placed {
		doubt(measurement.CodePlanningAfterSurgery, "the planning scan is of %s, after the surgery of %s; check the date placed and which scan is pre", d.pre, d.placed)
	}
	if d.post != "" && d.post < d.placed {
		doubt(measurement.CodeFollowUpBeforeSurgery, "the follow-up scan is of %s, before the surgery of %s; check the date placed and which scan is post", d.post, d.placed)
	}
	for _, scan := range []struct{ what, date, shows string }{
		{"planning", d.pre, "before"}, {"follow-up", d.post, "after"},
	} {
		if scan.what == "follow-up" && !followUp {
			continue
		}
		switch {
		case scan.date == "":
			out = append(out, measurement.Flag{Code: measurement.CodeScanUndated, Level: measurement.Notice,
				Message: fmt.Sprintf("the %s scan does not say when it was taken, so it cannot be shown to be from %s the surgery", scan.what, scan.shows)})
		case d.today != "" && scan.date > d.today:
			doubt(measurement.CodeScanToCome, "the %s scan is of %s, which was still to come on %s; the clock of this computer or of the scanner is wrong", scan.what, scan.date, d.today)
		}
	}
	return out
}
