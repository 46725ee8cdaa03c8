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

	"plumbline/internal/atomicfile"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/draft"
	"plumbline/internal/printable"
	"plumbline/internal/tooth"
)

// caseOptions are what a person may say that files do not.
type caseOptions struct {
	name, clinician, placed, guidance string
	numbering, frame                  string
	into                              string
	from                              string // folder or table
}

func caseCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "case FOLDER|CSV", short: "start a case file, from two scans or from a table of points",
		long: `FOLDER holds two scans: writes a commented case.toml into it, with the planning and
the follow-up scan told apart by their dates and by the metal in them.

CSV is a table of entry and apex points as copied from a planning printout, a row a
fixture: writes case.toml beside it. Columns are found by their headings, such as
site, entry x, entry y, entry z, apex x, apex y, apex z, diameter, length; commas,
semicolons or tabs, decimal points or commas, units in headings, a column a fixture
or a row a point are all read. Where the two scans lie beside the table, they are
entered too, and the coordinates' frame is checked against the planning scan.

What cannot be told is marked FILL IN in the file, and named. An existing case.toml
is never overwritten. Nothing else of the table is kept.`,
		examples: []string{
			"plumbline phantom --demo demo",
			"mkdir new && cp -r demo/C-101/pre demo/C-101/post new",
			"plumbline case new",
			"printf 'site;entry;apex\\n36;-24,1 11,3 8;-24,6 12 -1,9\\n' > plan.csv",
			"plumbline case --case C-007 --placed 2026-03-14 plan.csv",
		},
	}, &caseOptions{})
}

func (o *caseOptions) AddFlags(f *pflag.FlagSet) {
	grouped(f, "The case", func(f *pflag.FlagSet) {
		f.StringVar(&o.name, "case", "", "the case's `PSEUDONYM`, never a patient's name")
		f.StringVar(&o.clinician, "clinician", "", "the clinician's `PSEUDONYM`")
		f.StringVar(&o.placed, "placed", "", "`DATE` of surgery, as in 2026-03-14")
		choice(f, &o.guidance, "guidance", "", "`HOW` the drills were guided: full-guide, pilot-guide, freehand or navigated", casefile.Guidances...)
	})
	grouped(f, "The table", func(f *pflag.FlagSet) {
		choice(f, &o.numbering, "numbering", "", "`SYSTEM` of the tooth numbers: iso3950 or universal", tooth.Systems...)
		choice(f, &o.frame, "frame", "", "`FRAME` of the table's coordinates: lps, ras or corner", casefile.Frames...)
	})
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		f.StringVar(&o.into, "into", "", "`FOLDER` to write case.toml into, in place of the one named or of the table's")
	})
}

func (o *caseOptions) Check(args []string) error {
	var err error
	if o.from, err = oneArgument(args, "FOLDER or CSV", "case"); err != nil {
		return err
	}
	for _, err := range []error{
		oneOf("numbering", tooth.System(o.numbering), tooth.Systems),
		oneOf("frame", casefile.Frame(o.frame), casefile.Frames),
		oneOf("guidance", casefile.Guidance(o.guidance), casefile.Guidances),
		pseudonym("case", o.name), pseudonym("clinician", o.clinician),
	} {
		if err != nil {
			return err
		}
	}
	if o.placed != "" {
		return checkDate("placed", o.placed)
	}
	return nil
}

// oneOf refuses a value that an option does not take; "" is none.
func oneOf[T ~string](option string, value T, allowed []T) error {
	if value == "" || slices.Contains(allowed, value) {
		return nil
	}
	list := make([]string, len(allowed))
	for i, a := range allowed {
		list[i] = string(a)
	}
	return usage("--%s is %q, expected %s", option, value, strings.Join(list, ", "))
}

// pseudonym refuses a person's name as DICOM writes it.
func pseudonym(option, value string) error {
	if strings.Contains(value, "^") {
		return usage("--%s looks like a person's name from a scan; give a pseudonym", option)
	}
	return nil
}

func checkDate(option, text string) error {
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return usage("--%s is %q, expected a date as in 2026-03-14", option, text)
	}
	return nil
}

func (o *caseOptions) Run(_ context.Context, env Env) error {
	info, err := os.Stat(o.from)
	if errors.Is(err, os.ErrNotExist) {
		return usage("%s: there is no such file or folder; give a folder with two scans, or a table of points", o.from)
	}
	if err != nil {
		return err
	}
	folder := o.from
	if !info.IsDir() {
		folder = filepath.Dir(o.from)
	}
	if o.into != "" {
		folder = o.into
	}
	target := filepath.Join(folder, casefile.FileName)
	if _, err := os.Lstat(target); err == nil {
		return usage("%s is there already and is left as it is; rename it, or write elsewhere with --into", target)
	}
	d, err := o.draft(folder, info.IsDir())
	if err != nil {
		return err
	}
	err = atomicfile.Write(target, func(w io.Writer) error {
		_, err := io.WriteString(w, d.Text())
		return err
	})
	if err != nil {
		return unwritten(err)
	}
	tellDraft(env.Stdout, d, target)
	return nil
}

// draft makes the case file from the scans in a folder, or from the table.
func (o *caseOptions) draft(folder string, scans bool) (*draft.Draft, error) {
	given := draft.Given{
		Case: o.name, Clinician: o.clinician, Placed: o.placed,
		Numbering: tooth.System(o.numbering), Frame: casefile.Frame(o.frame), Guidance: casefile.Guidance(o.guidance),
	}
	if scans {
		d, err := draft.FromScans(folder, given)
		if err != nil {
			return nil, badInput(fmt.Errorf("%s: %w", o.from, err))
		}
		return d, nil
	}
	d, err := draft.FromTable(o.from, folder, given)
	var frame *draft.FrameError
	if errors.As(err, &frame) {
		return nil, usage("--frame is %q, but the table's headings name the axes %s", frame.Given, frame.Axes)
	}
	return d, faultOf(err)
}

// tellDraft says what was written, what to check in it and what to do next.
func tellDraft(out io.Writer, d *draft.Draft, target string) {
	printable.Fprintf(out, "wrote %s\n", target)
	for _, n := range d.Notes {
		if n == draft.NumberingOpen {
			n += ", or give --numbering"
		}
		printable.Fprintf(out, "note: %s\n", n)
	}
	if missing := d.Missing(); len(missing) > 0 {
		printable.Fprintf(out, "to fill in: %s\n", strings.Join(missing, "; "))
		return
	}
	if _, err := casefile.Read(target); err != nil {
		tell(out, "to correct: ", err)
		return
	}
	printable.Fprintf(out, "measure it with: plumbline measure %s\n", filepath.Dir(target))
}
