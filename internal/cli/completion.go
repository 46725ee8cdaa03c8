package cli

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"maps"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/phantom"
	"plumbline/internal/tooth"
)

// shells are those that completion is written for.
var shells = map[string]func(io.Writer, []offer){"bash": bash, "zsh": zsh, "fish": fish, "powershell": powershell}

func shellNames() []string { return slices.Sorted(maps.Keys(shells)) }

func completionCommand() command {
	return command{
		name: "completion", args: "SHELL", short: "let the shell complete commands, options and their values",
		long: `Prints a script for SHELL, which is bash, fish, powershell or zsh. For every new shell
to have it, let the shell read the script when it starts:

  bash        add to ~/.bashrc:   source <(plumbline completion bash)
  zsh         add to ~/.zshrc:    source <(plumbline completion zsh)
  fish        plumbline completion fish > ~/.config/fish/completions/plumbline.fish
  powershell  add to $PROFILE:    plumbline completion powershell | Out-String | iex`,
		examples: []string{"plumbline completion bash > plumbline.bash"},
		setup: func(*pflag.FlagSet) func(context.Context, Env, []string) error {
			return func(_ context.Context, env Env, args []string) error {
				name, err := oneArgument(args, "SHELL", "completion")
				if err != nil {
					return err
				}
				script, ok := shells[name]
				if !ok {
					return usage("there is no completion for %q; the shells are %s", name, strings.Join(shellNames(), ", "))
				}
				script(env.Stdout, offers())
				return nil
			}
		},
	}
}

// offer is what can be typed after a command's name.
type offer struct {
	name, short string
	first       []string // instead of a file
	options     []option
}

type option struct {
	name, text string
	value      bool
	values     []string // none means a file, or what only the user knows
}

// choices are the values of options that have few.
func choices(name string) []string {
	switch name {
	case "numbering":
		return []string{string(tooth.ISO3950), string(tooth.Universal)}
	case "frame":
		return []string{"lps", "ras", "corner"}
	case "guidance":
		return []string{"full-guide", "pilot-guide", "freehand", "navigated"}
	case "paper":
		return []string{"a4", "letter"}
	case "class":
		var out []string
		for _, c := range phantom.Classes {
			out = append(out, string(c))
		}
		return out
	}
	return nil
}

func offers() []offer {
	var names []string
	var out []offer
	for _, c := range commands() {
		names = append(names, c.name)
		o := offer{name: c.name, short: c.short}
		switch c.name {
		case "series":
			for _, a := range actions() {
				o.first = append(o.first, a.name)
			}
		case "completion":
			o.first = shellNames()
		}
		flags, _ := c.flags()
		flags.VisitAll(func(f *pflag.Flag) {
			_, text := pflag.UnquoteUsage(f)
			o.options = append(o.options, option{f.Name, text, f.Value.Type() != "bool", choices(f.Name)})
		})
		o.options = append(o.options, option{name: "help", text: "what the command does"})
		out = append(out, o)
	}
	return append(out, offer{name: "help", short: "what a command does", first: names},
		offer{name: "version", short: "which plumbline this is"})
}

// names are the words of a list of options, as typed.
func (o offer) names() []string {
	var out []string
	for _, x := range o.options {
		out = append(out, "--"+x.name)
	}
	return out
}

// valued are the options with a few values, by name, of all commands.
func valued(list []offer) []option {
	known := map[string]option{}
	for _, o := range list {
		for _, x := range o.options {
			if x.values != nil {
				known[x.name] = x
			}
		}
	}
	return slices.SortedFunc(maps.Values(known), func(a, b option) int { return cmp.Compare(a.name, b.name) })
}

func commandNames(list []offer) []string {
	var out []string
	for _, o := range list {
		out = append(out, o.name)
	}
	return out
}

func bash(w io.Writer, list []offer) {
	fmt.Fprint(w, "_plumbline() {\n  local now=\"${COMP_WORDS[COMP_CWORD]}\" before=\"${COMP_WORDS[COMP_CWORD-1]}\" options='' first='' offered=''\n  case \"${COMP_WORDS[1]}\" in\n")
	for _, o := range list {
		fmt.Fprintf(w, "    %s) options='%s' first='%s' ;;\n", o.name, strings.Join(o.names(), " "), strings.Join(o.first, " "))
	}
	fmt.Fprintf(w, "  esac\n  if (( COMP_CWORD == 1 )); then\n    offered='%s'\n  else\n    case \"$before\" in\n", strings.Join(commandNames(list), " "))
	for _, x := range valued(list) {
		fmt.Fprintf(w, "      --%s) offered='%s' ;;\n", x.name, strings.Join(x.values, " "))
	}
	fmt.Fprint(w, `      *) if [[ "$now" == -* ]]; then offered="$options"; elif (( COMP_CWORD == 2 )); then offered="$first"; fi ;;
    esac
  fi
  COMPREPLY=($(compgen -W "$offered" -- "$now"))
}
complete -o default -o bashdefault -F _plumbline plumbline
`)
}

func zsh(w io.Writer, list []offer) {
	// In an entry of _arguments and _describe these have a meaning of their own.
	plain := strings.NewReplacer("'", `'\''`, ":", `\:`, "[", `\[`, "]", `\]`)
	fmt.Fprint(w, "#compdef plumbline\n_plumbline() {\n  if (( CURRENT == 2 )); then\n    local -a commands=(\n")
	for _, o := range list {
		fmt.Fprintf(w, "      '%s:%s'\n", o.name, plain.Replace(o.short))
	}
	fmt.Fprint(w, "    )\n    _describe command commands\n    return\n  fi\n  shift words\n  (( CURRENT-- ))\n  case $words[1] in\n")
	for _, o := range list {
		fmt.Fprintf(w, "    %s) _arguments", o.name)
		for _, x := range o.options {
			fmt.Fprintf(w, " \\\n      '--%s[%s]%s'", x.name, plain.Replace(x.text), zshValue(x))
		}
		if o.first != nil {
			fmt.Fprintf(w, " \\\n      '1: :(%s)'", strings.Join(o.first, " "))
		}
		fmt.Fprint(w, " \\\n      '*:file:_files' ;;\n")
	}
	fmt.Fprint(w, "  esac\n}\nif [[ $funcstack[1] == _plumbline ]]; then _plumbline \"$@\"; else compdef _plumbline plumbline; fi\n")
}

func zshValue(x option) string {
	switch {
	case !x.value:
		return ""
	case x.values != nil:
		return fmt.Sprintf(":%s:(%s)", x.name, strings.Join(x.values, " "))
	}
	return ":" + x.name + ":_files"
}

func fish(w io.Writer, list []offer) {
	plain := strings.NewReplacer(`\`, `\\`, "'", `\'`)
	for _, o := range list {
		fmt.Fprintf(w, "complete -c plumbline -n __fish_use_subcommand -f -a %s -d '%s'\n", o.name, plain.Replace(o.short))
	}
	for _, o := range list {
		seen := fmt.Sprintf("complete -c plumbline -n '__fish_seen_subcommand_from %s", o.name)
		if o.first != nil {
			all := strings.Join(o.first, " ")
			fmt.Fprintf(w, "%s; and not __fish_seen_subcommand_from %s' -a '%s'\n", seen, all, all)
		}
		for _, x := range o.options {
			value := ""
			switch {
			case x.values != nil:
				value = fmt.Sprintf(" -x -a '%s'", strings.Join(x.values, " "))
			case x.value:
				value = " -r"
			}
			fmt.Fprintf(w, "%s' -l %s%s -d '%s'\n", seen, x.name, value, plain.Replace(x.text))
		}
	}
}

func powershell(w io.Writer, list []offer) {
	quoted := func(words []string) string {
		out := make([]string, len(words))
		for i, word := range words {
			out[i] = "'" + word + "'"
		}
		return "@(" + strings.Join(out, ", ") + ")"
	}
	fmt.Fprint(w, "Register-ArgumentCompleter -Native -CommandName plumbline -ScriptBlock {\n  param($now, $line, $cursor)\n  $options = @{\n")
	for _, o := range list {
		fmt.Fprintf(w, "    '%s' = %s\n", o.name, quoted(o.names()))
	}
	fmt.Fprint(w, "  }\n  $first = @{\n")
	for _, o := range list {
		if o.first != nil {
			fmt.Fprintf(w, "    '%s' = %s\n", o.name, quoted(o.first))
		}
	}
	fmt.Fprint(w, "  }\n  $values = @{\n")
	for _, x := range valued(list) {
		fmt.Fprintf(w, "    '--%s' = %s\n", x.name, quoted(x.values))
	}
	fmt.Fprintf(w, `  }
  $typed = @($line.CommandElements | ForEach-Object { "$_" })
  $at = $typed.Count - [int]($now -ne '')
  $offered = @()
  if ($at -eq 1) { $offered = %s }
  elseif ($values.ContainsKey($typed[$at - 1])) { $offered = $values[$typed[$at - 1]] }
  elseif ($now -like '-*') { $offered = $options[$typed[1]] }
  elseif ($at -eq 2) { $offered = $first[$typed[1]] }
  $offered | Where-Object { $_ -like "$now*" } | ForEach-Object { [System.Management.Automation.CompletionResult]::new($_) }
}
`, quoted(commandNames(list)))
}
