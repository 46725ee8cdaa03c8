package cli

import (
	"context"
	"fmt"
	"path/filepath"
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

Kinds of case: ` + strings.Join(classes, ", ") + ".",
		examples: []string{"plumbline phantom --demo demo", "plumbline phantom --seed 7 --class easy phantom-7"},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			seed := f.Uint64("seed", 1, "`N` that the case is drawn from; the same N gives the same case")
			class := f.String("class", string(phantom.Everyday), "kind of case")
			voxel := f.Float64("voxel", 0, "`MM` of voxel edge of both scans in place of the kind's own; coarser is quicker")
			field := f.Float64("field", 0, "`MM` of field of view of both scans in place of the kind's own; smaller is quicker")
			demo := f.Bool("demo", false, "make the demo's cases, each in a folder of DIR, instead of one")
			return func(ctx context.Context, env Env, args []string) error {
				dir, err := oneArgument(args, "DIR", "phantom")
				if err != nil {
					return err
				}
				p := newProgress(env)
				defer p.end()
				if !*demo {
					spec, err := phantom.Random(*seed, phantom.Class(*class))
					if err != nil {
						return badInput(err)
					}
					for _, c := range []*phantom.Scan{&spec.Pre, &spec.Post} {
						if *voxel != 0 {
							c.Voxel, c.Slice = *voxel, 0
						}
						if *field != 0 {
							c.Width, c.Height = *field, min(c.Height, *field)
						}
					}
					if err := spec.Check(); err != nil {
						return badInput(err)
					}
					p.show("making "+dir, 0)
					if err := phantom.Write(dir, spec); err != nil {
						return err
					}
					fmt.Fprintf(env.Stdout, "made %s; measure it with: plumbline measure %s\n", dir, dir)
					return nil
				}
				specs := phantom.Demo()
				for i, s := range specs {
					if ctx.Err() != nil {
						return ctx.Err()
					}
					into := filepath.Join(dir, s.Case)
					p.show("making "+into, float64(i)/float64(len(specs)))
					if err := phantom.Write(into, s); err != nil {
						return err
					}
					fmt.Fprintf(env.Stdout, "made %s\n", into)
				}
				return nil
			}
		},
	}
}
