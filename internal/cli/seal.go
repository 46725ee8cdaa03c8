package cli

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/series"
)

// sealOptions say which plan to seal, and where.
type sealOptions struct {
	series, path string
}

func sealCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "seal CASE", short: "note a plan in the series file before surgery",
		long: `CASE is a folder with case.toml or the case file itself; the scans need not be there
yet. The plan goes into the series file with its hash and the time, and a receipt is
printed: a short code that you give away, to your mentor for example. A case that is
sealed before surgery and measured after it shows that no case was picked afterwards.
The seal holds the structures, the bytes of surfaces and meshes and the voxels of the
planning scan too, as far as they are there; what changed by the time of measuring is named.
Leave case.toml as it is from then on; the record tells a changed plan from an edited
remark. A plan that is in the file already is not noted twice.`,
		examples: []string{"plumbline seal --series my-series.jsonl demo/C-101"},
	}, &sealOptions{})
}

func (o *sealOptions) AddFlags(f *pflag.FlagSet) {
	f.StringVar(&o.series, "series", "", "the series `FILE`; it is made if there is none")
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
	what := fmt.Sprintf("the plan of %s (%s, surgery %s)", c.Name, counted(len(c.Fixtures), "fixture"), c.Placed)
	pre, unread := planningScan(c)
	plan := series.PlanOf(c, pre)
	if last := l.LastSeal(c.Name); last != nil && last.Plan.Same(&plan) {
		printable.Fprintf(env.Stdout, "Sealed already: %s is record %d of %s, of %s; nothing was added.\n", what, last.Number, l.Path, last.Time)
		writeReceipt(env.Stdout, l)
		return nil
	}
	added, err := add(l, series.Record{Kind: series.Sealed, Case: c.Name, Plan: &plan})
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "Sealed: %s is record %d of %s.\n", what, added.Last, l.Path)
	if lacks := plan.NotCovered(); lacks != "" {
		printable.Fprintf(env.Stdout, "The seal does not cover %s%s.\n", lacks, unread)
	}
	// The state of the case says what the seal is worth: too late, or again.
	writeState(env.Stdout, l, c.Name)
	if c.Frame == casefile.Corner {
		printable.Fprintf(env.Stdout, "Its coordinates count from the corner of the scan, so leave case.toml unchanged: an edited file could not be compared with the seal.\n")
	}
	writeReceipt(env.Stdout, l)
	return nil
}

// planningScan is the hash of the planning scan, or why it was not read, as the end
// of a sentence.
func planningScan(c *casefile.Case) (sum, unread string) {
	if _, err := os.Stat(c.Pre); errors.Is(err, fs.ErrNotExist) {
		return "", ", which is not there yet; seal again once it is"
	}
	s, err := scan.Open(c.Pre, scan.Options{})
	if err != nil {
		return "", fmt.Sprintf(", which was not read (%v)", err)
	}
	return s.SHA256(), ""
}
