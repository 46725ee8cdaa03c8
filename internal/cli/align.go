package cli

import (
	"context"
	"io"
	"slices"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/measure"
	"plumbline/internal/measurement"
	"plumbline/internal/output"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/printable"
	"plumbline/internal/registration"
	reports "plumbline/internal/report"
	"plumbline/internal/report/drawing"
)

// alignOptions say which case to align, and what to print and to write.
type alignOptions struct {
	json    bool
	picture string
	files   output.Run
	scans   measure.Options
	path    string
}

func alignCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "align CASE", short: "bring the two scans of a case together and show how well",
		long: `Does the alignment alone: prints post_to_pre, the rigid transform that carries a
point of the follow-up scan into the planning scan, with the error to expect at
each planned fixture. --picture writes a check picture: the follow-up scan's edges as
light lines over the planning scan, in three planes through the planned fixture.
Where the lines run along the planning scan's own bone and roots, it is right.`,
		examples: []string{"plumbline align demo/C-101", "plumbline align --picture alignment.png demo/C-101"},
	}, &alignOptions{})
}

func (o *alignOptions) AddFlags(f *pflag.FlagSet) {
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		f.BoolVar(&o.json, "json", false, "print JSON instead of text")
		f.StringVar(&o.picture, "picture", "", "write the check picture to `FILE` (PNG)")
		addOverwrite(f, &o.files)
	})
	addScanFlags(f, &o.scans)
}

func (o *alignOptions) Check(args []string) (err error) {
	o.path, err = oneArgument(args, "CASE", "align")
	return err
}

func (o *alignOptions) Run(_ context.Context, env Env) error {
	o.files.Reads(casefile.Files(o.path)...)
	if err := mayWrite(&o.files, o.picture, pictureFile); err != nil {
		return err
	}
	p := newProgress(env)
	o.scans.Version, o.scans.Progress = env.Version, p.show
	in, err := measure.Open(o.path, o.scans)
	if err != nil {
		p.end()
		return badInput(err)
	}
	al, err := measure.Align(in, o.scans)
	p.end()
	if err != nil {
		return badInput(err)
	}
	flags := slices.Concat(in.Flags, al.Flags)
	if o.json {
		stated := al.Alignment()
		stated.Flags = flags
		if err := printable.WriteJSON(env.Stdout, stated); err != nil {
			return err
		}
	} else {
		writeAlignment(env.Stdout, in, al)
		if len(flags) > 0 {
			printable.Fprintf(env.Stdout, "\n")
			if err := env.print(reports.Flags(flags)); err != nil {
				return err
			}
		}
	}
	if o.picture != "" {
		fx := in.Plan.Fixtures[0]
		scene := drawing.Scene{Shown: in.Observed.View(*al), Site: fx.Site, Planned: fx.Planned}
		img := scene.AlignmentPicture(in.View())
		if err := writeFile(&o.files, o.picture, pictureFile, func(w io.Writer) error { return drawing.WritePNG(w, img) }); err != nil {
			return err
		}
		if !o.json {
			tellWritten(env.Stdout, o.picture)
		}
	}
	return doubtful(flags)
}

// writeAlignment prints a transform, and the error to expect where it is known.
func writeAlignment(out io.Writer, in *measure.Inputs, al *registration.Result) {
	printable.Fprintf(out, "post_to_pre, row major, by %s:\n", al.Method)
	m := al.PostToPre.Matrix()
	for row := range 4 {
		printable.Fprintf(out, "  %12.8f %12.8f %12.8f %12.6f\n", m[4*row], m[4*row+1], m[4*row+2], m[4*row+3])
	}
	if al.Cov != nil {
		for _, fx := range in.Plan.Fixtures {
			printable.Fprintf(out, "site %s: error to expect %.3f mm at entry, %.3f mm at apex (root mean square)\n",
				fx.Site, al.ExpectedTRE(fx.Planned.Entry), al.ExpectedTRE(fx.Planned.Apex))
		}
	}
}

// addScanFlags declares the options that every command with two scans has.
func addScanFlags(f *pflag.FlagSet, o *measure.Options) {
	o.Names = measure.Names{PreSeries: "--pre-series", PostSeries: "--post-series", SliceSpacing: "--slice-spacing"}
	grouped(f, "How the scans are read", func(f *pflag.FlagSet) {
		f.StringVar(&o.PreSeries, "pre-series", "", "Series Instance `UID` of the planning scan, where there are several")
		f.StringVar(&o.PostSeries, "post-series", "", "Series Instance `UID` of the follow-up scan, where there are several")
		sliceSpacing(f, &o.SliceSpacing)
		f.BoolVar(&o.SameFrame, "force-same-frame", false, "take method same-frame although the scans share no frame; flagged")
	})
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
