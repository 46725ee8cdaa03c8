package cli

import (
	"bytes"
	"context"
	"fmt"
	"maps"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/filing"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/regularfile"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/tooth"
)

// layoutOptions say how figures and pages are laid out.
type layoutOptions struct {
	numbering, paper string
}

// addNumbering declares the numbering of teeth; what says of which.
func (o *layoutOptions) addNumbering(f *pflag.FlagSet, what string) {
	choice(f, &o.numbering, "numbering", string(tooth.ISO3950), what+", `SYSTEM`: iso3950 or universal", tooth.Systems...)
}

func (o *layoutOptions) addPaper(f *pflag.FlagSet) {
	choice(f, &o.paper, "paper", "a4", "`SIZE` of a PDF's pages: a4 or letter", slices.Sorted(maps.Keys(papers))...)
}

// papers are the sizes of pages by the names that the option has for them.
var papers = map[string]reports.Paper{"a4": reports.A4, "letter": reports.Letter}

func (o *layoutOptions) check() error {
	if _, err := numberingOf(o.numbering); err != nil {
		return err
	}
	if _, ok := papers[strings.ToLower(o.paper)]; !ok {
		return usage("--paper %q is not known; write a4 or letter", o.paper)
	}
	return nil
}

func (o *layoutOptions) system() tooth.System { return tooth.System(o.numbering) }
func (o *layoutOptions) size() reports.Paper  { return papers[strings.ToLower(o.paper)] }

// endings are the kinds of report by the ends of their file names; a case has
// the first two where a folder is given.
var endings = []string{".html", ".pdf", ".dcm"}

func checkReportName(file string) error {
	if ending := strings.ToLower(filepath.Ext(file)); !slices.Contains(endings, ending) {
		return usage("report %s: the name says what to write; end it in .html, .pdf or .dcm", file)
	}
	return nil
}

// writeReport writes a document to a file as its name ends.
func writeReport(to *output.Run, file string, d *reports.Document, paper reports.Paper, archive filing.Filing) error {
	var data []byte
	var err error
	switch strings.ToLower(filepath.Ext(file)) {
	case ".pdf":
		data, err = d.PDF(paper)
	case ".dcm":
		data, err = d.DICOM(paper, archive)
		err = badInput(err)
	default:
		data = d.HTML()
	}
	if err != nil {
		return err
	}
	return writeFile(to, file, reportFile(file), bytesOf(data))
}

// reportOptions say what to report on, how and where to.
type reportOptions struct {
	layout            layoutOptions
	as, site          string
	archive           filing.Filing
	clinician, target string
	today             string
	input             string
	reports           []string
	files             output.Run

	analysis analysis.Options // what of the above is for statistics
}

func reportCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "report INPUT FILE…", short: "write the report of a measurement or of a series: HTML, PDF, DICOM",
		long: `INPUT is what measure --json wrote, or a series file. Each FILE ends in .html, .pdf or
.dcm, which says what to write; .dcm is the PDF as a DICOM file for a practice's
archive. The report of a measurement has all figures; cuts through the scan need the
scan, so that measure --report draws them and this command does not. The report of a
series has learning curves, control charts, habit, margins and every case.

A measurement can also be written for other programs, as DICOM objects. --as sr is a
structured report (Comprehensive 3D SR, TID 1500) with every figure and its interval,
the planned and achieved points, and every doubt. --as registration says where the
placed fixtures lie (Spatial Registration), and --as surface is the nominal surface of
one in its own frame (Encapsulated STL), which the registration carries into the
planning scan. No object names a patient unless you do.`,
		examples: []string{
			"plumbline report C-101.json C-101.pdf",
			"plumbline report --paper letter C-101.json C-101.html C-101.pdf",
			"plumbline report --patient-id 4711 C-101.json C-101.dcm",
			"plumbline report my-series.jsonl my-series.pdf",
			"plumbline report --as sr C-101.json C-101-figures.dcm",
			"plumbline report --as registration C-101.json C-101-places.dcm",
			"plumbline report --as surface C-101.json C-101-fixture.dcm",
		},
	}, &reportOptions{})
}

func (o *reportOptions) AddFlags(f *pflag.FlagSet) {
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		choice(f, &o.as, "as", asPages, "`KIND` of a measurement: pages, or for other programs sr, registration or surface", kindsOfObject...)
		f.StringVar(&o.site, "site", "", "`TOOTH` whose fixture's surface is written, by its ISO 3950 number, where there are several")
		addOverwrite(f, &o.files)
	})
	grouped(f, "Layout", func(f *pflag.FlagSet) {
		o.layout.addPaper(f)
		o.layout.addNumbering(f, "tooth numbers")
	})
	grouped(f, "In a .dcm file", func(f *pflag.FlagSet) {
		f.StringVar(&o.archive.PatientName, "patient-name", "", "`NAME` of the patient, as in FAMILY^GIVEN; left out, it names nobody")
		f.StringVar(&o.archive.PatientID, "patient-id", "", "`NUMBER` of the patient")
		f.StringVar(&o.archive.StudyUID, "study", "", "Study Instance `UID` that it goes to; left out, one of its own")
	})
	grouped(f, "Of a series", func(f *pflag.FlagSet) {
		f.StringVar(&o.clinician, "clinician", "", "whose cases, `PSEUDONYM`, where there are several")
		f.StringVar(&o.target, "target", "", "hold the charts against a stated `LEVEL`, as in entry_mm=1,angle_deg=3.5")
		addToday(f, &o.today)
	})
}

func (o *reportOptions) Check(args []string) (err error) {
	if err := o.layout.check(); err != nil {
		return err
	}
	if len(args) < 2 {
		return usage("give the measurement and the report's file, as in: plumbline report C-101.json C-101.pdf")
	}
	o.input, o.reports = args[0], args[1:]
	if err := checkToday(o.today); err != nil {
		return err
	}
	o.files.Reads(o.input)
	if err := o.checkObject(); err != nil {
		return err
	}
	for _, file := range o.reports {
		if err := checkReportName(file); err != nil {
			return err
		}
		if err := mayWrite(&o.files, file, o.kind(file)); err != nil {
			return err
		}
	}
	o.analysis = analysis.Defaults()
	o.analysis.Clinician = o.clinician
	if o.analysis.Target, err = targets(o.target); err != nil {
		return err
	}
	return checkAnalysis(o.analysis, "report")
}

func (o *reportOptions) Run(_ context.Context, env Env) error {
	if o.as != asPages {
		return o.writeObject(env)
	}
	d, doubt, err := readDocument(o.input, o.analysis, dayOf(o.today, env), env.Version, reports.Options{Numbering: o.layout.system()})
	if err != nil {
		return err
	}
	for _, file := range o.reports {
		if err := writeReport(&o.files, file, d, o.layout.size(), o.archive); err != nil {
			return err
		}
		tellWritten(env.Stdout, file)
	}
	if doubt {
		return errInDoubt
	}
	return nil
}

// numberingOf reads a numbering of teeth.
func numberingOf(name string) (tooth.System, error) {
	system := tooth.System(name)
	if system != tooth.ISO3950 && system != tooth.Universal {
		return "", usage("--numbering %q is not known; write iso3950 or universal", name)
	}
	return system, nil
}

// maxDocument bounds a stored measurement or a series file that is reported on,
// bytes; a series of 100,000 cases has some 200 MB.
const maxDocument = 4 << 30

// readDocument makes the report of a stored measurement or of a series, and tells
// whether its figures are in doubt.
func readDocument(path string, t analysis.Options, today, version string, o reports.Options) (*reports.Document, bool, error) {
	data, err := regularfile.Read(path, maxDocument)
	if err != nil {
		return nil, false, badInput(err)
	}
	if line, _, _ := bytes.Cut(data, []byte("\n")); bytes.Contains(line, []byte(series.Schema)) {
		s, err := readSeries(path, t, today, version)
		if err != nil {
			return nil, false, err
		}
		return s.Document(o), s.File.Sound() != nil, nil
	}
	c, err := measurement.Parse(data)
	if err != nil {
		return nil, false, badInput(fmt.Errorf("%s: %w; name a file that measure --json wrote, or a series file", path, err))
	}
	return reports.Stored(c, o), c.InDoubt(), nil
}

// readSeries reads and analyses a series file.
func readSeries(path string, t analysis.Options, today, version string) (reports.Series, error) {
	f, err := series.Read(path)
	if err != nil {
		return reports.Series{}, badInput(err)
	}
	s := series.Summarise(f.Records, today)
	t.Designs = s.Designs
	a, err := analysis.Analyse(s.Rows(), t)
	if err != nil {
		return reports.Series{}, badInput(fmt.Errorf("%s: %w", path, err))
	}
	return reports.Series{File: f, Summary: s, Analysis: a, Today: today, Version: version}, nil
}
