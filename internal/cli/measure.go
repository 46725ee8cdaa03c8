package cli

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/pflag"

	"plumbline/internal/durable"
	"plumbline/internal/measure"
	"plumbline/internal/result"
	"plumbline/internal/tooth"
)

func measureCommand() command {
	return command{
		name: "measure", args: "CASE…", short: "measure how far each fixture of a case lies from its plan",
		long: `CASE is a folder with case.toml, a planning scan and a follow-up scan, or the case
file itself. Prints entry, apex and angular deviation with their 95 % intervals and
the clearances; --json writes the same for programs. With several cases, --json
names a folder that gets one file a case; cases measured there already with the
same inputs and the same program are not measured again, and a case that fails
does not stop the others.`,
		examples: []string{
			"plumbline measure demo/first-molar",
			"plumbline measure --json first-molar.json demo/first-molar",
			"plumbline measure --numbering universal demo/first-molar",
			"plumbline measure --json results demo/first-molar demo/second-premolar",
		},
		setup: func(f *pflag.FlagSet) func(context.Context, Env, []string) error {
			out := f.String("json", "", "write the measurement to `FILE`; with several cases, to a folder")
			numbering := f.String("numbering", string(tooth.ISO3950), "tooth numbers on the terminal: iso3950 or universal")
			o := scanFlags(f)
			return func(ctx context.Context, env Env, args []string) error {
				system := tooth.System(*numbering)
				if system != tooth.ISO3950 && system != tooth.Universal {
					return usage("--numbering %q is not known; write iso3950 or universal", *numbering)
				}
				if len(args) == 0 {
					return usage("CASE is missing; see plumbline measure --help")
				}
				o.Version = env.Version
				if len(args) > 1 {
					return measureMany(ctx, env, args, *out, system, *o)
				}
				p := newProgress(env)
				o.Progress = p.show
				s, err := measure.Case(args[0], *o)
				p.end()
				if err != nil {
					return badInput(err)
				}
				if *out != "" {
					if err := writeJSON(*out, s.Result); err != nil {
						return err
					}
				}
				if err := writeCase(env.Stdout, s.Result, system); err != nil {
					return err
				}
				if s.Result.InDoubt() {
					return errInDoubt
				}
				return nil
			}
		},
	}
}

func writeJSON(path string, v any) error {
	return durable.Write(path, func(w io.Writer) error {
		enc := json.NewEncoder(w)
		enc.SetIndent("", "  ")
		enc.SetEscapeHTML(false)
		return enc.Encode(v)
	})
}

// measureMany measures one case after the other, each on all cores, goes on
// after one that fails, and lists what failed.
func measureMany(ctx context.Context, env Env, paths []string, folder string, system tooth.System, o measure.Options) error {
	var failed []string
	doubt := false
	var rows []result.Case
	for i, path := range paths {
		if ctx.Err() != nil {
			break
		}
		p := newProgress(env)
		o.Progress = func(step string, fraction float64) {
			p.show(fmt.Sprintf("case %d of %d: %s", i+1, len(paths), step), (float64(i)+fraction)/float64(len(paths)))
		}
		c, err := measureOrReuse(path, folder, o)
		p.end()
		if err != nil {
			failed = append(failed, fmt.Sprintf("%s: %s", path, sentence(err)))
			continue
		}
		doubt = doubt || c.InDoubt()
		rows = append(rows, *c)
	}
	if err := writeCases(env.Stdout, rows, system); err != nil {
		return err
	}
	for _, f := range failed {
		fmt.Fprintln(env.Stderr, "plumbline: not measured: "+f)
	}
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case len(failed) > 0:
		return usage("%d of %d cases could not be measured; the reasons stand above", len(failed), len(paths))
	case doubt:
		return errInDoubt
	}
	return nil
}

// measureOrReuse measures a case, unless folder has its measurement with the same
// inputs and program.
func measureOrReuse(path, folder string, o measure.Options) (*result.Case, error) {
	if folder == "" {
		s, err := measure.Case(path, o)
		if err != nil {
			return nil, err
		}
		return &s.Result, nil
	}
	in, err := measure.Open(path, o)
	if err != nil {
		return nil, err
	}
	file := filepath.Join(folder, fileName(in.Plan.Name)+".json")
	if old, err := readCase(file); err == nil {
		if old.Inputs == in.Identity() && old.Program.Version == o.Version && old.Program.Seed == o.Seed {
			return old, nil
		}
		if old.Case != in.Plan.Name || old.Inputs.PreSHA256 != in.Pre.SHA256 {
			return nil, fmt.Errorf("%s holds another case of the same name; give each case its own name in case.toml", file)
		}
	} else if !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	s, err := measure.Measure(in, o)
	if err != nil {
		return nil, err
	}
	return &s.Result, writeJSON(file, s.Result)
}

func readCase(path string) (*result.Case, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, err
	}
	var c result.Case
	if err := json.Unmarshal(data, &c); err != nil || c.Schema != result.Schema {
		return nil, fmt.Errorf("%s is not a measurement of this program (%s); move it away or name another folder", path, result.Schema)
	}
	return &c, nil
}

// fileName makes a case's name safe as a file name on every system.
func fileName(name string) string {
	safe := strings.Map(func(r rune) rune {
		if strings.ContainsRune(`<>:"/\|?*`, r) || r < ' ' {
			return '_'
		}
		return r
	}, name)
	return strings.Trim(safe, " .")
}
