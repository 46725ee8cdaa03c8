package cli

import (
	"context"

	"github.com/spf13/pflag"

	"plumbline/internal/dicom/scan"
)

func scanCommand() command {
	return command{
		name: "scan", args: "FOLDER", short: "describe a scan: what is there and what would be measured",
		long: `Reads a scan as measure would: a folder, one multi-frame file, or a zip archive.
Shows the series that are there, the volume's size, spacing and directions, and
anything odd about it. Nothing of the patient is shown but what file names say.`,
		examples: []string{"plumbline scan demo/C-101/post", "plumbline scan --json demo/C-101/pre"},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			asJSON := f.Bool("json", false, "print JSON instead of text, with the digest that results and reports name")
			o := scan.Options{Names: scan.Names{SeriesUID: "--series", SliceSpacing: "--slice-spacing"}}
			f.StringVar(&o.SeriesUID, "series", "", "Series Instance `UID` to take, where there are several")
			f.Float64Var(&o.SliceSpacing, "slice-spacing", 0, "`MM` between slices, for a multi-frame file that does not say it")
			return func(_ context.Context, env Env, args []string) error {
				path, err := oneArgument(args, "FOLDER", "scan")
				if err != nil {
					return err
				}
				d, err := scan.Describe(path, o)
				if err != nil {
					return badInput(err)
				}
				if *asJSON {
					d.Digest()
					err = printJSON(env.Stdout, d)
				} else {
					err = d.WriteText(env.Stdout)
				}
				if err == nil && d.Problem != "" {
					return usage("%s holds no volume that can be measured; the reason stands above", path)
				}
				return err
			}
		},
	}
}
