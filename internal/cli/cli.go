// Package cli is the command line: one file a command, errors as one sentence
// that says what is wrong, where, and what to do, and the exit status.
//
// Start with Run. Exit status: 0 done; 1 anything that is not the input's fault;
// 2 bad usage or bad input, nothing measured; 3 measured but not to be relied
// on, the flags say why; 130 stopped by Ctrl-C.
package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/spf13/pflag"

	"plumbline/internal/parallel"
	reports "plumbline/internal/report"
)

// Exit statuses.
const (
	Done        = 0
	Failed      = 1
	BadInput    = 2
	InDoubt     = 3
	Interrupted = 130
)

// Env is what the program touches of the world besides files.
type Env struct {
	Stdout, Stderr io.Writer
	Terminal       bool // Stderr is a terminal: progress may redraw its line
	Width          int  // columns of the terminal that Stdout is; 0 where it is none
	Now            func() time.Time
	// Later calls f after d unless it is cancelled before.
	Later   func(d time.Duration, f func()) (cancel func() bool)
	Version string
}

// print writes a document for the terminal.
func (e Env) print(d *reports.Document) error { return d.Text(e.Stdout, e.Width) }

// command is one command of the program.
type command struct {
	name     string
	args     string // what follows the flags, as in "CASE…"
	short    string // one line
	long     string // more, in plain words
	examples []string
	// setup declares flags and gives the function that does the work.
	setup func(f *pflag.FlagSet) func(ctx context.Context, env Env, args []string) error
}

func commands() []command {
	return []command{caseCommand(), measureCommand(), sealCommand(), seriesCommand(), reportCommand(), packCommand(), alignCommand(), scanCommand(), phantomCommand(), completionCommand()}
}

// statusError carries an exit status with its message.
type statusError struct {
	status int
	err    error
}

func (e *statusError) Error() string { return e.err.Error() }
func (e *statusError) Unwrap() error { return e.err }

// badInput marks an error as the input's fault.
func badInput(err error) error {
	if err == nil || errors.Is(err, context.Canceled) {
		return err
	}
	return &statusError{BadInput, err}
}

// faultOf marks an error as the input's fault unless the file system raised it.
func faultOf(err error) error {
	var path *fs.PathError
	var link *os.LinkError
	if errors.As(err, &path) || errors.As(err, &link) {
		return err
	}
	return badInput(err)
}

// unwritten tells that a result could not be written.
func unwritten(err error) error {
	if err == nil {
		return nil
	}
	return fmt.Errorf("%w; name a place that can be written", err)
}

// usage is an error about the command line itself.
func usage(format string, args ...any) error {
	return &statusError{BadInput, fmt.Errorf(format, args...)}
}

// errInDoubt ends a command whose figures are flagged; they are printed already.
var errInDoubt = errors.New("measured, but not to be relied on")

// Run does what the arguments, without the program's name, ask for and gives
// the exit status.
func Run(ctx context.Context, args []string, env Env) int {
	out := &output{to: env.Stdout}
	env.Stdout = out
	status := dispatch(ctx, args, env)
	if err := out.failed(); err != nil && status == Done {
		return report(env, fmt.Errorf("standard output could not be written: %w; send it elsewhere", err))
	}
	return status
}

// output remembers that what is printed did not arrive.
type output struct {
	to  io.Writer
	mu  sync.Mutex // work that is left after Ctrl-C may still print
	err error
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	n, err := o.to.Write(p)
	if err != nil {
		o.err = err
	}
	return n, err
}

func (o *output) failed() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.err
}

func dispatch(ctx context.Context, args []string, env Env) int {
	if len(args) == 0 {
		fmt.Fprint(env.Stderr, overview())
		return BadInput
	}
	switch args[0] {
	case "help", "--help", "-h":
		if len(args) > 1 && args[1] == "--man" {
			fmt.Fprint(env.Stdout, manual(env.Version))
			return Done
		}
		if len(args) > 1 && args[0] == "help" {
			if c, ok := find(args[1]); ok {
				fmt.Fprint(env.Stdout, c.help())
				return Done
			}
			return report(env, unknown(args[1]))
		}
		fmt.Fprint(env.Stdout, overview())
		return Done
	case "version", "--version":
		fmt.Fprintf(env.Stdout, "plumbline %s\n", env.Version)
		return Done
	}
	c, ok := find(args[0])
	if !ok {
		return report(env, unknown(args[0]))
	}
	flags, work := c.flags()
	if err := flags.Parse(args[1:]); err != nil {
		if errors.Is(err, pflag.ErrHelp) {
			fmt.Fprint(env.Stdout, c.help())
			return Done
		}
		return report(env, badOption(err, c.name))
	}
	return attend(ctx, env, func() error { return work(ctx, env, flags.Args()) })
}

// grace is how long work may take to end by itself after Ctrl-C.
const grace = time.Second

// attend does the work and gives its exit status. After Ctrl-C it does not wait
// for work that does not end: files take their names only when they are whole,
// so nothing half done is left under one.
func attend(ctx context.Context, env Env, work func() error) int {
	ended := make(chan int, 1)
	go func() {
		defer func() {
			if r := recover(); r != nil {
				stack := debug.Stack()
				if p, ok := r.(*parallel.Panic); ok {
					stack = p.Stack
				}
				fmt.Fprintf(env.Stderr, "plumbline: an error inside the program (%v); nothing was measured. Please report it with the lines below.\n%s", r, stack)
				ended <- Failed
			}
		}()
		ended <- report(env, work())
	}()
	select {
	case status := <-ended:
		return status
	case <-ctx.Done():
	}
	select {
	case status := <-ended:
		return status
	case <-time.After(grace):
		return report(env, ctx.Err())
	}
}

// badOption says what is wrong with an option.
func badOption(err error, command string) error {
	var missing *pflag.NotExistError
	var empty *pflag.ValueRequiredError
	var invalid *pflag.InvalidValueError
	what := err.Error()
	switch {
	case errors.As(err, &missing):
		name := "--" + missing.GetSpecifiedName()
		if missing.GetSpecifiedShortnames() != "" {
			name = name[1:]
		}
		what = fmt.Sprintf("there is no option %s", name)
	case errors.As(err, &empty):
		what = fmt.Sprintf("--%s needs a value", empty.GetSpecifiedName())
	case errors.As(err, &invalid):
		kind := map[string]string{"uint64": "a whole number from 0 up", "float64": "a number", "bool": "true or false"}[invalid.GetFlag().Value.Type()]
		what = fmt.Sprintf("--%s is %q, expected %s", invalid.GetFlag().Name, invalid.GetValue(), kind)
	}
	return usage("%s; see plumbline %s --help", what, command)
}

func (c command) flags() (*pflag.FlagSet, func(context.Context, Env, []string) error) {
	f := pflag.NewFlagSet(c.name, pflag.ContinueOnError)
	f.SetOutput(io.Discard)
	f.Usage = func() {}
	f.SortFlags = false
	return f, c.setup(f)
}

func find(name string) (command, bool) {
	all := commands()
	if i := slices.IndexFunc(all, func(c command) bool { return c.name == name }); i >= 0 {
		return all[i], true
	}
	return command{}, false
}

func unknown(name string) error {
	names := []string{}
	for _, c := range commands() {
		names = append(names, c.name)
	}
	return usage("there is no command %q; the commands are %s", name, strings.Join(names, ", "))
}

// report prints an error and gives its exit status.
func report(env Env, err error) int {
	var s *statusError
	switch {
	case err == nil:
		return Done
	case errors.Is(err, errInDoubt):
		return InDoubt
	case errors.Is(err, context.Canceled):
		fmt.Fprintln(env.Stderr, "plumbline: stopped; what was written is kept.")
		return Interrupted
	case errors.As(err, &s):
		fmt.Fprintln(env.Stderr, "plumbline: "+sentence(err))
		return s.status
	}
	fmt.Fprintln(env.Stderr, "plumbline: "+sentence(err))
	return Failed
}

// sentence ends a message with a full stop.
func sentence(err error) string {
	s := strings.TrimRight(err.Error(), " \n")
	if strings.HasSuffix(s, ".") || strings.Contains(s, "\n") {
		return s
	}
	return s + "."
}

// exits are the exit statuses and what they mean.
var exits = []struct {
	status int
	means  string
}{
	{Done, "done"},
	{Failed, "failed for a reason that is not the input's, such as a full disk"},
	{BadInput, "bad usage or bad input; nothing was measured"},
	{InDoubt, "measured, but not to be relied on; the flags say why"},
	{Interrupted, "stopped by Ctrl-C; what was written is kept"},
}

func statuses() string {
	var b strings.Builder
	b.WriteString("Exit status\n")
	for _, e := range exits {
		fmt.Fprintf(&b, "  %-3d  %s\n", e.status, e.means)
	}
	return b.String()
}

const environment = `No variable changes a figure. GOMAXPROCS is the number of processor cores to use, and
GOMEMLIMIT the memory to aim at, as in 2GiB. Nothing is printed in colour. Progress is
drawn on one line on a terminal, and told in a line a step elsewhere.
`

const caution = `An audit aid for people who are licensed to place fixtures. It is not a device for
diagnosis or for deciding on treatment. A follow-up scan is taken for a clinical
reason, never for an audit alone. Local codes and licensed judgement come first.
`

const purpose = "measure how far a placed dental fixture lies from its plan"

func overview() string {
	var b strings.Builder
	b.WriteString("plumbline: " + purpose + "\n\nUsage\n  plumbline COMMAND …\n\nCommands\n")
	line := func(name, what string) { fmt.Fprintf(&b, "  %-10s  %s\n", name, what) }
	for _, c := range commands() {
		line(c.name, c.short)
	}
	line("help", "what a command does, as in: plumbline help measure;")
	line("", "plumbline help --man prints a manual page")
	line("version", "which plumbline this is")
	b.WriteString("\nTo try it\n  plumbline phantom --demo demo\n  plumbline measure --report C-101.html demo/C-101\n")
	b.WriteString("\n" + statuses() + "\nEnvironment\n  " + strings.ReplaceAll(strings.TrimSpace(environment), "\n", "\n  ") + "\n\n" + caution)
	return b.String()
}

func (c command) help() string {
	flags, _ := c.flags()
	var b strings.Builder
	options := ""
	if flags.HasFlags() {
		options = "[options] "
	}
	fmt.Fprintf(&b, "plumbline %s: %s\n\nUsage\n  plumbline %s %s%s\n\n%s\n", c.name, c.short, c.name, options, c.args, strings.TrimSpace(c.long))
	if flags.HasFlags() {
		b.WriteString("\nOptions\n")
		flags.VisitAll(func(f *pflag.Flag) { b.WriteString(usageOf(f)) })
	}
	b.WriteString("\nExamples\n")
	for _, e := range c.examples {
		b.WriteString("  " + e + "\n")
	}
	b.WriteString("\n" + statuses())
	return b.String()
}

// usageOf is an option in two lines: its name and value, and what it does.
func usageOf(f *pflag.Flag) string {
	head, text := optionOf(f)
	return "  " + head + "\n        " + text + "\n"
}

// optionOf gives an option's name and value, and what it does.
func optionOf(f *pflag.Flag) (head, text string) {
	value, text := pflag.UnquoteUsage(f)
	head = "--" + f.Name
	switch f.Value.Type() {
	case "bool":
		return head, text
	case "string":
		value = strings.ToUpper(value)
	}
	if f.DefValue != "" && f.DefValue != "0" {
		text += " (default " + f.DefValue + ")"
	}
	return head + " " + value, text
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
