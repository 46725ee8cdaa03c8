package reviewpack

import (
	"archive/zip"
	"bytes"
	"compress/zlib"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
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
func writeSeries(t *testing.T, n int) string {
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

var options = Options{Today: "2026-12-31", Version: "1.0.0", Paper: report.A4}

func make1(t *testing.T, o Options) []File {
	t.Helper()
	files, err := Make(writeSeries(t, 7), o)
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
		"cases/001-S-001.html", "cases/001-S-001.json", "cases/002-S-002.html", "cases/002-S-002.json", "cases/003-S-003.html", "cases/003-S-003.json",
		"cases/004-S-005.html", "cases/004-S-005.json", "cases/005-S-006.html", "cases/005-S-006.json", "cases/006-S-007.html", "cases/006-S-007.json",
		"series/cases.csv", "series/chain.txt", "series/columns.csv", "series/report.html", "series/report.pdf", "series/series.jsonl",
		"manifest.json", "SHA256SUMS",
	}, names(files))
	v, err := Check(write(t, files), options.Version)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.True(t, v.Sound())
	assert.Equal(t, len(files)-2, v.Files)
	assert.Equal(t, Digest(files), v.Digest)
	said := strings.Join(v.Findings, "\n")
	assert.Contains(t, said, "8 records")
	assert.Contains(t, said, "6 measurements are those of the series file")
	assert.Contains(t, said, "the table is that of the series file")
	assert.Contains(t, said, "not shown to be consecutive")

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

	v, err := Check(write(t, files), options.Version)
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.Contains(t, strings.Join(v.Findings, " "), "cannot be checked again")
}

// resealed gives the files a manifest that fits them, as a forger would.
func resealed(t *testing.T, files []File, m Manifest) []File {
	t.Helper()
	p := &packer{options: options, date: func(s string) string { return s }}
	m.Files = nil
	for _, f := range files {
		if f.Name != manifestName && f.Name != sumsName {
			p.files = append(p.files, f)
			m.Files = append(m.Files, Entry{f.Name, len(f.Data), sum(f.Data)})
		}
	}
	data, err := json.MarshalIndent(m, "", "  ")
	require.NoError(t, err)
	p.add(manifestName, append(data, '\n'))
	var sums strings.Builder
	for _, f := range p.files {
		fmt.Fprintf(&sums, "%s  %s\n", sum(f.Data), f.Name)
	}
	p.add(sumsName, []byte(sums.String()))
	return p.files
}

func TestTamperingIsTold(t *testing.T) {
	clean := make1(t, options)
	var m Manifest
	for _, f := range clean {
		if f.Name == manifestName {
			require.NoError(t, json.Unmarshal(f.Data, &m))
		}
	}
	copied := func() []File { return append([]File(nil), clean...) }
	edit := func(files []File, name, from, to string) []File {
		for i, f := range files {
			if f.Name == name {
				require.Contains(t, string(f.Data), from)
				files[i].Data = []byte(strings.Replace(string(f.Data), from, to, 1))
			}
		}
		return files
	}
	without := func(files []File, name string) (out []File) {
		for _, f := range files {
			if f.Name != name {
				out = append(out, f)
			}
		}
		return out
	}
	const measurement = "cases/002-S-002.json"
	for name, c := range map[string]struct {
		files []File
		fault string
	}{
		"a report is edited":      {edit(copied(), "series/report.html", "mm", "cm"), "series/report.html is not as it was packed"},
		"a file is gone":          {without(copied(), "series/cases.csv"), "series/cases.csv is in the manifest and not in the pack"},
		"a file came in":          {append(copied(), File{"cases/extra.html", nil}), "cases/extra.html is in the pack and not in the manifest"},
		"a file is there twice":   {append(copied(), File{"README.txt", nil}), "README.txt is there twice"},
		"a name leads out":        {append(copied(), File{"../evil.sh", nil}), "leads out of the folder"},
		"a name leads to a drive": {append(copied(), File{`C:\evil.bat`, nil}), "leads out of the folder"},
		"the sums are edited":     {edit(copied(), sumsName, "README", "READYOU"), "SHA256SUMS does not say"},
		"a measurement is forged": {resealed(t, edit(copied(), measurement, `"entry_mm": `, `"entry_mm": 1`), m), measurement + " is not the measurement in the series file"},
		"a measurement is slipped in": {resealed(t, append(copied(), File{"cases/009-S-009.json", []byte("{}")}), m),
			"cases/009-S-009.json is no measurement of the series file"},
		"the table is forged":  {resealed(t, edit(copied(), tableName, "S-002", "S-099"), m), "series/cases.csv is not the table of the series file"},
		"a record is forged":   {resealed(t, edit(copied(), seriesName, `"entry_mm":`, `"entry_mm":1`), m), "series/series.jsonl: line"},
		"the series is gone":   {resealed(t, without(copied(), seriesName), m), "series/series.jsonl is missing"},
		"the end is cut off":   {resealed(t, cut(copied()), m), "the receipt of series/series.jsonl"},
		"the manifest is gone": {without(copied(), manifestName), ""},
	} {
		v, err := Check(write(t, c.files), options.Version)
		if c.fault == "" {
			assert.Error(t, err, name)
			continue
		}
		require.NoError(t, err, name)
		assert.False(t, v.Sound(), name)
		assert.Contains(t, strings.Join(v.Faults, "\n"), c.fault, name)
	}
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

	_, err = Check(path, options.Version)
	assert.ErrorContains(t, err, "not a readable zip archive")
}

// A pack made by another version is checked as far as that can be.
func TestOtherVersion(t *testing.T) {
	files := make1(t, options)
	for i, f := range files {
		if f.Name == tableName {
			files[i].Data = append([]byte(nil), bytes.Replace(f.Data, []byte("reason"), []byte("why"), 1)...)
		}
	}
	var m Manifest
	for _, f := range files {
		if f.Name == manifestName {
			require.NoError(t, json.Unmarshal(f.Data, &m))
		}
	}
	v, err := Check(write(t, resealed(t, files, m)), "2.0.0")
	require.NoError(t, err)
	assert.Empty(t, v.Faults)
	assert.Contains(t, strings.Join(v.Findings, " "), "not compared")
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
	assert.True(t, clean("cases/001-C-007.html"))
}

func FuzzCheck(f *testing.F) {
	var b bytes.Buffer
	z := zip.NewWriter(&b)
	w, _ := z.Create(manifestName)
	_, _ = w.Write([]byte(`{"schema": "plumbline/pack/1", "files": [{"name": "a", "bytes": 1, "sha256": "x"}]}`))
	w, _ = z.Create(seriesName)
	_, _ = w.Write([]byte("{}\n"))
	_ = z.Close()
	f.Add(b.Bytes())
	f.Add([]byte("PK"))
	f.Fuzz(func(t *testing.T, data []byte) {
		r, err := zip.NewReader(bytes.NewReader(data), int64(len(data)))
		if err != nil {
			return
		}
		v, err := check(r, "1")
		assert.True(t, (v == nil) != (err == nil))
	})
}
