package cli

import (
	"archive/zip"
	"bytes"
	"compress/zlib"
	"encoding/base64"
	"io"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"github.com/suyashkumar/dicom/pkg/tag"

	"plumbline/internal/dicom/element"
	"plumbline/internal/dicom/encode"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/volume"
)

// An invented person. No word of it stands in the program or its documents.
const (
	markFamily = "ZZINVENTEDFAMILY"
	markGiven  = "QQINVENTEDGIVEN"
	markID     = "XX90817263"
	markBorn   = "19070809"
	markOther  = "VVINVENTEDOTHER" // in every other attribute that may name somebody
	markFolder = "WWINVENTEDFOLDER"
)

var marks = []string{markFamily, markGiven, markID, markBorn, "1907-08-09", markOther}

// nameThem puts the person into a file's attributes.
func nameThem(d *element.Dataset) {
	d.Set(tag.PatientName, markFamily+"^"+markGiven)
	d.Set(tag.PatientID, markID)
	d.Set(tag.PatientBirthDate, markBorn)
	for _, t := range []tag.Tag{tag.OtherPatientNames, tag.PatientComments, tag.ReferringPhysicianName, tag.OperatorsName,
		tag.InstitutionName, tag.AccessionNumber, tag.StudyID, tag.StudyDescription, tag.SeriesDescription, tag.ImageComments, tag.Manufacturer} {
		d.Set(t, markOther)
	}
}

// nameAll writes a volume with the person in every file, and one file changed.
func nameAll(t *testing.T, to string, v *volume.Volume, o encode.Options, change func(d *element.Dataset)) {
	t.Helper()
	o.Change = func(k int, d *element.Dataset) {
		nameThem(d)
		if change != nil && k == 4 {
			change(d)
		}
	}
	require.NoError(t, encode.Volume(to, v, o))
}

var (
	pdfStream = regexp.MustCompile(`(?s)stream\n(.*?)\nendstream`)
	embedded  = regexp.MustCompile(`base64,([A-Za-z0-9+/=]+)`)
)

// readable is a file's bytes with all that is packed in them: the streams of a
// PDF (also of one within a DICOM file), the pictures of a page and the files of
// an archive. Letters are small; UTF-16, in which a PDF has its text, is taken
// to the letters' own bytes.
func readable(t *testing.T, data []byte) string {
	t.Helper()
	out := bytes.NewBuffer(bytes.Clone(data))
	if z, err := zip.NewReader(bytes.NewReader(data), int64(len(data))); err == nil {
		for _, f := range z.File {
			r, err := f.Open()
			require.NoError(t, err)
			inner, err := io.ReadAll(r)
			require.NoError(t, err)
			out.WriteString(f.Name + "\n" + readable(t, inner))
		}
	}
	for _, m := range pdfStream.FindAllSubmatch(data, -1) {
		if r, err := zlib.NewReader(bytes.NewReader(m[1])); err == nil {
			inner, err := io.ReadAll(r)
			require.NoError(t, err)
			out.Write(inner)
		}
	}
	for _, m := range embedded.FindAllSubmatch(data, -1) {
		inner, err := base64.StdEncoding.DecodeString(string(m[1]))
		require.NoError(t, err)
		out.Write(inner)
	}
	text := strings.ToLower(out.String())
	return text + "\n" + strings.ReplaceAll(text, "\x00", "")
}

// No byte that the program writes names the patient whose scans it measured: not
// in a measurement, a report, a series, a picture, an archive or on the terminal;
// nor when a file of such a scan is damaged.
func TestNobodyIsNamed(t *testing.T) {
	world(t)
	home := filepath.Join(markFolder, "C-101")
	for _, name := range []string{"pre", "post"} {
		s, err := scan.Open(filepath.Join("demo", "C-101", name), scan.Options{})
		require.NoError(t, err)
		nameAll(t, filepath.Join(home, name), &s.Volume, encode.Options{StudyDate: s.StudyDate}, nil)
	}
	text, err := os.ReadFile(filepath.Join("demo", "C-101", "case.toml"))
	require.NoError(t, err)
	write(t, filepath.Join(home, "case.toml"), string(text))
	first, err := os.ReadFile(filepath.Join(home, "post", "IM0001.dcm"))
	require.NoError(t, err)
	for _, m := range marks {
		if m != "1907-08-09" {
			require.Contains(t, string(first), m, "the scan names somebody")
		}
	}

	var said strings.Builder
	do := func(status int, args ...string) {
		t.Helper()
		got := run(args...)
		require.Equal(t, status, got.status, "%s\n%s%s", args, got.stdout, got.stderr)
		said.WriteString(got.stdout + got.stderr)
	}
	require.NoError(t, os.MkdirAll("out/reports", 0o755))
	do(Done, "seal", "--series", "out/series.jsonl", home)
	do(Done, "measure", "--json", "out/c.json", "--report", "out/reports", "--series", "out/series.jsonl", home)
	do(Done, "measure", "--report", "out/c.dcm", home)
	do(Done, "report", "out/c.json", "out/stored.html", "out/stored.pdf", "out/stored.dcm")
	do(Done, "report", "out/series.jsonl", "out/series.html", "out/series.pdf", "out/series.dcm")
	do(Done, "align", "--picture", "out/align.png", home)
	do(Done, "align", "--json", home)
	do(Done, "scan", filepath.Join(home, "post"))
	do(Done, "scan", "--json", filepath.Join(home, "pre"))
	do(Done, "series", "show", "out/series.jsonl")
	do(Done, "series", "export", "--csv", "out/series.csv", "out/series.jsonl")
	do(Done, "pack", "out/series.jsonl", "out/review.zip")
	do(Done, "pack", "--relative-dates", "out/series.jsonl", "out/blinded.zip")

	files := filesOf(t, "out")
	assert.Equal(t, []string{"align.png", "blinded.zip", "c.dcm", "c.json", "reports/C-101.html", "reports/C-101.pdf", "review.zip",
		"series.csv", "series.dcm", "series.html", "series.jsonl", "series.pdf", "stored.dcm", "stored.html", "stored.pdf"}, slices.Sorted(maps.Keys(files)))
	for name, data := range files {
		text := readable(t, []byte(data))
		for _, m := range append([]string{markFolder}, marks...) {
			assert.False(t, strings.Contains(text, strings.ToLower(m)), "%s has %s", name, m)
		}
		if name != "align.png" {
			assert.True(t, strings.Contains(text, "c-101"), "%s can be searched", name)
		}
	}

	// Who is to be named is found by the same search, so that it can fail.
	do(Done, "report", "--patient-name", markFamily+"^"+markGiven, "--patient-id", markID, "out/c.json", "asked.dcm")
	asked, err := os.ReadFile("asked.dcm")
	require.NoError(t, err)
	for _, m := range []string{markFamily, markGiven, markID} {
		assert.True(t, strings.Contains(readable(t, asked), strings.ToLower(m)), m)
	}

	shorten(t, filepath.Join(home, "post", "IM0005.dcm"), 0.6)
	do(BadInput, "measure", "--json", "out/damaged.json", home)
	do(BadInput, "align", home)
	for _, m := range marks {
		assert.NotContains(t, strings.ToUpper(said.String()), m)
	}
	assert.NoFileExists(t, "out/damaged.json")
}

// Nor do messages about a damaged file name anybody, though the person's own
// words stand where a number, a date or an identifier is expected.
func TestDamageNamesNobody(t *testing.T) {
	damage := map[string]func(dir string){
		"cut short in the pixels": func(dir string) { shorten(t, filepath.Join(dir, "IM0005.dcm"), 0.9) },
		"cut short in the names":  func(dir string) { shorten(t, filepath.Join(dir, "IM0005.dcm"), 0.4) },
	}
	post := encode.Options{StudyDate: "2026-03-15"}
	for name, change := range map[string]func(d *element.Dataset){
		"another person's": func(d *element.Dataset) { d.Set(tag.PatientName, markOther+"^"+markGiven) },
		"no place":         func(d *element.Dataset) { d.Set(tag.ImagePositionPatient, markFamily+`\1\2`) },
		"no spacing":       func(d *element.Dataset) { d.Set(tag.PixelSpacing, markFamily) },
		"no series":        func(d *element.Dataset) { d.Set(tag.SeriesInstanceUID, markID) },
		"no date":          func(d *element.Dataset) { d.Set(tag.StudyDate, markBorn) },
		"no modality":      func(d *element.Dataset) { d.Set(tag.Modality, markGiven) },
		"no rescale":       func(d *element.Dataset) { d.Set(tag.RescaleSlope, markFamily) },
		"no pixels":        func(d *element.Dataset) { delete(*d, tag.PixelData) },
	} {
		damage[name] = func(dir string) { nameAll(t, dir, ramp(1100), post, change) }
	}
	for name, spoil := range damage {
		t.Run(name, func(t *testing.T) {
			t.Chdir(t.TempDir())
			rampCase(t, "case")
			nameAll(t, filepath.Join("case", "pre"), ramp(1000), encode.Options{StudyDate: "2026-02-01"}, nil)
			scans := filepath.Join("case", "post")
			nameAll(t, scans, ramp(1100), post, nil)
			require.Equal(t, InDoubt, run("measure", "case").status, "whole, it is measured")
			spoil(scans)
			for i, args := range [][]string{
				{"measure", "--json", "out/c.json", "--report", "out/c.html", "--series", "out/s.jsonl", "case"},
				{"measure", "case", "nowhere"},
				{"align", "case"},
				{"scan", scans},
				{"scan", "--json", scans},
				{"case", "--into", "out", "case"},
			} {
				got := run(args...)
				if i == 0 && name != "no date" && name != "no modality" {
					assert.Equal(t, BadInput, got.status, "the damage is noticed")
				}
				for _, m := range marks {
					assert.NotContains(t, strings.ToUpper(got.stdout+got.stderr), m, args)
				}
			}
			for file, data := range filesOf(t, ".") {
				if filepath.Ext(file) == ".dcm" {
					continue
				}
				for _, m := range marks {
					assert.False(t, strings.Contains(readable(t, []byte(data)), strings.ToLower(m)), "%s has %s", file, m)
				}
			}
		})
	}
}

// shorten keeps a share of a file, from its beginning.
func shorten(t *testing.T, path string, share float64) {
	t.Helper()
	data, err := os.ReadFile(path)
	require.NoError(t, err)
	require.NoError(t, os.WriteFile(path, data[:int(share*float64(len(data)))], 0o644))
}
