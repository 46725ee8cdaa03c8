package cli

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/sealing"
	"plumbline/internal/series"
)

// sealOptions say which plan to seal, and where.
type sealOptions struct {
	series, path string
	despite      string // why a plan in doubt is sealed as it stands
	scan         scan.Options
}

func sealCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "seal CASE", short: "enter a plan in the series file before surgery",
		long: `CASE is a folder with case.toml or the case file itself; there need be no follow-up
scan yet. The plan is held against the planning scan and read back in words: read them.
A plan that cannot be meant as it stands is not sealed: one outside the scan, in the
other jaw, on the other side, beside the arch, in other coordinates or units than it
says, with a structure that cannot be where it is drawn. If it is right all the same,
--despite seals it, with the reason and the doubts.
The plan goes into the series file with its hash and the time, and a receipt is
printed: a short code that you give away, to your mentor for example. A case that is
sealed before surgery and measured after it shows that no case was picked afterwards.
The seal holds the structures, the bytes of surfaces and meshes and the voxels of the
planning scan too, as far as they are there; what changed by the time of measuring is named.
Leave case.toml as it is from then on, but for the follow-up scan (plumbline case
--post); the record tells a changed plan from an edited remark. A plan that is in the
file already is not entered twice.`,
		examples: []string{"plumbline seal --series my-series.jsonl demo/C-101"},
	}, &sealOptions{})
}

func (o *sealOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.series, "series", "", "the series `FILE`; it is made if there is none")
	o.scan.Names = scan.Names{SeriesUID: "--pre-series", SliceSpacing: "--slice-spacing"}
	f.StringVar(&o.scan.SeriesUID, "pre-series", "", "Series Instance `UID` of the planning scan, where there are several")
	sliceSpacing(f, &o.scan.SliceSpacing)
	f.StringVar(&o.despite, "despite", "", "seal a plan that is in doubt, and say `WHY` it is right as it stands")
}

func (o *sealOptions) Check(args []string) (err error) {
	if o.path, err = oneArgument(args, "CASE", "seal"); err != nil {
		return err
	}
	if o.series == "" {
		return usage("--series is missing; name the file that keeps your cases, as in: plumbline seal --series my-series.jsonl %s", o.path)
	}
	return nil
}

func (o *sealOptions) Run(_ context.Context, env Env) error {
	c, err := casefile.ReadPlan(o.path)
	if err != nil {
		return badInput(err)
	}
	l, err := openLedger(env, o.series)
	if err != nil {
		return err
	}
	pre, err := sealing.PlanningScan(c, o.scan)
	if err != nil {
		return badInput(err)
	}
	plan, err := sealing.Look(c, pre, env.Now().Format(time.DateOnly))
	if err != nil {
		return badInput(err)
	}
	if plan.Planned != nil {
		if err := env.print(reports.ReadBack(plan.Planned, reports.Options{Numbering: c.Numbering})); err != nil {
			return err
		}
		printable.Fprintf(env.Stdout, "\n")
	}
	entered, err := plan.Seal(l, o.despite)
	if errors.Is(err, sealing.ErrInDoubt) {
		return badInput(fmt.Errorf("%w; settle what stands above, or, if the plan is right as it stands, seal it with --despite WHY", err))
	}
	if err != nil {
		return notAdded(err)
	}
	tellSeal(env, l, c, entered)
	if len(entered.Plan.Doubts) > 0 {
		return errInDoubt
	}
	return nil
}

// tellSeal says how the plan stands in the series file.
func tellSeal(env Env, l *series.Ledger, c *casefile.Case, entered *sealing.Entry) {
	what := fmt.Sprintf("the plan of %s (%s, surgery %s)", c.Name, counted(len(c.Fixtures), "fixture"), c.Placed)
	if was := entered.Already; was != nil {
		printable.Fprintf(env.Stdout, "Sealed already: %s is record %d of %s, of %s; nothing was added.\n", what, was.Number, l.Path, was.Time)
		writeReceipt(env.Stdout, l)
		return
	}
	plan := entered.Plan
	printable.Fprintf(env.Stdout, "Sealed: %s is record %d of %s.\n", what, entered.Added.Last, l.Path)
	if plan.PreSHA256 == "" {
		printable.Fprintf(env.Stdout, "The plan was not checked: that takes the planning scan, which is not there yet; seal again once it is.\n")
	}
	if lacks := plan.NotCovered(); lacks != "" {
		printable.Fprintf(env.Stdout, "The seal does not cover %s.\n", lacks)
	}
	// The state of the case says what the seal is worth: too late, or again.
	writeState(env.Stdout, l, c.Name)
	if c.Frame == casefile.Corner {
		printable.Fprintf(env.Stdout, "Its coordinates count from the corner of the scan, so leave case.toml unchanged: an edited file could not be compared with the seal.\n")
	}
	writeReceipt(env.Stdout, l)
}
