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

	"plumbline/internal/durable"
	"plumbline/internal/measure"
	reports "plumbline/internal/report"
	"plumbline/internal/result"
	"plumbline/internal/tooth"
)

// reportFlags says how reports are written.
type reportFlags struct{ paper string }

func (r *reportFlags) add(f *pflag.FlagSet) {
	f.StringVar(&r.paper, "paper", "a4", "`SIZE` of a PDF's pages: a4 or letter")
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

// endings are the kinds of report by the ends of their file names.
var endings = []string{".html", ".pdf"}

func checkReportName(file string) error {
	if ending := strings.ToLower(filepath.Ext(file)); !slices.Contains(endings, ending) {
		return usage("report %s: the name says what to write; end it in .html or .pdf", file)
	}
	return nil
}

// writeReport writes a document to a file as its name ends.
func writeReport(file string, d *reports.Document, paper reports.Paper) error {
	if strings.EqualFold(filepath.Ext(file), ".pdf") {
		pdf, err := d.PDF(paper)
		if err != nil {
			return err
		}
		return unwritten(durable.WriteBytes(file, pdf))
	}
	return unwritten(durable.WriteBytes(file, d.HTML()))
}

// caseReport writes the report of a measured case: to a file, or to a folder as
// HTML and PDF under the case's name.
func caseReport(s *measure.Study, out outputs) error {
	var files []string
	switch {
	case out.report != "":
		files = []string{out.report}
	case out.reports != "":
		for _, ending := range endings {
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
		if err := writeReport(file, d, out.paper); err != nil {
			return err
		}
	}
	return nil
}

func reportCommand() command {
	return command{
		name: "report", args: "MEASUREMENT FILE…", short: "write the report of a stored measurement as HTML or PDF",
		long: `MEASUREMENT is what measure --json wrote. Each FILE ends in .html or .pdf, which
says what to write. The report has all figures; cuts through the scan need the scan,
so that measure --report draws them and this command does not.`,
		examples: []string{
			"plumbline report C-101.json C-101.pdf",
			"plumbline report --paper letter C-101.json C-101.html C-101.pdf",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			var r reportFlags
			r.add(f)
			numbering := f.String("numbering", string(tooth.ISO3950), "tooth numbers, `SYSTEM`: iso3950 or universal")
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
				for _, file := range args[1:] {
					if err := checkReportName(file); err != nil {
						return err
					}
				}
				d, doubt, err := readDocument(args[0], reports.Options{Numbering: system})
				if err != nil {
					return err
				}
				for _, file := range args[1:] {
					if err := writeReport(file, d, paper); err != nil {
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

// readDocument makes the report of a stored measurement, and tells whether its
// figures are in doubt.
func readDocument(path string, o reports.Options) (*reports.Document, bool, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, false, badInput(err)
	}
	var c result.Case
	in := json.NewDecoder(bytes.NewReader(data))
	if err := in.Decode(&c); err != nil || c.Schema != result.Schema {
		return nil, false, badInput(fmt.Errorf("%s is not a measurement of this program (%s); name a file that measure --json wrote", path, result.Schema))
	}
	return reports.Stored(&c, o), c.InDoubt(), nil
}
