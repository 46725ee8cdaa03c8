//go:build !windows

package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// bench is a folder with a small demo, in which lines are typed into a shell.
type bench struct {
	dir  string
	path string // holds the program under its name
}

func newBench(t *testing.T) bench {
	t.Helper()
	b := bench{t.TempDir(), t.TempDir()}
	own, err := os.Executable()
	require.NoError(t, err)
	require.NoError(t, os.Symlink(own, filepath.Join(b.path, "plumbline")))
	for _, name := range []string{"C-101", "C-102", "C-103", "C-104"} {
		addCase(t, filepath.Join(b.dir, "demo", name), name)
		addCase(t, filepath.Join(b.dir, "Documents", "plumbline-demo", name), name)
	}
	return b
}

// typed runs a line in the shell, as it stands.
func (b bench) typed(shell, line string) (string, error) {
	c := exec.Command(shell, "-c", line)
	c.Dir = b.dir
	c.Env = append(os.Environ(), asProgram+"=1", "HOME="+b.dir, "PATH="+b.path+string(os.PathListSeparator)+os.Getenv("PATH"))
	out, err := c.CombinedOutput()
	return string(out), err
}

// run types lines one after the other. Each succeeds and says something, unless
// it writes what it says to a file.
func (b bench) run(t *testing.T, lines []string) {
	t.Helper()
	for _, line := range lines {
		as := line
		if strings.HasPrefix(line, "plumbline phantom ") {
			// Of full size they take too long; the demo's are measured below as
			// the small ones that are there.
			as = regexp.MustCompile(` demo$`).ReplaceAllString(line, " made") + " --voxel 1.2 --field 20"
		}
		if strings.HasPrefix(line, "plumbline open") || strings.HasPrefix(line, "plumbline demo") {
			// It goes on until it is ended.
			as, _, _ = strings.Cut(as, " #")
			as = "rm -f opened; " + as + " --no-browser > opened & until grep -qs 127.0.0.1 opened; do kill -0 $! || exit 1; sleep 0.1; done; kill -TERM $!; wait $! && cat opened"
		}
		out, err := b.typed("sh", as)
		require.NoError(t, err, "%s\n%s", line, out)
		if strings.HasPrefix(line, "plumbline ") && !strings.Contains(line, " > ") {
			assert.NotEmpty(t, out, line)
		}
		if file := regexp.MustCompile(` (?:--json|--csv|--report|--picture|>) (\S+)`).FindStringSubmatch(line); file != nil && !strings.HasPrefix(file[1], "demo") {
			_, err := os.Stat(filepath.Join(b.dir, file[1]))
			assert.NoError(t, err, "%s writes it", line)
		}
	}
}

// Every example of every help works as typed, in the order of the helps.
func TestExamplesWorkAsTyped(t *testing.T) {
	if testing.Short() {
		t.Skip("left to make thorough")
	}
	b := newBench(t)
	overview, err := b.typed("sh", "plumbline help")
	require.NoError(t, err)
	_, list, _ := strings.Cut(overview, "\nCommands\n")
	list, _, _ = strings.Cut(list, "\n\n")
	_, try, found := strings.Cut(overview, "\nTo try it\n")
	require.True(t, found)
	lines := commandsIn(try, "  ")
	require.Len(t, lines, 2)
	pages := 0
	var look func(list, above string)
	look = func(list, above string) {
		for _, found := range regexp.MustCompile(`(?m)^  ([a-z-]+) `).FindAllStringSubmatch(list, -1) {
			name := above + found[1]
			help, err := b.typed("sh", "plumbline help "+name)
			require.NoError(t, err, name)
			pages++
			_, examples, found := strings.Cut(help, "\nExamples\n")
			require.True(t, found, name)
			examples, _, _ = strings.Cut(examples, "\n\n")
			assert.Contains(t, examples, "  plumbline "+name, "an example of its own")
			for line := range strings.Lines(examples) {
				lines = append(lines, strings.TrimSpace(line))
			}
			if _, below, found := strings.Cut(help, "\nCommands\n"); found {
				below, _, _ = strings.Cut(below, "\n\n")
				look(below, name+" ")
			}
		}
	}
	look(list, "")
	require.Greater(t, pages, 18)
	b.run(t, lines)
	for _, name := range regexp.MustCompile(`demo/C-[0-9]+`).FindAllString(strings.Join(lines, " "), -1) {
		assert.DirExists(t, filepath.Join(b.dir, strings.Replace(name, "demo", "made", 1)), "the demo has the case")
	}
}

// commandsIn gives the lines that are command lines, without their indent.
func commandsIn(text, indent string) []string {
	var out []string
	for line := range strings.Lines(text) {
		if rest, ok := strings.CutPrefix(strings.TrimRight(line, "\n"), indent); ok && strings.HasPrefix(rest, "plumbline ") {
			out = append(out, rest)
		}
	}
	return out
}

// Every command line of the README works as typed, in the order of the page,
// and make has what the page and the developers' page name.
func TestREADMEWorksAsTyped(t *testing.T) {
	read := func(name string) string {
		text, err := os.ReadFile(filepath.Join("..", "..", name))
		require.NoError(t, err)
		return string(text)
	}
	page := read("README.md")
	blocks := commandsIn(page, "    ")
	require.Greater(t, len(blocks), 15)
	inline := regexp.MustCompile("`(plumbline [^`]+)`").FindAllStringSubmatch(page, -1)
	require.NotEmpty(t, inline)
	b := newBench(t)
	out, err := b.typed("sh", "plumbline phantom --demo --voxel 1.2 --field 20 made && mv made/series.jsonl made/simulated-figures.csv demo")
	require.NoError(t, err, out)
	require.NoError(t, os.RemoveAll(filepath.Join(b.dir, "made")))
	b.run(t, blocks)
	for _, found := range inline {
		line := strings.ReplaceAll(found[1], "\n", " ")
		if strings.Contains(line, "plumbline/") {
			continue // the name of a schema
		}
		b.run(t, []string{line})
	}

	rules := read("Makefile")
	for _, name := range []string{"README.md", "DEVELOPERS.md"} {
		targets := regexp.MustCompile(`(?m)^    make ([a-z-]+)`).FindAllStringSubmatch(read(name), -1)
		require.NotEmpty(t, targets, name)
		for _, target := range targets {
			assert.Regexp(t, `(?m)^`+target[1]+`:`, rules, name)
		}
	}
	// Pictures and pages that the README points at are there.
	links := regexp.MustCompile(`\]\(([^)#]+)`).FindAllStringSubmatch(page, -1)
	for _, link := range links {
		_, err := os.Stat(filepath.Join("..", "..", link[1]))
		assert.NoError(t, err, "the page points at it")
	}
}

// What bash offers for what was typed so far, with its package bash-completion or
// without: what the script needs of it is a function that tells the words typed.
func TestBashCompletes(t *testing.T) {
	b := newBench(t)
	for line, want := range map[string]string{
		"plumbline ''":                     "open demo case anatomy measure seal series pool report pack align scan phantom completion version help",
		"plumbline me":                     "measure",
		"plumbline help pa":                "pack",
		"plumbline series ''":              "check show export import design leave-out remark take correct",
		"plumbline series show --a":        "--apex-limit --angle-limit --all",
		"plumbline measure --numbering ''": "iso3950 universal",
		"plumbline measure demo":           "", // left to the shell: a file
	} {
		script := `_get_comp_words_by_ref() { words=("${COMP_WORDS[@]}"); cword=$COMP_CWORD; cur=${words[cword]}; prev=${words[cword-1]}; }
source <(plumbline completion bash) && COMP_WORDS=(` + line + `) && COMP_CWORD=$((${#COMP_WORDS[@]} - 1))
{ __start_plumbline; true; } 2>/dev/null
for reply in "${COMPREPLY[@]}"; do echo "${reply%% *}"; done`
		got, err := b.typed("bash", script)
		require.NoError(t, err, got)
		assert.Equal(t, want, strings.Join(strings.Fields(got), " "), line)
	}
}
