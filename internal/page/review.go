package page

import (
	"cmp"
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/page/practice"
	"plumbline/internal/printable"
	"plumbline/internal/report"
	"plumbline/internal/report/reviewpack"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// mostSent bounds a pack or a series file that is taken in, bytes.
const mostSent = 256 << 20

// reviewView is where somebody else's record is opened.
type reviewView struct {
	frame
	Kept []keptLine
}

// keptLine is a record that was sent before.
type keptLine struct{ Address, What string }

func reviewAddress(name string) string { return "/review/" + name }

func (p *Page) reviewView(r *request) error {
	kept, err := p.folder.AllKept()
	if err != nil {
		return err
	}
	v := reviewView{frame: frame{Title: "Review"}}
	for _, k := range kept {
		line := keptLine{reviewAddress(k.Name), "series file " + k.Name}
		if filepath.Ext(k.Name) == ".zip" {
			line.What = "pack " + k.Name
		}
		if info, err := os.Stat(k.Path); err == nil {
			line.What += ", taken in on " + info.ModTime().Format("2 January 2006")
		}
		v.Kept = append(v.Kept, line)
	}
	return p.view(r, "review", v)
}

// takeForReview takes in a pack or a series file that somebody sent.
func (p *Page) takeForReview(r *request) error {
	got, err := p.receive(r, mostSent)
	if err != nil {
		return err
	}
	defer got.Discard()
	if got.Files == 0 {
		return practice.ErrNoFiles
	}
	ending := ""
	f, err := os.Open(got.First())
	if err != nil {
		return err
	}
	switch {
	case series.IsRemarks(got.First()):
		err = bad("that is a file of remarks; take it in under Series, into the series that they are on")
	case reviewpack.Is(f):
		ending = ".zip"
	case series.Is(f):
		ending = ".jsonl"
	}
	f.Close()
	if err != nil {
		return err
	}
	if ending == "" {
		return bad("that is no pack for review and no series file; ask for the .zip that plumbline packed, or for the .jsonl")
	}
	kept, err := got.Keep(ending)
	if err != nil {
		return err
	}
	return r.to(reviewAddress(kept.Name))
}

// reviewed is somebody else's record, looked at and never changed.
type reviewed struct {
	practice.Kept
	pack     *reviewpack.Verdict // nil for a series file
	file     *series.File        // nil for a pack with relative dates
	measured []*measurement.Case
}

// review opens a record that was sent. The one opened last is kept, since the look at a
// pack makes all of it anew.
func (p *Page) review(name string) (*reviewed, error) {
	kept, err := p.folder.Kept(name)
	if err != nil {
		return nil, errNotHere
	}
	p.reviewing.Lock()
	defer p.reviewing.Unlock()
	if p.reviewed != nil && p.reviewed.Name == name {
		return p.reviewed, nil
	}
	x := &reviewed{Kept: kept}
	if filepath.Ext(name) == ".zip" {
		if x.pack, err = reviewpack.Check(kept.Path, p.version, p.checkLine); err != nil {
			return nil, err
		}
		c, err := reviewpack.Read(kept.Path)
		if err != nil {
			return nil, err
		}
		x.file, x.measured = c.Series, c.Measurements
	} else if x.file, err = series.Read(kept.Path); err != nil {
		return nil, err
	}
	if x.file != nil {
		x.measured = nil
		s := series.Summarise(x.file.Records, p.today())
		for i := range s.Cases {
			if m := s.Cases[i].Result(); m != nil {
				x.measured = append(x.measured, m)
			}
		}
	}
	p.reviewed = x
	return x, nil
}

func (p *Page) today() string { return p.now().Format(time.DateOnly) }

// reviewedView is what a reviewer sees first.
type reviewedView struct {
	frame
	Name, Given            string
	Faults, Open, Findings []string
	Digest, Receipt        string
	Holds                  string // what a digest or receipt that was given says; "" where none was
	HoldsNot               bool
	Cover, CoverRest       template.HTML
	Clinicians             []choice
	Cases                  []reviewedLine
	Remarks                []series.Loose
	RemarksFile            string
}

// reviewedLine is a measured case; the gravest stand first.
type reviewedLine struct {
	Case, Address, Placed, What string
	Grave                       bool
	rank                        int
}

// ranks are the verdicts in the order in which cases are listed.
var ranks = []measurement.VerdictCode{measurement.StructureEntered, measurement.MarginMissed, measurement.InDoubt,
	measurement.OutsideLimits, measurement.NotChecked, measurement.NothingAgainst}

func (p *Page) reviewedView(r *request) error {
	x, err := p.review(r.PathValue("record"))
	if err != nil {
		return err
	}
	v := reviewedView{frame: frame{Title: "A record to review"}, Name: x.Name, Given: strings.TrimSpace(r.URL.Query().Get("given"))}
	if x.pack != nil {
		v.Digest = x.pack.Digest
		for _, s := range x.pack.Faults {
			v.Faults = append(v.Faults, sentence(errors.New(s)))
		}
		for _, s := range x.pack.Findings {
			v.Findings = append(v.Findings, sentence(errors.New(s)))
		}
		if x.pack.Open {
			v.Open = append(v.Open, "Some files could not be compared, as another version of the program made them; below it is said which.")
		}
	} else if err := x.file.Sound(); err != nil {
		v.Faults = append(v.Faults, sentence(err))
	}
	if x.file != nil {
		v.Receipt = x.file.Receipt()
	}
	v.Holds, v.HoldsNot = x.held(v.Given)
	for i, m := range x.measured {
		line := reviewedLine{Case: printable.Plain(m.Case), Address: caseInReview(x.Name, i), Placed: printable.Plain(m.Placed)}
		verdict, _ := severity.Case(m, severity.UsualLimits)
		line.What, line.rank = sentence(errors.New(severity.Title(verdict))), slices.Index(ranks, verdict.Code)
		line.Grave = line.rank < slices.Index(ranks, measurement.NotChecked)
		v.Cases = append(v.Cases, line)
	}
	slices.SortStableFunc(v.Cases, func(a, b reviewedLine) int { return cmp.Compare(a.rank, b.rank) })
	if x.file != nil {
		p.told(&v, x.file)
	}
	if v.Remarks, err = p.remarksOn(x); err != nil {
		return err
	}
	if len(v.Remarks) > 0 {
		v.RemarksFile = filepath.Join(p.folder.Path(), remarksName(x))
	}
	return p.view(r, "reviewed", v)
}

// told adds what the series says: its first page, and the clinicians in it.
func (p *Page) told(v *reviewedView, f *series.File) {
	today := p.today()
	s := series.Summarise(f.Records, today)
	v.Cover, v.CoverRest = report.Cover{File: f, Summary: s, Today: today, Version: p.version, OnScreen: true}.Document(report.Options{}).Within().Parts(1)
	for i, name := range analysis.Clinicians(s.Rows()) {
		v.Clinicians = append(v.Clinicians, choice{Value: fmt.Sprintf("%s/clinician/%d", reviewAddress(v.Name), i+1), Words: printable.Plain(name)})
	}
}

// reviewedClinician is the series of one clinician of the record.
func (p *Page) reviewedClinician(r *request) error {
	x, err := p.review(r.PathValue("record"))
	if err != nil {
		return err
	}
	if x.file == nil {
		return errNotHere
	}
	today := p.today()
	all := series.Summarise(x.file.Records, today)
	names := analysis.Clinicians(all.Rows())
	n, err := strconv.Atoi(r.PathValue("number"))
	if err != nil || n < 1 || n > len(names) {
		return errNotHere
	}
	own, err := series.SummariseOf(names[n-1], x.file.Records, today)
	if err != nil {
		return err
	}
	a, err := analysis.Analyse(own.Rows(), analysis.Defaults())
	if err != nil {
		return err
	}
	v := reviewedPart{frame: frame{Title: "A series to review"}, Back: reviewAddress(x.Name)}
	v.First, v.Rest = report.Series{File: x.file, Summary: own, Analysis: a, Today: today, Version: p.version}.Document(report.Options{}).Alive(x.address).Parts(seriesSections)
	return p.view(r, "reviewedpart", v)
}

// address is where a measured case of the record is shown, "" for another.
func (x *reviewed) address(of string) string {
	n := slices.IndexFunc(x.measured, func(m *measurement.Case) bool { return m.Case == of })
	if n < 0 {
		return ""
	}
	return caseInReview(x.Name, n)
}

// caseInReview is the address of the n-th measured case of a record, from 0.
func caseInReview(record string, n int) string {
	return fmt.Sprintf("%s/case/%d", reviewAddress(record), n+1)
}

// held says whether a digest or a receipt that came by another way fits the record.
func (x *reviewed) held(given string) (words string, not bool) {
	switch {
	case given == "":
		return "", false
	case x.pack != nil && strings.EqualFold(given, x.pack.Digest):
		return "This is the pack that the digest was given for.", false
	case x.file == nil:
		return "This is not the pack that the digest was given for, or a letter was mistyped.", true
	}
	v, err := x.file.Check(given)
	if err != nil {
		return sentence(err), true
	}
	return sentence(errors.New(v.Held.Message)), !v.Held.Same
}

// reviewedPart is the report of a case or a clinician of the record.
type reviewedPart struct {
	frame
	Back        string
	First, Rest template.HTML
}

// reviewedCase is a case of the record.
func (p *Page) reviewedCase(r *request) error {
	x, err := p.review(r.PathValue("record"))
	if err != nil {
		return err
	}
	n, err := strconv.Atoi(r.PathValue("number"))
	if err != nil || n < 1 || n > len(x.measured) {
		return errNotHere
	}
	v := reviewedPart{frame: frame{Title: "A case to review"}, Back: reviewAddress(x.Name)}
	v.First, v.Rest = report.Stored(x.measured[n-1], report.Options{}).Parts(1)
	return p.view(r, "reviewedpart", v)
}

// remarksName is the file for the reviewer's words on a record.
func remarksName(x *reviewed) string {
	return "remarks-" + strings.TrimSuffix(x.Name, filepath.Ext(x.Name)) + ".jsonl"
}

// remarksOn are the reviewer's words so far.
func (p *Page) remarksOn(x *reviewed) ([]series.Loose, error) {
	path, err := p.folder.Inside(remarksName(x))
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	return series.ReadRemarks(path)
}

// remarkOn adds the reviewer's words to a file of their own, which goes back to whoever
// keeps the series.
func (p *Page) remarkOn(r *request) error {
	if err := form(r); err != nil {
		return err
	}
	x, err := p.review(r.PathValue("record"))
	if err != nil {
		return err
	}
	words, err := remarkFrom(r)
	if err != nil {
		return err
	}
	said := series.Loose{Time: p.now().Format(time.RFC3339), Case: words.Case, Author: words.Author, Text: words.Text}
	if x.file != nil {
		said.Seen = x.file.Receipt()
		if words.Case != "" && series.NewLedger(x.file, p.now()).Case(words.Case) == nil {
			return bad("the record knows no such case")
		}
	}
	if _, err := series.AppendRemark(filepath.Join(p.folder.Path(), remarksName(x)), said); err != nil {
		return err
	}
	return r.to(reviewAddress(x.Name) + "#remarks")
}

// remarksFile gives the reviewer's words as the file to send back.
func (p *Page) remarksFile(r *request) error {
	x, err := p.review(r.PathValue("record"))
	if err != nil {
		return err
	}
	path, err := p.folder.Inside(remarksName(x))
	if err != nil {
		return errNotHere
	}
	r.ResponseWriter.Header().Set("Content-Disposition", `attachment; filename="`+remarksName(x)+`"`)
	http.ServeFile(r.ResponseWriter, r.Request, path)
	return nil
}
