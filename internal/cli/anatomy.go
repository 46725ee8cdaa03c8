package cli

import (
	"context"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/dicom/filing"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/measure"
	"plumbline/internal/output"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/trimesh"
	"plumbline/internal/volume"
)

// anatomyOptions say in which case to look, and whether to enter what is found.
type anatomyOptions struct {
	write        bool
	series, path string
	report       string
	scan         scan.Options
	files        output.Run
}

func anatomyCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "anatomy CASE", short: "show what the planning scan shows of canal, sinus and nasal floor",
		long: `CASE is a folder with case.toml or the case file itself; there need be no follow-up
scan. Shows what is found in the planning scan beyond and beside the planned fixtures:
the nerve canal that the case asks for between points that it passes through, and in an
upper jaw the bony wall of sinus and nose; then the plan, read back against it. A canal is
asked for in case.toml:

  [[structure]]
  name    = "left mandibular canal"
  kind    = "nerve"
  find    = "canal"
  through = [[-30.1, 20.2, -6.0], [-25.0, 14.1, -5.5]]

Whether it is right is for you to say: --report draws it in cuts through the planning scan
about the planned fixtures. With --write what was found goes into case.toml as drawn structures that you confirm, with their uncertainty: a
canal in place of what asked for it, a wall as an STL file beside case.toml. A plan that
is sealed in the file of --series is left as it is.`,
		examples: []string{
			"plumbline anatomy --report anatomy.html demo/C-101",
			"cp -r demo/C-102 looked-at",
			"plumbline anatomy --write --series looked-at.jsonl looked-at",
		},
	}, &anatomyOptions{})
}

func (o *anatomyOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.write, "write", false, "enter what was found into case.toml, as confirmed by you")
	f.StringVar(&o.series, "series", "", "the series `FILE` in which the plan is sealed or will be, with --write")
	f.StringVar(&o.report, "report", "", "write it with pictures to `FILE` (.html or .pdf)")
	addOverwrite(f, &o.files)
	o.scan.Names = scan.Names{SeriesUID: "--pre-series", SliceSpacing: "--slice-spacing"}
	f.StringVar(&o.scan.SeriesUID, "pre-series", "", "Series Instance `UID` of the planning scan, where there are several")
	sliceSpacing(f, &o.scan.SliceSpacing)
}

func (o *anatomyOptions) Check(args []string) (err error) {
	if o.path, err = oneArgument(args, "CASE", "anatomy"); err != nil {
		return err
	}
	if ending := strings.ToLower(filepath.Ext(o.report)); o.report != "" && ending != ".html" && ending != ".pdf" {
		return usage("report %s: the name says what to write; end it in .html or .pdf", o.report)
	}
	if o.write && o.series == "" {
		return usage("--series is missing; name the file in which the plan is sealed or will be, as in: plumbline anatomy --write --series my-series.jsonl %s", o.path)
	}
	return nil
}

func (o *anatomyOptions) Run(_ context.Context, env Env) error {
	c, err := casefile.ReadPlan(o.path)
	if err != nil {
		return badInput(err)
	}
	if o.write {
		l, err := openLedger(env, o.series)
		if err != nil {
			return err
		}
		if state := l.Case(c.Name); state != nil && len(state.Sealed) > 0 {
			return usage("the plan of %s is sealed in %s and is left as it is; a plan that is changed after sealing is shown as changed in every report", c.Name, o.series)
		}
	}
	o.files.Reads(casefile.Files(o.path)...)
	if err := mayWrite(&o.files, o.report, reportFile(o.report)); err != nil {
		return err
	}
	text, err := os.ReadFile(c.File)
	if err != nil {
		return err
	}
	pre, err := scan.Open(c.Pre, o.scan)
	if err != nil {
		return badInput(fmt.Errorf("planning scan: %w", err))
	}
	p, err := measure.CheckPlan(c, pre, env.Now().Format(time.DateOnly))
	if err != nil {
		return badInput(err)
	}
	options := reports.Options{Numbering: c.Numbering}
	if err := env.print(reports.Anatomy(p, options)); err != nil {
		return err
	}
	if o.report != "" {
		d, err := reports.AnatomyReport(p, options)
		if err != nil {
			return err
		}
		if err := writeReport(&o.files, o.report, d, reports.A4, filing.Filing{}); err != nil {
			return err
		}
		printable.Fprintf(env.Stdout, "\n")
		tellWritten(env.Stdout, o.report)
	}
	if o.write {
		printable.Fprintf(env.Stdout, "\n")
		if err := o.enter(env, c, text, p, pre.Grid); err != nil {
			return err
		}
	}
	return doubtful(p.AllFlags())
}

// wallFile is the wall of a cavity that was found.
var wallFile = output.Kind{Name: "surface", Own: func(f *os.File) bool {
	head := make([]byte, len(wallNote))
	n, _ := f.Read(head)
	return n == len(head) && string(head) == wallNote
}}

// wallNote heads the file of a wall.
const wallNote = "wall found in a planning scan, mm"

// enter writes what was found into the case file.
func (o *anatomyOptions) enter(env Env, c *casefile.Case, text []byte, p *measure.Planned, pre volume.Grid) error {
	folder := filepath.Dir(c.File)
	var drawn []casefile.Structure
	for _, f := range p.Canals {
		if f.Why != nil {
			continue
		}
		st := f.Plan
		st.Find, st.Through, st.Path = "", nil, nil
		for _, q := range f.Plan.Path {
			st.Path = append(st.Path, hundredths(c.Frame.FromLPS(q, pre)))
		}
		st.Radius = slices.Clone(st.Radius)
		for i, r := range st.Radius {
			st.Radius[i] = hundredth(r)
		}
		st.DrawnUncertainty = hundredth(st.DrawnUncertainty)
		drawn = append(drawn, st)
	}
	for _, s := range p.Sites {
		for _, f := range s.Found {
			st := f.Plan
			if taken := slices.ContainsFunc(drawn, func(d casefile.Structure) bool { return d.Name == st.Name }); st.Find == "" || taken {
				name, _, _ := strings.Cut(st.Name, " (")
				st.Name = fmt.Sprintf("%s at %s", name, s.Plan.Site)
			}
			st.Find, st.DrawnUncertainty = "", hundredth(st.DrawnUncertainty)
			st.Surface = strings.ReplaceAll(st.Name, " ", "-") + ".stl"
			wall := &trimesh.Mesh{Triangles: f.Wall.Triangles}
			for _, v := range f.Wall.Vertices {
				wall.Vertices = append(wall.Vertices, c.Frame.FromLPS(v, pre))
			}
			file := filepath.Join(folder, st.Surface)
			if err := writeFile(&o.files, file, wallFile, bytesOf(trimesh.EncodeSTL(wallNote, wall))); err != nil {
				return err
			}
			tellWritten(env.Stdout, file)
			drawn = append(drawn, st)
		}
	}
	if len(drawn) == 0 {
		printable.Fprintf(env.Stdout, "nothing was found, and %s is left as it is\n", c.File)
		return nil
	}
	text, err := casefile.WithStructures(c.File, text, drawn)
	if err != nil {
		return badInput(err)
	}
	if err := atomicfile.WriteBytes(c.File, text); err != nil {
		return unwritten(err)
	}
	for _, st := range drawn {
		printable.Fprintf(env.Stdout, "entered %q into %s as drawn\n", st.Name, c.File)
	}
	return nil
}

// hundredth is a coordinate to a hundredth of a millimetre, finer than what is found.
func hundredth(mm float64) float64 { return math.Round(100*mm) / 100 }

func hundredths(p geom.Vec) geom.Vec {
	return geom.Vec{X: hundredth(p.X), Y: hundredth(p.Y), Z: hundredth(p.Z)}
}
