package cli

import (
	"context"
	"fmt"
	"image"
	"image/png"
	"io"
	"slices"

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	reports "plumbline/internal/report"
	"plumbline/internal/report/drawing"
)

func alignCommand() command {
	return command{
		name: "align", args: "CASE", short: "bring the two scans of a case together and show how well",
		long: `Does the alignment alone: prints post_to_pre, the rigid transform that carries a
point of the follow-up scan into the planning scan, with the error to expect at
each planned fixture. --picture writes a check picture: the follow-up scan's edges as
orange lines over the planning scan, in three planes through the planned fixture.
Where the lines run along the planning scan's own bone and roots, it is right.`,
		examples: []string{"plumbline align demo/C-101", "plumbline align --picture alignment.png demo/C-101"},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			asJSON := f.Bool("json", false, "print JSON instead of text")
			picture := f.String("picture", "", "write the check picture to `FILE` (PNG)")
			o := scanFlags(f)
			return func(_ context.Context, env Env, args []string) error {
				path, err := oneArgument(args, "CASE", "align")
				if err != nil {
					return err
				}
				p := newProgress(env)
				o.Version, o.Progress = env.Version, p.show
				in, err := measure.Open(path, *o)
				if err != nil {
					p.end()
					return badInput(err)
				}
				al, err := measure.Align(in, *o)
				p.end()
				if err != nil {
					return badInput(err)
				}
				flags := slices.Concat(in.Flags, al.Flags)
				if *asJSON {
					err = printJSON(env.Stdout, measurement.Alignment{Method: al.Method, PostToPre: al.PostToPre.Matrix(), Quality: al.Quality, Flags: flags})
				} else {
					fmt.Fprintf(env.Stdout, "post_to_pre, row major, by %s:\n", al.Method)
					m := al.PostToPre.Matrix()
					for row := range 4 {
						fmt.Fprintf(env.Stdout, "  %12.8f %12.8f %12.8f %12.6f\n", m[4*row], m[4*row+1], m[4*row+2], m[4*row+3])
					}
					if al.Cov != nil {
						for _, fx := range in.Plan.Fixtures {
							fmt.Fprintf(env.Stdout, "site %s: error to expect %.3f mm at entry, %.3f mm at apex (root mean square)\n",
								fx.Site, al.ExpectedTRE(fx.Planned.Entry), al.ExpectedTRE(fx.Planned.Apex))
						}
					}
					if len(flags) > 0 {
						fmt.Fprintln(env.Stdout)
						err = env.print(reports.Flags(flags))
					}
				}
				if err != nil {
					return err
				}
				if *picture != "" {
					fx := in.Plan.Fixtures[0]
					img := drawing.AlignmentPicture(in.View(), in.Observed.View(*al), fx.Planned)
					if err := writePNG(*picture, img); err != nil {
						return err
					}
				}
				return doubtful(flags)
			}
		},
	}
}

func writePNG(path string, img image.Image) error {
	return unwritten(atomicfile.Write(path, func(w io.Writer) error { return png.Encode(w, img) }))
}

// scanFlags declares the options that every command with two scans has.
func scanFlags(f *pflag.FlagSet) *measure.Options {
	o := &measure.Options{Names: measure.Names{PreSeries: "--pre-series", PostSeries: "--post-series", SliceSpacing: "--slice-spacing"}}
	f.StringVar(&o.PreSeries, "pre-series", "", "Series Instance `UID` of the planning scan, where there are several")
	f.StringVar(&o.PostSeries, "post-series", "", "Series Instance `UID` of the follow-up scan, where there are several")
	f.Float64Var(&o.SliceSpacing, "slice-spacing", 0, "`MM` between slices, for a multi-frame file that does not say it")
	f.BoolVar(&o.SameFrame, "force-same-frame", false, "take method same-frame although the scans share no frame; flagged")
	return o
}

// doubtful turns flags of doubt into the exit status for it.
func doubtful(flags []measurement.Flag) error {
	for _, f := range flags {
		if f.Level == measurement.Doubt {
			return errInDoubt
		}
	}
	return nil
}
