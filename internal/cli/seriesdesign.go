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
	"plumbline/internal/stats/controlchart"
)

// seriesDesignOptions say what is to be shown, of whom and in how many cases.
type seriesDesignOptions struct {
	design                           series.Design
	acceptable, unacceptable, errors float64 // percent
	cases                            uint64
	path                             string

	score controlchart.Outcomes
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
	if err := d.Check(); err != nil {
		return usage("series design: %w; see plumbline series design --help", err)
	}
	if o.score, err = score(d); errors.Is(err, controlchart.ErrTooFewCases) {
		return usage("in %s a share of %g %% cannot be told from %g %% with an error of %g %%: even without a single miss it would not be shown; give more --cases or shares that lie farther apart",
			counted(d.Cases, "case"), o.acceptable, o.unacceptable, o.errors)
	}
	return err
}

func score(d *series.Design) (controlchart.Outcomes, error) {
	return controlchart.DesignCompetence(d.Acceptable, d.Unacceptable, d.ErrorRate, d.Cases)
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
	printable.Fprintf(out, "Fixed for clinician %s as record %d of %s: at most %g mm at the entry, %g mm at the apex and %g°, in the next %s.\n",
		d.Clinician, added.Last, o.path, d.Limits.Entry, d.Limits.Apex, d.Limits.Angle, counted(d.Cases, "case"))
	least := o.score.CasesToSignal(0, 0, d.Cases)
	printable.Fprintf(out, "That under %g %% miss is shown after %s without a miss at the earliest. Of clinicians who miss in %g %% it is shown for %.0f %%, of those who miss in %g %% wrongly for %.1f %%.\n",
		o.unacceptable, counted(least, "case"), o.acceptable, 100*o.score.Power, o.unacceptable, 100*o.score.ErrorRate)
	if more := o.enough(); more > 0 {
		printable.Fprintf(out, "A design for %d cases would show it for four in five of those who miss in %g %%.\n", more, o.acceptable)
	}
	writeReceipt(out, l)
	return nil
}

// wanted is the power that a study is usually given (Cohen, Statistical Power Analysis for
// the Behavioral Sciences, 1988).
const wanted = .8

// enough is the least number of cases, in tens, with the wanted power; 0 where the design
// has it, or where no number that can be fixed has.
func (o *seriesDesignOptions) enough() int {
	if o.score.Power >= wanted {
		return 0
	}
	d := o.design
	for d.Cases = 10 * (d.Cases/10 + 1); d.Cases <= series.MostDesigned; d.Cases += 10 {
		s, err := score(&d)
		if err != nil {
			return 0
		}
		if s.Power >= wanted {
			return d.Cases
		}
	}
	return 0
}
