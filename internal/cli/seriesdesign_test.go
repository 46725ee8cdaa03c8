package cli

import (
	"fmt"
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// apexTable writes a table of so many cases in a row from a day of March 2026 on.
func apexTable(t *testing.T, name string, from, n int, apex float64) {
	t.Helper()
	lines := []string{"case,placed,clinician,site,entry_mm,apex_mm,angle_deg"}
	for i := range n {
		k := from + i
		lines = append(lines, fmt.Sprintf("C-%d,2026-%02d-%02d,clinician-a,36,1.0,%.2f,3.0", k, 3+k/28, 1+k%28, apex+float64(k%7)/20))
	}
	require.NoError(t, os.WriteFile(name, []byte(strings.Join(lines, "\n")+"\n"), 0o644))
}

// What is to be shown is fixed beforehand; no option and no later look changes it.
func TestSeriesDesign(t *testing.T) {
	t.Chdir(t.TempDir())
	said := typed(t, "2026-03-02", Done, "series design --clinician clinician-a s.jsonl")
	assert.Contains(t, said, "Fixed for clinician clinician-a as record 1 of s.jsonl: at most 2 mm at the entry, 2 mm at the apex and 8°, in the next 50 cases.")
	assert.Contains(t, said, "shown after 25 cases without a miss at the earliest. Of clinicians who miss in 10 % it is shown for 50 %, of those who miss in 20 % wrongly for 4.9 %. A design for 120 cases would show it for four in five of those who miss in 10 %.")
	// The case of the day before the design is none of its own.
	apexTable(t, "a.csv", 0, 25, 1)
	typed(t, "2026-04-10", Done, "series import a.csv s.jsonl")
	assert.Contains(t, typed(t, "2026-04-10", Done, "series show s.jsonl"), "Share outside your limits not yet shown to be under 20 %, after 24 of 50 cases.")
	assert.Contains(t, typed(t, "2026-04-10", Done, "series show --all --apex-limit 0.2 s.jsonl"), "1 more case without a miss would show it")
	// Shown, and then ten misses.
	apexTable(t, "b.csv", 25, 1, 1)
	typed(t, "2026-04-11", Done, "series import b.csv s.jsonl")
	const shown = "Share outside your limits shown to be under 20 %, at the 25th case counted."
	assert.Contains(t, typed(t, "2026-04-11", Done, "series show s.jsonl"), shown)
	apexTable(t, "c.csv", 26, 10, 4)
	typed(t, "2026-05-11", Done, "series import c.csv s.jsonl")
	assert.Contains(t, typed(t, "2026-05-11", Done, "series show --cases 20 s.jsonl"), shown)
	assert.Contains(t, typed(t, "2026-05-11", Done, "series check s.jsonl"), "37 records")

	for line, says := range map[string]string{
		"series design --clinician clinician-a s.jsonl":               "a second one at the same time would be a second chance; withdraw that one, which stays in every report, with: plumbline series correct --record 1 --withdraw --reason WHY s.jsonl",
		"series design s.jsonl":                                       "say whose cases, as in: plumbline series design --clinician clinician-a s.jsonl",
		"series design --clinician b --cases 5 s.jsonl":               "give more --cases or shares that lie farther apart",
		"series design --clinician b --acceptable 20 s.jsonl":         "expected 0 < acceptable < unacceptable < 1",
		"series design --clinician DOE^JANE s.jsonl":                  "looks like a person's name",
		"series design --clinician b --cases 0 s.jsonl":               "0 cases: expected 1 to 500",
		"series design --clinician b --apex-limit -1 s.jsonl":         "expected all above 0",
		"series design --clinician b":                                 "FILE is missing",
		"series design --clinician b --error 0 s.jsonl":               "error rate 0",
		"series design --clinician b --unacceptable 100 none/s.jsonl": "expected 0 < acceptable",
	} {
		got := runOn(t, "2026-05-12", strings.Fields(line)...)
		assert.Equal(t, BadInput, got.status, line)
		assert.Contains(t, got.stderr, says, line)
	}
	// Withdrawn, it stays to be seen, and another one counts from then on.
	typed(t, "2026-05-13", Done, "series correct --record 1 --withdraw --reason other-limits s.jsonl")
	said = typed(t, "2026-05-13", Done, "series show s.jsonl")
	assert.Contains(t, said, "the design for clinician")
	assert.Contains(t, said, "10 % against 20 % of")
	assert.NotContains(t, said, "shown to be under")
	typed(t, "2026-05-14", Done, "series design --clinician clinician-a --apex-limit 1.5 s.jsonl")
	assert.Contains(t, typed(t, "2026-05-14", Done, "series show s.jsonl"), "not yet shown to be under 20 %, after 0 of 50 cases")
}
