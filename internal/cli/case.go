package cli

import (
	"cmp"
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
	"plumbline/internal/plan/scanpair"
	"plumbline/internal/printable"
	"plumbline/internal/tooth"
)

// caseOptions are what a person may say that files do not.
type caseOptions struct {
	name, clinician, placed, guidance string
	numbering, frame, site            string
	into                              string
	post                              string // follow-up scan to enter into a case that is there
	scanBody                          string // seated on its fixtures, where that is a surface scan
	from                              []string
}

func caseCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "case FOLDER|SCAN|TABLE|MESH…", short: "start a case file before surgery, and enter the follow-up scan after it",
		long: `Writes a commented case.toml from what there is. Before surgery that is the planning
scan (a folder of slices, a file or a zip archive), alone or with the plan: a TABLE of
entry and apex points, or a MESH of the planned fixture (STL, PLY or OBJ). A FOLDER stands for the
one or two scans in it; of two, planning and follow-up scan are told apart by their
dates and by the metal in them. The case file goes into the folder above the scan, or
that of the table or mesh; scans and meshes have to lie in it.

A TABLE is as copied from a planning printout, a row a fixture. Columns are found by
their headings, such as
site, entry x, entry y, entry z, apex x, apex y, apex z, diameter, length; commas,
semicolons or tabs, decimal points or commas, units in headings, a column a fixture
or a row a point are all read. Where the planning scan lies beside the table, the
coordinates' frame is found from it: the one that puts the plan where the dental arch
has the teeth of its numbers.

Anything still missing is marked FILL IN and listed. An existing case.toml
is never overwritten. Nothing else of the table is kept. Then seal the plan.

After surgery, --post SCAN enters the follow-up scan into the CASE that follows; nothing
else in the file changes, so that it is still the sealed one. A surface scan with scan
bodies seated (STL, PLY or OBJ) is entered with --scan-body, the shape of what is seated
on every fixture.`,
		examples: []string{
			"plumbline phantom --demo demo",
			"mkdir new && cp -r demo/C-101/pre new",
			"plumbline case new/pre",
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
	grouped(f, "The plan", func(f *pflag.FlagSet) {
		choice(f, &o.numbering, "numbering", "", "`SYSTEM` of the tooth numbers: iso3950 or universal", tooth.Systems...)
		choice(f, &o.frame, "frame", "", "`FRAME` of the coordinates: lps, ras or corner", casefile.Frames...)
		f.StringVar(&o.site, "site", "", "the tooth `NUMBER` of a mesh, or of a plan that is to be filled in")
	})
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		f.StringVar(&o.into, "into", "", "`FOLDER` to write case.toml into, in place of the one named or of the table's")
		f.StringVar(&o.post, "post", "", "enter the follow-up `SCAN` into the case that follows")
		f.StringVar(&o.scanBody, "scan-body", "", "surface `FILE` of what is seated on the fixtures in the surface scan of --post")
	})
}

func (o *caseOptions) Check(args []string) error {
	if len(args) == 0 || slices.Contains(args, "") {
		return usage("FOLDER, SCAN, TABLE or MESH is missing; see plumbline case --help")
	}
	o.from = args
	if o.scanBody != "" && !draft.IsMesh(o.post) {
		return usage("--scan-body goes with a surface scan, as in: plumbline case --post after.stl --scan-body body.stl CASE")
	}
	if o.post != "" && len(args) > 1 {
		return usage("one CASE at a time with --post, not %d; put a name with spaces in quotes", len(args))
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

// pseudonym refuses a person's name.
func pseudonym(option, value string) error {
	if casefile.LooksLikeName(value) {
		return usage("--%s looks like a person's name; give a pseudonym", option)
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
	if o.post != "" {
		return o.enterFollowUp(env)
	}
	from, err := o.sources()
	if err != nil {
		return err
	}
	target := filepath.Join(from.Folder, casefile.FileName)
	if _, err := os.Lstat(target); err == nil {
		return usage("%s is there already and is left as it is; rename it, or write elsewhere with --into", target)
	}
	d, err := o.draft(from)
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

// sources tells what was named apart: the scans, the table, the mesh, and the folder
// that the case file goes into.
func (o *caseOptions) sources() (draft.Sources, error) {
	var from draft.Sources
	for _, path := range o.from {
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, os.ErrNotExist):
			return from, usage("%s: there is no such file or folder; give a scan, a folder with one or two, a table of points or a mesh", path)
		case err != nil:
			return from, err
		case scanpair.IsScan(path):
			from.Scans = append(from.Scans, path)
		case info.IsDir() && len(o.from) > 1:
			return from, usage("%s is a folder that is not a scan; with several names, each is a scan, a table or a mesh", path)
		case info.IsDir():
			from.Folder = path
		case draft.IsMesh(path) && from.Mesh == "":
			from.Mesh = path
		case from.Table == "":
			from.Table = path
		default:
			return from, usage("%s and %s are two plans; give one table or mesh, with every fixture of the surgery in it, or add the other in the case file", cmp.Or(from.Table, from.Mesh), path)
		}
	}
	switch {
	case len(from.Scans) > 2:
		return from, usage("there are %d scans; give the planning scan, or it and the follow-up scan", len(from.Scans))
	case from.Table != "" && from.Mesh != "":
		return from, usage("%s and %s are two plans; give the table or the mesh", from.Table, from.Mesh)
	case o.into != "":
		from.Folder = o.into
	case from.Folder != "":
	case len(from.Scans) > 0:
		from.Folder = filepath.Dir(filepath.Clean(from.Scans[0]))
	default:
		from.Folder = filepath.Dir(cmp.Or(from.Table, from.Mesh))
	}
	return from, nil
}

// draft makes the case file.
func (o *caseOptions) draft(from draft.Sources) (*draft.Draft, error) {
	d, err := draft.Begin(from, draft.Given{
		Case: o.name, Clinician: o.clinician, Placed: o.placed, Site: o.site,
		Numbering: tooth.System(o.numbering), Frame: casefile.Frame(o.frame), Guidance: casefile.Guidance(o.guidance),
	})
	var frame *draft.FrameError
	var outside *draft.OutsideError
	switch {
	case errors.As(err, &frame):
		return nil, usage("--frame is %q, but the table's headings name the axes %s", frame.Given, frame.Axes)
	case errors.As(err, &outside):
		return nil, usage("%w; copy it there, or name another folder with --into", err)
	case err != nil && from.Table == "" && from.Mesh == "":
		return nil, badInput(fmt.Errorf("%s: %w", o.from[0], err))
	}
	return d, faultOf(err)
}

// enterFollowUp writes the follow-up scan into a case file that is there.
func (o *caseOptions) enterFollowUp(env Env) error {
	c, err := casefile.ReadPlan(o.from[0])
	if err != nil {
		return badInput(err)
	}
	look := draft.FollowUp
	if draft.IsMesh(o.post) {
		look = func(c *casefile.Case, path string) (*draft.FollowUpScan, error) {
			return draft.FollowUpSurface(c, path, o.scanBody)
		}
	}
	post, err := look(c, o.post)
	var outside *draft.OutsideError
	if errors.As(err, &outside) {
		there := "post"
		if draft.IsMesh(o.post) {
			there = filepath.Base(o.post)
		}
		return usage("%w; move or copy it there and name it so, as in: plumbline case --post %s %s", err, filepath.Join(filepath.Dir(c.File), there), o.from[0])
	}
	if err != nil {
		return badInput(err)
	}
	text, err := os.ReadFile(c.File)
	if err != nil {
		return err
	}
	text, err = casefile.WithFollowUp(c.File, text, post.Enter)
	if err != nil {
		return badInput(err)
	}
	if err := atomicfile.WriteBytes(c.File, text); err != nil {
		return unwritten(err)
	}
	printable.Fprintf(env.Stdout, "entered %s as the follow-up scan into %s; the plan is unchanged\n", cmp.Or(post.Enter.Scan, post.Enter.Surface), c.File)
	for _, n := range post.Notes {
		printable.Fprintf(env.Stdout, "note: %s\n", n)
	}
	printable.Fprintf(env.Stdout, "measure it with: plumbline measure %s\n", filepath.Dir(c.File))
	return nil
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
	missing := d.Missing()
	if len(missing) > 0 {
		printable.Fprintf(out, "to fill in: %s\n", strings.Join(missing, "; "))
	} else if _, err := casefile.ReadPlan(target); err != nil {
		tell(out, "to correct: ", err)
		return
	}
	switch folder := filepath.Dir(target); {
	case d.Post == "":
		printable.Fprintf(out, "before surgery, seal it with: plumbline seal --series my-series.jsonl %s\n", folder)
		printable.Fprintf(out, "after surgery, enter the follow-up scan with: plumbline case --post SCAN %s\n", folder)
	case len(missing) == 0:
		printable.Fprintf(out, "measure it with: plumbline measure %s\n", folder)
	}
}
