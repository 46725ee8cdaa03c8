package cli

import (
	"context"
	"fmt"

	"github.com/spf13/pflag"

	"plumbline/internal/plan/casefile"
	"plumbline/internal/series"
)

func sealCommand() command {
	return command{
		name: "seal", args: "CASE", short: "note a plan in the series file before surgery",
		long: `CASE is a folder with case.toml or the case file itself; the scans need not be there
yet. The plan goes into the series file with its hash and the time, and a receipt is
printed: a short code that you give away, to your mentor for example. A case that is
sealed before surgery and measured after it shows that no case was picked afterwards.
Leave case.toml as it is from then on; the record tells a changed plan from an edited
remark. A plan that is in the file already is not noted twice.`,
		examples: []string{"plumbline seal --series my-series.jsonl demo/C-101"},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			to := f.String("series", "", "the series `FILE`; it is made if there is none")
			return func(_ context.Context, env Env, args []string) error {
				path, err := oneArgument(args, "CASE", "seal")
				if err != nil {
					return err
				}
				if *to == "" {
					return usage("--series is missing; name the file that keeps your cases, as in: plumbline seal --series my-series.jsonl %s", path)
				}
				c, err := casefile.ReadPlan(path)
				if err != nil {
					return badInput(err)
				}
				return seal(env, *to, c)
			}
		},
	}
}

func seal(env Env, path string, c *casefile.Case) error {
	b, err := openBook(env, path, false)
	if err != nil {
		return err
	}
	what := fmt.Sprintf("the plan of %s (%s, surgery %s)", c.Name, counted(len(c.Fixtures), "fixture"), c.Placed)
	if last := b.lastSeal(c.Name); last != nil && last.Plan.SHA256 == c.PlanSHA256 {
		fmt.Fprintf(env.Stdout, "Sealed already: %s is record %d of %s, of %s; nothing was added.\n", what, last.Number, path, last.Time)
		b.receipt(env.Stdout)
		return nil
	}
	plan := series.PlanOf(c)
	added, err := b.add(series.Record{Kind: series.Sealed, Case: c.Name, Plan: &plan})
	if err != nil {
		return err
	}
	fmt.Fprintf(env.Stdout, "Sealed: %s is record %d of %s.\n", what, added.Last, path)
	// The state of the case says what the seal is worth: too late, or again.
	b.remarks(env.Stdout, c.Name)
	if c.Frame == casefile.Corner {
		fmt.Fprintln(env.Stdout, "Its coordinates count from the corner of the scan, so leave case.toml unchanged: an edited file could not be compared with the seal.")
	}
	b.receipt(env.Stdout)
	return nil
}

// lastSeal is the last seal of a case that is in force, nil if there is none.
func (b *book) lastSeal(name string) *series.Record {
	state := b.cases[name]
	if state == nil || len(state.Sealed) == 0 {
		return nil
	}
	return b.records[state.Sealed[len(state.Sealed)-1]]
}
