package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	reports "plumbline/internal/report"
	"plumbline/internal/series"
)

// seriesOptions are the options of all that can be done with a series file.
type seriesOptions struct {
	receipt                string
	show                   showOptions
	csv                    string
	name, reason, text, by string
	record                 uint64
	withdraw               bool
}

// action is one thing to do with a series file.
type action struct {
	name    string
	args    string // what follows the options
	options []string
	run     func(env Env, o *seriesOptions, args []string) error
}

func actions() []action {
	return []action{
		{"check", "FILE", []string{"receipt"}, checkSeries},
		{"show", "FILE", []string{"json", "clinician", "cases", "entry-limit", "apex-limit", "angle-limit", "target", "numbering", "seed"}, showSeries},
		{"export", "FILE", []string{"csv"}, exportSeries},
		{"import", "TABLE FILE", nil, importSeries},
		{"leave-out", "FILE", []string{"case", "reason"}, leaveOut},
		{"remark", "FILE", []string{"case", "text", "by"}, remark},
		{"correct", "FILE", []string{"record", "reason", "withdraw", "text"}, correct},
	}
}

func seriesCommand() command {
	return command{
		name: "series", args: "ACTION … FILE", short: "look after the file that keeps your cases, and see what they show",
		long: `FILE is a series file: one line a record, each with the hash of the line before it.
seal and measure --series add to it; ACTION is one of:

  check      tells whether any record was edited, removed or moved; with --receipt,
             whether all is still there that was there when the receipt was given
  show       prints the cases, what became of each, and what they show together:
             learning, habit, success, and the margin that your record supports;
             plumbline report FILE OUT.pdf draws the same
  export     writes a table, one row a fixture, for any statistics program
  import     TABLE FILE: adds cases that were measured already: a folder of
             measurements as measure --json writes them, or a table (CSV) with the
             columns of export, of which case, placed, clinician, site and one
             deviation must be there
  leave-out  notes that a case will not be measured, and why
  remark     adds a reviewer's words
  correct    withdraws a record, or gives a remark or a reason other words; the
             record itself stays in the file

Nothing is ever taken out of the file, and nothing is added to one whose chain is
broken. A chain alone does not show that records were cut off its end or that the
whole file was written anew; a receipt that somebody else keeps does. A broken chain
and a receipt that does not hold give exit status 3.`,
		examples: []string{
			"plumbline series check my-series.jsonl",
			"plumbline series show my-series.jsonl",
			"plumbline series show --cases 20 --apex-limit 1.5 my-series.jsonl",
			"plumbline series export --csv table.csv my-series.jsonl",
			"plumbline series import results my-series.jsonl",
			"plumbline series leave-out --case C-103 --reason no-clinical-need my-series.jsonl",
			"plumbline series remark --case C-101 --by mentor-a --text seen my-series.jsonl",
			"plumbline series correct --record 4 --text not-needed --reason mistyped my-series.jsonl",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			o := &seriesOptions{}
			f.StringVar(&o.receipt, "receipt", "", "check: the receipt `CODE` that was given earlier")
			o.show.add(f)
			f.StringVar(&o.csv, "csv", "", "export: write the table to `OUT`")
			f.StringVar(&o.name, "case", "", "leave-out, remark: the case's `NAME`; a remark without it is on the whole series")
			f.StringVar(&o.reason, "reason", "", "leave-out, correct: why, in a `TEXT`")
			f.StringVar(&o.text, "text", "", "remark, correct: the words, a `TEXT`")
			f.StringVar(&o.by, "by", "", "remark: whose words, a `PSEUDONYM`")
			f.Uint64Var(&o.record, "record", 0, "correct: number `N` of the record to correct")
			f.BoolVar(&o.withdraw, "withdraw", false, "correct: the record no longer counts")
			return func(_ context.Context, env Env, args []string) error {
				return actOn(f, env, o, args)
			}
		},
	}
}

// actOn finds the action and refuses options that are another one's.
func actOn(f *pflag.FlagSet, env Env, o *seriesOptions, args []string) error {
	var names []string
	for _, a := range actions() {
		names = append(names, a.name)
	}
	list := strings.Join(names, ", ")
	if len(args) == 0 {
		return usage("say what to do with the series file: %s; see plumbline series --help", list)
	}
	i := slices.Index(names, args[0])
	if i < 0 {
		return usage("%q is nothing that can be done with a series file; write one of %s", args[0], list)
	}
	a := actions()[i]
	var stray string
	f.Visit(func(flag *pflag.Flag) {
		if !slices.Contains(a.options, flag.Name) && stray == "" {
			stray = flag.Name
		}
	})
	if stray != "" {
		return usage("--%s does not go with series %s; see plumbline series --help", stray, a.name)
	}
	want := strings.Fields(a.args)
	given := args[1:]
	if len(given) < len(want) || slices.Contains(given, "") {
		return usage("%s is missing; write plumbline series %s %s", want[min(len(given), len(want)-1)], a.name, a.args)
	}
	if len(given) > len(want) {
		return usage("too many arguments for series %s: %s; put a text with spaces in quotes", a.name, strings.Join(given[len(want):], " "))
	}
	return a.run(env, o, given)
}

func checkSeries(env Env, o *seriesOptions, args []string) error {
	f, err := openSeries(args[0])
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
	// nothing else shows nothing.
	if !v.Sound || v.Records == 0 && v.Unfinished != nil {
		return errInDoubt
	}
	return nil
}

func exportSeries(env Env, o *seriesOptions, args []string) error {
	if o.csv == "" {
		return usage("--csv is missing; name the table to write, as in: plumbline series export --csv table.csv %s", args[0])
	}
	f, err := openSeries(args[0])
	if err != nil {
		return err
	}
	if sameFile(o.csv, args[0]) {
		return usage("--csv %s is the series file itself; name another file for the table", o.csv)
	}
	s := series.Summarise(f.Records, env.Now().Format(time.DateOnly))
	rows := s.Table()
	if err := atomicfile.Write(o.csv, func(w io.Writer) error { return series.WriteCSV(w, rows) }); err != nil {
		return unwritten(err)
	}
	fmt.Fprintf(env.Stdout, "wrote %s: %s of %s\n", o.csv, counted(len(rows), "row"), counted(len(s.Cases), "case"))
	return brokenChain(env, f)
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
	fmt.Fprintln(env.Stdout)
	if err := env.print(reports.Chain(f.Path, v)); err != nil {
		return err
	}
	return errInDoubt
}

func sameFile(a, b string) bool {
	x, err := os.Stat(a)
	if err != nil {
		return false
	}
	y, err := os.Stat(b)
	return err == nil && os.SameFile(x, y)
}

func leaveOut(env Env, o *seriesOptions, args []string) error {
	if o.name == "" || o.reason == "" {
		return usage("name the case and the reason, as in: plumbline series leave-out --case C-007 --reason \"no clinical need for a scan\" %s", args[0])
	}
	b, err := openBook(env, args[0], false)
	if err != nil {
		return err
	}
	state := b.cases[o.name]
	if state != nil && state.LeftOut != 0 {
		return usage("%s is left out already (record %d: %s); give other words with: plumbline series correct --record %d --text TEXT --reason WHY %s",
			o.name, state.LeftOut, state.Reason, state.LeftOut, args[0])
	}
	added, err := b.add(series.Record{Kind: series.LeftOut, Case: o.name, Reason: o.reason})
	if err != nil {
		return err
	}
	fmt.Fprintf(env.Stdout, "Left out: %s is record %d of %s, with its reason.\n", o.name, added.Last, args[0])
	if state == nil {
		fmt.Fprintf(env.Stdout, "The file has not known a case of that name; if it is mistyped, withdraw the record with: plumbline series correct --record %d --withdraw --reason mistyped %s\n", added.Last, args[0])
	}
	b.remarks(env.Stdout, o.name)
	b.receipt(env.Stdout)
	return nil
}

func remark(env Env, o *seriesOptions, args []string) error {
	if o.text == "" || o.by == "" {
		return usage("give the words and whose they are, as in: plumbline series remark --case C-007 --by mentor-a --text \"seen together\" %s", args[0])
	}
	if strings.Contains(o.by, "^") {
		return usage("--by looks like a person's name from a scan; write a pseudonym, as in mentor-a")
	}
	b, err := openBook(env, args[0], true)
	if err != nil {
		return err
	}
	if o.name != "" && b.cases[o.name] == nil {
		return usage("%s knows no case of the name that --case gives; series show lists the cases", args[0])
	}
	added, err := b.add(series.Record{Kind: series.Remark, Case: o.name, Text: o.text, Author: o.by})
	if err != nil {
		return err
	}
	fmt.Fprintf(env.Stdout, "The remark is record %d of %s.\n", added.Last, args[0])
	b.receipt(env.Stdout)
	return nil
}

func correct(env Env, o *seriesOptions, args []string) error {
	switch {
	case o.record == 0 || o.reason == "":
		return usage("give the record's number and the reason, as in: plumbline series correct --record 7 --withdraw --reason \"wrong case\" %s", args[0])
	case o.withdraw == (o.text != ""):
		return usage("say either --withdraw, or the new words with --text")
	}
	b, err := openBook(env, args[0], true)
	if err != nil {
		return err
	}
	r := series.Record{Kind: series.Correction, Corrects: int(min(o.record, 1<<31-1)), Reason: o.reason, Withdraw: o.withdraw, Text: o.text}
	about := ""
	if old := b.records[r.Corrects]; old != nil {
		r.Case = old.Case
		if old.Kind != series.Remark {
			about = old.Case
		}
	}
	added, err := b.add(r)
	if err != nil {
		return err
	}
	what := "has new words"
	if o.withdraw {
		what = "no longer counts"
	}
	fmt.Fprintf(env.Stdout, "Record %d %s; record %d of %s says why.\n", r.Corrects, what, added.Last, args[0])
	b.remarks(env.Stdout, about)
	b.receipt(env.Stdout)
	return nil
}

var errNoMeasurements = errors.New("it has no measurement; name a folder with what measure --json wrote")

func importSeries(env Env, _ *seriesOptions, args []string) error {
	from, path := args[0], args[1]
	b, err := openBook(env, path, false)
	if err != nil {
		return err
	}
	records, skipped, err := readCases(from, b.now)
	if err != nil {
		return badInput(err)
	}
	return b.bring(env.Stdout, from, records, skipped)
}

// readCases reads cases that were measured already: a folder of measurements,
// one measurement, or a table.
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

// bring adds those of the records that the file does not have, all or none.
func (b *book) bring(out io.Writer, from string, records []series.Record, skipped []series.Skipped) error {
	fresh, err := b.fresh(records)
	if err != nil {
		return fmt.Errorf("nothing was added: %w", err)
	}
	already := len(records) - len(fresh)
	for _, s := range skipped {
		fmt.Fprintf(out, "left aside: %s\n", s.Why)
	}
	if len(fresh) == 0 {
		fmt.Fprintf(out, "Nothing to add: what %s has (%s) is in %s already.\n", from, counted(already, "case"), b.path)
		b.receipt(out)
		return nil
	}
	added, err := b.add(fresh...)
	if err != nil {
		return err
	}
	fmt.Fprintf(out, "Added %s of %s to %s, to record %d.", counted(len(fresh), "case"), from, b.path, added.Last)
	if already > 0 {
		fmt.Fprintf(out, " %d there already.", already)
	}
	fmt.Fprintln(out)
	b.receipt(out)
	return nil
}

// counted is a number of things.
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
