package cli

import (
	"os"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/result"
	"plumbline/internal/series"
)

// Reports of a case are written while measuring, with pictures, and from the
// stored measurement, without; both say the figures of the terminal.
func TestReports(t *testing.T) {
	world(t)
	got := run("measure", "--json", "c.json", "--report", "c.html", "demo/C-101")
	require.Equal(t, Done, got.status, got.stderr)
	page, err := os.ReadFile("c.html")
	require.NoError(t, err)
	assert.Contains(t, string(page), "<image")
	got = run("report", "c.json", "stored.html", "stored.pdf")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Equal(t, "wrote stored.html\nwrote stored.pdf\n", got.stdout)
	stored, err := os.ReadFile("stored.html")
	require.NoError(t, err)
	assert.NotContains(t, string(stored), "<image")
	c := readMeasurement(t, "c.json")
	for _, line := range strings.Split(run("measure", "demo/C-101").stdout, "\n") {
		if strings.HasPrefix(line, "  entry ") || strings.HasPrefix(line, "  apex ") {
			value := strings.Join(strings.Fields(line)[1:3], " ")
			assert.Contains(t, string(page), value)
			assert.Contains(t, string(stored), value)
		}
	}
	for _, text := range []string{c.Case, c.Inputs.PlanSHA256, c.Inputs.PostSHA256} {
		assert.Contains(t, string(page), text)
		assert.Contains(t, string(stored), text)
	}

	// Several cases go to a folder; one that is in doubt has its reports, too.
	got = run("measure", "--report", "reports", "demo/C-101", "demo/C-102")
	assert.Equal(t, InDoubt, got.status, got.stderr)
	for _, file := range []string{"reports/C-101.html", "reports/C-101.pdf", "reports/C-102.html", "reports/C-102.pdf"} {
		assert.FileExists(t, file)
	}
	doubtful, err := os.ReadFile("reports/C-102.html")
	require.NoError(t, err)
	assert.Contains(t, string(doubtful), "Not to be relied on")
}

// The report of a series is told from that of a measurement by the file itself;
// a file that was edited is in doubt.
func TestSeriesReport(t *testing.T) {
	world(t)
	require.Equal(t, Done, run("measure", "--json", "c.json", "demo/C-101").status)
	c := readMeasurement(t, "c.json")
	other := c
	other.Case, other.Clinician = "C-900", "clinician-z"
	for _, m := range []result.Case{c, other} {
		_, err := series.Append("series.jsonl", series.Record{Kind: series.Measured, Time: "2026-04-01T12:00:00Z", Case: m.Case, Measurement: &m})
		require.NoError(t, err)
	}
	got := run("report", "series.jsonl", "series.html")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "several clinicians")
	got = run("report", "--clinician", c.Clinician, "series.jsonl", "series.html", "series.pdf")
	require.Equal(t, Done, got.status, got.stderr)
	page, err := os.ReadFile("series.html")
	require.NoError(t, err)
	assert.Contains(t, string(page), "The series of "+c.Clinician)
	assert.Contains(t, string(page), "cases of other clinicians")
	assert.NotContains(t, string(page), "C-900<")
	assert.Contains(t, string(page), "2026-04-01", "today is the clock's")

	text, err := os.ReadFile("series.jsonl")
	require.NoError(t, err)
	first, second, _ := strings.Cut(string(text), "\n")
	write(t, "series.jsonl", first+"\n"+strings.Replace(second, `"entry_mm":`, `"entry_mm": `, 1))
	got = run("report", "--clinician", c.Clinician, "series.jsonl", "series.html")
	assert.Equal(t, InDoubt, got.status, got.stderr)
	got = run("report", "--today", "soon", "series.jsonl", "series.html")
	assert.Equal(t, BadInput, got.status)
}

func TestReportsThatCannotBe(t *testing.T) {
	world(t)
	write(t, "other.json", `{"schema": "something/1"}`)
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"measure", "--report", "c.docx", "demo/C-101"}, "end it in .html or .pdf"},
		{[]string{"measure", "--paper", "a5", "demo/C-101"}, "write a4 or letter"},
		{[]string{"report", "other.json", "c.pdf"}, "is neither a measurement"},
		{[]string{"report", "none.json", "c.pdf"}, "none.json"},
		{[]string{"report", "other.json"}, "give the measurement and the report's file"},
		{[]string{"report", "--numbering", "roman", "other.json", "c.pdf"}, "write iso3950 or universal"},
	} {
		got := run(c.args...)
		assert.Equal(t, BadInput, got.status, c.args)
		assert.Contains(t, got.stderr, c.want)
	}
	assert.NoFileExists(t, "c.pdf")
}
