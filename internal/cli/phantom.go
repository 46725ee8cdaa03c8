package cli

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/phantom"
	"plumbline/internal/printable"
)

// phantomOptions say what to make, and where.
type phantomOptions struct {
	seed         uint64
	class        string
	voxel, field float64 // mm; 0 is the class's own
	surface      string
	both         bool // a follow-up scan beside the surface scan
	demo         bool
	overwrite    bool
	folder       string

	flags *pflag.FlagSet // tells which were given
}

// classNames are the kinds of synthetic case.
func classNames() []string {
	var names []string
	for _, c := range phantom.Classes {
		names = append(names, string(c))
	}
	return names
}

// surfaceNames are the kinds of surface scan.
func surfaceNames() []string {
	var names []string
	for _, c := range phantom.SurfaceClasses {
		names = append(names, string(c))
	}
	return names
}

func phantomCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "phantom DIR", short: "make a synthetic case with a known truth, to try the program on",
		long: `Writes case folders with two synthetic cone-beam scans, case.toml and truth.json:
an invented jaw with teeth, canal or sinus and a fixture, blurred, noisy and
streaky, the head turned between the scans. A phantom is simpler than a patient:
its bone has no fine structure of its own, its fixtures are round, and its scanner
has no scatter of a real detector. It shows that the arithmetic is right, not how
well a particular machine sees a particular patient.

KIND is one of ` + strings.Join(classNames(), ", ") + `.

With --surface the follow-up is a scan of the mouth's surface with a scan body on
the fixture, and there is one from before surgery: crowns, gum and scan body with
a scanner's noise, holes and bending. The crowns are smooth bodies, the gum is a
ridge; there is no saliva.
SURFACE is one of ` + strings.Join(surfaceNames(), ", ") + ".",
		examples: []string{"plumbline phantom --demo demo", "plumbline phantom --seed 7 --class easy phantom-7", "plumbline phantom --surface usual phantom-s"},
	}, &phantomOptions{})
}

func (o *phantomOptions) AddFlags(f *pflag.FlagSet) {
	o.flags = f
	f.BoolVar(&o.demo, "demo", false, "make the demo in DIR: four cases, and a series of simulated figures")
	f.BoolVar(&o.overwrite, "overwrite", false, "replace an earlier phantom in DIR although it is another one or was changed; never a file that is none of its own")
	grouped(f, "One case", func(f *pflag.FlagSet) {
		f.Uint64Var(&o.seed, "seed", 1, "`N` that the case is drawn from; the same N gives the same case")
		choice(f, &o.class, "class", string(phantom.Everyday), "draw a `KIND` of case", phantom.Classes...)
		choice(f, &o.surface, "surface", "", "draw a `SURFACE` scan in place of the follow-up scan", phantom.SurfaceClasses...)
		f.BoolVar(&o.both, "both", false, "with --surface: make the follow-up scan as well")
	})
	grouped(f, "Size", func(f *pflag.FlagSet) {
		f.Float64Var(&o.voxel, "voxel", 0, "edge of a voxel, `MM`, in place of the kind's own; coarser is quicker")
		f.Float64Var(&o.field, "field", 0, "field of view, `MM`, in place of the kind's own; smaller is quicker")
	})
}

func (o *phantomOptions) Check(args []string) (err error) {
	if o.folder, err = oneArgument(args, "DIR", "phantom"); err != nil {
		return err
	}
	if !slices.Contains(classNames(), o.class) {
		return usage("there is no kind of case %q; the kinds are %s", o.class, strings.Join(classNames(), ", "))
	}
	if info, err := os.Stat(o.folder); err == nil && !info.IsDir() {
		return usage("%s is a file; name a new or an empty folder", o.folder)
	}
	if o.surface != "" && !slices.Contains(surfaceNames(), o.surface) {
		return usage("there is no kind of surface scan %q; the kinds are %s", o.surface, strings.Join(surfaceNames(), ", "))
	}
	if o.surface != "" && o.flags.Changed("class") {
		return usage("--surface draws cases of its own; leave --class out")
	}
	if o.both && o.surface == "" {
		return usage("--both goes with --surface; name a kind of surface scan: %s", strings.Join(surfaceNames(), ", "))
	}
	if o.demo && (o.surface != "" || o.flags.Changed("seed") || o.flags.Changed("class")) {
		return usage("--demo makes cases of its own; leave --seed, --class and --surface out")
	}
	return nil
}

func (o *phantomOptions) Run(ctx context.Context, env Env) error {
	specs := phantom.Demo()
	if !o.demo {
		spec, err := o.draw()
		if err != nil {
			return badInput(err)
		}
		specs = []phantom.Spec{spec}
	}
	for i := range specs {
		resize(&specs[i], o.voxel, o.field)
		if err := specs[i].Check(); err != nil {
			return badInput(err)
		}
	}
	write := func(dir string, s phantom.Spec) error {
		if o.overwrite {
			return phantom.Overwrite(dir, s)
		}
		err := phantom.Write(dir, s)
		if changed := new(phantom.ChangedError); errors.As(err, &changed) && !changed.Beside {
			return usage("%w, or replace it with --overwrite", err)
		}
		return err
	}
	into := func(s phantom.Spec) string {
		if o.demo {
			return filepath.Join(o.folder, s.Case)
		}
		return o.folder
	}
	if err := writePhantoms(ctx, env, specs, into, write); err != nil {
		return err
	}
	if o.demo {
		return makeDemoSeries(env, o.folder)
	}
	return nil
}

// draw is one case.
func (o *phantomOptions) draw() (phantom.Spec, error) {
	if o.surface == "" {
		return phantom.Random(o.seed, phantom.Class(o.class))
	}
	spec, surface, err := phantom.RandomSurface(o.seed, phantom.SurfaceClass(o.surface))
	surface.Before, surface.Alone = true, !o.both
	spec.Surface = &surface
	return spec, err
}

// writePhantoms makes cases, each in its folder; an error says what to do.
func writePhantoms(ctx context.Context, env Env, specs []phantom.Spec, into func(phantom.Spec) string, write func(string, phantom.Spec) error) error {
	p := newProgress(env)
	defer p.end()
	for i, s := range specs {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		folder := into(s)
		p.show("making "+folder, float64(i)/float64(len(specs)))
		if err := write(folder, s); err != nil {
			return faultOf(err)
		}
		p.clear()
		printable.Fprintf(env.Stdout, "made %s; measure it with: plumbline measure %s\n", folder, folder)
	}
	return nil
}

// resize sets the voxel edge and the field of view of both scans, mm; 0 leaves
// them as they are.
func resize(s *phantom.Spec, voxel, field float64) {
	for _, c := range []*phantom.Scan{&s.Pre, &s.Post} {
		if voxel != 0 {
			c.Voxel, c.Slice = voxel, 0
		}
		if field != 0 {
			c.Width, c.Height = field, min(c.Height, field)
		}
	}
}
