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
	for _, c := range everyCommand() {
		assert.Contains(t, page.stdout, ".SS \""+roff(c.CommandPath()))
		for line := range strings.Lines(c.Long) {
			assert.Contains(t, page.stdout, roff(strings.TrimSpace(line)))
		}
		for line := range strings.Lines(c.Example) {
			assert.Contains(t, page.stdout, roffLine(strings.TrimSpace(line)))
		}
		for _, flag := range flagsOf(c) {
			head, text := optionOf(flag)
			assert.Contains(t, page.stdout, ".B "+roff(head)+"\n"+roffLine(text))
		}
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

// offered is what the shells are told may follow some words.
func offered(t *testing.T, words ...string) (names []string, files bool) {
	t.Helper()
	got := run(append([]string{"__complete"}, words...)...)
	require.Equal(t, Done, got.status, got.stderr)
	lines := strings.Split(strings.TrimSuffix(got.stdout, "\n"), "\n")
	last := len(lines) - 1
	for _, line := range lines[:last] {
		name, _, _ := strings.Cut(line, "\t")
		names = append(names, name)
	}
	return names, lines[last] == ":0"
}

// Every command, option and value is offered, and files where they are named.
func TestCompletionOffersAll(t *testing.T) {
	top := newRoot(testEnv(nil, nil), nil)
	got, files := offered(t, "")
	assert.Equal(t, commandNames(top), got)
	assert.Contains(t, got, "help")
	assert.False(t, files)
	values := 0
	for _, c := range everyCommand() {
		var flags []string
		for _, flag := range flagsOf(c) {
			flags = append(flags, "--"+flag.Name)
			if flag.Value.Type() == "bool" {
				continue
			}
			got, files := offered(t, append(words(c), "--"+flag.Name, "")...)
			assert.Equal(t, flag.Annotations[valuesKey], got, "%s --%s", c.CommandPath(), flag.Name)
			placeholder, _ := pflag.UnquoteUsage(flag)
			assert.Equal(t, slices.Contains([]string{"FILE", "FOLDER", "OUT"}, placeholder), files, "%s --%s", c.CommandPath(), flag.Name)
			values += len(got)
		}
		got, _ := offered(t, append(words(c), "--")...)
		assert.ElementsMatch(t, append(flags, "--help"), got, c.CommandPath())
	}
	assert.Greater(t, values, 25)
	for typed, want := range map[string][]string{
		"me": {"measure"}, "help pa": {"pack"}, "help series ex": {"export"}, "series sh": {"show"}, "completion p": {"powershell"},
		"series show --a": {"--all", "--angle-limit", "--apex-limit"},
	} {
		got, _ := offered(t, strings.Fields(typed)...)
		slices.Sort(got)
		assert.Equal(t, want, got, typed)
	}
	_, files = offered(t, "measure", "")
	assert.True(t, files, "a case is a folder or a file")
}

// Each shell gets a script that asks the program.
func TestCompletionScripts(t *testing.T) {
	for _, shell := range shellNames() {
		script := run("completion", shell)
		require.Equal(t, Done, script.status, script.stderr)
		assert.Contains(t, script.stdout, "__complete", shell)
		assert.Contains(t, script.stdout, "plumbline", shell)
		assert.Equal(t, script, run("completion", shell), "the same every time")
	}
	got := run("completion", "sh")
	assert.Equal(t, BadInput, got.status)
	assert.Equal(t, "plumbline: there is no completion for \"sh\"; the shells are bash, fish, powershell, zsh.\n", got.stderr)
}

// The values that are offered are those that are taken.
func TestOfferedValuesAreTaken(t *testing.T) {
	values := 0
	for _, c := range everyCommand() {
		for _, flag := range flagsOf(c) {
			for _, v := range flag.Annotations[valuesKey] {
				got := run(append(words(c), "--"+flag.Name, v)...)
				assert.NotContains(t, got.stderr, v, "%s --%s", c.CommandPath(), flag.Name)
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
