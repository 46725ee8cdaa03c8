package cli

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// versionOptions say what to print of the program itself.
type versionOptions struct{}

func versionCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "version", short: "which plumbline this is",
		long:     `The version is in every measurement and report.`,
		examples: []string{"plumbline version"},
	}, &versionOptions{})
}

func (o *versionOptions) AddFlags(f *pflag.FlagSet) {}

func (o *versionOptions) Check(args []string) error {
	if len(args) > 0 {
		return usage("version takes nothing after it, not %q", args[0])
	}
	return nil
}

func (o *versionOptions) Run(_ context.Context, env Env) error {
	writeVersion(env)
	return nil
}

func writeVersion(env Env) { fmt.Fprintf(env.Stdout, "plumbline %s\n", env.Version) }
