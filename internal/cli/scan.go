package cli

import (
	"context"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/printable"
)

// scanOptions say which scan to describe, and how.
type scanOptions struct {
	json bool
	read scan.Options
	path string
}

func scanCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "scan FOLDER", short: "describe a scan: what is there and what would be measured",
		long: `Reads a scan as measure would: a folder, one multi-frame file, or a zip archive.
Shows the series that are there, the volume's size, spacing and directions, and
anything odd about it. Nothing of the patient is shown but what file names say.`,
		examples: []string{"plumbline scan demo/C-101/post", "plumbline scan --json demo/C-101/pre"},
	}, &scanOptions{})
}

func (o *scanOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.json, "json", false, "print JSON instead of text, with the digest that results and reports name")
	grouped(f, "How the scan is read", func(f *pflag.FlagSet) {
		o.read.Names = scan.Names{SeriesUID: "--series", SliceSpacing: "--slice-spacing"}
		f.StringVar(&o.read.SeriesUID, "series", "", "Series Instance `UID` to take, where there are several")
		sliceSpacing(f, &o.read.SliceSpacing)
	})
}

// sliceSpacing declares the distance between the slices of a scan.
func sliceSpacing(f *pflag.FlagSet, to *float64) {
	f.Float64Var(to, "slice-spacing", 0, "`MM` between slices, for a multi-frame file that does not say it")
}

func (o *scanOptions) Check(args []string) (err error) {
	o.path, err = oneArgument(args, "FOLDER", "scan")
	return err
}

func (o *scanOptions) Run(_ context.Context, env Env) error {
	d, err := scan.Describe(o.path, o.read)
	if err != nil {
		return badInput(err)
	}
	if o.json {
		d.Digest()
		err = printable.WriteJSON(env.Stdout, d)
	} else {
		err = d.WriteText(env.Stdout)
	}
	if err == nil && d.Problem != "" {
		return usage("%s holds no volume that can be measured; the reason stands above", o.path)
	}
	if err != nil {
		return err
	}
	return doubtful(d.Flags)
}
