package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/filing"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
)

// measureOptions say which cases to measure, how, and where the measurements go
// besides the terminal.
type measureOptions struct {
	json, report, series string // file, or folder
	layout               layoutOptions
	measure              measure.Options
	paths                []string

	to    destinations
	files output.Run
	wrote []string // measurements and reports, in their order
}

// destinations are where measurements go besides the terminal; "" is nowhere.
type destinations struct {
	jsonFile, jsonFolder     string
	reportFile, reportFolder string
}

func measureCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "measure CASE…", short: "measure how far each fixture of a case lies from its plan",
		long: `CASE is a folder with case.toml, a planning scan and a follow-up scan, or the case
file itself. Prints entry, apex and angular deviation with their 95 % intervals and
the clearances; --json writes the same for programs. With several cases, --json
names a folder that gets one file a case; cases measured there already with the
same inputs and the same program are not measured again, and a case that fails
does not stop the others; the exit status then tells that one failed. --report writes
a report with pictures from the scan; with several cases it names a folder that gets
an HTML page and a PDF a case, and every case is measured again. --series adds each
measurement to a series file, once.`,
		examples: []string{
			"plumbline measure demo/C-101",
			"plumbline measure --json C-101.json demo/C-101",
			"plumbline measure --report C-101.pdf demo/C-101",
			"plumbline measure --numbering universal demo/C-101",
			"plumbline measure --series my-series.jsonl demo/C-101",
			"plumbline measure --json results demo/C-101 demo/C-102",
		},
	}, &measureOptions{})
}

func (o *measureOptions) AddFlags(f *pflag.FlagSet) {
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		f.StringVar(&o.json, "json", "", "write the measurement to `FILE`; with several cases, to a folder")
		f.StringVar(&o.report, "report", "", "write the report to `FILE`, .html, .pdf or .dcm; with several cases, to a folder")
		f.StringVar(&o.series, "series", "", "add the measurement to the series `FILE`; it is made if there is none")
		addOverwrite(f, &o.files)
		o.layout.addPaper(f)
		o.layout.addNumbering(f, "tooth numbers on the terminal")
	})
	addScanFlags(f, &o.measure)
	grouped(f, "Random numbers", func(f *pflag.FlagSet) {
		f.Uint64Var(&o.measure.Seed, "seed", 1, "`N` that starts the random draws of the uncertainty")
	})
}

func (o *measureOptions) Check(args []string) error {
	if err := o.layout.check(); err != nil {
		return err
	}
	if len(args) == 0 || slices.Contains(args, "") {
		return usage("CASE is missing; see plumbline measure --help")
	}
	o.paths = args
	return o.checkDestinations()
}

// checkDestinations tells files from folders: with several cases, measurements
// and reports go into folders, and a folder that is there takes those of one too.
func (o *measureOptions) checkDestinations() error {
	several := len(o.paths) > 1
	info, err := os.Stat(o.json)
	isFolder := err == nil && info.IsDir()
	switch {
	case several && err == nil && !isFolder:
		return usage("--json %s is a file; with several cases it names a folder", o.json)
	case several || isFolder:
		o.to.jsonFolder = o.json
	default:
		o.to.jsonFile = o.json
	}
	if o.series != "" {
		if err := checkPlace(o.series); err != nil {
			return err
		}
		if series.IsOther(o.series) {
			return usage("%s is there already and is not a series file; name another one", o.series)
		}
	}
	if o.report == "" {
		return nil
	}
	if info, err := os.Stat(o.report); several || err == nil && info.IsDir() {
		o.to.reportFolder = o.report
		return nil
	}
	o.to.reportFile = o.report
	return checkReportName(o.report)
}

func (o *measureOptions) Run(ctx context.Context, env Env) error {
	o.measure.Version, o.measure.Today = env.Version, env.Now().Format(time.DateOnly)
	o.files.Reads(o.series)
	for _, path := range o.paths {
		o.files.Reads(casefile.Files(path)...)
	}
	if err := mayWrite(&o.files, o.to.jsonFile, measurementFile); err != nil {
		return err
	}
	if err := mayWrite(&o.files, o.to.reportFile, reportFile(o.to.reportFile)); err != nil {
		return err
	}
	if len(o.paths) > 1 {
		return o.several(ctx, env)
	}
	return o.one(env)
}

// one measures a single case.
func (o *measureOptions) one(env Env) error {
	p := newProgress(env)
	o.measure.Progress = p.show
	c, with, err := o.measureOrReuse(o.paths[0])
	p.end()
	if err != nil {
		return err
	}
	if err := env.print(reports.Figures(c, reports.Options{Numbering: o.layout.system()})); err != nil {
		return err
	}
	if o.to.jsonFile != "" {
		if err := o.writeJSON(o.to.jsonFile, c); err != nil {
			return err
		}
	}
	o.tellWritten(env.Stdout)
	if o.series != "" {
		e, err := enter(env, o.series, c, with)
		if err != nil {
			return fmt.Errorf("%s is measured, but not added to the series: %w", c.Case, err)
		}
		writeEntries(env.Stdout, []*entry{e})
		if e.inDoubt() {
			return errInDoubt
		}
	}
	if c.InDoubt() {
		return errInDoubt
	}
	return nil
}

// several measures one case after the other, each on all cores, goes on after
// one that fails, and lists what failed.
func (o *measureOptions) several(ctx context.Context, env Env) error {
	var b batch
	p := newProgress(env)
	for i, path := range o.paths {
		if ctx.Err() != nil {
			break
		}
		o.measure.Progress = func(step string, fraction float64) {
			p.show(fmt.Sprintf("case %d of %d: %s", i+1, len(o.paths), step), (float64(i)+fraction)/float64(len(o.paths)))
		}
		if err := b.take(env, o, path); err != nil {
			p.clear()
			tell(env.Stderr, "plumbline: "+path+": ", err)
		}
	}
	p.end()
	if err := env.print(reports.CaseList(b.measured, reports.Options{Numbering: o.layout.system()})); err != nil {
		return err
	}
	o.tellWritten(env.Stdout)
	writeEntries(env.Stdout, b.entries)
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return b.outcome(len(o.paths))
}

// batch is how several cases ended.
type batch struct {
	measured []measurement.Case
	entries  []*entry // of the series
	failed   []error  // why a case is not measured
	lost     []error  // why a measurement is not in the series
	doubt    bool     // a measurement is not to be relied on
}

// take measures a case and enters it into the series.
func (b *batch) take(env Env, o *measureOptions, path string) error {
	c, with, err := o.measureOrReuse(path)
	if err != nil {
		b.failed = append(b.failed, err)
		return fmt.Errorf("not measured: %w", err)
	}
	b.measured, b.doubt = append(b.measured, *c), b.doubt || c.InDoubt()
	if o.series == "" {
		return nil
	}
	e, err := enter(env, o.series, c, with)
	if err != nil {
		b.lost = append(b.lost, err)
		return fmt.Errorf("measured, but not added to the series: %w", err)
	}
	b.entries, b.doubt = append(b.entries, e), b.doubt || e.inDoubt()
	return nil
}

// outcome is the error of all cases together, nil where all is well. That of a
// failure that is not the input's wins.
func (b *batch) outcome(cases int) error {
	switch {
	case len(b.failed) > 0:
		status := BadInput
		for _, err := range b.failed {
			if statusOf(err) == Failed {
				status = Failed
			}
		}
		return &statusError{status, fmt.Errorf("%d of %d cases could not be measured; the reasons stand above", len(b.failed), cases)}
	case len(b.lost) > 0:
		return &statusError{statusOf(b.lost[0]), fmt.Errorf("%d of %d measurements are not in the series; the reasons stand above", len(b.lost), len(b.measured))}
	case b.doubt:
		return errInDoubt
	}
	return nil
}

// measureOrReuse measures a case, unless the folder of measurements has one of
// the same inputs and program and no report is asked for. Without that folder no
// measurement is looked up or written.
func (o *measureOptions) measureOrReuse(path string) (*measurement.Case, *series.Plan, error) {
	in, err := measure.Open(path, o.measure)
	if err != nil {
		return nil, nil, badInput(err)
	}
	plan := series.PlanOf(in.Written, in.Pre.SHA256())
	with := &plan
	file := filepath.Join(o.to.jsonFolder, output.FileName(in.Plan.Name)+".json")
	if o.to.jsonFolder != "" {
		old, err := measurement.Read(file)
		switch {
		case errors.Is(err, os.ErrNotExist):
		case err != nil && !o.files.Overwrite:
			return nil, nil, faultOf(fmt.Errorf("%w; move it away or name another folder", err))
		case err != nil: // whether it may be replaced is said below
		case o.report == "" && in.MeasuredAlready(old, o.measure):
			return old, with, nil
		case !in.SameCase(old):
			return nil, nil, usage("%s holds another case of the same name; give each case its own name in case.toml", file)
		}
	}
	if o.to.jsonFolder != "" {
		if err := mayWrite(&o.files, file, measurementFile); err != nil {
			return nil, nil, err
		}
	}
	for _, report := range o.reportFiles(in.Plan.Name) {
		if err := mayWrite(&o.files, report, reportFile(report)); err != nil {
			return nil, nil, err
		}
	}
	s, err := measure.Measure(in, o.measure)
	if err != nil {
		return nil, nil, badInput(err)
	}
	if o.to.jsonFolder != "" {
		if err := o.writeJSON(file, s.Result); err != nil {
			return nil, nil, err
		}
	}
	return &s.Result, with, o.writeReports(s)
}

// reportFiles are the reports that are written of a case.
func (o *measureOptions) reportFiles(name string) []string {
	switch {
	case o.to.reportFile != "":
		return []string{o.to.reportFile}
	case o.to.reportFolder != "":
		var files []string
		for _, ending := range endings[:2] {
			files = append(files, filepath.Join(o.to.reportFolder, output.FileName(name)+ending))
		}
		return files
	}
	return nil
}

// writeReports writes the report of a measured case: to a file, or to a folder
// as HTML and PDF under the case's name.
func (o *measureOptions) writeReports(s *measure.Study) error {
	files := o.reportFiles(s.Result.Case)
	if len(files) == 0 {
		return nil
	}
	d, err := reports.Case(s, reports.Options{Numbering: o.layout.system(), Recorded: o.recorded(&s.Result)})
	if err != nil {
		return err
	}
	for _, file := range files {
		if err := writeReport(&o.files, file, d, o.layout.size(), filing.Filing{}); err != nil {
			return err
		}
		o.wrote = append(o.wrote, file)
	}
	return nil
}

// recorded is what the series tells of a case that is entered into it next; nil without a
// series. What is wrong with the series is said when the case is entered.
func (o *measureOptions) recorded(c *measurement.Case) *reports.Recorded {
	if o.series == "" {
		return nil
	}
	out := &reports.Recorded{Measured: o.measure.Today}
	f, err := series.Read(o.series)
	if err != nil {
		return out
	}
	l := series.NewLedger(f, time.Time{})
	state := l.Case(c.Case)
	if state == nil {
		return out
	}
	out.Sealed = state.SealedOn()
	if has, err := l.Has(&series.Record{Kind: series.Measured, Case: c.Case, Measurement: c}); err == nil && has {
		out.Measured = state.MeasuredOn()
	}
	return out
}

// tellWritten says what was written besides the terminal.
func (o *measureOptions) tellWritten(out io.Writer) {
	if len(o.wrote) > 0 {
		printable.Fprintf(out, "\n")
	}
	tellWritten(out, o.wrote...)
}

func (o *measureOptions) writeJSON(path string, v any) error {
	if err := writeFile(&o.files, path, measurementFile, func(w io.Writer) error { return printable.WriteJSON(w, v) }); err != nil {
		return err
	}
	o.wrote = append(o.wrote, path)
	return nil
}
