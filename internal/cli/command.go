package cli

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	reports "plumbline/internal/report"
)

func init() {
	// The order of commands is that of use: plan, measure, look back.
	cobra.EnableCommandSorting = false
	// Somebody who opens the program with the mouse gets the page; see withMouse.
	cobra.MousetrapHelpText = ""
}

// options are what one command is told.
type options interface {
	// AddFlags declares the flags, with their defaults.
	AddFlags(f *pflag.FlagSet)
	// Check takes what follows the flags. It refuses what cannot be done before
	// any work is begun.
	Check(args []string) error
	// Run does the work.
	Run(ctx context.Context, env Env) error
}

// page is what the help of a command says besides its flags.
type page struct {
	use      string // the name and what follows the flags, as in "measure CASE…"
	short    string // one line
	long     string // more, in plain words; an indented line keeps its indent
	examples []string
	follows  []string // words that may follow, where it is no file
}

// newCommand makes a command of its page and its options.
func newCommand(env Env, p page, o options) *cobra.Command {
	c := &cobra.Command{
		Use: p.use, Short: p.short, Long: strings.TrimSpace(p.long), Example: strings.Join(p.examples, "\n"),
		ValidArgs: p.follows,
		Args:      func(_ *cobra.Command, args []string) error { return o.Check(args) },
		RunE:      func(c *cobra.Command, _ []string) error { return o.Run(c.Context(), env) },
	}
	c.Flags().SortFlags = false
	o.AddFlags(c.Flags())
	completeValues(c)
	return c
}

// newGroup makes a command that has others below it and does nothing itself.
// missing is the error where none of them is named.
func newGroup(p page, missing func(c *cobra.Command) error, below ...*cobra.Command) *cobra.Command {
	c := &cobra.Command{
		Use: p.use, Short: p.short, Long: strings.TrimSpace(p.long), Example: strings.Join(p.examples, "\n"),
		// What is said of an unknown command comes before what is said of its flags.
		FParseErrWhitelist: cobra.FParseErrWhitelist{UnknownFlags: true},
		Args: func(c *cobra.Command, args []string) error {
			if len(args) > 0 {
				return unknownCommand(c, args[0])
			}
			return nil
		},
		RunE: func(c *cobra.Command, _ []string) error { return missing(c) },
	}
	c.AddCommand(below...)
	return c
}

// errNoCommand ends a run without a command; the overview is printed already.
var errNoCommand = errors.New("no command is named")

// newRoot makes the whole tree of commands. given are the arguments of this run.
func newRoot(env Env, given []string) *cobra.Command {
	version := false
	root := newGroup(page{use: "plumbline", short: purpose}, func(c *cobra.Command) error {
		switch {
		case version:
			writeVersion(env)
			return nil
		case len(given) > 0:
			return unknownOption(c, given[0], strings.TrimLeft(given[0], "-"))
		}
		fmt.Fprint(env.Stderr, help(c, width(env.Width)))
		return errNoCommand
	},
		openCommand(env), demoCommand(env), caseCommand(env), anatomyCommand(env), measureCommand(env), sealCommand(env), seriesCommand(env), poolCommand(env), reportCommand(env), packCommand(env),
		alignCommand(env), scanCommand(env), phantomCommand(env), completionCommand(env), versionCommand(env))
	root.SetHelpCommand(helpCommand(env))
	root.SetHelpFunc(func(c *cobra.Command, _ []string) { fmt.Fprint(env.Stdout, help(c, width(env.Width))) })
	root.PersistentFlags().BoolP("help", "h", false, "what the command does")
	root.Flags().BoolVar(&version, "version", false, "which plumbline this is")
	root.SetFlagErrorFunc(badOption)
	root.CompletionOptions.DisableDefaultCmd = true // completion is one of ours
	root.SilenceErrors, root.SilenceUsage = true, true
	root.SetArgs(append([]string{}, given...)) // nil would be the arguments of the process
	root.SetOut(env.Stdout)
	root.SetErr(env.Stderr)
	root.InitDefaultHelpCmd()
	return root
}

// grouped declares flags under a heading of the help.
func grouped(f *pflag.FlagSet, heading string, declare func(f *pflag.FlagSet)) {
	group := pflag.NewFlagSet(heading, pflag.ContinueOnError)
	group.SortFlags = false
	declare(group)
	group.VisitAll(func(flag *pflag.Flag) { annotate(flag, headingKey, heading) })
	f.AddFlagSet(group)
}

// Keys of what is noted on a flag: the heading that it stands under, and the
// values that it takes where they are few.
const (
	headingKey = "heading"
	valuesKey  = "values"
)

func annotate(flag *pflag.Flag, key string, values ...string) {
	if flag.Annotations == nil {
		flag.Annotations = map[string][]string{}
	}
	flag.Annotations[key] = values
}

// choice declares a flag that takes one of a few values.
func choice[T ~string](f *pflag.FlagSet, to *string, name, otherwise, usage string, values ...T) {
	f.StringVar(to, name, otherwise, usage)
	var words []string
	for _, v := range values {
		words = append(words, string(v))
	}
	annotate(f.Lookup(name), valuesKey, words...)
}

// completeValues tells the shells what may follow each flag: one of a few words,
// a file, or what only the user knows.
func completeValues(c *cobra.Command) {
	c.Flags().VisitAll(func(flag *pflag.Flag) {
		directive := cobra.ShellCompDirectiveNoFileComp
		switch placeholder, _ := pflag.UnquoteUsage(flag); placeholder {
		case "FILE", "FOLDER", "OUT":
			directive = cobra.ShellCompDirectiveDefault
		}
		if err := c.RegisterFlagCompletionFunc(flag.Name, cobra.FixedCompletions(flag.Annotations[valuesKey], directive)); err != nil {
			panic(err) // twice the same flag: a fault of this package
		}
	})
}

// didYouMean is the end of a sentence about a name that is not known, where the
// command has commands below it of nearly that name; else "".
func didYouMean(c *cobra.Command, name, prefix string) string {
	c.SuggestionsMinimumDistance = suggestWithin
	near := c.SuggestionsFor(name)
	if name == "" || len(near) == 0 {
		return ""
	}
	for i := range near {
		near[i] = prefix + near[i]
	}
	return "; did you mean " + strings.Join(near, " or ") + "?"
}

// suggestWithin is the edit distance, in letters, up to which a name is taken for
// a mistyped one: the library's own.
const suggestWithin = 2

func unknownCommand(c *cobra.Command, name string) error {
	typed := strings.TrimPrefix(c.CommandPath()+" "+name, c.Root().Name()+" ")
	if near := didYouMean(c, name, ""); near != "" {
		return usage("there is no command %q%s", typed, near)
	}
	names := commandNames(c)
	if len(names) == 0 {
		return usage("there is no command %q; see %s --help", typed, c.CommandPath())
	}
	return usage("there is no command %q; the commands are %s", typed, strings.Join(names, ", "))
}

// commandNames are the commands below one, in the order of the help.
func commandNames(c *cobra.Command) []string {
	var names []string
	for _, below := range c.Commands() {
		if !below.Hidden {
			names = append(names, below.Name())
		}
	}
	return names
}

// unknownOption says that a command has no such option, as typed.
func unknownOption(c *cobra.Command, typed, name string) error {
	// The library finds near names among commands, so the options are made some.
	options := &cobra.Command{}
	c.Flags().VisitAll(func(flag *pflag.Flag) {
		options.AddCommand(&cobra.Command{Use: flag.Name, Run: func(*cobra.Command, []string) {}})
	})
	if near := didYouMean(options, name, "--"); near != "" {
		return usage("there is no option %s%s", typed, near)
	}
	return usage("there is no option %s; see %s --help", typed, c.CommandPath())
}

// badOption says what is wrong with an option.
func badOption(c *cobra.Command, err error) error {
	var missing *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	what := err.Error()
	switch {
	case errors.As(err, &missing):
		typed := "--" + missing.GetSpecifiedName()
		if missing.GetSpecifiedShortnames() != "" {
			typed = typed[1:]
		}
		return unknownOption(c, typed, missing.GetSpecifiedName())
	case errors.As(err, &empty):
		what = fmt.Sprintf("--%s needs a value", empty.GetSpecifiedName())
	case errors.As(err, &invalid):
		kind := map[string]string{"uint64": "a whole number from 0 up", "float64": "a number", "bool": "true or false"}[invalid.GetFlag().Value.Type()]
		what = fmt.Sprintf("--%s is %q, expected %s", invalid.GetFlag().Name, invalid.GetValue(), kind)
	}
	return usage("%s; see %s --help", what, c.CommandPath())
}

// oneArgument gives the single argument of a command.
func oneArgument(args []string, what, command string) (string, error) {
	switch {
	case len(args) == 0 || len(args) == 1 && args[0] == "":
		return "", usage("%s is missing; see plumbline %s --help", what, command)
	case len(args) == 1:
		return args[0], nil
	}
	return "", usage("one %s at a time, not %d; put a name with spaces in quotes", what, len(args))
}

// topics are what help prints that is about no command.
var topics = []struct {
	name, short string
	document    func() *reports.Document
}{
	{"words", "what the words of page, reports and commands mean", reports.Words},
	{"accuracy", "how well alignment, pose and intervals were found to hold", reports.Accuracy},
	{"flags", "the codes of all flags and what they mean", reports.Codes},
}

// helpOptions say what to help with.
type helpOptions struct {
	command *cobra.Command // the help command itself, in the tree
	about   *cobra.Command
	topic   func() *reports.Document
	manual  bool
}

func helpCommand(env Env) *cobra.Command {
	o := &helpOptions{}
	o.command = newCommand(env, page{
		use: "help [COMMAND|words|accuracy]", short: "what a command does, what a word means, how well it measures",
		long: `Says what a command does, or what there is. words prints what the words of the page, the
reports and the commands mean, and accuracy how well alignment, pose and intervals were
found to hold. The manual page is for man, and has every command.`,
		examples: []string{"plumbline help measure", "plumbline help series show", "plumbline help words", "plumbline help accuracy", "plumbline help flags", "plumbline help --man > plumbline.1"},
	}, o)
	o.command.ValidArgsFunction = func(c *cobra.Command, args []string, typed string) ([]cobra.Completion, cobra.ShellCompDirective) {
		about, rest, err := c.Root().Find(args)
		if err != nil || len(rest) > 0 {
			return nil, cobra.ShellCompDirectiveNoFileComp
		}
		var out []cobra.Completion
		for _, below := range about.Commands() {
			if !below.Hidden && strings.HasPrefix(below.Name(), typed) {
				out = append(out, cobra.CompletionWithDesc(below.Name(), below.Short))
			}
		}
		for _, topic := range topics {
			if !about.HasParent() && strings.HasPrefix(topic.name, typed) {
				out = append(out, cobra.CompletionWithDesc(topic.name, topic.short))
			}
		}
		return out, cobra.ShellCompDirectiveNoFileComp
	}
	return o.command
}

func (o *helpOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.manual, "man", false, "print the manual page, for man")
}

func (o *helpOptions) Check(args []string) error {
	for _, topic := range topics {
		if len(args) == 1 && args[0] == topic.name {
			o.topic = topic.document
			return nil
		}
	}
	about, rest, err := o.command.Root().Find(args)
	if err != nil {
		return err
	}
	if len(rest) > 0 {
		return unknownCommand(about, rest[0])
	}
	o.about = about
	return nil
}

func (o *helpOptions) Run(_ context.Context, env Env) error {
	if o.topic != nil && !o.manual {
		return env.print(o.topic())
	}
	text := help(o.about, width(env.Width))
	if o.manual {
		text = manual(o.command.Root(), env.Version)
	}
	fmt.Fprint(env.Stdout, text)
	return nil
}
