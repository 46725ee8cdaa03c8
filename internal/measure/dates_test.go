package measure

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

// Dates that cannot all be right are doubts; a scan without one shows nothing.
func TestDates(t *testing.T) {
	for name, c := range map[string]struct {
		d        dates
		followUp bool
		want     []string
	}{
		"an honest case":                   {dates{"2026-01-10", "2026-02-20", "2026-02-09", "2026-03-01"}, true, nil},
		"scanned on the day of surgery":    {dates{"2026-02-09", "2026-02-09", "2026-02-09", "2026-02-09"}, true, nil},
		"before surgery":                   {dates{"2026-01-10", "", "2026-02-09", "2026-01-20"}, false, nil},
		"a follow-up from before surgery":  {dates{"2025-01-10", "2025-03-12", "2026-11-30", "2026-12-01"}, true, []string{"follow-up-before-surgery"}},
		"a surgery to come":                {dates{"2025-01-10", "2025-03-12", "2031-01-01", "2026-11-30"}, true, []string{"surgery-to-come", "follow-up-before-surgery"}},
		"planned after surgery":            {dates{"2026-02-10", "2026-02-20", "2026-02-09", "2026-03-01"}, true, []string{"planning-after-surgery"}},
		"planned after surgery, at a seal": {dates{"2026-02-10", "", "2026-02-09", "2026-03-01"}, false, []string{"planning-after-surgery"}},
		"scanned tomorrow":                 {dates{"2026-01-10", "2026-03-02", "2026-02-09", "2026-03-01"}, true, []string{"scan-to-come"}},
		"no dates":                         {dates{"", "", "2026-02-09", "2026-03-01"}, true, []string{"scan-undated", "scan-undated"}},
		"today is not known":               {dates{"2026-01-10", "2026-03-02", "2026-02-09", ""}, true, nil},
	} {
		var codes []string
		for _, f := range c.d.flags(c.followUp) {
			codes = append(codes, f.Code)
		}
		assert.Equal(t, c.want, codes, name)
	}
}
