package cli

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"
	"sync"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	shown "plumbline/internal/page"
	"plumbline/internal/page/loopback"
	"plumbline/internal/page/practice"
	"plumbline/internal/printable"
)

// openOptions say which practice folder to show, and how.
type openOptions struct {
	folder    string
	port      uint64
	noBrowser bool
}

func openCommand(env Env) *cobra.Command {
	return newCommand(env, page{
		use: "open [FOLDER]", short: "show your cases in the browser, from plan to pack, without commands",
		long: `FOLDER is your practice folder: a folder a case, and the series file. Left out, it is
plumbline in your documents; one that is not there is made. A page opens in the browser
in which a case is begun, planned, sealed, measured and entered in the series by mouse
and keys; it writes the same files as the commands. It is there for this computer and
this browser alone, by an address with a secret that works once. It ends a minute after
the last page is closed, by its button, or with Ctrl-C. On Windows the program does the
same when it is opened with the mouse, or when a folder is dropped on it.`,
		examples: []string{"plumbline open", "plumbline open --no-browser demo"},
	}, &openOptions{})
}

func (o *openOptions) AddFlags(f *pflag.FlagSet) {
	f.BoolVar(&o.noBrowser, "no-browser", false, "print the address and open no browser")
	f.Uint64Var(&o.port, "port", 0, "port `N` of 127.0.0.1; left out, one that is free")
}

func (o *openOptions) Check(args []string) (err error) {
	if o.port > 65535 {
		return usage("--port is %d, expected 0 to 65535", o.port)
	}
	if len(args) > 0 {
		o.folder, err = oneArgument(args, "FOLDER", "open")
		return err
	}
	o.folder, err = inDocuments(practiceFolder, "plumbline open my-cases")
	return err
}

// Folders in the user's documents that are proposed.
const (
	practiceFolder = "plumbline"
	demoFolder     = "plumbline-demo"
)

// inDocuments is where a folder is proposed; example is how to name another.
func inDocuments(name, example string) (string, error) {
	home, err := os.UserHomeDir()
	if err != nil {
		return "", usage("your documents cannot be found (%v); name the folder, as in: %s", err, example)
	}
	return filepath.Join(home, "Documents", name), nil
}

func (o *openOptions) Run(ctx context.Context, env Env) error {
	if err := o.checkFolder(); err != nil {
		return err
	}
	return o.show(ctx, env)
}

// checkFolder refuses what is no folder.
func (o *openOptions) checkFolder() error {
	if info, err := os.Stat(o.folder); err == nil && !info.IsDir() {
		return usage("%s is a file; name the folder of your cases", o.folder)
	}
	return nil
}

// show serves the page of the folder until it is ended, and so the page of the demo, where
// it is asked for there.
func (o *openOptions) show(ctx context.Context, env Env) error {
	var demos sync.WaitGroup
	defer demos.Wait()
	s, err := newSession(env, o.folder, int(o.port), func() (string, error) {
		folder, err := inDocuments(demoFolder, "plumbline demo my-demo")
		if err != nil {
			return "", err
		}
		if err := makeDemo(ctx, env, folder); err != nil {
			return "", err
		}
		demo, err := newSession(env, folder, 0, nil)
		if err != nil {
			return "", err
		}
		demos.Go(func() { report(env, demo.serve(ctx)) })
		return demo.server.Address(), nil
	})
	if err != nil {
		return err
	}
	printable.Fprintf(env.Stdout, "Your cases in %s are shown at\n", s.folder.Path())
	printable.Fprintf(env.Stdout, "  %s\n", s.server.Address())
	printable.Fprintf(env.Stdout, "for this computer alone. It ends when the page is closed; or press Ctrl-C.\n")
	if !o.noBrowser && !loopback.Show(s.server.Address()) {
		printable.Fprintf(env.Stdout, "No browser was found: open the address in one.\n")
	}
	return s.serve(ctx)
}

// session is one folder's page with its server.
type session struct {
	folder *practice.Folder
	server *loopback.Server
	page   *shown.Page
}

// newSession takes a port, at which nobody is answered before serve. demo makes the demo
// and gives the address of its page; nil where the page is not to offer it.
func newSession(env Env, path string, port int, demo func() (string, error)) (*session, error) {
	folder, err := practice.Open(path)
	if err != nil {
		return nil, unwritten(err)
	}
	server, err := loopback.Listen(port)
	if err != nil {
		folder.Close()
		return nil, badInput(err)
	}
	return &session{folder, server, shown.New(shown.Options{Folder: folder, Presence: server.Presence, Now: env.Now, Version: env.Version,
		CheckLine: checkLine, Demo: demo, Log: slog.New(slog.NewTextHandler(env.Stderr, nil))})}, nil
}

// serve answers until the session is ended.
func (s *session) serve(ctx context.Context) error {
	defer s.folder.Close()
	return s.server.Serve(ctx, s.page.Handler())
}
