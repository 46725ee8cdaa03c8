package cli

import (
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/series"
)

// What counts most stands first, in the same words in the terminal's table, the stored
// measurement, the page and the table of the series; what was not checked is said.
func TestVerdictOfAMeasuredCase(t *testing.T) {
	world(t)
	got := run("measure", "--json", "c.json", "--report", "c.html", "--series", "s.jsonl", "demo/C-101")
	require.Equal(t, Done, got.status, "what was not checked is no doubt about the figures: %s", got.stderr)
	c := readMeasurement(t, "c.json")
	require.NotNil(t, c.Verdict)
	assert.Equal(t, measurement.NotChecked, c.Verdict.Code)
	assert.Equal(t, []string{"nerve"}, c.Fixtures[0].Verdict.NotChecked)
	for _, x := range c.Fixtures[0].Clearance {
		assert.InDelta(t, x.Planned-*x.Margin, *x.Share.Plan, 1e-9)
		assert.InDelta(t, *x.Achieved-x.Planned, *x.Share.Transfer, 1e-9)
	}
	const said = "the distance to the nerve canal; none was given near this site"
	assert.Contains(t, strings.Join(strings.Fields(got.stdout), " "), "Not checked Site 44: "+said)
	page, err := os.ReadFile("c.html")
	require.NoError(t, err)
	assert.Contains(t, wordsOf(string(page)), "Not checked Site 44: "+said)
	assert.NotContains(t, got.stdout, "Nothing against it")

	// The same case beside another: its last column says so.
	got = run("measure", "demo/C-101", "demo/C-101")
	table, _, _ := strings.Cut(got.stdout, "\n\n")
	assert.Contains(t, strings.Join(strings.Fields(table), " "), "verdict")
	assert.NotContains(t, table, "yes")
}

// A breach stands before a doubt about the same case, whose it is is said, and the far
// canal does not head the table.
func TestABreachOutranksADoubt(t *testing.T) {
	t.Chdir(t.TempDir())
	c := inventedCase("C-1", "2026-03-02", "p", 0.7, -0.9)
	far, margin := 43.49, 2.0
	c.Fixtures[0].Clearance = append([]measurement.Clearance{{Structure: "right mandibular canal", Kind: "nerve", Planned: far, Achieved: &far, Margin: &margin}}, c.Fixtures[0].Clearance...)
	c.Fixtures[0].Flags = measurement.Flags{{Code: measurement.CodeSiteAtOtherTooth, Level: measurement.Doubt, Message: "site 36: the numbered teeth beside it say 35"}}
	text, err := json.Marshal(c)
	require.NoError(t, err)
	write(t, "c.json", string(text))
	typed(t, "2026-04-01", InDoubt, "report c.json c.html")
	page, err := os.ReadFile("c.html")
	require.NoError(t, err)
	words := wordsOf(string(page))
	at := -1
	for _, want := range []string{"Structure entered", "Site 36: the fixture reaches into left mandibular canal by 0.90 mm as measured (by the transfer: the plan left 2.40 mm, placing took away 3.30 mm).",
		"Not to be relied on", "the numbered teeth beside it say 35", "■ entered, by the transfer"} {
		next := strings.Index(words[at+1:], want)
		require.GreaterOrEqual(t, next, 0, want)
		at += 1 + next
	}
	assert.Contains(t, words, "More than 10.1 mm away, which is the largest margin and the largest published deviation together: right mandibular canal.")
	require.NoError(t, os.Mkdir("results", 0o755))
	require.NoError(t, os.Rename("c.json", filepath.Join("results", "c.json")))
	typed(t, "2026-04-01", Done, "series import results s.jsonl")
	row := tableOf(t, "2026-04-02")[0]
	assert.Equal(t, []string{"structure-entered", "transfer", "true"}, []string{row["verdict"], row["verdict_by"], row["doubt"]})
	f, err := series.Read("s.jsonl")
	require.NoError(t, err)
	assert.Nil(t, f.Records[0].Measurement.Verdict, "a measurement of an earlier version has none in store, and is judged all the same")
}
