package cli

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/output"
	"plumbline/internal/printable"
	reports "plumbline/internal/report"
	"plumbline/internal/report/reviewpack"
)

// packOptions say what to pack, or which archive to check.
type packOptions struct {
	check, relative bool
	layout          layoutOptions
	today           string
	series, archive string
	scans           []string
	files           output.Run

	folders map[string]string // of cases, by name
}

func packCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "pack SERIES FILE.zip", short: "put a series, reports and proofs into an archive for peer review",
		long: `Writes a first page that says what the series shows, what it cannot show, and what was
withdrawn, left out, sealed late or changed; the series' report, the report and
measurement of every case, the tidy table, the series file with its chain of hashes, a
manifest and a README in plain words into one zip archive. With --scans, cuts through the
scans and the check of the alignment, made from the case folders, stand beside the report
of each case; a case whose scans are not there is packed without, and that is said. The
scans themselves are not packed. Persons appear under their pseudonyms only. --check reads such an
archive and says whether it is as it was packed; exit status 3 says that it is not. It
makes every report, measurement and table anew from the series file in the archive and
compares them byte for byte; where another version of the program wrote them and they
differ, it names them, and the status is 3 too. It takes at most ` + strconv.Itoa(reviewpack.Memory) + ` MB of memory, whatever the archive holds.`,
		examples: []string{
			"plumbline pack my-series.jsonl review.zip",
			"plumbline pack --overwrite --scans demo my-series.jsonl review.zip",
			"plumbline pack --relative-dates my-series.jsonl blinded.zip",
			"plumbline pack --check review.zip",
		},
	}, &packOptions{})
}

func (o *packOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.check, "check", false, "check an archive instead of writing one")
	grouped(f, "What is written", func(f *pflag.FlagSet) {
		addOverwrite(f, &o.files)
		f.BoolVar(&o.relative, "relative-dates", false, "give dates as days since the first surgery, and leave the series file out")
		f.StringArrayVar(&o.scans, "scans", nil, "take pictures from the case folder or the cases in `FOLDER`; may be given again")
		addToday(f, &o.today)
		o.layout.addNumbering(f, "tooth numbers in the reports")
		o.layout.addPaper(f)
	})
}

func (o *packOptions) Check(args []string) (err error) {
	if o.check {
		o.archive, err = oneArgument(args, "FILE.zip", "pack")
		return err
	}
	if err := o.layout.check(); err != nil {
		return err
	}
	if len(args) != 2 {
		return usage("give the series file and the archive to write, as in: plumbline pack series.jsonl review.zip")
	}
	if !strings.EqualFold(filepath.Ext(args[1]), ".zip") {
		return usage("archive %s: end its name in .zip", args[1])
	}
	o.series, o.archive = args[0], args[1]
	o.files.Reads(o.series)
	if o.folders, err = findCases(o.scans); err != nil {
		return err
	}
	return checkToday(o.today)
}

func (o *packOptions) Run(_ context.Context, env Env) error {
	if o.check {
		return checkPack(env, o.archive)
	}
	if err := mayWrite(&o.files, o.archive, packFile); err != nil {
		return err
	}
	options := reviewpack.Options{
		RelativeDates: o.relative, Today: dayOf(o.today, env), Version: env.Version,
		Numbering: o.layout.system(), Paper: o.layout.size(), CheckLine: checkLine,
	}
	bar := newProgress(env)
	pictured := &pictures{folders: o.folders, options: reports.Options{Numbering: o.layout.system()}, version: env.Version}
	if len(o.folders) > 0 {
		done := 0
		pictured.show = func(name string) {
			bar.show("taking pictures of "+name, float64(done)/float64(len(o.folders)))
			done = min(done+1, len(o.folders))
		}
		options.Pictures = pictured.of
	}
	files, err := reviewpack.Make(o.series, options)
	bar.end()
	if err != nil {
		return badInput(err)
	}
	if err := writeFile(&o.files, o.archive, packFile, func(w io.Writer) error { return reviewpack.Write(w, files) }); err != nil {
		return err
	}
	for _, why := range pictured.why {
		printable.Fprintf(env.Stdout, "%s\n", why)
	}
	if len(o.folders) == 0 {
		printable.Fprintf(env.Stdout, "Packed without pictures; name the folder of the cases with --scans to have them.\n")
	}
	printable.Fprintf(env.Stdout, "wrote %s: %d files, and the manifest and SHA256SUMS that list them\ndigest %s\nGive the digest to the receiver by another way; plumbline pack --check shows it.\n", o.archive, reviewpack.Listed(files), reviewpack.Digest(files))
	return nil
}

// checkLine is the command line that checks a pack, as its README has it.
const checkLine = "plumbline pack --check FILE.zip"

// addToday declares the date that stands for the present day.
func addToday(f *pflag.FlagSet, to *string) {
	f.StringVar(to, "today", "", "`DATE` that tells surgeries to come from missed ones; left out = today")
}

func checkToday(text string) error {
	if text == "" {
		return nil
	}
	return checkDate("today", text)
}

// dayOf is a date as given, or the clock's.
func dayOf(text string, env Env) string {
	if text == "" {
		return env.Now().Format(time.DateOnly)
	}
	return text
}

// errNotSound ends a check that found faults; they are printed already.
var errNotSound = errors.New("the archive is not as it was packed")

// errNotCompared ends a check that left files open; they are named already.
var errNotCompared = errors.New("whether all of the archive is as it was packed cannot be told")

// mostFaults bounds how many faults are printed.
const mostFaults = 50

func checkPack(env Env, file string) error {
	v, err := reviewpack.Check(file, env.Version, checkLine)
	if err != nil {
		return badInput(err)
	}
	printable.Fprintf(env.Stdout, "%s: made with plumbline %s\ndigest %s\n", file, v.Program, v.Digest)
	for _, fault := range v.Faults[:min(mostFaults, len(v.Faults))] {
		printable.Fprintf(env.Stdout, "fault: %s\n", fault)
	}
	if n := len(v.Faults) - mostFaults; n > 0 {
		printable.Fprintf(env.Stdout, "fault: and %d more\n", n)
	}
	printable.Fprintf(env.Stdout, "%d of %d files that the manifest lists are as they were packed\n", v.Files, v.Listed)
	for _, finding := range v.Findings {
		printable.Fprintf(env.Stdout, "%s\n", finding)
	}
	switch {
	case !v.Sound():
		return &statusError{InDoubt, errNotSound}
	case v.Open:
		return &statusError{InDoubt, errNotCompared}
	}
	return nil
}
