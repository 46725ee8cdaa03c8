package cli

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"fmt"
	"io"
	"maps"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
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
	assert.Equal(t, "wrote stored.html; open it in a browser\nwrote stored.pdf\n", got.stdout)
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
	c := seriesOf(t)
	other := c
	other.Case, other.Clinician = "C-900", "clinician-z"
	_, err := series.Append("series.jsonl", series.Record{Kind: series.Measured, Time: "2026-04-01T12:00:00Z", Case: other.Case, Measurement: &other})
	require.NoError(t, err)
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

// A pack is sound as it was written, and told when it is not.
func TestPack(t *testing.T) {
	world(t)
	seriesOf(t)
	packed := run("pack", "series.jsonl", "review.zip")
	require.Equal(t, Done, packed.status, packed.stderr)
	digest := regexp.MustCompile(`digest ([0-9a-f]{64})`).FindStringSubmatch(packed.stdout)
	require.NotNil(t, digest)
	got := run("pack", "--check", "review.zip")
	require.Equal(t, Done, got.status, got.stderr)
	assert.Contains(t, got.stdout, digest[1])
	assert.Contains(t, got.stdout, "12 of 12 files that the manifest lists are as they were packed")
	assert.Contains(t, got.stdout, "11 files, made anew from the series file, are the same byte for byte")
	assert.Contains(t, packed.stdout, "wrote review.zip: 12 files, and the manifest and SHA256SUMS that list them", "counted alike")
	got = run("pack", "--relative-dates", "series.jsonl", "blinded.zip")
	require.Equal(t, Done, got.status, got.stderr)

	// A page whose manifest and sums were made to fit it.
	write(t, "forged.zip", repacked(t, "review.zip", func(of map[string]string) { forgePage(of, "cases/001-C-101.html", "test") }))
	got = run("pack", "--check", "forged.zip")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, "12 of 12 files that the manifest lists are as they were packed", "hashes alone do not tell")
	assert.Contains(t, got.stdout, `fault: "cases/001-C-101.html" is not what the program makes from the series file: it was changed`)

	// A manifest that would print lines of its own.
	write(t, "lines.zip", repacked(t, "review.zip", func(of map[string]string) {
		of["manifest.json"] = strings.Replace(of["manifest.json"], `"program": "test"`, `"program": "1\ndigest 0000\u001b[2J"`, 1)
		of["x\n99 of 99 files that the manifest lists are as they were packed"] = ""
	}))
	got = run("pack", "--check", "lines.zip")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, `made with plumbline "1\ndigest 0000\x1b[2J"`)
	assert.NotContains(t, got.stdout, "\ndigest 0000")
	assert.NotContains(t, got.stdout, "\n99 of 99 files")
	assert.NotContains(t, got.stdout, "\x1b")

	// An archive with another file in it.
	write(t, "other.zip", repacked(t, "review.zip", func(of map[string]string) { of["extra.txt"] = "" }))
	got = run("pack", "--check", "other.zip")
	assert.Equal(t, InDoubt, got.status)
	assert.Contains(t, got.stdout, `fault: "extra.txt" is in the pack and not in the manifest`)

	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"pack", "series.jsonl"}, "give the series file and the archive"},
		{[]string{"pack", "series.jsonl", "review.rar"}, "end its name in .zip"},
		{[]string{"pack", "--check", "series.jsonl"}, "not a readable zip archive"},
		{[]string{"pack", "none.jsonl", "review.zip"}, "none.jsonl"},
	} {
		got := run(c.args...)
		assert.Equal(t, BadInput, got.status, c.args)
		assert.Contains(t, got.stderr, c.want)
	}
}

// forgePage changes a unit in a page of a pack, and says which version of the program
// made it.
func forgePage(of map[string]string, name, program string) {
	forge(of, name, strings.Replace(of[name], "mm", "µm", 1))
	manifest := strings.Replace(of["manifest.json"], `"program": "test"`, fmt.Sprintf(`"program": %q`, program), 1)
	of["SHA256SUMS"] = strings.Replace(of["SHA256SUMS"], hashOf(of["manifest.json"]), hashOf(manifest), 1)
	of["manifest.json"] = manifest
}

// forge changes a file of a pack, with manifest and sums made to fit it.
func forge(of map[string]string, name, text string) {
	was, manifest := of[name], of["manifest.json"]
	of[name] = text
	of["manifest.json"] = strings.NewReplacer(hashOf(was), hashOf(text),
		fmt.Sprintf(`"bytes": %d`, len(was)), fmt.Sprintf(`"bytes": %d`, len(text))).Replace(manifest)
	of["SHA256SUMS"] = strings.NewReplacer(hashOf(was), hashOf(text), hashOf(manifest), hashOf(of["manifest.json"])).Replace(of["SHA256SUMS"])
}

func hashOf(s string) string { return fmt.Sprintf("%x", sha256.Sum256([]byte(s))) }

// repacked is an archive with its files changed.
func repacked(t *testing.T, path string, change func(of map[string]string)) string {
	t.Helper()
	in, err := zip.OpenReader(path)
	require.NoError(t, err)
	defer in.Close()
	of := map[string]string{}
	for _, f := range in.File {
		r, err := f.Open()
		require.NoError(t, err)
		text, err := io.ReadAll(r)
		require.NoError(t, err)
		of[f.Name] = string(text)
	}
	change(of)
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	for _, name := range slices.Sorted(maps.Keys(of)) {
		w, err := z.Create(name)
		require.NoError(t, err)
		_, err = io.WriteString(w, of[name])
		require.NoError(t, err)
	}
	require.NoError(t, z.Close())
	return b.String()
}

// seriesOf writes series.jsonl with the measurement of demo/C-101.
func seriesOf(t *testing.T) measurement.Case {
	t.Helper()
	require.Equal(t, Done, run("measure", "--json", "c.json", "demo/C-101").status)
	c := readMeasurement(t, "c.json")
	_, err := series.Append("series.jsonl", series.Record{Kind: series.Measured, Time: "2026-04-01T12:00:00Z", Case: c.Case, Measurement: &c})
	require.NoError(t, err)
	return c
}

func TestReportsThatCannotBe(t *testing.T) {
	world(t)
	write(t, "other.json", `{"schema": "something/1"}`)
	require.Equal(t, Done, run("measure", "--json", "c.json", "demo/C-101").status)
	text, err := os.ReadFile("c.json")
	require.NoError(t, err)
	write(t, "missing.json", regexp.MustCompile(`(?m)^ *"entry_mm": [0-9.]+,$`).ReplaceAllString(string(text), ""))
	for _, c := range []struct {
		args []string
		want string
	}{
		{[]string{"report", "missing.json", "c.pdf"}, "missing.json: fixtures[0].deviation.entry_mm is missing or no number"},
		{[]string{"measure", "--report", "c.docx", "demo/C-101"}, "end it in .html, .pdf or .dcm"},
		{[]string{"measure", "--paper", "a5", "demo/C-101"}, "write a4 or letter"},
		{[]string{"report", "other.json", "c.pdf"}, "other.json: it is no measurement of this program"},
		{[]string{"report", "none.json", "c.pdf"}, "none.json"},
		{[]string{"report", "--study", "1..2", "c.json", "c.dcm"}, "study UID"},
		{[]string{"report", "--as", "xml", "c.json", "c.dcm"}, "write pages, sr, registration or surface"},
		{[]string{"report", "--as", "sr", "c.json", "c.pdf"}, "end it in .dcm"},
		{[]string{"report", "--as", "sr", "other.json", "c.dcm"}, "an object is written of a measurement"},
		{[]string{"report", "--site", "46", "c.json", "c.dcm"}, "--site goes with --as surface"},
		{[]string{"report", "--as", "surface", "--site", "11", "c.json", "c.dcm"}, "no fixture at"},
		{[]string{"report", "--target", "apex", "c.json", "c.pdf"}, "expected a figure and its level"},
		{[]string{"report", "--target", "apex=2", "c.json", "c.pdf"}, "see plumbline report --help"},
		{[]string{"report", "other.json"}, "give the measurement and the report's file"},
		{[]string{"report", "--numbering", "roman", "other.json", "c.pdf"}, "write iso3950 or universal"},
	} {
		got := run(c.args...)
		assert.Equal(t, BadInput, got.status, c.args)
		assert.Contains(t, got.stderr, c.want)
	}
	assert.NoFileExists(t, "c.pdf")
	assert.NoFileExists(t, "c.dcm")
}

// A measurement is written as objects for other programs, and a patient is in them when
// asked for.
func TestObjectsForOtherPrograms(t *testing.T) {
	world(t)
	require.Equal(t, Done, run("measure", "--json", "c.json", "demo/C-101").status)
	for _, as := range []string{"sr", "registration", "surface"} {
		got := run("report", "--as", as, "--patient-id", "4711", "c.json", as+".dcm")
		assert.Equal(t, Done, got.status, got.stderr)
		assert.Equal(t, "wrote "+as+".dcm\n", got.stdout)
		data, err := os.ReadFile(as + ".dcm")
		require.NoError(t, err)
		assert.Contains(t, string(data), "4711")
		require.Equal(t, Done, run("report", "--as", as, "c.json", as+".dcm").status, "its own is written again")
		data, err = os.ReadFile(as + ".dcm")
		require.NoError(t, err)
		assert.NotContains(t, string(data), "4711")
	}
	got := run("report", "c.json", "sr.dcm")
	assert.Equal(t, BadInput, got.status)
	assert.Contains(t, got.stderr, "DICOM file")
}
