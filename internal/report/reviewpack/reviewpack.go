// Package reviewpack puts what a peer reviewer needs into one zip archive: reports,
// measurements, the tidy table, the series file with its chain of hashes, a
// manifest with the hash of every file, and a README in plain words. Check is
// the receiver's look at such an archive: it reads within stated bounds, and makes
// the files anew from the series file to compare them.
//
// Conventions: the same series gives the same bytes. Nothing but pseudonyms
// names a person. With relative dates every ISO date becomes the number of days
// since the first surgery, and what cannot be told without dates, the series
// file itself, is left out. Start with Make, Write and Check.
//
// Limits: remarks and reasons are packed as they were written; a date or a name
// that somebody typed into them in another form stays.
package reviewpack

import (
	"archive/zip"
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"
	"time"

	"plumbline/internal/measurement"
	"plumbline/internal/printable"
	"plumbline/internal/regularfile"
	"plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/tooth"
)

// Schema names the form of the manifest.
const Schema = "plumbline/pack/1"

// Options says how a pack is made.
type Options struct {
	RelativeDates bool
	Today         string // ISO; tells surgeries to come from missed ones
	Version       string // of the program
	Numbering     tooth.System
	Paper         report.Paper
	CheckLine     string // the command line that checks a pack
	// Pictures, where given, are the pictures from a case's scans; nil where those are
	// not at hand.
	Pictures func(*measurement.Case) *report.Document
}

// File is one file of a pack.
type File struct {
	Name string // with slashes
	Data []byte
}

// Manifest lists a pack's files with their hashes.
type Manifest struct {
	Schema        string `json:"schema"`
	Program       string `json:"program"`
	RelativeDates bool   `json:"relative_dates"`
	Today         string `json:"today"`
	Numbering     string `json:"numbering,omitempty"` // of teeth, in the reports
	Paper         string `json:"paper"`               // name of its size
	Records       int    `json:"records"`             // of the series file
	Receipt       string `json:"receipt"`             // of the series file
	// Pictured are the files of pictures from the scans, which cannot be made anew
	// without them.
	Pictured []string `json:"pictured,omitempty"`
	Files    []Entry  `json:"files"` // sorted by name; all but the manifest and SHA256SUMS
}

// Entry is one file of a manifest.
type Entry struct {
	Name   string `json:"name"`
	Bytes  int    `json:"bytes"`
	SHA256 string `json:"sha256"`
}

// Names of the files that are always there.
const (
	manifestName = "manifest.json"
	sumsName     = "SHA256SUMS"
	readmeName   = "README.txt"
	coverName    = "first-page" // without its ending
	tableName    = "series/cases.csv"
	columnsName  = "series/columns.csv"
	chainName    = "series/chain.txt"
	seriesName   = "series/series.jsonl"
)

// Make makes the files of a pack from a series file, sorted by name, the manifest
// and the list of hashes at the end.
//
// Errors: a file that cannot be read, or whose chain is broken, since a pack
// would give it a look of soundness; a series without a measured case, or beyond
// the bounds of a pack, which a check would not read.
func Make(seriesPath string, o Options) ([]File, error) {
	text, err := regularfile.Read(seriesPath, mostSeries)
	if err != nil {
		return nil, err
	}
	f, err := series.Parse(bytes.NewReader(text))
	if err != nil {
		return nil, fmt.Errorf("%s: %w", seriesPath, err)
	}
	f.Path = seriesPath
	if err := f.Sound(); err != nil {
		return nil, err
	}
	s := series.Summarise(f.Records, o.Today)
	p := newPacker(o)
	var files []File
	p.put = func(file File) { files = append(files, file) }
	if !o.RelativeDates {
		if _, err := io.Copy(io.Discard, seriesGuard(bytes.NewReader(text))); err != nil {
			return nil, fmt.Errorf("%s: it cannot be packed: %w", seriesPath, err)
		}
		p.add(seriesName, text)
	} else if p.date, err = relative(&s); err != nil {
		return nil, fmt.Errorf("%s: %w", seriesPath, err)
	}
	if err := p.pack(f, s); err != nil {
		return nil, fmt.Errorf("%s: %w", seriesPath, err)
	}
	byName := func(a, b File) int { return strings.Compare(a.Name, b.Name) }
	slices.SortFunc(files, byName)
	if err := p.finish(f); err != nil {
		return nil, err
	}
	if err := bounded(files); err != nil {
		return nil, fmt.Errorf("%s: it cannot be packed: %w", seriesPath, err)
	}
	return files, nil
}

// packer makes the files of a pack, one after the other.
type packer struct {
	options Options
	date    func(string) string // as dates stand in the pack
	put     func(File)          // takes each file
	made    []Entry             // of the files so far

	pictured []string          // names of the files of pictures so far
	given    func(string) bool // takes a file of pictures as it is in an archive; nil while packing
}

// newPacker is a packer that leaves dates as they are.
func newPacker(o Options) *packer {
	return &packer{options: o, date: func(s string) string { return s }}
}

func (p *packer) add(name string, data []byte) {
	p.made = append(p.made, Entry{name, len(data), sum(data)})
	p.put(File{name, data})
}

// pack makes all files but the series file, the manifest and the list of hashes.
//
// Errors: a series beyond the bounds of a pack, or without a measured case.
func (p *packer) pack(f *series.File, s series.Summary) error {
	rows := s.Rows()
	if n := len(rows); n > mostFixtures {
		return fmt.Errorf("it has %d fixtures with figures; a pack holds %d at most", n, mostFixtures)
	}
	if n := len(s.Table()); n > 2*mostFixtures {
		return fmt.Errorf("it has %d fixtures with those that were not measured; a pack holds %d at most", n, 2*mostFixtures)
	}
	if n := len(analysis.Clinicians(rows)); n > mostClinicians {
		return fmt.Errorf("it has %d clinicians; a pack holds %d at most", n, mostClinicians)
	}
	if words(s) > mostWords {
		return fmt.Errorf("its remarks, reasons and corrections have more than %d kB; a pack holds no more", mostWords>>10)
	}
	if err := p.reports(f, s); err != nil {
		return err
	}
	all := measured(s)
	for i, c := range all {
		if err := p.measured(i, c); err != nil {
			return err
		}
	}
	papers := len(all)
	if papers > mostPapers {
		papers = 0
	}
	for i, c := range all[:papers] {
		if err := p.paper(i, c); err != nil {
			return err
		}
	}
	if err := p.cover(f, s, papers); err != nil {
		return err
	}
	if err := p.table(s); err != nil {
		return err
	}
	p.columns()
	p.chain(f)
	p.add(readmeName, []byte(readme(p.options)))
	return nil
}

// words is how many bytes of text people wrote into a series.
func words(s series.Summary) int {
	n := 0
	for _, notes := range [][]series.Note{s.Remarks, s.Corrections} {
		for _, x := range notes {
			n += len(x.Text)
		}
	}
	for i := range s.Cases {
		n += len(s.Cases[i].Reason)
	}
	return n
}

// bounded is an error where a check would not read files.
func bounded(files []File) error {
	if n := len(files); n > mostMembers {
		return fmt.Errorf("it gives %d files; a pack holds %d at most", n, mostMembers)
	}
	all := 0
	for _, f := range files {
		all += len(f.Data)
		most := mostMember
		switch {
		case isMeasurement(f.Name):
			most = mostCase
		case f.Name == tableName:
			most = mostTable
		}
		if len(f.Data) > most || all > mostUnpacked {
			return fmt.Errorf("%s would be larger than a pack holds (%d MB a file, %d MB in all)", f.Name, most>>20, mostUnpacked>>20)
		}
	}
	return nil
}

// isoDate is a date, with its time of day if there is one.
var isoDate = regexp.MustCompile(`\b(?:19|20)\d\d-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12]\d|3[01])(?:T\d\d:\d\d:\d\d(?:\.\d+)?(?:Z|[+-]\d\d:\d\d)| \d\d:\d\d UTC)?\b`)

// relative gives the function that turns the dates in a text into days since
// the first surgery.
func relative(s *series.Summary) (func(string) string, error) {
	first := ""
	for _, c := range s.Cases {
		if c.Placed != "" && (first == "" || c.Placed < first) {
			first = c.Placed
		}
	}
	start, err := time.Parse(time.DateOnly, first)
	if err != nil {
		return nil, errors.New("no case has a date of surgery, so days cannot be counted from the first")
	}
	return func(text string) string {
		return isoDate.ReplaceAllStringFunc(text, func(d string) string {
			t, err := time.Parse(time.DateOnly, d[:len(time.DateOnly)])
			if err != nil {
				return "day ?"
			}
			return fmt.Sprintf("day %d", int(t.Sub(start).Hours()/24))
		})
	}, nil
}

// reports adds the report of each clinician's series.
func (p *packer) reports(f *series.File, s series.Summary) error {
	rows := s.Rows()
	who := analysis.Clinicians(rows)
	made := 0
	for i, name := range who {
		options := analysis.Defaults()
		options.Clinician, options.Designs = name, s.Designs
		a, err := analysis.Analyse(rows, options)
		if errors.Is(err, analysis.ErrNoCases) {
			continue
		}
		if err != nil {
			return err
		}
		d := report.Series{File: f, Summary: s, Analysis: a, Today: p.options.Today, Version: p.options.Version}.Document(report.Options{Numbering: p.options.Numbering})
		d.Replace(p.date)
		pdf, err := d.PDF(p.options.Paper)
		if err != nil {
			return err
		}
		stem := "series/report"
		if len(who) > 1 {
			stem += fmt.Sprintf("-%d-%s", i+1, safe(name))
		}
		p.add(stem+".html", d.HTML())
		p.add(stem+".pdf", pdf)
		made++
	}
	if made == 0 {
		return errors.New("the series has no measured case yet; there is nothing to review")
	}
	return nil
}

// measured adds the i-th measurement and its report.
func (p *packer) measured(i int, c *measurement.Case) error {
	stem := caseName(i, c)
	data, err := p.measurement(c)
	if err != nil {
		return fmt.Errorf("case %s: %w", c.Case, err)
	}
	p.add(stem+".json", data)
	d := report.Stored(p.shown(c), report.Options{Numbering: p.options.Numbering})
	d.Replace(p.date)
	p.add(stem+".html", d.HTML())
	return nil
}

// paper adds the report of the i-th measurement as a PDF, and beside it the pictures
// from the scans where those are at hand.
func (p *packer) paper(i int, c *measurement.Case) error {
	stem := caseName(i, c)
	if err := p.pdf(stem+".pdf", report.Stored(p.shown(c), report.Options{Numbering: p.options.Numbering})); err != nil {
		return fmt.Errorf("case %s: %w", c.Case, err)
	}
	name := stem + "-pictures.pdf"
	if p.given != nil {
		if p.given(name) {
			p.pictured = append(p.pictured, name)
		}
		return nil
	}
	if p.options.Pictures == nil {
		return nil
	}
	d := p.options.Pictures(c)
	if d == nil {
		return nil
	}
	p.pictured = append(p.pictured, name)
	if err := p.pdf(name, d); err != nil {
		return fmt.Errorf("pictures of case %s: %w", c.Case, err)
	}
	return nil
}

// pdf adds a document on paper.
func (p *packer) pdf(name string, d *report.Document) error {
	d.Replace(p.date)
	data, err := d.PDF(p.options.Paper)
	if err != nil {
		return err
	}
	p.add(name, data)
	return nil
}

// shown is a measurement as its report shows it.
func (p *packer) shown(c *measurement.Case) *measurement.Case {
	shown := *c
	if p.options.RelativeDates {
		shown.Inputs.PreSeries, shown.Inputs.PostSeries = "", ""
	}
	return &shown
}

// cover adds the first page, of a pack with so many case reports on paper.
func (p *packer) cover(f *series.File, s series.Summary, papers int) error {
	d := report.Cover{File: f, Summary: s, Today: p.options.Today, Version: p.options.Version,
		Reports: papers, Pictured: len(p.pictured)}.Document(report.Options{Numbering: p.options.Numbering})
	d.Replace(p.date)
	pdf, err := d.PDF(p.options.Paper)
	if err != nil {
		return err
	}
	p.add(coverName+".html", d.HTML())
	p.add(coverName+".pdf", pdf)
	return nil
}

// measured are the measurements that count, in the order of surgery.
func measured(s series.Summary) (out []*measurement.Case) {
	for i := range s.Cases {
		if c := s.Cases[i].Result(); c != nil {
			out = append(out, c)
		}
	}
	return out
}

// isMeasurement reports whether a file of a pack is a measurement by its name.
func isMeasurement(name string) bool {
	return strings.HasPrefix(name, "cases/") && strings.HasSuffix(name, ".json")
}

// caseName is the name of the files of the i-th measured case without their
// endings: the number keeps names apart on every system.
func caseName(i int, c *measurement.Case) string {
	return fmt.Sprintf("cases/%03d-%s", i+1, safe(c.Case))
}

// measurement is the JSON of a case as it is packed. Identifiers of scans may
// hold a date, so with relative dates they are left out.
func (p *packer) measurement(c *measurement.Case) ([]byte, error) {
	packed := *c
	if p.options.RelativeDates {
		packed.Inputs.PreSeries, packed.Inputs.PostSeries = "", ""
	}
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	if err := enc.Encode(packed); err != nil {
		return nil, err
	}
	return []byte(p.date(b.String())), nil
}

// table adds the tidy table.
func (p *packer) table(s series.Summary) error {
	rows := s.Table()
	for i := range rows {
		rows[i].Placed = p.date(rows[i].Placed)
		rows[i].Reason = p.date(rows[i].Reason)
	}
	var b bytes.Buffer
	if err := series.WriteCSV(&b, rows); err != nil {
		return err
	}
	p.add(tableName, b.Bytes())
	return nil
}

// columns adds what the columns of the table mean.
func (p *packer) columns() {
	var c strings.Builder
	c.WriteString("column,meaning\n")
	for _, column := range series.Columns() {
		fmt.Fprintf(&c, "%s,\"%s\"\n", column.Name, strings.ReplaceAll(printable.Cell(column.Meaning), `"`, `""`))
	}
	p.add(columnsName, []byte(c.String()))
}

// chain adds what the program found of the file's chain.
func (p *packer) chain(f *series.File) {
	var b strings.Builder
	fmt.Fprintf(&b, "The series file holds %d records, and its chain of hashes is unbroken.\nReceipt: %s\n\n", len(f.Records), f.Receipt())
	b.WriteString("Each record as number, kind, case, SHA-256 of the record before it, its own SHA-256:\n\n")
	for _, r := range f.Records {
		printable.Fprintf(&b, "%d\t%s\t%s\t%s\t%s\n", r.Number, r.Kind, r.Case, r.Before, r.Hash)
	}
	b.WriteString("\n" + series.CannotProve + "\n")
	p.add(chainName, []byte(b.String()))
}

// finish adds the manifest and the list of hashes.
func (p *packer) finish(f *series.File) error {
	slices.SortFunc(p.made, func(a, b Entry) int { return strings.Compare(a.Name, b.Name) })
	data, err := json.MarshalIndent(Manifest{
		Schema: Schema, Program: p.options.Version, RelativeDates: p.options.RelativeDates, Today: p.date(p.options.Today),
		Numbering: string(p.options.Numbering), Paper: p.options.Paper.Name,
		Records: len(f.Records), Receipt: f.Receipt(), Pictured: p.pictured, Files: p.made,
	}, "", "  ")
	if err != nil {
		return err
	}
	p.add(manifestName, append(data, '\n'))
	p.add(sumsName, sums(p.made))
	return nil
}

// sums lists the hashes of files as sha256sum does.
func sums(files []Entry) []byte {
	var b bytes.Buffer
	for _, e := range files {
		fmt.Fprintf(&b, "%s  %s\n", e.SHA256, e.Name)
	}
	return b.Bytes()
}

func sum(data []byte) string {
	h := sha256.Sum256(data)
	return hex.EncodeToString(h[:])
}

// Digest is the hash of a pack's manifest: handed over by another way, it shows
// that the pack is the one that was sent.
func Digest(files []File) string {
	for _, f := range files {
		if f.Name == manifestName {
			return sum(f.Data)
		}
	}
	return ""
}

// Listed is how many files of a pack its manifest lists: all but itself and the
// list of hashes.
func Listed(files []File) int { return len(files) - 2 }

// Write writes the archive. Its times are fixed.
func Write(w io.Writer, files []File) error {
	z := zip.NewWriter(w)
	for _, f := range files {
		header := &zip.FileHeader{Name: f.Name, Method: zip.Deflate}
		// A zip cannot say "no time"; this is its earliest.
		header.Modified = time.Date(1980, 1, 1, 0, 0, 0, 0, time.UTC)
		header.SetMode(0o644)
		out, err := z.CreateHeader(header)
		if err != nil {
			return err
		}
		if _, err := out.Write(f.Data); err != nil {
			return err
		}
	}
	return z.Close()
}
