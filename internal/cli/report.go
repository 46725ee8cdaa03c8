package cli

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
	"plumbline/internal/tooth"
)

// reportFlags says how reports are written.
type reportFlags struct {
	paper   string
	archive reports.Archive
}

func (r *reportFlags) add(f *pflag.FlagSet) {
	f.StringVar(&r.paper, "paper", "a4", "`SIZE` of a PDF's pages: a4 or letter")
}

// addArchive declares what goes into a .dcm file besides the pages.
func (r *reportFlags) addArchive(f *pflag.FlagSet) {
	f.StringVar(&r.archive.PatientName, "patient-name", "", "`NAME` in a .dcm file, as in FAMILY^GIVEN; left out, it names nobody")
	f.StringVar(&r.archive.PatientID, "patient-id", "", "`NUMBER` of the patient in a .dcm file")
	f.StringVar(&r.archive.StudyUID, "study", "", "Study Instance `UID` that a .dcm file goes to; left out, one of its own")
}

func (r *reportFlags) size() (reports.Paper, error) {
	switch strings.ToLower(r.paper) {
	case "a4":
		return reports.A4, nil
	case "letter":
		return reports.Letter, nil
	}
	return reports.Paper{}, usage("--paper %q is not known; write a4 or letter", r.paper)
}

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
func writeReport(file string, d *reports.Document, paper reports.Paper, archive reports.Archive) error {
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
	return unwritten(atomicfile.WriteBytes(file, data))
}

// caseReport writes the report of a measured case: to a file, or to a folder as
// HTML and PDF under the case's name.
func caseReport(s *measure.Study, out outputs) error {
	var files []string
	switch {
	case out.report != "":
		files = []string{out.report}
	case out.reports != "":
		for _, ending := range endings[:2] {
			files = append(files, filepath.Join(out.reports, fileName(s.Result.Case)+ending))
		}
	default:
		return nil
	}
	d, err := reports.Case(s, reports.Options{Numbering: out.system})
	if err != nil {
		return err
	}
	for _, file := range files {
		if err := writeReport(file, d, out.paper, reports.Archive{}); err != nil {
			return err
		}
	}
	return nil
}

func reportCommand() command {
	return command{
		name: "report", args: "INPUT FILE…", short: "write the report of a stored measurement or of a series as HTML or PDF",
		long: `INPUT is what measure --json wrote, or a series file. Each FILE ends in .html, .pdf or
.dcm, which says what to write; .dcm is the PDF as a DICOM file for a practice's
archive. The report of a measurement has all figures; cuts through the scan need the
scan, so that measure --report draws them and this command does not. The report of a
series has learning curves, control charts, habit, margins and every case.`,
		examples: []string{
			"plumbline report C-101.json C-101.pdf",
			"plumbline report --paper letter C-101.json C-101.html C-101.pdf",
			"plumbline report --patient-id 4711 C-101.json C-101.dcm",
			"plumbline report my-series.jsonl my-series.pdf",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			var r reportFlags
			r.add(f)
			r.addArchive(f)
			numbering := f.String("numbering", string(tooth.ISO3950), "tooth numbers, `SYSTEM`: iso3950 or universal")
			clinician := f.String("clinician", "", "whose cases of a series, `PSEUDONYM`, where there are several")
			target := f.String("target", "", "hold the charts of a series against a stated `LEVEL`, as in entry_mm=1,angle_deg=3.5")
			today := f.String("today", "", "`DATE` that tells surgeries to come from missed ones; left out = today")
			return func(_ context.Context, env Env, args []string) error {
				system, err := numberingOf(*numbering)
				if err != nil {
					return err
				}
				paper, err := r.size()
				if err != nil {
					return err
				}
				if len(args) < 2 {
					return usage("give the measurement and the report's file, as in: plumbline report C-101.json C-101.pdf")
				}
				day, err := dayOf(*today, env)
				if err != nil {
					return err
				}
				for _, file := range args[1:] {
					if err := checkReportName(file); err != nil {
						return err
					}
				}
				t := analysis.Defaults()
				t.Clinician = *clinician
				if t.Target, err = targets(*target); err != nil {
					return err
				}
				if err := checkTrend(t, "report"); err != nil {
					return err
				}
				d, doubt, err := readDocument(args[0], t, day, env.Version, reports.Options{Numbering: system})
				if err != nil {
					return err
				}
				for _, file := range args[1:] {
					if err := writeReport(file, d, paper, r.archive); err != nil {
						return err
					}
					fmt.Fprintln(env.Stdout, "wrote "+file)
				}
				if doubt {
					return errInDoubt
				}
				return nil
			}
		},
	}
}

// numberingOf reads a numbering of teeth.
func numberingOf(name string) (tooth.System, error) {
	system := tooth.System(name)
	if system != tooth.ISO3950 && system != tooth.Universal {
		return "", usage("--numbering %q is not known; write iso3950 or universal", name)
	}
	return system, nil
}

// readDocument makes the report of a stored measurement or of a series, and tells
// whether its figures are in doubt.
func readDocument(path string, t analysis.Options, today, version string, o reports.Options) (*reports.Document, bool, error) {
	data, err := os.ReadFile(path)
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
	var c measurement.Case
	if err := json.Unmarshal(data, &c); err != nil || c.Schema != measurement.Schema {
		return nil, false, badInput(fmt.Errorf("%s is neither a measurement (%s) nor a series (%s) of this program; name a file that measure --json wrote, or a series file", path, measurement.Schema, series.Schema))
	}
	return reports.Stored(&c, o), c.InDoubt(), nil
}

// readSeries reads and analyses a series file.
func readSeries(path string, t analysis.Options, today, version string) (reports.Series, error) {
	f, err := series.Read(path)
	if err != nil {
		return reports.Series{}, badInput(err)
	}
	s := series.Summarise(f.Records, today)
	a, err := analysis.Analyse(s.Rows(), t)
	if err != nil {
		return reports.Series{}, badInput(fmt.Errorf("%s: %w", path, err))
	}
	return reports.Series{File: f, Summary: s, Analysis: a, Today: today, Version: version}, nil
}
