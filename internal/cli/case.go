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

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/plantable"
	"plumbline/internal/plan/scanpair"
	"plumbline/internal/tooth"
)

// caseOptions are what a person may say that files do not.
type caseOptions struct {
	name, clinician, placed, guidance string
	numbering, frame                  string
	out                               string
}

func caseCommand() command {
	return command{
		name: "case", args: "FOLDER|CSV", short: "start a case file, from two scans or from a table of points",
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
			"plumbline case --case C-007 --clinician clinician-a --placed 2026-03-14 plan.csv",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			var o caseOptions
			f.StringVar(&o.name, "case", "", "the case's `PSEUDONYM`, never a patient's name")
			f.StringVar(&o.clinician, "clinician", "", "the clinician's `PSEUDONYM`")
			f.StringVar(&o.placed, "placed", "", "`DATE` of surgery, as in 2026-03-14")
			f.StringVar(&o.numbering, "numbering", "", "`SYSTEM` of the tooth numbers: iso3950 or universal")
			f.StringVar(&o.frame, "frame", "", "`FRAME` of the table's coordinates: lps, ras or corner")
			f.StringVar(&o.guidance, "guidance", "", "`HOW` the drills were guided: full-guide, pilot-guide, freehand or navigated")
			f.StringVar(&o.out, "into", "", "`FOLDER` to write case.toml into, in place of the one named or of the table's")
			return func(_ context.Context, env Env, args []string) error {
				path, err := oneArgument(args, "FOLDER or CSV", "case")
				if err != nil {
					return err
				}
				return startCase(env, path, o)
			}
		},
	}
}

func startCase(env Env, path string, o caseOptions) error {
	if err := o.check(); err != nil {
		return err
	}
	info, err := os.Stat(path)
	if errors.Is(err, os.ErrNotExist) {
		return usage("%s: there is no such file or folder; give a folder with two scans, or a table of points", path)
	}
	if err != nil {
		return err
	}
	folder := path
	if !info.IsDir() {
		folder = filepath.Dir(path)
	}
	if o.out != "" {
		folder = o.out
	}
	target := filepath.Join(folder, casefile.FileName)
	if _, err := os.Lstat(target); err == nil {
		return usage("%s is there already and is left as it is; rename it, or write elsewhere with --into", target)
	}
	d := casefile.Draft{
		Case: o.name, Clinician: o.clinician, Placed: o.placed,
		Numbering: tooth.System(o.numbering), Frame: casefile.Frame(o.frame),
	}
	var notes []string
	pair, looked := scanpair.Look(folder)
	if looked == nil {
		pre, post, why, ok := scanpair.Order(pair[0], pair[1])
		d.Pre, d.Post, d.ScanNote = pre.Name, post.Name, "Told apart: "+why+"."
		if !ok {
			notes = append(notes, fmt.Sprintf("check which scan is which: %s; %s was taken as planning scan", why, pre.Name))
			d.ScanNote = "CHECK which is which: " + why + "."
		}
		pair[0] = pre
	} else if info.IsDir() && !errors.Is(looked, os.ErrNotExist) {
		return badInput(fmt.Errorf("%s: %w", path, looked))
	}
	if info.IsDir() {
		d.Fixtures = []casefile.DraftFixture{{Guidance: casefile.Guidance(o.guidance)}}
	} else {
		more, err := o.fromTable(&d, path)
		if err != nil {
			return err
		}
		notes = append(notes, more...)
		if looked == nil {
			notes = append(notes, o.checkFrame(&d, pair[0])...)
		} else {
			if d.Frame == "" {
				d.Frame = casefile.LPS
			}
			notes = append(notes, fmt.Sprintf("no pair of scans lies beside the table, so frame = %q is not checked against them", string(d.Frame)))
		}
	}
	err = atomicfile.Write(target, func(w io.Writer) error {
		_, err := io.WriteString(w, d.Text())
		return err
	})
	if err != nil {
		return unwritten(err)
	}
	fmt.Fprintf(env.Stdout, "wrote %s\n", target)
	for _, n := range notes {
		fmt.Fprintf(env.Stdout, "note: %s\n", n)
	}
	if missing := d.Missing(); len(missing) > 0 {
		fmt.Fprintf(env.Stdout, "to fill in: %s\n", strings.Join(missing, "; "))
		return nil
	}
	if _, err := casefile.Read(target); err != nil {
		fmt.Fprintf(env.Stdout, "to correct: %s\n", sentence(err))
		return nil
	}
	fmt.Fprintf(env.Stdout, "measure it with: plumbline measure %s\n", folder)
	return nil
}

func (o caseOptions) check() error {
	for _, c := range []struct {
		option, value string
		allowed       []string
	}{
		{"numbering", o.numbering, []string{string(tooth.ISO3950), string(tooth.Universal)}},
		{"frame", o.frame, []string{string(casefile.LPS), string(casefile.RAS), string(casefile.Corner)}},
		{"guidance", o.guidance, []string{string(casefile.FullGuide), string(casefile.PilotGuide), string(casefile.Freehand), string(casefile.Navigated)}},
	} {
		if c.value != "" && !slices.Contains(c.allowed, c.value) {
			return usage("--%s is %q, expected %s", c.option, c.value, strings.Join(c.allowed, ", "))
		}
	}
	for _, c := range [][2]string{{"case", o.name}, {"clinician", o.clinician}} {
		if strings.Contains(c[1], "^") {
			return usage("--%s looks like a person's name from a scan; give a pseudonym", c[0])
		}
	}
	if o.placed != "" {
		if _, err := time.Parse(time.DateOnly, o.placed); err != nil {
			return usage("--placed is %q, expected a date as in 2026-03-14", o.placed)
		}
	}
	return nil
}

// fromTable reads the fixtures of a table into a draft and says what it made of
// them.
func (o caseOptions) fromTable(d *casefile.Draft, path string) ([]string, error) {
	file, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, plantable.MaxFile+1))
	if err != nil {
		return nil, err
	}
	table, err := plantable.Read(path, data)
	if err != nil {
		return nil, badInput(err)
	}
	var notes []string
	if d.Numbering == "" {
		d.Numbering = table.Numbering
	}
	if d.Numbering == "" {
		notes = append(notes, "the tooth numbers exist in ISO 3950 and in universal numbering; fill in numbering, or give --numbering")
	}
	switch {
	case d.Frame != "" && table.Axes != "" && d.Frame != casefile.Frame(table.Axes):
		return nil, usage("--frame is %q, but the table's headings name the axes %s", o.frame, table.Axes)
	case d.Frame == "":
		d.Frame = casefile.Frame(table.Axes)
	}
	for _, f := range table.Fixtures {
		label := plantable.Plain(f.Label)
		if label != "" && d.Numbering != "" {
			if _, err := tooth.Parse(label, d.Numbering); err != nil {
				return nil, badInput(&plantable.Error{File: path, Line: f.Line, Message: err.Error()})
			}
		}
		planned := geom.Pose{Entry: f.Entry, Apex: f.Apex}
		if planned.Length() == 0 {
			return nil, badInput(&plantable.Error{File: path, Line: f.Line, Message: "entry and apex are the same point"})
		}
		d.Fixtures = append(d.Fixtures, casefile.DraftFixture{
			Site: label, Planned: &planned, Decimals: f.Decimals,
			Diameter: f.Diameter, Length: f.Length, Guidance: casefile.Guidance(o.guidance),
		})
	}
	if len(table.Skipped) > 0 {
		notes = append(notes, "columns that were left out: "+strings.Join(table.Skipped, ", "))
	}
	return notes, nil
}

// checkFrame finds the frame that puts the whole plan inside the planning scan,
// where nobody says it.
func (o caseOptions) checkFrame(d *casefile.Draft, pre scanpair.Found) []string {
	inside := func(frame casefile.Frame) bool {
		return !slices.ContainsFunc(d.Fixtures, func(f casefile.DraftFixture) bool {
			return !pre.Grid.Contains(frame.ToLPS(f.Planned.Entry, pre.Grid)) || !pre.Grid.Contains(frame.ToLPS(f.Planned.Apex, pre.Grid))
		})
	}
	var fit []string
	for _, frame := range []casefile.Frame{casefile.LPS, casefile.RAS, casefile.Corner} {
		if inside(frame) {
			fit = append(fit, string(frame))
		}
	}
	list := strings.Join(fit, " or ")
	switch {
	case len(fit) == 0:
		return []string{fmt.Sprintf("the points lie outside the planning scan %s, whatever frame they are in; check that the table belongs to it", pre.Name)}
	case d.Frame != "" && !slices.Contains(fit, string(d.Frame)):
		return []string{fmt.Sprintf("in the frame %s the points lie outside the planning scan; as %s they would lie inside", d.Frame, list)}
	case d.Frame != "":
		return nil
	case len(fit) == 1:
		d.Frame = casefile.Frame(fit[0])
		return []string{fmt.Sprintf("frame = %q, since only so the points lie inside the planning scan", fit[0])}
	}
	d.Frame = casefile.Frame(fit[0])
	return []string{fmt.Sprintf("frame = %q was taken; as %s the points would lie inside the planning scan too, so check which one the planning program writes", fit[0], strings.Join(fit[1:], " or "))}
}
