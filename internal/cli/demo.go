package cli

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/cobra"

	"plumbline/internal/phantom"
	"plumbline/internal/printable"
)

// demoOptions are those of open, on the demo's folder.
type demoOptions struct{ openOptions }

func demoCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "demo [FOLDER]", short: "try the program on invented cases, in the browser",
		long: `Makes the demo in FOLDER, which left out is plumbline-demo in your documents: some
invented cases with synthetic scans, and a series of fifty simulated ones. Then it opens
the page on it, as open does. Nothing in it is of a patient, and your own cases are not in
that folder. A demo that is there already is shown with all that you did to it.`,
		examples: []string{"plumbline demo", "plumbline demo --no-browser demo"},
	}, &demoOptions{})
}

func (o *demoOptions) Check(args []string) error {
	if err := o.openOptions.Check(args); err != nil || len(args) > 0 {
		return err
	}
	folder, err := inDocuments(demoFolder, "plumbline demo my-demo")
	o.folder = folder
	return err
}

func (o *demoOptions) Run(ctx context.Context, env Env) error {
	if err := o.checkFolder(); err != nil {
		return err
	}
	if err := makeDemo(ctx, env, o.folder); err != nil {
		return err
	}
	return o.show(ctx, env)
}

// makeDemo makes what is missing of the demo in a folder; what is there stays as it is,
// also where it was worked on. A folder of other files is refused, so that invented cases
// do not come among a patient's.
func makeDemo(ctx context.Context, env Env, folder string) error {
	var missing []phantom.Spec
	for _, s := range phantom.Demo() {
		if !phantom.IsWhole(filepath.Join(folder, s.Case)) {
			missing = append(missing, s)
		}
	}
	entries, err := os.ReadDir(folder)
	if err == nil && len(entries) > 0 && len(missing) == len(phantom.Demo()) {
		return usage("%s has files that are not the demo's; name a new folder, as in: plumbline demo my-demo", folder)
	}
	if len(missing) > 0 {
		printable.Fprintf(env.Stdout, "The demo is being made in %s. It takes about a minute, once.\n", folder)
	}
	if err := writePhantoms(ctx, env, missing, func(s phantom.Spec) string { return filepath.Join(folder, s.Case) }, phantom.Write); err != nil {
		return err
	}
	if _, err := os.Stat(filepath.Join(folder, demoSeries)); !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return makeDemoSeries(env, folder)
}
