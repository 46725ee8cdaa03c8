package cli

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/output"
	"plumbline/internal/pool"
	"plumbline/internal/printable"
	"plumbline/internal/regularfile"
	"plumbline/internal/stats/metaanalysis"
)

// aggregatesFile is a table of counts, means and variances.
var aggregatesFile = output.Kind{Name: "table of aggregates", Own: func(f *os.File) bool { return pool.IsAggregates(f) }}

// poolOptions say which tables to pool, and where the aggregates go.
type poolOptions struct {
	tables     []string
	aggregates string
	files      output.Run
}

func poolCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "pool TABLE…", short: "put the tables of many clinicians together",
		long: `Each TABLE is what series export writes, CSV or Parquet, or a file of aggregates. Prints
each figure's mean over clinicians with its 95 % interval, and how far clinicians lie
apart: a random-effects model of the clinicians' means (restricted maximum likelihood).
Rows in doubt are left out and counted. Fixtures count singly, also where a case has
several, so that the intervals are somewhat too narrow then.

--aggregates writes counts, means and variances by figure, clinician, guidance and region
alone, so that practices can share what pooling needs without a row leaving; strata of
fewer than five are withheld and counted. Aggregates of others are pooled like tables;
the same table twice counts twice. A pseudonym stands for one clinician in all tables.`,
		examples: []string{
			"plumbline series export --table table.parquet my-series.jsonl",
			"plumbline pool table.parquet",
			"plumbline pool --aggregates shared.csv table.parquet",
		},
	}, &poolOptions{})
}

func (o *poolOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.aggregates, "aggregates", "", "write counts, means and variances to `OUT`, a CSV file")
	addOverwrite(f, &o.files)
}

func (o *poolOptions) Check(args []string) error {
	if len(args) == 0 {
		return usage("give the tables to pool, as in: plumbline pool table.parquet")
	}
	o.tables = args
	o.files.Reads(o.tables...)
	return mayWrite(&o.files, o.aggregates, aggregatesFile)
}

func (o *poolOptions) Run(_ context.Context, env Env) error {
	all := pool.New()
	for _, path := range o.tables {
		if err := addTable(all, path); err != nil {
			return badInput(err)
		}
	}
	if o.aggregates != "" {
		if err := writeFile(&o.files, o.aggregates, aggregatesFile, all.Write); err != nil {
			return err
		}
		tellWritten(env.Stdout, o.aggregates)
	}
	some := false
	for r := range all.Results() {
		some = true
		writePooled(env, r)
	}
	if !some {
		return badInput(fmt.Errorf("the tables have no figure that is measured and not in doubt"))
	}
	if all.Doubtful > 0 {
		printable.Fprintf(env.Stdout, "Left out because they are in doubt: %s.\n", counted(all.Doubtful, "row"))
	}
	if shared := all.Shared(); len(shared) > 0 {
		printable.Fprintf(env.Stdout, "Counted as one clinician each, since several tables have these pseudonyms: %s.\n", strings.Join(shared, ", "))
	}
	if all.Withheld > 0 {
		printable.Fprintf(env.Stdout, "Withheld by those who shared aggregates, so that it is missing here: %d strata.\n", all.Withheld)
	}
	return nil
}

// addTable takes in one file.
func addTable(all *pool.Aggregates, path string) error {
	f, err := regularfile.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return err
	}
	if err := all.Add(f, info.Size()); err != nil {
		return fmt.Errorf("%s: %w", path, err)
	}
	return nil
}

// coverage95 is the normal quantile of a 95 % interval.
const coverage95 = 1.959963984540054

// writePooled prints one figure.
func writePooled(env Env, r pool.Result) {
	unit := r.Figure.Unit()
	behind := func(x float64) string { return unit.Behind(fmt.Sprintf("%.2f", x)) }
	title := r.Figure.Heading()
	if r.Err != nil {
		why := r.Err.Error()
		if errors.Is(r.Err, metaanalysis.ErrTooFew) {
			why = "fewer than two clinicians have enough fixtures"
		}
		printable.Fprintf(env.Stdout, "%s: %s; not pooled: %s\n", title, counted(r.Fixtures, "fixture"), why)
		return
	}
	p := r.Pooled
	printable.Fprintf(env.Stdout, "%s: %s (95 %%: %.2f to %s); between clinicians ± %s; %s of %s",
		title, behind(p.Mean), p.Mean-coverage95*p.SE, behind(p.Mean+coverage95*p.SE), behind(math.Sqrt(p.Tau2)), counted(r.Fixtures, "fixture"), counted(p.Groups+r.Alone, "clinician"))
	if r.Alone > 0 {
		printable.Fprintf(env.Stdout, ", of whom %d had too few to be pooled", r.Alone)
	}
	printable.Fprintf(env.Stdout, "\n")
}
