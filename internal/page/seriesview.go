package page

import (
	"errors"
	"html/template"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"plumbline/internal/output"
	"plumbline/internal/page/practice"
	"plumbline/internal/printable"
	"plumbline/internal/report"
	"plumbline/internal/report/reviewpack"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// seriesStation is what Series shows.
type seriesStation struct {
	frame
	Files   []choice
	File    string
	Cases   []seriesLine
	Words   string
	Report  template.HTML
	Rest    template.HTML
	None    string // why there is no report yet
	Fault   string
	Receipt string
	Packed  []packed
}

// seriesLine is a case of the series.
type seriesLine struct {
	Case, Address, Placed, Became string
	Flags                         []string
}

// packed is an archive for a reviewer that lies in the folder.
type packed struct{ Name string }

// packName is what archives for a reviewer are called.
const packName = "review"

var statusWords = map[series.Status]string{
	series.StatusMeasured: "measured", series.StatusOpen: "surgery to come",
	series.StatusMissing: "sealed, never measured", series.StatusLeftOut: "left out",
	series.StatusWithdrawn: "withdrawn",
}

// seriesSections are the sections of a series report that are seen at once: what it shows,
// and every case small.
const seriesSections = 2

func (p *Page) seriesView(r *request) error {
	v := seriesStation{frame: frame{Title: "Series"}}
	names, err := p.folder.Series()
	if err != nil {
		return err
	}
	name, err := p.seriesName()
	if err != nil && !errors.Is(err, errChooseSeries) {
		return err
	}
	for _, n := range names {
		v.Files = append(v.Files, choice{n, n, n == name})
	}
	if name == "" || !slices.Contains(names, name) {
		return p.view(r, "series", v)
	}
	v.File = name
	path, err := p.folder.Inside(name)
	if err != nil {
		return err
	}
	f, err := series.Read(path)
	if err != nil {
		v.Fault = sentence(err)
		return p.view(r, "series", v)
	}
	if err := f.Sound(); err != nil {
		v.Fault = sentence(err)
	}
	v.Receipt = f.Receipt()
	today := p.now().Format(time.DateOnly)
	summary := series.Summarise(f.Records, today)
	v.Words = summary.Words
	folders, err := p.folder.Names()
	if err != nil {
		return err
	}
	address := func(of string) string {
		if slices.Contains(folders, of) {
			return caseAddress(of)
		}
		return ""
	}
	for _, c := range summary.Cases {
		line := seriesLine{Case: printable.Plain(c.Case), Address: address(c.Case), Placed: c.Placed, Became: statusWords[c.Status]}
		if c.Status == series.StatusLeftOut {
			line.Became += ": " + printable.Plain(c.Reason)
		}
		for _, flag := range c.Flags {
			line.Flags = append(line.Flags, sentence(errors.New(flag.Message)))
		}
		v.Cases = append(v.Cases, line)
	}
	options := analysis.Defaults()
	options.Designs = summary.Designs
	a, err := analysis.Analyse(summary.Rows(), options)
	if err != nil {
		v.None = sentence(err)
	} else {
		v.Report, v.Rest = report.Series{File: f, Summary: summary, Analysis: a, Today: today, Version: p.version}.Document(report.Options{}).Alive(address).Parts(seriesSections)
	}
	return p.view(r, "series", v)
}

// chooseSeries chooses among several series files.
func (p *Page) chooseSeries(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	names, err := p.folder.Series()
	if err != nil {
		return err
	}
	name := r.PostForm.Get("series")
	if !slices.Contains(names, name) {
		return bad("choose a series file from the list")
	}
	p.mu.Lock()
	p.series = name
	p.mu.Unlock()
	return r.to("/series")
}

// remark adds a reviewer's words to the series.
func (p *Page) remark(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	said, err := remarkFrom(r)
	if err != nil {
		return err
	}
	l, err := p.ledger()
	if err != nil {
		return err
	}
	if said.Case != "" && l.Case(said.Case) == nil {
		return bad("the series knows no such case")
	}
	if _, err := l.Add(said); err != nil {
		return err
	}
	return r.to("/series")
}

// remarkFrom reads a reviewer's words from a form.
func remarkFrom(r *request) (series.Record, error) {
	said := series.Record{Kind: series.Remark, Case: r.PostForm.Get("case"),
		Text: strings.TrimSpace(r.PostForm.Get("text")), Author: strings.TrimSpace(r.PostForm.Get("by"))}
	if said.Text == "" {
		return said, bad("write the remark first")
	}
	return said, practice.CheckName("whose words these are", said.Author)
}

// remarksTaken is what a file of remarks is called in the series, as the names of files
// that are sent are not kept.
const remarksTaken = "remarks.jsonl"

// take takes in a file of remarks, or another copy of the series that grew apart.
func (p *Page) take(r *request) error {
	got, err := p.receive(r, mostSent)
	if err != nil {
		return err
	}
	defer got.Discard()
	if got.Files == 0 {
		return practice.ErrNoFiles
	}
	l, err := p.ledger()
	if err != nil {
		return err
	}
	records, err := lacking(l, got.First())
	if err != nil {
		return got.Plain(err)
	}
	if len(records) > 0 {
		if _, err := l.Add(records...); err != nil {
			return got.Plain(err)
		}
	}
	return r.to("/series")
}

// lacking are the records of a file that a series lacks.
func lacking(l *series.Ledger, file string) ([]series.Record, error) {
	if series.IsRemarks(file) {
		remarks, err := series.ReadRemarks(file)
		if err != nil {
			return nil, err
		}
		return l.TakeRemarks(remarksTaken, remarks)
	}
	c, err := series.ReadCopy(file, l.File())
	if err != nil {
		return nil, err
	}
	return c.Records(), nil
}

// packFile is the archive for a reviewer.
var packFile = output.Kind{Name: "archive", Own: func(f *os.File) bool { return reviewpack.Is(f) }}

// packedView says what was packed.
type packedView struct {
	frame
	File, Digest string
	Files        int
}

// pack writes the archive for a reviewer into the folder, under a name of its own.
func (p *Page) pack(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	name, err := p.seriesName()
	if err != nil {
		return err
	}
	path, err := p.folder.Inside(name)
	if err != nil {
		return bad("there is no series file yet")
	}
	today := p.now().Format(time.DateOnly)
	made, err := reviewpack.Make(path, reviewpack.Options{RelativeDates: r.PostForm.Get("dates") == "relative", Today: today, Version: p.version, Paper: paper, CheckLine: p.checkLine})
	if err != nil {
		return err
	}
	file := packName + "-" + today + ".zip"
	if r.PostForm.Get("dates") == "relative" {
		file = packName + "-" + today + "-without-dates.zip"
	}
	run := output.Run{}
	if err := run.Write(filepath.Join(p.folder.Path(), file), packFile, func(w io.Writer) error { return reviewpack.Write(w, made) }); err != nil {
		return err
	}
	return p.view(r, "packed", packedView{frame: frame{Title: "Packed for review"}, File: filepath.Join(p.folder.Path(), file), Digest: reviewpack.Digest(made), Files: reviewpack.Listed(made)})
}
