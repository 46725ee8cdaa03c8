package reviewpack

import (
	"archive/zip"
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"path"
	"slices"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/regularfile"
	"plumbline/internal/series"
)

// Verdict is what a look at a pack found.
type Verdict struct {
	Manifest Manifest
	Digest   string   // of the manifest
	Files    int      // that are as the manifest says
	Faults   []string // in words; none in a sound pack
	Findings []string // what was checked besides hashes
}

// Sound tells whether nothing is wrong.
func (v *Verdict) Sound() bool { return len(v.Faults) == 0 }

const (
	// mostFiles and mostBytes bound what a check reads: ten times a series of a
	// thousand cases.
	mostFiles = 30000
	mostBytes = 2 << 30
)

// Check reads a pack and holds it against its manifest, and its series file
// against its chain, its measurements and its table.
//
// In: version of the program that checks; one of another version cannot hold the
// table against the series file byte by byte, and says so.
// Errors: a file that is no readable zip archive with a manifest of this program.
// What is wrong inside is a fault, not an error.
func Check(file, version string) (*Verdict, error) {
	if err := regularfile.Check(file); err != nil {
		return nil, err
	}
	z, err := zip.OpenReader(file)
	if err != nil {
		return nil, fmt.Errorf("%s is not a readable zip archive: %w", file, err)
	}
	defer z.Close()
	v, err := check(&z.Reader, version)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", file, err)
	}
	return v, nil
}

func check(z *zip.Reader, version string) (*Verdict, error) {
	files, faults, err := read(z)
	if err != nil {
		return nil, err
	}
	v := &Verdict{Faults: faults}
	data, has := files[manifestName]
	if !has {
		return nil, fmt.Errorf("it has no %s: it is not a peer-review pack", manifestName)
	}
	if err := json.Unmarshal(data, &v.Manifest); err != nil || v.Manifest.Schema != Schema {
		return nil, fmt.Errorf("its %s is not of the form %s", manifestName, Schema)
	}
	v.Digest = sum(data)
	v.hashes(files)
	if text, has := files[seriesName]; has {
		v.series(files, text, version)
	} else if v.Manifest.RelativeDates {
		v.Findings = append(v.Findings, "the dates are relative, so the series file is not here and its chain cannot be checked again")
	} else {
		v.fault("%s is missing", seriesName)
	}
	return v, nil
}

func (v *Verdict) fault(format string, args ...any) {
	v.Faults = append(v.Faults, fmt.Sprintf(format, args...))
}

// read takes the files out of an archive.
func read(z *zip.Reader) (files map[string][]byte, faults []string, err error) {
	if len(z.File) > mostFiles {
		return nil, nil, fmt.Errorf("%d files are more than any pack has", len(z.File))
	}
	files = map[string][]byte{}
	left := int64(mostBytes)
	for _, f := range z.File {
		name := f.Name
		if strings.HasSuffix(name, "/") {
			continue // a folder, as some programs add when they pack anew
		}
		if !clean(name) {
			faults = append(faults, fmt.Sprintf("the name %q leads out of the folder it would be unpacked in", name))
			continue
		}
		if _, twice := files[name]; twice {
			faults = append(faults, fmt.Sprintf("%s is there twice", name))
			continue
		}
		in, err := f.Open()
		if err != nil {
			faults = append(faults, fmt.Sprintf("%s cannot be read: %v", name, err))
			continue
		}
		data, err := io.ReadAll(io.LimitReader(in, left+1))
		in.Close()
		if int64(len(data)) > left {
			return nil, nil, fmt.Errorf("it unpacks to more than %d bytes, more than any pack has", int64(mostBytes))
		}
		left -= int64(len(data))
		if err != nil {
			faults = append(faults, fmt.Sprintf("%s cannot be read: %v", name, err))
			continue
		}
		files[name] = data
	}
	return files, faults, nil
}

// hashes holds every file against the manifest.
func (v *Verdict) hashes(files map[string][]byte) {
	listed := map[string]bool{manifestName: true, sumsName: true}
	for _, e := range v.Manifest.Files {
		listed[e.Name] = true
		data, has := files[e.Name]
		switch {
		case !has:
			v.fault("%s is in the manifest and not in the pack", e.Name)
		case len(data) != e.Bytes || sum(data) != e.SHA256:
			v.fault("%s is not as it was packed", e.Name)
		default:
			v.Files++
		}
	}
	for _, name := range sortedNames(files) {
		if !listed[name] {
			v.fault("%s is in the pack and not in the manifest", name)
		}
	}
	var sums strings.Builder
	for _, e := range v.Manifest.Files {
		fmt.Fprintf(&sums, "%s  %s\n", e.SHA256, e.Name)
	}
	fmt.Fprintf(&sums, "%s  %s\n", v.Digest, manifestName)
	if string(files[sumsName]) != sums.String() {
		v.fault("%s does not say what the manifest says", sumsName)
	}
}

// series checks the chain, and that measurements and table come from it.
func (v *Verdict) series(files map[string][]byte, text []byte, version string) {
	f, err := series.Parse(bytes.NewReader(text))
	if err != nil {
		v.fault("%s: %v", seriesName, err)
		return
	}
	for _, x := range f.Faults {
		v.fault("%s: %s", seriesName, x.Message)
	}
	if f.Receipt() != v.Manifest.Receipt {
		v.fault("the receipt of %s is %s, the manifest has %s", seriesName, f.Receipt(), v.Manifest.Receipt)
	}
	if len(f.Faults) > 0 {
		return
	}
	v.Findings = append(v.Findings, fmt.Sprintf("the series file holds %d records and its chain is unbroken; receipt %s", len(f.Records), f.Receipt()))
	s := series.Summarise(f.Records, v.Manifest.Today)
	v.Findings = append(v.Findings, s.Words)
	p := &packer{date: func(s string) string { return s }}
	same, wanted := 0, map[string]bool{}
	for i, c := range measured(s) {
		name := caseName(i, c) + ".json"
		wanted[name] = true
		if sameMeasurement(c, files[name]) {
			same++
		} else {
			v.fault("%s is not the measurement in the series file", name)
		}
	}
	for _, name := range sortedNames(files) {
		if strings.HasPrefix(name, "cases/") && path.Ext(name) == ".json" && !wanted[name] {
			v.fault("%s is no measurement of the series file", name)
		}
	}
	v.Findings = append(v.Findings, fmt.Sprintf("%d measurements are those of the series file", same))
	if err := p.table(s); err != nil {
		v.fault("%s: %v", tableName, err)
		return
	}
	switch {
	case bytes.Equal(p.files[0].Data, files[tableName]):
		v.Findings = append(v.Findings, "the table is that of the series file")
	case v.Manifest.Program != version:
		v.Findings = append(v.Findings, fmt.Sprintf("the table was made by version %s of the program and is not compared with the series file by this one", v.Manifest.Program))
	default:
		v.fault("%s is not the table of the series file", tableName)
	}
}

// sameMeasurement compares a packed measurement with one of the series file, as
// far as this program knows their fields.
func sameMeasurement(c *measurement.Case, packed []byte) bool {
	var other measurement.Case
	if json.Unmarshal(packed, &other) != nil {
		return false
	}
	a, err := json.Marshal(c)
	b, err2 := json.Marshal(&other)
	return err == nil && err2 == nil && bytes.Equal(a, b)
}

func sortedNames(files map[string][]byte) []string { return slices.Sorted(maps.Keys(files)) }
