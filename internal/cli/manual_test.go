package cli

import (
	"bytes"
	"context"
	"errors"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/spf13/pflag"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/tooth"
)

// macros are those of the man macro package (man(7)) that the page is made of.
var macros = []string{"TH", "SH", "SS", "PP", "TP", "B", "I", "RS", "RE", "nf", "fi"}

// illFormed lists what is wrong with a page.
func illFormed(page string) []string {
	var faults []string
	depth := map[string]int{}
	heading := false
	for line := range strings.Lines(page) {
		line = strings.TrimRight(line, "\n")
		if rest := regexp.MustCompile(`\\(-|e|&|\(dq|\(de|\[u2026\])`).ReplaceAllString(line, ""); strings.Contains(rest, `\`) {
			faults = append(faults, "an escape that is none: "+line)
		}
		for _, r := range line {
			if r > '~' || r < ' ' {
				faults = append(faults, "a character that is not plain: "+line)
				break
			}
		}
		if !strings.HasPrefix(line, ".") {
			if line == "" || strings.HasPrefix(line, "'") {
				faults = append(faults, "a line that roff takes for its own: "+line)
			}
			heading = false
			continue
		}
		name, rest, _ := strings.Cut(line[1:], " ")
		if !slices.Contains(macros, name) {
			faults = append(faults, "a macro that is none: "+line)
		}
		if heading && (name == "SH" || name == "SS" && rest == "") {
			faults = append(faults, "a section with nothing in it: "+line)
		}
		heading = name == "SH"
		switch name {
		case "RS", "nf":
			depth[name]++
		case "RE":
			depth["RS"]--
		case "fi":
			depth["nf"]--
		}
		if depth["RS"] < 0 || depth["nf"] < 0 || depth["nf"] > 1 {
			faults = append(faults, "an end without its beginning: "+line)
		}
	}
	if depth["RS"] != 0 || depth["nf"] != 0 {
		faults = append(faults, "a beginning without its end")
	}
	return faults
}

func TestManualPage(t *testing.T) {
	page := run("help", "--man")
	require.Equal(t, Done, page.status)
	assert.Empty(t, illFormed(page.stdout))
	assert.True(t, strings.HasPrefix(page.stdout, ".TH PLUMBLINE 1 "))
	for _, section := range []string{"NAME", "SYNOPSIS", "DESCRIPTION", "COMMANDS", `"EXIT STATUS"`, "ENVIRONMENT"} {
		assert.Contains(t, page.stdout, "\n.SH "+section+"\n")
	}
	// All that the help says is in it.
	for _, c := range commands() {
		assert.Contains(t, page.stdout, ".SS \"plumbline "+roff(c.name)+" ")
		for line := range strings.Lines(c.long) {
			assert.Contains(t, page.stdout, roff(strings.TrimSpace(line)))
		}
		for _, e := range c.examples {
			assert.Contains(t, page.stdout, roffLine(e))
		}
		flags, _ := c.flags()
		flags.VisitAll(func(f *pflag.Flag) {
			head, text := optionOf(f)
			assert.Contains(t, page.stdout, ".B "+roff(head)+"\n"+roffLine(text))
		})
	}
	for _, e := range exits {
		assert.Contains(t, page.stdout, roff(e.means))
	}

	// The check can fail.
	for _, bad := range []string{".XX\n", "'tis\n", ".nf\ntext\n", ".RE\n", `\z` + "\n", "\n", ".SH A\n.SH B\n", "·\n"} {
		assert.NotEmpty(t, illFormed(bad), bad)
	}
	assert.Equal(t, "\\&.hidden\n", roffLine(".hidden"))
}

// Every command, option and value is offered, in every shell.
func TestCompletionOffersAll(t *testing.T) {
	for _, shell := range shellNames() {
		script := run("completion", shell)
		require.Equal(t, Done, script.status, script.stderr)
		for _, c := range commands() {
			assert.Contains(t, script.stdout, c.name, shell)
			flags, _ := c.flags()
			flags.VisitAll(func(f *pflag.Flag) {
				long := "--" + f.Name
				if shell == "fish" {
					long = "-l " + f.Name + " "
				}
				assert.Contains(t, script.stdout, long, shell)
			})
		}
		for _, a := range actions() {
			assert.Contains(t, script.stdout, a.name, shell)
		}
		for _, value := range []string{string(tooth.Universal), "letter", "cover-screw", "powershell", "version"} {
			assert.Contains(t, script.stdout, value, shell)
		}
		assert.Equal(t, script, run("completion", shell), "the same every time")
	}
	got := run("completion", "sh")
	assert.Equal(t, BadInput, got.status)
	assert.Equal(t, "plumbline: there is no completion for \"sh\"; the shells are bash, fish, powershell, zsh.\n", got.stderr)
}

// The values that are offered are those that are taken.
func TestOfferedValuesAreTaken(t *testing.T) {
	values := 0
	for _, o := range offers() {
		for _, x := range o.options {
			for _, v := range x.values {
				got := run(o.name, "--"+x.name, v)
				assert.NotContains(t, got.stderr, v, "%s --%s", o.name, x.name)
				values++
			}
		}
	}
	assert.Greater(t, values, 20)
}

type fullDisk struct{}

func (fullDisk) Write([]byte) (int, error) { return 0, errors.New("no space left on device") }

func TestOutputThatDoesNotArriveIsTold(t *testing.T) {
	for _, args := range [][]string{{"help"}, {"version"}, {"scan", "--help"}, {"completion", "fish"}, {"help", "--man"}} {
		var stderr bytes.Buffer
		env := testEnv(nil, &stderr)
		env.Stdout = fullDisk{}
		assert.Equal(t, Failed, Run(context.Background(), args, env), args)
		assert.Equal(t, "plumbline: standard output could not be written: no space left on device; send it elsewhere.\n", stderr.String())
	}
}
