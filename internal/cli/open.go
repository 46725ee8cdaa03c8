package cli

import (
	"context"
	"log/slog"
	"os"
	"path/filepath"

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
	home, err := os.UserHomeDir()
	if err != nil {
		return usage("your documents cannot be found (%v); name the folder, as in: plumbline open my-cases", err)
	}
	o.folder = filepath.Join(home, "Documents", "plumbline")
	return nil
}

func (o *openOptions) Run(ctx context.Context, env Env) error {
	if info, err := os.Stat(o.folder); err == nil && !info.IsDir() {
		return usage("%s is a file; name the folder of your cases", o.folder)
	}
	folder, err := practice.Open(o.folder)
	if err != nil {
		return unwritten(err)
	}
	defer folder.Close()
	server, err := loopback.Listen(int(o.port))
	if err != nil {
		return badInput(err)
	}
	p := shown.New(shown.Options{Folder: folder, Presence: server.Presence, Now: env.Now, Version: env.Version,
		CheckLine: checkLine, Log: slog.New(slog.NewTextHandler(env.Stderr, nil))})
	printable.Fprintf(env.Stdout, "Your cases in %s are shown at\n", folder.Path())
	printable.Fprintf(env.Stdout, "  %s\n", server.Address())
	printable.Fprintf(env.Stdout, "for this computer alone. It ends when the page is closed; or press Ctrl-C.\n")
	if !o.noBrowser && !loopback.Show(server.Address()) {
		printable.Fprintf(env.Stdout, "No browser was found: open the address in one.\n")
	}
	return server.Serve(ctx, p.Handler())
}
