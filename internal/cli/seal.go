package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
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
	pre, err := o.planningScan(c)
	if err != nil {
		return err
	}
	doubts, err := o.readBack(env, c, pre)
	if err != nil {
		return err
	}
	if len(doubts) > 0 && o.despite == "" {
		return badInput(errors.New("nothing was sealed, as the plan is in doubt; settle what stands above, or, if the plan is right as it stands, seal it with --despite WHY"))
	}
	sum := ""
	if pre != nil {
		sum = pre.SHA256()
	}
	plan := series.PlanOf(c, sum)
	plan.Doubts = doubts
	if err := o.enter(env, l, c, plan); err != nil {
		return err
	}
	if len(doubts) > 0 {
		return errInDoubt
	}
	return nil
}

// readBack holds the plan against the planning scan, where that is there, prints what
// it says in words, and gives the doubts about it.
func (o *sealOptions) readBack(env Env, c *casefile.Case, pre *scan.Scan) ([]measurement.Flag, error) {
	if pre == nil {
		return nil, nil
	}
	planned, err := measure.CheckPlan(c, pre, env.Now().Format(time.DateOnly))
	if err != nil {
		return nil, badInput(fmt.Errorf("nothing was sealed: %w", err))
	}
	if err := env.print(reports.ReadBack(planned, reports.Options{Numbering: c.Numbering})); err != nil {
		return nil, err
	}
	printable.Fprintf(env.Stdout, "\n")
	return slices.DeleteFunc(planned.AllFlags(), func(f measurement.Flag) bool { return f.Level != measurement.Doubt }), nil
}

// enter puts the plan into the series file, unless it is there, and says so.
func (o *sealOptions) enter(env Env, l *series.Ledger, c *casefile.Case, plan series.Plan) error {
	what := fmt.Sprintf("the plan of %s (%s, surgery %s)", c.Name, counted(len(c.Fixtures), "fixture"), c.Placed)
	if last := l.LastSeal(c.Name); last != nil && last.Plan.Same(&plan) {
		printable.Fprintf(env.Stdout, "Sealed already: %s is record %d of %s, of %s; nothing was added.\n", what, last.Number, l.Path, last.Time)
		writeReceipt(env.Stdout, l)
		return nil
	}
	r := series.Record{Kind: series.Sealed, Case: c.Name, Plan: &plan}
	if len(plan.Doubts) > 0 {
		r.Reason = o.despite
	}
	added, err := add(l, r)
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "Sealed: %s is record %d of %s.\n", what, added.Last, l.Path)
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
	return nil
}

// planningScan is the planning scan, nil where it is not there yet.
func (o *sealOptions) planningScan(c *casefile.Case) (*scan.Scan, error) {
	if _, err := os.Stat(c.Pre); errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	pre, err := scan.Open(c.Pre, o.scan)
	if err != nil {
		return nil, badInput(fmt.Errorf("nothing was sealed, as the planning scan cannot be read: %w", err))
	}
	return pre, nil
}
