package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/output"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
)

func seriesCommand(env Env) *cobra.Command {
	return newGroup(page{
		use: "series", short: "look after the file that keeps your cases, and see what they show",
		long: `A series file has one line a record, each with the hash of the line before it. seal
and measure --series add to it. Nothing is ever taken out of the file, and nothing is
added to one whose chain is broken. A chain alone does not show that records were cut
off its end or that the whole file was written anew; a receipt that somebody else keeps
does. A broken chain and a receipt that does not hold give exit status 3.`,
		examples: []string{"plumbline series check my-series.jsonl", "plumbline help series show"},
	}, func(c *cobra.Command) error {
		return usage("say what to do with the series file: %s; see plumbline series --help", strings.Join(commandNames(c), ", "))
	},
		seriesCheckCommand(env), seriesShowCommand(env), seriesExportCommand(env), seriesImportCommand(env),
		seriesDesignCommand(env), seriesLeaveOutCommand(env), seriesRemarkCommand(env), seriesTakeCommand(env), seriesCorrectCommand(env))
}

// arguments checks what follows the flags of a command below series against the
// words that its help has for them.
func arguments(args []string, command, follows string) error {
	want := strings.Fields(follows)
	if len(args) < len(want) || slices.Contains(args, "") {
		return usage("%s is missing; write plumbline series %s %s", want[min(len(args), len(want)-1)], command, follows)
	}
	if len(args) > len(want) {
		return usage("too many arguments for series %s: %s; put a text with spaces in quotes", command, strings.Join(args[len(want):], " "))
	}
	return nil
}

// seriesCheckOptions say which series file to check, and against what.
type seriesCheckOptions struct {
	receipt, path string

	flags *pflag.FlagSet // tells whether a receipt was given
}

func seriesCheckCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "check FILE", short: "tell whether any record was edited, removed or moved",
		long: `Reads the chain of hashes in a series file from its first record to its last. With
--receipt, says whether all is still there, unchanged, that was there when the receipt
was given. A broken chain and a receipt that does not hold give exit status 3.`,
		examples: []string{"plumbline series check my-series.jsonl"},
	}, &seriesCheckOptions{})
}

func (o *seriesCheckOptions) AddFlags(f *pflag.FlagSet) {
	o.flags = f
	f.StringVar(&o.receipt, "receipt", "", "the receipt `CODE` that was given earlier")
}

func (o *seriesCheckOptions) Check(args []string) error {
	if err := arguments(args, "check", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	if o.receipt == "" && o.flags.Changed("receipt") {
		return usage("--receipt is empty, so nothing would be held against it; give the code as it was printed, or leave the option out")
	}
	return nil
}

func (o *seriesCheckOptions) Run(_ context.Context, env Env) error {
	f, err := openSeries(o.path)
	if err != nil {
		return err
	}
	v, err := f.Check(o.receipt)
	if err != nil {
		return badInput(err)
	}
	if err := env.print(reports.Verdict(f.Path, v)); err != nil {
		return err
	}
	// A line without its end is what a stopped program leaves, but a file that has
	// nothing else shows nothing, and what an editor leaves is a doubt.
	if !v.Sound || v.Records == 0 && v.Unfinished != nil || v.Unfinished.Edited() {
		return errInDoubt
	}
	return nil
}

// brokenChain tells of a file that is not as it was written, after its records
// were used all the same.
func brokenChain(env Env, f *series.File) error {
	if len(f.Faults) == 0 {
		return nil
	}
	v, err := f.Check("")
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "\n")
	if err := env.print(reports.Chain(f.Path, v)); err != nil {
		return err
	}
	return errInDoubt
}

// seriesExportOptions say which series to write as a table, and where to.
type seriesExportOptions struct {
	csv, table, path string
	parquet          bool
	files            output.Run
}

func seriesExportCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "export FILE", short: "write the series as a table for any statistics program",
		long: `Writes a table with one row a fixture: its deviations, their uncertainties, and how the
case stands in the series. A name that ends in .parquet gives a Parquet file for
engines that read large tables, with unit and definition of each column in it; any
other gives CSV.`,
		examples: []string{
			"plumbline series export --table table.csv my-series.jsonl",
			"plumbline series export --table table.parquet my-series.jsonl",
		},
	}, &seriesExportOptions{})
}

func (o *seriesExportOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.table, "table", "", "write the table to `OUT`, .csv or .parquet")
	f.StringVar(&o.csv, "csv", "", "write the table to `OUT` as CSV, whatever its name")
	addOverwrite(f, &o.files)
}

func (o *seriesExportOptions) Check(args []string) error {
	if err := arguments(args, "export", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	switch {
	case o.csv != "" && o.table != "":
		return usage("--csv and --table both name the table to write; keep one of them")
	case o.csv == "" && o.table == "":
		return usage("--table is missing; name the table to write, as in: plumbline series export --table table.csv %s", o.path)
	case o.csv == "":
		o.csv = o.table
		o.parquet = strings.EqualFold(filepath.Ext(o.table), ".parquet")
	}
	return nil
}

func (o *seriesExportOptions) Run(_ context.Context, env Env) error {
	f, err := openSeries(o.path)
	if err != nil {
		return err
	}
	o.files.Reads(o.path)
	s := series.Summarise(f.Records, env.Now().Format(time.DateOnly))
	rows := s.Table()
	kind, fill := tableFile, series.WriteCSV
	if o.parquet {
		kind, fill = parquetTableFile, series.WriteParquet
	}
	if err := writeFile(&o.files, o.csv, kind, func(w io.Writer) error { return fill(w, rows) }); err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "wrote %s: %s of %s\n", o.csv, counted(len(rows), "row"), counted(len(s.Cases), "case"))
	return brokenChain(env, f)
}

// seriesImportOptions say which cases to import into which series.
type seriesImportOptions struct {
	from, path string
}

func seriesImportCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "import TABLE FILE", short: "add cases that were measured already",
		long: `TABLE is a folder of measurements as measure --json writes them, or a table (CSV or
Parquet) with the columns of export, of which case, placed, clinician, site and one deviation must be
there. FILE is the series file; it is made if there is none. All
cases are added that it does not have, or none.`,
		examples: []string{"plumbline series import results my-series.jsonl"},
	}, &seriesImportOptions{})
}

func (o *seriesImportOptions) AddFlags(*pflag.FlagSet) {}

func (o *seriesImportOptions) Check(args []string) error {
	if err := arguments(args, "import", "TABLE FILE"); err != nil {
		return err
	}
	o.from, o.path = args[0], args[1]
	return nil
}

func (o *seriesImportOptions) Run(_ context.Context, env Env) error {
	l, err := openLedger(env, o.path)
	if err != nil {
		return err
	}
	records, skipped, err := readCases(o.from, l.Now)
	if err != nil {
		return badInput(err)
	}
	lacking, err := l.Lacking(records)
	if err != nil {
		return fmt.Errorf("nothing was added: %w", otherCase(err))
	}
	already := len(records) - len(lacking)
	out := env.Stdout
	for _, s := range skipped {
		printable.Fprintf(out, "left aside: %s\n", s.Why)
	}
	if len(lacking) == 0 {
		printable.Fprintf(out, "Nothing to add: what %s has (%s) is in %s already.\n", o.from, counted(already, "case"), o.path)
		writeReceipt(out, l)
		return nil
	}
	added, err := add(l, lacking...)
	if err != nil {
		return err
	}
	printable.Fprintf(out, "Added %s of %s to %s, to record %d.", counted(len(lacking), "case"), o.from, o.path, added.Last)
	if already > 0 {
		printable.Fprintf(out, " %d there already.", already)
	}
	printable.Fprintf(out, "\n")
	writeReceipt(out, l)
	return nil
}

var errNoMeasurements = errors.New("it has no measurement; name a folder with what measure --json wrote")

// readCases reads cases that were measured already: a folder of measurements,
// or a table.
func readCases(from string, now time.Time) ([]series.Record, []series.Skipped, error) {
	info, err := os.Stat(from)
	if errors.Is(err, os.ErrNotExist) {
		return nil, nil, fmt.Errorf("there is no %s; name a table (CSV) or a folder of measurements", from)
	}
	if err != nil {
		return nil, nil, err
	}
	if !info.IsDir() {
		records, err := series.ImportTable(from, now.Format(time.RFC3339))
		return records, nil, err
	}
	cases, skipped, err := series.ReadMeasurements(from)
	if err != nil {
		return nil, nil, err
	}
	if len(cases) == 0 {
		return nil, nil, fmt.Errorf("%s: %w", from, errNoMeasurements)
	}
	records := make([]series.Record, len(cases))
	for i := range cases {
		records[i] = series.Record{Kind: series.Measured, Case: cases[i].Case, Measurement: &cases[i]}
	}
	return records, skipped, nil
}

// seriesLeaveOutOptions say which case will not be measured, and why.
type seriesLeaveOutOptions struct {
	name, reason, path string
}

func seriesLeaveOutCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "leave-out FILE", short: "note that a case will not be measured, and why",
		long: `A case that was sealed and is never measured counts as missing. This says why, such as
that there was no clinical need for a follow-up scan; the reason stands in every report.`,
		examples: []string{"plumbline series leave-out --case C-103 --reason no-need my-series.jsonl"},
	}, &seriesLeaveOutOptions{})
}

func (o *seriesLeaveOutOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.name, "case", "", "the case's `NAME`")
	f.StringVar(&o.reason, "reason", "", "why, in a `TEXT`")
}

func (o *seriesLeaveOutOptions) Check(args []string) error {
	if err := arguments(args, "leave-out", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	if o.name == "" || o.reason == "" {
		return usage("name the case and the reason, as in: plumbline series leave-out --case C-007 --reason \"no clinical need for a scan\" %s", o.path)
	}
	return nil
}

func (o *seriesLeaveOutOptions) Run(_ context.Context, env Env) error {
	l, err := openLedger(env, o.path)
	if err != nil {
		return err
	}
	state := l.Case(o.name)
	if state != nil && state.LeftOut != 0 {
		return usage("%s is left out already (record %d: %s); give other words with: plumbline series correct --record %d --text TEXT --reason WHY %s",
			o.name, state.LeftOut, state.Reason, state.LeftOut, o.path)
	}
	added, err := add(l, series.Record{Kind: series.LeftOut, Case: o.name, Reason: o.reason})
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "Left out: %s is record %d of %s, with its reason.\n", o.name, added.Last, o.path)
	if state == nil {
		printable.Fprintf(env.Stdout, "The file has not known a case of that name; if it is mistyped, withdraw the record with: plumbline series correct --record %d --withdraw --reason mistyped %s\n", added.Last, o.path)
	}
	writeState(env.Stdout, l, o.name)
	writeReceipt(env.Stdout, l)
	return nil
}

// seriesCorrectOptions say which record is wrong, and why.
type seriesCorrectOptions struct {
	record             uint64
	withdraw           bool
	text, reason, path string
	by                 string
}

func seriesCorrectCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "correct FILE", short: "withdraw a record, or give a remark or a reason other words",
		long: `The record itself stays in the file, in every table, count and report, with what it
held, when and by whom it was withdrawn and why. A withdrawn seal or measurement counts
against the cases being consecutive. To take a withdrawal back, withdraw its own record.`,
		examples: []string{"plumbline series correct --record 6 --text no --reason typo my-series.jsonl"},
	}, &seriesCorrectOptions{})
}

func (o *seriesCorrectOptions) AddFlags(f *pflag.FlagSet) {
	f.Uint64Var(&o.record, "record", 0, "number `N` of the record to correct")
	f.BoolVar(&o.withdraw, "withdraw", false, "the record no longer counts")
	f.StringVar(&o.text, "text", "", "the new words, a `TEXT`")
	f.StringVar(&o.reason, "reason", "", "why, in a `TEXT`")
	f.StringVar(&o.by, "by", "", "who corrects, a `PSEUDONYM`")
}

func (o *seriesCorrectOptions) Check(args []string) error {
	if err := arguments(args, "correct", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	switch {
	case o.record == 0 || o.reason == "":
		return usage("give the record's number and the reason, as in: plumbline series correct --record 7 --withdraw --reason \"wrong case\" %s", o.path)
	case o.withdraw == (o.text != ""):
		return usage("say either --withdraw, or the new words with --text")
	case strings.Contains(o.by, "^"):
		return usage("--by looks like a person's name from a scan; write a pseudonym, as in mentor-a")
	}
	return nil
}

func (o *seriesCorrectOptions) Run(_ context.Context, env Env) error {
	l, err := openExistingLedger(env, o.path)
	if err != nil {
		return err
	}
	r := series.Record{Kind: series.Correction, Corrects: int(min(o.record, 1<<31-1)), Reason: o.reason, Author: o.by, Withdraw: o.withdraw, Text: o.text}
	about := ""
	if old := l.Record(r.Corrects); old != nil {
		r.Case = old.Case
		if old.Kind != series.Remark {
			about = old.Case
		}
	}
	added, err := add(l, r)
	if err != nil {
		return err
	}
	what := "has new words"
	if o.withdraw {
		what = "no longer counts and stays in every table and report"
		if old := l.Record(r.Corrects); old != nil && old.Withdraw {
			what = fmt.Sprintf("is taken back, so that record %d counts again", old.Corrects)
		}
	}
	printable.Fprintf(env.Stdout, "Record %d %s; record %d of %s says why.\n", r.Corrects, what, added.Last, o.path)
	writeState(env.Stdout, l, about)
	writeReceipt(env.Stdout, l)
	return nil
}

// counted is a number of things.
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
