package cli

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// shells are those that completion is written for, and what writes it.
var shells = []struct {
	name  string
	write func(root *cobra.Command, w io.Writer) error
}{
	{"bash", func(root *cobra.Command, w io.Writer) error { return root.GenBashCompletionV2(w, true) }},
	{"fish", func(root *cobra.Command, w io.Writer) error { return root.GenFishCompletion(w, true) }},
	{"powershell", func(root *cobra.Command, w io.Writer) error { return root.GenPowerShellCompletionWithDesc(w) }},
	{"zsh", func(root *cobra.Command, w io.Writer) error { return root.GenZshCompletion(w) }},
}

func shellNames() []string {
	var names []string
	for _, s := range shells {
		names = append(names, s.name)
	}
	return names
}

// completionOptions say for which shell.
type completionOptions struct {
	command *cobra.Command // the command itself, in the tree
	write   func(root *cobra.Command, w io.Writer) error
}

func completionCommand(env Env) *cobra.Command {
	o := &completionOptions{}
	o.command = newCommand(env, page{
		use: "completion SHELL", short: "let the shell complete commands, options and their values",
		long: `Prints a script for SHELL, which is bash, fish, powershell or zsh. For every new shell
to have it, let the shell read the script when it starts. In bash it needs the package
bash-completion, which most systems have.

  bash        add to ~/.bashrc:  source <(plumbline completion bash)
  zsh         add to ~/.zshrc:   source <(plumbline completion zsh)
  fish        plumbline completion fish
              > ~/.config/fish/completions/plumbline.fish
  powershell  add to $PROFILE:
              plumbline completion powershell | Out-String | Invoke-Expression`,
		examples: []string{"plumbline completion bash > plumbline.bash"},
		follows:  shellNames(),
	}, o)
	return o.command
}

func (o *completionOptions) AddFlags(*pflag.FlagSet) {}

func (o *completionOptions) Check(args []string) error {
	name, err := oneArgument(args, "SHELL", "completion")
	if err != nil {
		return err
	}
	for _, s := range shells {
		if s.name == name {
			o.write = s.write
			return nil
		}
	}
	return usage("there is no completion for %q; the shells are %s", name, strings.Join(shellNames(), ", "))
}

func (o *completionOptions) Run(_ context.Context, env Env) error {
	var script bytes.Buffer
	if err := o.write(o.command.Root(), &script); err != nil {
		return err
	}
	fmt.Fprint(env.Stdout, script.String())
	return nil
}
