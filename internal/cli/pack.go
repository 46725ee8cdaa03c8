package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"github.com/spf13/pflag"

	"plumbline/internal/atomicfile"
	"plumbline/internal/report/reviewpack"
	"plumbline/internal/tooth"
)

func packCommand() command {
	return command{
		name: "pack", args: "SERIES FILE.zip", short: "put a series with its reports and proofs into one archive for peer review",
		long: `Writes the series' report, the report and measurement of every case, the tidy table,
the series file with its chain of hashes, a manifest and a README in plain words into
one zip archive. Persons appear under their pseudonyms only. --check reads such an
archive and says whether it is as it was packed; exit status 3 says that it is not.`,
		examples: []string{
			"plumbline pack my-series.jsonl review.zip",
			"plumbline pack --relative-dates my-series.jsonl blinded.zip",
			"plumbline pack --check review.zip",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			var r reportFlags
			relative := f.Bool("relative-dates", false, "give dates as days since the first surgery, and leave the series file out")
			check := f.Bool("check", false, "check an archive instead of writing one")
			r.add(f)
			numbering := f.String("numbering", string(tooth.ISO3950), "tooth numbers in the reports, `SYSTEM`: iso3950 or universal")
			today := f.String("today", "", "`DATE` that tells surgeries to come from missed ones; left out = today")
			return func(_ context.Context, env Env, args []string) error {
				if *check {
					file, err := oneArgument(args, "FILE.zip", "pack")
					if err != nil {
						return err
					}
					return checkPack(env, file)
				}
				system, err := numberingOf(*numbering)
				if err != nil {
					return err
				}
				paper, err := r.size()
				if err != nil {
					return err
				}
				if len(args) != 2 {
					return usage("give the series file and the archive to write, as in: plumbline pack series.jsonl review.zip")
				}
				if !strings.EqualFold(filepath.Ext(args[1]), ".zip") {
					return usage("archive %s: end its name in .zip", args[1])
				}
				day, err := dayOf(*today, env)
				if err != nil {
					return err
				}
				files, err := reviewpack.Make(args[0], reviewpack.Options{RelativeDates: *relative, Today: day, Version: env.Version, Numbering: system, Paper: paper, CheckLine: checkLine})
				if err != nil {
					return badInput(err)
				}
				if err := unwritten(atomicfile.Write(args[1], func(w io.Writer) error { return reviewpack.Write(w, files) })); err != nil {
					return err
				}
				fmt.Fprintf(env.Stdout, "wrote %s with %d files\ndigest %s\nGive the digest to the receiver by another way; plumbline pack --check shows it.\n", args[1], len(files), reviewpack.Digest(files))
				return nil
			}
		},
	}
}

// checkLine is the command line that checks a pack, as its README has it.
const checkLine = "plumbline pack --check FILE.zip"

// dayOf reads a date, or takes the clock's.
func dayOf(text string, env Env) (string, error) {
	if text == "" {
		return env.Now().Format(time.DateOnly), nil
	}
	if _, err := time.Parse(time.DateOnly, text); err != nil {
		return "", usage("--today is %q, expected a date as in 2026-03-14", text)
	}
	return text, nil
}

// errNotSound ends a check that found faults; they are printed already.
var errNotSound = errors.New("the archive is not as it was packed")

func checkPack(env Env, file string) error {
	v, err := reviewpack.Check(file, env.Version)
	if err != nil {
		return badInput(err)
	}
	fmt.Fprintf(env.Stdout, "%s: made with plumbline %s\ndigest %s\n", file, v.Manifest.Program, v.Digest)
	for _, fault := range v.Faults {
		fmt.Fprintf(env.Stdout, "fault: %s\n", fault)
	}
	fmt.Fprintf(env.Stdout, "%d of %d files are as they were packed\n", v.Files, len(v.Manifest.Files))
	for _, finding := range v.Findings {
		fmt.Fprintln(env.Stdout, finding)
	}
	if !v.Sound() {
		return &statusError{InDoubt, errNotSound}
	}
	return nil
}
