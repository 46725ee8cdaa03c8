package cli

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/phantom"
)

func phantomCommand() command {
	classes := []string{}
	for _, c := range phantom.Classes {
		classes = append(classes, string(c))
	}
	return command{
		name: "phantom", args: "DIR", short: "make a synthetic case with a known truth, to try the program on",
		long: `Writes case folders with two synthetic cone-beam scans, case.toml and truth.json:
an invented jaw with teeth, canal or sinus and a fixture, blurred, noisy and
streaky, the head turned between the scans. A phantom is simpler than a patient:
its bone has no fine structure of its own, its fixtures are round, and its scanner
has no scatter of a real detector. It shows that the arithmetic is right, not how
well a particular machine sees a particular patient.

KIND is one of ` + strings.Join(classes[:6], ", ") + ",\n" + strings.Join(classes[6:], ", ") + ".",
		examples: []string{"plumbline phantom --demo demo", "plumbline phantom --seed 7 --class easy phantom-7"},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			seed := f.Uint64("seed", 1, "`N` that the case is drawn from; the same N gives the same case")
			class := f.String("class", string(phantom.Everyday), "draw a `KIND` of case")
			voxel := f.Float64("voxel", 0, "edge of a voxel, `MM`, in place of the kind's own; coarser is quicker")
			field := f.Float64("field", 0, "field of view, `MM`, in place of the kind's own; smaller is quicker")
			demo := f.Bool("demo", false, "make the demo in DIR: three cases, and a series of simulated figures")
			return func(ctx context.Context, env Env, args []string) error {
				dir, err := oneArgument(args, "DIR", "phantom")
				if err != nil {
					return err
				}
				if !slices.Contains(classes, *class) {
					return usage("there is no kind of case %q; the kinds are %s", *class, strings.Join(classes, ", "))
				}
				if info, err := os.Stat(dir); err == nil && !info.IsDir() {
					return usage("%s is a file; name a new or an empty folder", dir)
				}
				specs := phantom.Demo()
				if *demo && (f.Changed("seed") || f.Changed("class")) {
					return usage("--demo makes cases of its own; leave --seed and --class out")
				}
				if !*demo {
					spec, err := phantom.Random(*seed, phantom.Class(*class))
					if err != nil {
						return badInput(err)
					}
					specs = []phantom.Spec{spec}
				}
				p := newProgress(env)
				defer p.end()
				for i, s := range specs {
					if ctx.Err() != nil {
						return ctx.Err()
					}
					into := dir
					if *demo {
						into = filepath.Join(dir, s.Case)
					}
					resize(&s, *voxel, *field)
					if err := s.Check(); err != nil {
						return badInput(err)
					}
					p.show("making "+into, float64(i)/float64(len(specs)))
					if err := phantom.Write(into, s); err != nil {
						return faultOf(err)
					}
					p.clear()
					fmt.Fprintf(env.Stdout, "made %s; measure it with: plumbline measure %s\n", into, into)
				}
				if *demo {
					return makeDemoSeries(env, dir)
				}
				return nil
			}
		},
	}
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
