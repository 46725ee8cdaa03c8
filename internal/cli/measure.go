package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	reports "plumbline/internal/report"
	"plumbline/internal/tooth"
)

func measureCommand() command {
	return command{
		name: "measure", args: "CASE…", short: "measure how far each fixture of a case lies from its plan",
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
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			jsonTo := f.String("json", "", "write the measurement to `FILE`; with several cases, to a folder")
			reportTo := f.String("report", "", "write the report to `FILE`, .html, .pdf or .dcm; with several cases, to a folder")
			seriesTo := f.String("series", "", "add the measurement to the series `FILE`; it is made if there is none")
			var r reportFlags
			r.add(f)
			numbering := f.String("numbering", string(tooth.ISO3950), "tooth numbers on the terminal, `SYSTEM`: iso3950 or universal")
			o := scanFlags(f)
			f.Uint64Var(&o.Seed, "seed", 1, "`N` that starts the random draws of the uncertainty")
			return func(ctx context.Context, env Env, args []string) error {
				system, err := numberingOf(*numbering)
				if err != nil {
					return err
				}
				paper, err := r.size()
				if err != nil {
					return err
				}
				if len(args) == 0 || slices.Contains(args, "") {
					return usage("CASE is missing; see plumbline measure --help")
				}
				file, folder := *jsonTo, ""
				if info, err := os.Stat(*jsonTo); err == nil && info.IsDir() {
					file, folder = "", *jsonTo
				} else if len(args) > 1 {
					if err == nil {
						return usage("--json %s is a file; with several cases it names a folder", *jsonTo)
					}
					file, folder = "", *jsonTo
				}
				out := outputs{json: folder, series: *seriesTo, system: system, paper: paper}
				if out.series != "" {
					if err := checkPlace(out.series); err != nil {
						return err
					}
				}
				if info, err := os.Stat(*reportTo); *reportTo != "" && (len(args) > 1 || err == nil && info.IsDir()) {
					out.reports = *reportTo
				} else if *reportTo != "" {
					if err := checkReportName(*reportTo); err != nil {
						return err
					}
					out.report = *reportTo
				}
				o.Version = env.Version
				if len(args) > 1 {
					return measureMany(ctx, env, args, out, *o)
				}
				p := newProgress(env)
				o.Progress = p.show
				c, err := measureOrReuse(args[0], out, *o)
				p.end()
				if err != nil {
					return err
				}
				if err := env.print(reports.Figures(c, reports.Options{Numbering: system})); err != nil {
					return err
				}
				if file != "" {
					if err := writeJSON(file, c); err != nil {
						return err
					}
				}
				if out.series != "" {
					e, err := enter(env, out.series, c)
					if err != nil {
						return fmt.Errorf("%s is measured, but not added to the series: %w", c.Case, err)
					}
					fmt.Fprintln(env.Stdout)
					e.print(env.Stdout)
					e.book.receipt(env.Stdout)
				}
				if c.InDoubt() {
					return errInDoubt
				}
				return nil
			}
		},
	}
}

func printJSON(out io.Writer, v any) error {
	enc := json.NewEncoder(out)
	enc.SetIndent("", "  ")
	enc.SetEscapeHTML(false)
	return enc.Encode(v)
}

func writeJSON(path string, v any) error {
	return unwritten(atomicfile.Write(path, func(w io.Writer) error { return printJSON(w, v) }))
}

// measureMany measures one case after the other, each on all cores, goes on
// after one that fails, and lists what failed.
func measureMany(ctx context.Context, env Env, paths []string, out outputs, o measure.Options) error {
	var rows []measurement.Case
	doubt, failures, status := false, 0, BadInput
	var entries []*entry
	var lost []error // why a measurement is not in the series
	p := newProgress(env)
	for i, path := range paths {
		if ctx.Err() != nil {
			break
		}
		o.Progress = func(step string, fraction float64) {
			p.show(fmt.Sprintf("case %d of %d: %s", i+1, len(paths), step), (float64(i)+fraction)/float64(len(paths)))
		}
		c, err := measureOrReuse(path, out, o)
		if err != nil {
			p.clear()
			fmt.Fprintf(env.Stderr, "plumbline: %s: not measured: %s\n", path, sentence(err))
			var s *statusError
			if !errors.As(err, &s) {
				status = Failed
			}
			failures++
			continue
		}
		doubt = doubt || c.InDoubt()
		rows = append(rows, *c)
		if out.series == "" {
			continue
		}
		e, err := enter(env, out.series, c)
		if err != nil {
			p.clear()
			fmt.Fprintf(env.Stderr, "plumbline: %s: measured, but not added to the series: %s\n", path, sentence(err))
			lost = append(lost, err)
			continue
		}
		entries = append(entries, e)
	}
	p.end()
	if err := env.print(reports.CaseList(rows, reports.Options{Numbering: out.system})); err != nil {
		return err
	}
	writeEntries(env.Stdout, entries)
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case failures > 0:
		return &statusError{status, fmt.Errorf("%d of %d cases could not be measured; the reasons stand above", failures, len(paths))}
	case len(lost) > 0:
		return &statusError{statusOf(lost[0]), fmt.Errorf("%d of %d measurements are not in the series; the reasons stand above", len(lost), len(rows))}
	case doubt:
		return errInDoubt
	}
	return nil
}

// outputs says where what was measured goes besides the terminal; "" is nowhere.
type outputs struct {
	json            string // folder
	report, reports string // file, or folder
	series          string // file
	system          tooth.System
	paper           reports.Paper
}

// measureOrReuse measures a case, unless the folder out.json has its measurement
// with the same inputs and program and no report is asked for. Without that
// folder no measurement is looked up or written.
func measureOrReuse(path string, out outputs, o measure.Options) (*measurement.Case, error) {
	folder := out.json
	in, err := measure.Open(path, o)
	if err != nil {
		return nil, badInput(err)
	}
	file := filepath.Join(folder, fileName(in.Plan.Name)+".json")
	if folder != "" {
		old, err := readCase(file)
		switch {
		case errors.Is(err, os.ErrNotExist):
		case err != nil:
			return nil, faultOf(err)
		case out.report+out.reports == "" && old.Inputs.Same(in.Identity()) && old.Program.Version == o.Version && old.Program.Seed == o.Seed:
			return old, nil
		case old.Case != in.Plan.Name || old.Inputs.PreSHA256 != in.Pre.SHA256():
			return nil, usage("%s holds another case of the same name; give each case its own name in case.toml", file)
		}
	}
	s, err := measure.Measure(in, o)
	if err != nil {
		return nil, badInput(err)
	}
	if folder != "" {
		if err := writeJSON(file, s.Result); err != nil {
			return nil, err
		}
	}
	return &s.Result, caseReport(s, out)
}

func readCase(path string) (*measurement.Case, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var c measurement.Case
	if err := json.Unmarshal(data, &c); err != nil || c.Schema != measurement.Schema {
		return nil, fmt.Errorf("%s is not a measurement of this program (%s); move it away or name another folder", path, measurement.Schema)
	}
	return &c, nil
}

// fileName makes a case's name safe as a file name on every system.
func fileName(name string) string {
	safe := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`<>:"/\|?*`, r) || r < ' ' {
			return '_'
		}
		return r
	}, name)
	safe = strings.Trim(safe, " .")
	if stem, _, _ := strings.Cut(strings.ToUpper(safe), "."); safe == "" || device.MatchString(stem) {
		return "_" + safe
	}
	return safe
}

// device names stand for devices on Windows, whatever follows after a stop.
var device = regexp.MustCompile(`^(CON|PRN|AUX|NUL|(COM|LPT)[0-9¹²³]) *$`)
