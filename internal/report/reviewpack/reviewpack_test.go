package reviewpack

import (
	"bytes"
	"compress/zlib"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
	"plumbline/internal/phantom"
	"plumbline/internal/report"
	"plumbline/internal/series"
)

// writeSeries writes a series file of invented cases; the fourth is left out.
func writeSeries(t testing.TB, n int) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), "series.jsonl")
	var records []series.Record
	for i, c := range phantom.DemoSeries(n, 1) {
		at := time.Date(2026, 1, 2, 10, 0, 0, 0, time.UTC).Format(time.RFC3339)
		if i == 3 {
			records = append(records, series.Record{Kind: series.LeftOut, Time: at, Case: c.Case, Reason: "no scan since 2026-02-03"})
			continue
		}
		records = append(records, series.Record{Kind: series.Measured, Time: at, Case: c.Case, Measurement: &measurement.Case{
			Schema: measurement.Schema, Case: c.Case, Placed: c.Placed, Clinician: c.Clinician, Program: measurement.Program{Version: "1"},
			Inputs: measurement.Inputs{PlanSHA256: strings.Repeat("a", 64), PreSeries: "1.2.20260102", PostSeries: "1.2.20260203"},
			Flags:  measurement.Flags{{Code: "scans-out-of-order", Level: measurement.Notice, Message: "the follow-up scan (2026-01-05) is old"}},
			Fixtures: []measurement.Fixture{{Site: c.Site, Guidance: c.Guidance, Deviation: c.Deviation,
				Planned: measurement.Placement{Diameter: 4.1, Length: 10, Apex: [3]float64{0, 0, 10}}}}}})
	}
	records = append(records, series.Record{Kind: series.Remark, Time: "2026-03-01T08:00:00+01:00", Author: "mentor-b", Text: "seen on 2026-03-01"})
	_, err := series.Append(path, records...)
	require.NoError(t, err)
	return path
}

var options = Options{Today: "2026-12-31", Version: "1.0.0", Paper: report.A4, CheckLine: "check FILE.zip"}

func make1(t *testing.T, o Options) []File {
	t.Helper()
	files, err := Make(writeSeries(t, 7), o)
	require.NoError(t, err)
	return files
}

// small is a pack of two cases.
func small(t *testing.T) []File {
	t.Helper()
	files, err := Make(writeSeries(t, 2), options)
	require.NoError(t, err)
	return files
}

func write(t *testing.T, files []File) string {
	t.Helper()
	var b bytes.Buffer
	require.NoError(t, Write(&b, files))
	path := filepath.Join(t.TempDir(), "pack.zip")
	require.NoError(t, os.WriteFile(path, b.Bytes(), 0o644))
	return path
}

func names(files []File) (out []string) {
	for _, f := range files {
		out = append(out, f.Name)
	}
	return out
}

func TestPackIsSound(t *testing.T) {
	path := writeSeries(t, 7)
	files, err := Make(path, options)
	require.NoError(t, err)
	assert.Equal(t, []string{
		"README.txt",
		"cases/001-S-001.html", "cases/001-S-001.json", "cases/001-S-001.pdf", "cases/002-S-002.html", "cases/002-S-002.json", "cases/002-S-002.pdf", "cases/003-S-003.html", "cases/003-S-003.json", "cases/003-S-003.pdf",
		"cases/004-S-005.html", "cases/004-S-005.json", "cases/004-S-005.pdf", "cases/005-S-006.html", "cases/005-S-006.json", "cases/005-S-006.pdf", "cases/006-S-007.html", "cases/006-S-007.json", "cases/006-S-007.pdf",
		"first-page.html", "first-page.pdf",
		"series/cases.csv", "series/chain.txt", "series/columns.csv", "series/report.html", "series/report.pdf", "series/series.jsonl",
		"manifest.json", "SHA256SUMS",
	}, names(files))
	v, err := Check(write(t, files), options.Version, options.CheckLine)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.True(t, v.Sound())
	assert.Equal(t, len(files)-2, v.Files)
	assert.Equal(t, Digest(files), v.Digest)
	said := strings.Join(v.Findings, "\n")
	assert.Contains(t, said, "8 records")
	assert.Contains(t, said, "26 files, made anew from the series file, are the same byte for byte")
	assert.Contains(t, said, "Nothing shows that these are all cases")

	again, err := Make(path, options)
	require.NoError(t, err)
	var a, b bytes.Buffer
	require.NoError(t, Write(&a, files))
	require.NoError(t, Write(&b, again))
	assert.True(t, bytes.Equal(a.Bytes(), b.Bytes()), "the same series gives the same bytes")
}

var stream = regexp.MustCompile(`(?s)stream\r?\n(.*?)\r?\nendstream`)

// inflated is a PDF with its compressed parts unpacked and its text, which fpdf
// writes as UTF-16, made readable.
func inflated(pdf []byte) string {
	var out bytes.Buffer
	out.Write(pdf)
	for _, m := range stream.FindAllSubmatch(pdf, -1) {
		if r, err := zlib.NewReader(bytes.NewReader(m[1])); err == nil {
			data, _ := io.ReadAll(r)
			out.Write(data)
		}
	}
	return strings.ReplaceAll(out.String(), "\x00", "")
}

// No date is left anywhere, and days count from the first surgery.
func TestRelativeDates(t *testing.T) {
	o := options
	o.RelativeDates = true
	files := make1(t, o)
	date := regexp.MustCompile(`20\d\d-\d\d-\d\d|2026\d{4}`)
	for _, f := range files {
		text := string(f.Data)
		if f.Name == columnsName {
			continue // its date is an example
		}
		if strings.HasSuffix(f.Name, ".pdf") {
			text = inflated(f.Data)
		}
		assert.Empty(t, date.FindString(text), f.Name)
	}
	assert.NotContains(t, names(files), seriesName)
	of := map[string]string{}
	for _, f := range files {
		of[f.Name] = string(f.Data)
	}
	assert.Contains(t, of["cases/001-S-001.json"], `"placed": "day 0"`)
	assert.Contains(t, of["cases/001-S-001.json"], `"pre_series": ""`)
	first, err := time.Parse(time.DateOnly, phantom.DemoSeries(7, 1)[0].Placed)
	require.NoError(t, err)
	third, err := time.Parse(time.DateOnly, phantom.DemoSeries(7, 1)[2].Placed)
	require.NoError(t, err)
	day := fmt.Sprintf("day %d", int(third.Sub(first).Hours()/24))
	assert.Contains(t, of["series/cases.csv"], "S-003,"+day+",")
	assert.Contains(t, of["series/report.html"], ">"+day+"<")
	assert.Contains(t, inflated([]byte(of["series/report.pdf"])), day)

	v, err := Check(write(t, files), options.Version, options.CheckLine)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.Contains(t, strings.Join(v.Findings, " "), "cannot be checked again")
}

// resealed gives the files a manifest that fits them, as a forger would.
func resealed(t *testing.T, files []File, change func(*Manifest)) []File {
	t.Helper()
	var m Manifest
	for _, f := range files {
		if f.Name == manifestName {
			require.NoError(t, json.Unmarshal(f.Data, &m))
		}
	}
	m.Files = nil
	var out []File
	for _, f := range files {
		if f.Name != manifestName && f.Name != sumsName {
			out = append(out, f)
			m.Files = append(m.Files, Entry{f.Name, len(f.Data), sum(f.Data)})
		}
	}
	if change != nil {
		change(&m)
	}
	data, err := json.MarshalIndent(m, "", "  ")
	require.NoError(t, err)
	data = append(data, '\n')
	return append(out, File{manifestName, data}, File{sumsName, sums(append(m.Files, Entry{Name: manifestName, SHA256: sum(data)}))})
}

// edited is the files with a text in one of them exchanged, once.
func edited(t *testing.T, files []File, name, from, to string) []File {
	t.Helper()
	out := slices.Clone(files)
	for i, f := range out {
		if f.Name == name {
			require.Contains(t, string(f.Data), from)
			out[i].Data = []byte(strings.Replace(string(f.Data), from, to, 1))
			return out
		}
	}
	require.Fail(t, "no such file", name)
	return nil
}

func TestTamperingIsTold(t *testing.T) {
	clean := make1(t, options)
	copied := func() []File { return append([]File(nil), clean...) }
	const measurement = "cases/002-S-002.json"
	for name, c := range map[string]struct {
		files []File
		fault string
	}{
		"a report is edited":      {edited(t, clean, "series/report.html", "mm", "cm"), `"series/report.html" is not as it was packed`},
		"a file is gone":          {without(clean, "series/cases.csv"), `"series/cases.csv" is in the manifest and not in the pack`},
		"a file came in":          {append(copied(), File{"cases/extra.html", nil}), `"cases/extra.html" is in the pack and not in the manifest`},
		"a file is there twice":   {append(copied(), File{"README.txt", nil}), `"README.txt" is there twice`},
		"a name leads out":        {append(copied(), File{"../evil.sh", nil}), "could lead out of the folder"},
		"a name leads to a drive": {append(copied(), File{`C:\evil.bat`, nil}), "could lead out of the folder"},
		"the sums are edited":     {edited(t, clean, sumsName, "README", "READYOU"), "SHA256SUMS does not say"},
		"a measurement is forged": {resealed(t, edited(t, clean, measurement, `"entry_mm": `, `"entry_mm": 1`), nil), `"cases/002-S-002.json" is not the measurement in the series file: "fixtures[0].deviation.entry_mm" is `},
		"a measurement is slipped in": {resealed(t, append(copied(), File{"cases/009-S-009.json", []byte("{}")}), nil),
			`"cases/009-S-009.json" is no measurement of the series file`},
		"the table is forged":  {resealed(t, edited(t, clean, tableName, "S-002", "S-099"), nil), `"series/cases.csv" is not what the program makes from the series file`},
		"a record is forged":   {resealed(t, edited(t, clean, seriesName, `"entry_mm":`, `"entry_mm":1`), nil), `series/series.jsonl: "line 1 was edited`},
		"the series is gone":   {resealed(t, without(clean, seriesName), nil), `"series/series.jsonl" is missing`},
		"the end is cut off":   {resealed(t, cut(copied()), nil), "the receipt of series/series.jsonl"},
		"the manifest is gone": {without(clean, manifestName), ""},
	} {
		v, err := Check(write(t, c.files), options.Version, options.CheckLine)
		if c.fault == "" {
			assert.Error(t, err, name)
			continue
		}
		require.NoError(t, err, name)
		assert.False(t, v.Sound(), name)
		assert.Contains(t, strings.Join(v.Faults, "\n"), c.fault, name)
	}
}

// A forger who makes manifest and sums fit is found by what the series file gives,
// in a pack without it by what the measurements give; a changed series file by its
// chain.
func TestForgedTogetherIsTold(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	clean := make1(t, options)
	o := options
	o.RelativeDates = true
	blind := make1(t, o)
	const page, stored = "cases/002-S-002.html", "cases/002-S-002.json"
	everything := edited(t, edited(t, clean, stored, `"entry_mm": `, `"entry_mm": 1`), seriesName, `"entry_mm":`, `"entry_mm":1`)
	for name, c := range map[string]struct {
		files []File
		fault string
	}{
		"a page":              {edited(t, clean, page, "mm", "cm"), `"cases/002-S-002.html" is not what the program makes from the series file: it was changed`},
		"paper":               {edited(t, clean, "series/report.pdf", "%PDF-1", "%PDF-2"), `"series/report.pdf" is not what the program makes`},
		"the chain's list":    {edited(t, clean, chainName, "unbroken", "sound"), `"series/chain.txt" is not what`},
		"the readme":          {edited(t, clean, readmeName, "Cautions", "Nothing"), `"README.txt" is not what`},
		"a file slipped in":   {append(slices.Clone(clean), File{"cases/more.html", nil}), `"cases/more.html" is no file of a pack`},
		"a report left out":   {without(clean, page), `"cases/002-S-002.html" is not in the pack and belongs there`},
		"layout of a figure":  {edited(t, clean, stored, `"entry_mm": `, `"entry_mm":  `), `"cases/002-S-002.json" is not what the program makes`},
		"a field slipped in":  {edited(t, clean, stored, `"case":`, `"note": "all well", "case":`), `"cases/002-S-002.json" is not what the program makes`},
		"no measurement":      {edited(t, clean, stored, `"schema"`, `"scheme"`), `"cases/002-S-002.json" is no measurement`},
		"figures and series":  {everything, `series/series.jsonl: "line 1 was edited`},
		"blinded: a page":     {edited(t, blind, page, "mm", "cm"), `"cases/002-S-002.html" is not what the program makes from the measurements: it was changed`},
		"blinded: a figure":   {edited(t, blind, stored, `"entry_mm": `, `"entry_mm": 1`), `"series/cases.csv" has `},
		"blinded: the table":  {edited(t, blind, tableName, "S-002", "S-099"), `"series/cases.csv" has the figures of "S-099, site `},
		"blinded: an extra":   {append(slices.Clone(blind), File{"cases/more.html", nil}), `"cases/more.html" is no file of a pack`},
		"blinded: a new case": {append(slices.Clone(blind), File{"cases/009-S-009.json", nil}), `"cases/009-S-009.json" is no measurement`},
	} {
		v, err := Check(write(t, resealed(t, c.files, nil)), options.Version, options.CheckLine)
		require.NoError(t, err, name)
		assert.Equal(t, v.Listed, v.Files, name+": hashes alone do not tell")
		assert.Contains(t, strings.Join(v.Faults, "\n"), c.fault, name)
	}
	more := resealed(t, clean, func(m *Manifest) { m.Numbering = "universal" })
	v, err := Check(write(t, more), options.Version, options.CheckLine)
	require.NoError(t, err)
	assert.False(t, v.Sound(), "the reports do not number teeth as the manifest says")
}

// What a forger puts into a manifest is printed within quotation marks or not at all.
func TestForgedManifestIsQuoted(t *testing.T) {
	clean := make1(t, options)
	v, err := Check(write(t, resealed(t, clean, func(m *Manifest) {
		m.Program, m.Receipt = forge, forge
		m.Files = append(m.Files, Entry{Name: forge})
	})), options.Version, options.CheckLine)
	require.NoError(t, err)
	assert.Equal(t, quoted(forge), v.Program)
	said := strings.Join(append(v.Faults, v.Findings...), "\r")
	assert.Contains(t, said, quoted(forge)+" is in the manifest and not in the pack")
	for _, raw := range []string{"\n", "\x1b", "\u202e"} {
		assert.NotContains(t, said, raw)
	}
	for _, change := range []func(*Manifest){
		func(m *Manifest) { m.Today = "tomorrow" }, func(m *Manifest) { m.Paper = "A0" }, func(m *Manifest) { m.Schema = "x" },
		func(m *Manifest) { m.Numbering = "other" }, func(m *Manifest) { m.Program = strings.Repeat("x", 101) },
	} {
		_, err := Check(write(t, resealed(t, clean, change)), options.Version, options.CheckLine)
		assert.ErrorContains(t, err, "is not of the form")
	}
}

// What is beyond the bounds of a check is not packed.
func TestBoundsOfAPack(t *testing.T) {
	path := writeSeries(t, 5)
	var remarks []series.Record
	for range mostWords/4000 + 1 {
		remarks = append(remarks, series.Record{Kind: series.Remark, Time: "2026-03-01T08:00:00+01:00", Author: "m", Text: strings.Repeat("x", 4000)})
	}
	_, err := series.Append(path, remarks...)
	require.NoError(t, err)
	_, err = Make(path, options)
	assert.ErrorContains(t, err, "remarks, reasons and corrections have more than 1024 kB")
	assert.ErrorContains(t, bounded([]File{{"cases/1.json", make([]byte, mostCase+1)}}), "2 MB a file")
	assert.ErrorContains(t, bounded(make([]File, mostMembers+1)), "8001 files")
}

// without is the files but one.
func without(files []File, name string) []File {
	return slices.DeleteFunc(slices.Clone(files), func(f File) bool { return f.Name == name })
}

// cut takes the last record off the series file.
func cut(files []File) []File {
	for i, f := range files {
		if f.Name == seriesName {
			lines := bytes.SplitAfter(bytes.TrimRight(f.Data, "\n"), []byte("\n"))
			files[i].Data = bytes.Join(lines[:len(lines)-1], nil)
		}
	}
	return files
}

func TestWhatCannotBePacked(t *testing.T) {
	path := writeSeries(t, 5)
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, bytes.Replace(data, []byte("mentor-b"), []byte("mentor-c"), 1), 0o644))
	_, err = Make(path, options)
	assert.ErrorContains(t, err, "edited")

	empty := filepath.Join(t.TempDir(), "series.jsonl")
	_, err = series.Append(empty, series.Record{Kind: series.Remark, Time: "2026-03-01T08:00:00+01:00", Author: "m", Text: "x"})
	require.NoError(t, err)
	_, err = Make(empty, options)
	assert.ErrorContains(t, err, "no measured case")
	o := options
	o.RelativeDates = true
	_, err = Make(empty, o)
	assert.ErrorContains(t, err, "no case has a date")
	_, err = Make(filepath.Join(t.TempDir(), "none"), options)
	assert.ErrorIs(t, err, os.ErrNotExist)

	_, err = Check(path, options.Version, options.CheckLine)
	assert.ErrorContains(t, err, "not a readable zip archive")
}

// A pack made by another version is checked as far as that can be.
func TestOtherVersion(t *testing.T) {
	files := make1(t, options)
	files = resealed(t, edited(t, files, tableName, "reason", "why"), nil)
	v, err := Check(write(t, files), "2.0.0", options.CheckLine)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.Contains(t, strings.Join(v.Findings, " "), "the table has the figures of the measurements, 6 fixtures")
	assert.Contains(t, strings.Join(v.Findings, " "), `not compared: "series/cases.csv". They`)
	assert.True(t, v.Open)
}

// A version of changed sources names no one program, so a difference may come of it;
// where there is none, nothing is left open.
func TestVersionOfChangedSources(t *testing.T) {
	o := options
	o.Version = "1.0.0+changes"
	files := make1(t, o)
	v, err := Check(write(t, files), "2.0.0", o.CheckLine)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.NotContains(t, strings.Join(v.Findings, " "), "not compared")
	assert.False(t, v.Open)
	forged := resealed(t, edited(t, files, "cases/002-S-002.html", "mm", "cm"), nil)
	for _, version := range []string{o.Version, "2.0.0"} {
		v, err = Check(write(t, forged), version, o.CheckLine)
		require.NoError(t, err)
		assert.Contains(t, strings.Join(v.Findings, " "), `not compared: "cases/002-S-002.html". They`)
		assert.True(t, v.Open)
	}
	wrong := resealed(t, edited(t, files, "cases/002-S-002.json", `"entry_mm": `, `"entry_mm": 1`), nil)
	v, err = Check(write(t, wrong), "2.0.0", o.CheckLine)
	require.NoError(t, err)
	assert.Contains(t, strings.Join(v.Faults, " "), `"cases/002-S-002.json" is not the measurement in the series file`)
	table := resealed(t, edited(t, files, tableName, "S-002", "S-099"), nil)
	v, err = Check(write(t, table), "2.0.0", o.CheckLine)
	require.NoError(t, err)
	assert.Contains(t, strings.Join(v.Faults, " "), `"series/cases.csv" has the figures of "S-099`)
}

// Names fit every system and never lead out of a folder.
func TestSafeNames(t *testing.T) {
	assert.Equal(t, "C-007", safe("C-007"))
	assert.Equal(t, "______etc", safe("../../etc"))
	assert.Equal(t, "__", safe("病例"))
	assert.Len(t, safe(strings.Repeat("x", 500)), 60)
	for _, name := range []string{"", "/etc/passwd", "../x", "a/../../x", `a\b`, "a:b", "a//b", "./a"} {
		assert.False(t, clean(name), name)
	}
	assert.False(t, clean("a\x1b[2J"))
	assert.False(t, clean(strings.Repeat("x", longestName+1)))
	assert.True(t, clean("cases/001-C-007.html"))
}
