package cli

import (
	"context"
	_ "embed"
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"plumbline/internal/printable"
)

// notices are the licences of all that is linked into the program, as make
// notices gathers them.
//
//go:embed notices.txt
var notices string

// versionOptions say what to print of the program itself.
type versionOptions struct {
	notices bool
}

func versionCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "version", short: "which plumbline this is",
		long: `Prints the version, which every measurement and report names too. --notices prints the
licences of the libraries and fonts that the program is built from.`,
		examples: []string{"plumbline version", "plumbline version --notices > notices.txt"},
	}, &versionOptions{})
}

func (o *versionOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.notices, "notices", false, "print the licences of the libraries and fonts in the program")
}

func (o *versionOptions) Check(args []string) error {
	if len(args) > 0 {
		return usage("version takes nothing after it, not %q", args[0])
	}
	return nil
}

func (o *versionOptions) Run(_ context.Context, env Env) error {
	if o.notices {
		fmt.Fprint(env.Stdout, notices)
		return nil
	}
	writeVersion(env)
	return nil
}

func writeVersion(env Env) { printable.Fprintf(env.Stdout, "plumbline %s\n", env.Version) }
