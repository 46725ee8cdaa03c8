package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// seriesRemarkOptions are a reviewer's words.
type seriesRemarkOptions struct {
	name, text, by, into, path string
}

func seriesRemarkCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "remark FILE", short: "add a reviewer's words, or write them to a small file of their own",
		long: `The words stay in the file and stand in the reports, with the pseudonym of whoever said
them. A mentor on another machine writes them with --into to a small file and sends that;
the owner of the series takes it in with: plumbline series take. FILE is then the copy of
the series that the mentor looked at; it may be left out, and nothing is added to it.`,
		examples: []string{
			"plumbline series remark --case C-101 --by mentor-a --text seen my-series.jsonl",
			"plumbline series remark --into remarks.jsonl --by mentor-a --text seen",
		},
	}, &seriesRemarkOptions{})
}

func (o *seriesRemarkOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.text, "text", "", "the words, a `TEXT`")
	f.StringVar(&o.by, "by", "", "whose words, a `PSEUDONYM`")
	f.StringVar(&o.name, "case", "", "the case's `NAME`; left out, the words are on the whole series")
	f.StringVar(&o.into, "into", "", "add the words to this small `REMARKS` file instead; it is made if there is none")
}

func (o *seriesRemarkOptions) Check(args []string) error {
	if o.into == "" || len(args) > 0 {
		if err := arguments(args, "remark", "FILE"); err != nil {
			return err
		}
		o.path = args[0]
	}
	if o.text == "" || o.by == "" {
		return usage("give the words and whose they are, as in: plumbline series remark --case C-007 --by mentor-a --text \"seen together\" %s", o.path)
	}
	if strings.Contains(o.by, "^") {
		return usage("--by looks like a person's name from a scan; write a pseudonym, as in mentor-a")
	}
	return nil
}

func (o *seriesRemarkOptions) Run(_ context.Context, env Env) error {
	if o.into != "" {
		return o.apart(env)
	}
	l, err := openExistingLedger(env, o.path)
	if err != nil {
		return err
	}
	if o.name != "" && l.Case(o.name) == nil {
		return usage("%s knows no case of the name that --case gives; series show lists the cases", o.path)
	}
	added, err := add(l, series.Record{Kind: series.Remark, Case: o.name, Text: o.text, Author: o.by})
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "The remark is record %d of %s.\n", added.Last, o.path)
	writeReceipt(env.Stdout, l)
	return nil
}

// apart writes the words to a file of their own.
func (o *seriesRemarkOptions) apart(env Env) error {
	if err := checkPlace(o.into); err != nil {
		return err
	}
	words := series.Loose{Time: env.Now().Format(time.RFC3339), Case: o.name, Author: o.by, Text: o.text}
	if o.path != "" {
		f, err := openSeries(o.path)
		if err != nil {
			return err
		}
		l := series.NewLedger(f, env.Now())
		if o.name != "" && l.Case(o.name) == nil {
			return usage("%s knows no case of the name that --case gives; series show lists the cases", o.path)
		}
		words.Seen = f.Receipt()
	}
	if _, err := os.Stat(o.into); err == nil && !series.IsRemarks(o.into) {
		return usage("%s is there already and is no file of remarks; name another one", o.into)
	}
	written, err := series.AppendRemark(o.into, words)
	if err != nil {
		return unwritten(err)
	}
	printable.Fprintf(env.Stdout, "The remark is in %s, with its own hash %s.\nSend the file to whoever keeps the series; plumbline series take %s SERIES takes it in.\n", o.into, written.Hash, o.into)
	return nil
}

// seriesTakeOptions say what to take into which series.
type seriesTakeOptions struct {
	look       bool
	from, path string
}

func seriesTakeCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "take FROM FILE", short: "take in remarks, or another copy of the series that grew apart",
		long: `FROM is a file of remarks, as series remark --into writes it, or another copy of the series
FILE, as when two machines went on from one file. Says how both stand to each other and
adds to FILE what it lacks, each record as it stands in FROM with its own hash and time;
nothing of either is lost, and FROM is left as it is. What was taken before is not taken
twice. A receipt that was given for the other copy holds for FILE from then on. A seal
that comes in after surgery does not show by itself that it was made before.`,
		examples: []string{
			"plumbline series take remarks.jsonl my-series.jsonl",
			"plumbline series take --look remarks.jsonl my-series.jsonl",
		},
	}, &seriesTakeOptions{})
}

func (o *seriesTakeOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.look, "look", false, "say what would be taken in, and take nothing")
}

func (o *seriesTakeOptions) Check(args []string) error {
	if err := arguments(args, "take", "FROM FILE"); err != nil {
		return err
	}
	o.from, o.path = args[0], args[1]
	return nil
}

func (o *seriesTakeOptions) Run(_ context.Context, env Env) error {
	l, err := openExistingLedger(env, o.path)
	if err != nil {
		return err
	}
	if info, err := os.Stat(o.from); err != nil || info.IsDir() {
		return usage("there is no file %s; name a file of remarks or another copy of the series", o.from)
	}
	var records []series.Record
	if series.IsRemarks(o.from) {
		records, err = o.remarks(env, l)
	} else {
		records, err = o.copy(env, l)
	}
	if err != nil {
		return err
	}
	if o.look {
		return nil
	}
	if len(records) == 0 {
		printable.Fprintf(env.Stdout, "Nothing to take in: %s has it all.\n", o.path)
		return nil
	}
	added, err := add(l, records...)
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "Taken in: %s, to record %d of %s.\n", counted(len(records), "record"), added.Last, o.path)
	writeReceipt(env.Stdout, l)
	return nil
}

// remarks are those of a file of remarks that the series lacks.
func (o *seriesTakeOptions) remarks(env Env, l *series.Ledger) ([]series.Record, error) {
	all, err := series.ReadRemarks(o.from)
	if err != nil {
		return nil, badInput(err)
	}
	records, err := l.TakeRemarks(o.from, all)
	if err != nil {
		return nil, badInput(err)
	}
	printable.Fprintf(env.Stdout, "%s has %s, each as it was written; %d not in %s yet:\n", o.from, counted(len(all), "remark"), len(records), o.path)
	for _, r := range records {
		printable.Fprintf(env.Stdout, "  %s, by %s%s: %s\n", r.Taken.Time, r.Author, about(r.Case), r.Text)
		if r.Taken.Seen != "" && !l.Holds(r.Taken.Seen) {
			printable.Fprintf(env.Stdout, "    It was written on a copy that %s does not hold (receipt %s).\n", o.path, r.Taken.Seen)
		}
	}
	return records, nil
}

func about(name string) string {
	if name == "" {
		return " on the whole series"
	}
	return " on " + name
}

// copy is what another copy of the series has beyond this one.
func (o *seriesTakeOptions) copy(env Env, l *series.Ledger) ([]series.Record, error) {
	c, err := series.ReadCopy(o.from, l.File())
	if errors.Is(err, series.ErrOtherSeries) {
		return nil, badInput(fmt.Errorf("%w; nothing was taken", err))
	}
	if err != nil {
		return nil, badInput(err)
	}
	printable.Fprintf(env.Stdout, "Both begin with the same %s.\n", counted(c.Common, "record"))
	list := func(whose string, records []series.Record) {
		if len(records) == 0 {
			printable.Fprintf(env.Stdout, "%s has none beyond them.\n", whose)
			return
		}
		printable.Fprintf(env.Stdout, "%s goes on with %s:\n", whose, counted(len(records), "record"))
		writeRecords(env.Stdout, records)
	}
	list(o.path, c.Ours)
	if c.Already > 0 {
		printable.Fprintf(env.Stdout, "%s of %s were taken in before.\n", counted(c.Already, "record"), o.from)
	}
	if c.Already == 0 || len(c.Theirs) > 0 {
		list(o.from, c.Theirs)
	}
	return c.Records(), nil
}

// writeRecords lists records, a line each.
func writeRecords(out io.Writer, records []series.Record) {
	for _, r := range records {
		printable.Fprintf(out, "  record %d, %s, %s%s\n", r.Number, r.Time, r.Kind, strings.TrimSuffix(about(r.Case), " on the whole series"))
	}
}
