package cli

import (
	"go/scanner"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// optionName is how a command line writes an option.
var optionName = regexp.MustCompile(`--[a-z]`)

// optionsIn gives the string literals of a Go source that name an option.
func optionsIn(source []byte) []string {
	var s scanner.Scanner
	files := token.NewFileSet()
	s.Init(files.AddFile("", files.Base(), len(source)), source, nil, 0)
	var out []string
	for {
		_, kind, text := s.Scan()
		switch {
		case kind == token.EOF:
			return out
		case kind == token.STRING && optionName.MatchString(text):
			out = append(out, text)
		}
	}
}

// Only the command line knows what its options are called: packages below it
// say in words what they need, or are told the name.
func TestNoPackageBelowNamesAnOption(t *testing.T) {
	files := 0
	require.NoError(t, filepath.WalkDir("..", func(path string, entry fs.DirEntry, err error) error {
		if err != nil {
			return err
		}
		if entry.IsDir() && (entry.Name() == "testdata" || path == filepath.Join("..", "cli")) {
			return filepath.SkipDir
		}
		if entry.IsDir() || filepath.Ext(path) != ".go" || strings.HasSuffix(path, "_test.go") {
			return nil
		}
		source, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		files++
		assert.Empty(t, optionsIn(source), path)
		return nil
	}))
	require.Greater(t, files, 100, "the packages were found")
	assert.Equal(t, []string{`"say it with --slice-spacing"`}, optionsIn([]byte("package p\n// --a comment\nconst ask = \"say it with --slice-spacing\"\n")))
}
