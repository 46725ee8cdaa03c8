// Package cli is the command line: one file a command, errors as one sentence
// that says what is wrong, where, and what to do, and the exit status.
//
// Start with Run. newRoot has the tree of commands; each command has an options
// struct that declares its flags (AddFlags), refuses what cannot be done (Check)
// and does the work (Run). Exit status: 0 done; 1 anything that is not the input's fault;
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
	"strings"
	"sync"
	"time"

	"plumbline/internal/dicom/scan"
	"plumbline/internal/parallel"
	"plumbline/internal/printable"
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
	// Columns of the terminals that Stdout and Stderr are; 0 where one is none.
	Width, StderrWidth int
	Now                func() time.Time
	// Later calls f after d unless it is cancelled before.
	Later   func(d time.Duration, f func()) (cancel func() bool)
	Version string
	// Mouse: the program was opened with the mouse, or something was dropped on it.
	Mouse bool
}

// print writes a document for the terminal.
func (e Env) print(d *reports.Document) error { return d.Text(e.Stdout, e.Width) }

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
	out := &printed{to: env.Stdout}
	env.Stdout = out
	if env.Mouse {
		args = withMouse(args)
		printable.Fprintf(out, "This window belongs to plumbline: closing it ends the program. Your cases open in the browser.\n\n")
	}
	status := attend(ctx, env, func() error { return newRoot(env, args).ExecuteContext(ctx) })
	if err := out.failed(); err != nil && status == Done {
		return report(env, fmt.Errorf("standard output could not be written: %w; send it elsewhere", err))
	}
	return status
}

// withMouse is what is meant by opening the program with the mouse, or by dropping a
// folder on it: to see the cases.
func withMouse(args []string) []string { return append([]string{"open"}, args...) }

// printed remembers that what is printed did not arrive.
type printed struct {
	to  io.Writer
	mu  sync.Mutex // work that is left after Ctrl-C may still print
	err error
}

func (p *printed) Write(text []byte) (int, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	n, err := p.to.Write(text)
	if err != nil {
		p.err = err
	}
	return n, err
}

func (p *printed) failed() error {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.err
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
				printable.Fprintf(env.Stderr, "plumbline: an error inside the program (%v); nothing was measured. Please report it with the lines below.\n", r)
				_, _ = env.Stderr.Write(stack)
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

// statusOf is the exit status that an error stands for.
func statusOf(err error) int {
	var s *statusError
	if errors.As(err, &s) {
		return s.status
	}
	return Failed
}

// report prints an error and gives its exit status.
func report(env Env, err error) int {
	switch {
	case err == nil:
		return Done
	case errors.Is(err, errNoCommand):
		return BadInput
	case errors.Is(err, errInDoubt):
		return InDoubt
	case errors.Is(err, context.Canceled):
		printable.Fprintf(env.Stderr, "plumbline: stopped; what was written is kept.\n")
		return Interrupted
	}
	tell(env.Stderr, "plumbline: ", err)
	return statusOf(err)
}

// tell prints an error as a sentence behind what it is about. What is read from
// outside begins no line in it: only the items of a list do.
func tell(out io.Writer, about string, err error) {
	var list *scan.ListError
	if !errors.As(err, &list) {
		printable.Fprintf(out, "%s%s\n", about, sentence(err))
		return
	}
	printable.Fprintf(out, "%s%s\n", about, strings.Replace(err.Error(), list.Error(), list.Message, 1))
	for _, item := range list.Items {
		printable.Fprintf(out, "  %s\n", item)
	}
}

// sentence ends a message with a full stop, unless it is a question.
func sentence(err error) string {
	s := strings.TrimRight(err.Error(), " \n")
	if strings.HasSuffix(s, ".") || strings.HasSuffix(s, "?") {
		return s
	}
	return s + "."
}
