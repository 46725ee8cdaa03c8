package cli

import (
	"context"
	"errors"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/printable"
	"plumbline/internal/series"
	"plumbline/internal/series/analysis"
)

// seriesDesignOptions say what is to be shown, of whom and in how many cases.
type seriesDesignOptions struct {
	design                           series.Design
	acceptable, unacceptable, errors float64 // percent
	cases                            uint64
	path                             string

	promise analysis.Promise
}

func seriesDesignCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "design FILE", short: "fix, before the cases, what they are to show",
		long: `Fixes for a clinician's cases to come within which limits a fixture is no miss, and
what share of misses is to be ruled out. series show then says whether that is shown, or
how many more cases it would take. Only cases count whose surgery and whose figures come
after the record. What was shown once stands; a share within limits that were chosen
afterwards shows nothing. It says nothing of a person's competence. FILE is the series
file; it is made if there is none.`,
		examples: []string{
			"plumbline series design --clinician clinician-a my-series.jsonl",
			"plumbline series design --clinician clinician-b --cases 100 my-series.jsonl",
		},
	}, &seriesDesignOptions{})
}

func (o *seriesDesignOptions) AddFlags(f *pflag.FlagSet) {
	d := analysis.UsualDesign()
	grouped(f, "Whose cases", func(f *pflag.FlagSet) {
		f.StringVar(&o.design.Clinician, "clinician", "", "the clinician's `PSEUDONYM`")
		f.Uint64Var(&o.cases, "cases", uint64(d.Cases), "look at the next `N` cases")
	})
	grouped(f, "What is no miss", func(f *pflag.FlagSet) {
		f.Float64Var(&o.design.Limits.Entry, "entry-limit", d.Limits.Entry, "at most so many `MM` of entry deviation")
		f.Float64Var(&o.design.Limits.Apex, "apex-limit", d.Limits.Apex, "at most so many `MM` of apex deviation")
		f.Float64Var(&o.design.Limits.Angle, "angle-limit", d.Limits.Angle, "at most so many `DEGREES` of angular deviation")
	})
	grouped(f, "What is to be shown", func(f *pflag.FlagSet) {
		f.Float64Var(&o.acceptable, "acceptable", 100*d.Acceptable, "a share of misses of `PERCENT` is well")
		f.Float64Var(&o.unacceptable, "unacceptable", 100*d.Unacceptable, "one of `PERCENT` or more is to be ruled out")
		f.Float64Var(&o.errors, "error", 100*d.ErrorRate, "rule it out wrongly in at most `PERCENT`")
	})
}

func (o *seriesDesignOptions) Check(args []string) (err error) {
	if err := arguments(args, "design", "FILE"); err != nil {
		return err
	}
	o.path = args[0]
	d := &o.design
	if d.Clinician == "" {
		return usage("say whose cases, as in: plumbline series design --clinician clinician-a %s", o.path)
	}
	if strings.Contains(d.Clinician, "^") {
		return usage("--clinician looks like a person's name from a scan; write a pseudonym, as in clinician-a")
	}
	d.Acceptable, d.Unacceptable, d.ErrorRate = o.acceptable/100, o.unacceptable/100, o.errors/100
	d.Cases = int(min(o.cases, 1<<31-1))
	o.promise, err = analysis.PromiseOf(*d)
	var indistinct *analysis.IndistinctError
	switch {
	case errors.As(err, &indistinct):
		return usage("%w; give more --cases or shares that lie farther apart", err)
	case err != nil:
		return usage("series design: %w; see plumbline series design --help", err)
	}
	return nil
}

func (o *seriesDesignOptions) Run(_ context.Context, env Env) error {
	l, err := openLedger(env, o.path)
	if err != nil {
		return err
	}
	d := o.design
	added, err := l.AddDesign(d)
	var stands *series.DesignStandsError
	if errors.As(err, &stands) {
		return usage("%w; withdraw that one, which stays in every report, with: plumbline series correct --record %d --withdraw --reason WHY %s", err, stands.Record, o.path)
	}
	if err != nil {
		return notAdded(err)
	}
	out := env.Stdout
	printable.Fprintf(out, "Fixed for clinician %s as record %d of %s: %s.\n", d.Clinician, added.Last, o.path, o.promise.Fixed())
	for _, words := range o.promise.Words() {
		printable.Fprintf(out, "%s\n", words)
	}
	writeReceipt(out, l)
	return nil
}
