package cli

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// mistake is something that a user may get wrong.
type mistake struct {
	what string
	// do makes it in the working folder, a fresh one, and types the command line;
	// what it gives back stands in the table, one line for each.
	do func(t *testing.T) (says []string, status int)
}

// mistakes are all that were tried, by what they are about. The long ones measure whole
// cases, and are left to make thorough.
var mistakes = []struct {
	title string
	tried []mistake
	long  bool
}{
	{title: "Structures", tried: structureMistakes, long: true},
	{title: "Seals", tried: sealMistakes, long: true},
	{title: "Numbers of tables", tried: tableMistakes},
	{title: "Numbers that are missing", tried: missingNumbers},
	{title: "Slices", tried: sliceMistakes},
	{title: "Texts that look like the program's own lines", tried: textMistakes},
	{title: "Folders that would be replaced", tried: replacedMistakes},
	{title: "Objects of other programs, and what the scan is asked for", tried: objectMistakes},
	{title: "Packs", tried: packMistakes},
	{title: "Alignments", tried: alignmentMistakes, long: true},
	{title: "Sites", tried: siteMistakes, long: true},
	{title: "Drawn at random", tried: drawnMistakes, long: true},
}

// What is said about each mistake stands in testdata/mistakes.md, for people to
// read; -update writes it anew.
func TestMistakes(t *testing.T) {
	home, err := os.Getwd()
	require.NoError(t, err)
	written, err := os.ReadFile("testdata/mistakes.md")
	require.NoError(t, err)
	stands := map[string]string{}
	for _, s := range strings.Split(string(written), "\n## ")[1:] {
		title, table, _ := strings.Cut(s, "\n\n")
		stands[title] = table
	}
	var b strings.Builder
	b.WriteString("What users may get wrong, and what plumbline says about it. DIR is the folder that\nit works in. Written by `go test ./internal/cli -run TestMistakes -update`.\n")
	for _, s := range mistakes {
		fmt.Fprintf(&b, "\n## %s\n\n", s.title)
		if testing.Short() && s.long {
			b.WriteString(stands[s.title])
			continue
		}
		b.WriteString("| mistake | what plumbline says | status |\n| --- | --- | --- |\n")
		for _, m := range s.tried {
			t.Run(m.what, func(t *testing.T) {
				dir := t.TempDir()
				t.Chdir(dir)
				says, status := m.do(t)
				require.NotEmpty(t, says, "something has to be said")
				line := strings.ReplaceAll(strings.Join(says, "<br>"), dir, "DIR")
				fmt.Fprintf(&b, "| %s | %s | %d |\n", m.what, strings.ReplaceAll(strings.ReplaceAll(line, "|", `\|`), "\n", "<br>"), status)
			})
		}
	}
	golden(t, home, "mistakes.md", b.String())
}

// flagsSaid measures a case and gives the messages of the flags that have one of
// some codes; of a case that was not measured, standard error.
func flagsSaid(t *testing.T, path string, codes ...string) (says []string, status int) {
	t.Helper()
	got := run("measure", "--json", "out.json", path)
	if _, err := os.Stat("out.json"); err != nil {
		return []string{strings.TrimPrefix(strings.TrimSpace(got.stderr), "plumbline: ")}, got.status
	}
	c := readMeasurement(t, "out.json")
	all := append(c.Flags, c.Alignment.Flags...)
	for _, f := range c.Fixtures {
		all = append(all, f.Flags...)
	}
	for _, f := range all {
		for _, code := range codes {
			if f.Code == code {
				says = append(says, fmt.Sprintf("%s (%s, %s)", f.Message, f.Code, f.Level))
			}
		}
	}
	return says, got.status
}

// edit changes a case file by replacing what a pattern matches.
func edit(t *testing.T, path, pattern, with string) {
	t.Helper()
	path = filepath.Join(path, "case.toml")
	text, err := os.ReadFile(path)
	require.NoError(t, err)
	changed := regexp.MustCompile(pattern).ReplaceAll(text, []byte(with))
	require.NotEqual(t, string(text), string(changed), "the case file has %s", pattern)
	require.NoError(t, os.WriteFile(path, changed, 0o600))
}
