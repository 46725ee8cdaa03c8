package output

import (
	"io"
	"os"
	"path/filepath"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

func list(t *testing.T, path string) []string {
	t.Helper()
	entries, err := os.ReadDir(path)
	require.NoError(t, err)
	var out []string
	for _, e := range entries {
		out = append(out, e.Name())
	}
	return out
}

// note is a kind whose files begin with an N.
var note = Kind{Name: "note", Own: func(f *os.File) bool {
	b := make([]byte, 1)
	_, err := f.Read(b)
	return err == nil && b[0] == 'N'
}}

func text(s string) func(io.Writer) error {
	return func(w io.Writer) error {
		_, err := io.WriteString(w, s)
		return err
	}
}

func TestPathsAreResolved(t *testing.T) {
	dir := t.TempDir()
	t.Chdir(dir)
	require.NoError(t, os.MkdirAll("scans/pre", 0o755))
	require.NoError(t, os.Symlink("scans", "link"))
	require.NoError(t, os.WriteFile("in", []byte("N"), 0o644))
	require.NoError(t, os.Symlink(filepath.Join(dir, "in"), "scans/elsewhere"))
	var r Run
	r.Reads("link/pre", "in", "later", "")
	for path, says := range map[string]string{
		"scans/pre/a":            "lies in link/pre",
		"link/pre/new/deeper/a":  "lies in link/pre",
		"scans/../link/pre/../a": "",
		"scans/pre":              "is a folder",
		"in":                     "is what this command reads",
		"link/elsewhere":         "is what this command reads",
		"scans/../in":            "is what this command reads",
		"./later":                "is what this command reads",
		"link/../later":          "is what this command reads",
		"new/folder/a":           "",
		"/dev/null":              "is no ordinary file",
	} {
		err := r.Check(path, note)
		if says == "" {
			assert.NoError(t, err, path)
			continue
		}
		var refused *RefusedError
		require.ErrorAs(t, err, &refused, path)
		assert.Contains(t, refused.Error(), says)
		assert.Contains(t, refused.Error(), "name another file for the note")
		assert.False(t, refused.Overwritable)
	}
	require.NoError(t, r.Write("new/folder/a", note, text("N1")))
	require.NoError(t, r.Write("new/folder/a", note, text("N2")))
	require.NoError(t, os.WriteFile("mine", []byte("words"), 0o644))
	var refused *RefusedError
	require.ErrorAs(t, r.Write("mine", note, text("N")), &refused)
	assert.True(t, refused.Overwritable)
	r.Overwrite = true
	require.NoError(t, r.Write("mine", note, text("N")))
	assert.Equal(t, []string{"a"}, list(t, "new/folder"), "nothing unfinished is left")
	assert.Error(t, r.Write("in/below", note, text("N")))
}

// On a file system that does not tell upper from lower case, a name that is not
// there yet may still be an input to come.
func TestNamesThatDifferInCaseOnly(t *testing.T) {
	t.Chdir(t.TempDir())
	at := resolvedPath
	assert.True(t, sameName(at("new.jsonl"), at("NEW.jsonl")), "neither is there")
	require.NoError(t, os.WriteFile("new.jsonl", nil, 0o644))
	_, err := os.Stat("NEW.jsonl")
	assert.Equal(t, err == nil, sameName(at("new.jsonl"), at("NEW.jsonl")))
	assert.False(t, sameName(at("new.jsonl"), at("old.jsonl")))
}
