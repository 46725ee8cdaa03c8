package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// sections splits a text of notices by its headings.
func sections(text string) map[string]string {
	out := map[string]string{}
	for _, part := range strings.Split(text, rule)[1:] {
		title, rest, _ := strings.Cut(part, "\n")
		out[title] = rest
	}
	return out
}

// What version --notices prints is that of the modules which are linked, in the
// versions of go.mod.
func TestNoticesAreThoseOfWhatIsLinked(t *testing.T) {
	text, err := os.ReadFile(filepath.Join("..", "..", "internal", "cli", "notices.txt"))
	require.NoError(t, err, "run: make notices")
	printed := sections(string(text))
	modules, err := linked()
	require.NoError(t, err)
	require.Greater(t, len(modules), 10)
	mod, err := os.ReadFile(filepath.Join("..", "..", "go.mod"))
	require.NoError(t, err)
	for _, m := range modules {
		want, err := notices(m.dir, m.folders)
		require.NoError(t, err)
		assert.NotEmpty(t, want, "%s has no licence", m.title())
		assert.True(t, printed[m.title()] == want+"\n", "%s is linked, and its notices are missing or older; run: make notices", m.title())
		assert.Contains(t, string(mod), "\t"+m.title())
	}
	assert.Len(t, printed, len(modules)+1, "a module is printed that is not linked; run: make notices")
	assert.Contains(t, printed[goTitle], "The Go Authors")
	// A font's licence stands beside that of the module which carries it.
	assert.Contains(t, string(text), "Bitstream Vera")
}

func TestLegalFilesAreKnownByTheirNames(t *testing.T) {
	dir := t.TempDir()
	for name, text := range map[string]string{
		"LICENSE.txt": "root \r\nlicence\n\n", "licence.go": "package x", "README": "no",
		"fonts/COPYING": "font", "other/LICENSE": "not linked", "THIRD_PARTY_LICENSES/A": "third",
	} {
		require.NoError(t, os.MkdirAll(filepath.Dir(filepath.Join(dir, name)), 0o755))
		require.NoError(t, os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644))
	}
	got, err := notices(dir, []string{dir, filepath.Join(dir, "fonts")})
	require.NoError(t, err)
	assert.Equal(t, "\n-- LICENSE.txt --\n\nroot\nlicence\n\n-- THIRD_PARTY_LICENSES/A --\n\nthird\n\n-- fonts/COPYING --\n\nfont\n", got)
}
