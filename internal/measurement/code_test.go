package measurement

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// Every constant has its row, each code comes once and is worded like the others.
func TestTableOfCodesIsWhole(t *testing.T) {
	file, err := parser.ParseFile(token.NewFileSet(), "code.go", nil, 0)
	require.NoError(t, err)
	declared := map[Code]bool{}
	ast.Inspect(file, func(n ast.Node) bool {
		if spec, is := n.(*ast.ValueSpec); is && len(spec.Values) == 1 {
			if lit, is := spec.Values[0].(*ast.BasicLit); is {
				code, err := strconv.Unquote(lit.Value)
				require.NoError(t, err)
				declared[code] = true
			}
		}
		return true
	})
	require.Greater(t, len(declared), 50, "the constants were found")
	listed := map[Code]bool{}
	for _, c := range Codes {
		assert.Regexp(t, `^[a-z0-9]+(-[a-z0-9]+)*$`, c.Code)
		assert.False(t, listed[c.Code], "%s comes twice", c.Code)
		listed[c.Code] = true
		assert.Contains(t, []string{"doubt", "notice", "doubt or notice"}, c.Levels, c.Code)
		assert.NotEmpty(t, c.About, c.Code)
		assert.NotEmpty(t, c.Meaning, c.Code)
	}
	assert.Equal(t, declared, listed)
}

// words that are codes of flags and also what else in the program is called.
var alsoWords = map[Code]bool{CodeLeftOut: true, CodeTruncated: true, CodePenetration: true}

// No other product file spells a code out, so that none can be misspelt and all
// are in the table.
func TestCodesStandInTheTableAlone(t *testing.T) {
	known := map[Code]bool{}
	for _, c := range Codes {
		known[c.Code] = !alsoWords[c.Code]
	}
	spelled := func(name string, src any) (out []string) {
		file, err := parser.ParseFile(token.NewFileSet(), name, src, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			if lit, is := n.(*ast.BasicLit); is && lit.Kind == token.STRING {
				if text, err := strconv.Unquote(lit.Value); err == nil && known[text] {
					out = append(out, name+" spells "+text)
				}
			}
			return true
		})
		return out
	}
	require.NoError(t, filepath.WalkDir("..", func(path string, entry fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(path) == ".go" && !strings.HasSuffix(path, "_test.go") && entry.Name() != "code.go" {
			assert.Empty(t, spelled(path, nil))
		}
		return err
	}))
	assert.Len(t, spelled("control.go", `package p; const c = "plan-off-ridge"`), 1, "the control")
}

// A flag is made with a code of the table: every composite literal of Flag and every
// argument named a code refers to a constant, so that no code is made up elsewhere.
func TestFlagsAreMadeWithCodesOfTheTable(t *testing.T) {
	made := func(name string, src any) (out []string) {
		file, err := parser.ParseFile(token.NewFileSet(), name, src, 0)
		require.NoError(t, err)
		ast.Inspect(file, func(n ast.Node) bool {
			pair, is := n.(*ast.KeyValueExpr)
			if !is {
				return true
			}
			key, isName := pair.Key.(*ast.Ident)
			lit, isText := pair.Value.(*ast.BasicLit)
			if isName && isText && key.Name == "Code" {
				out = append(out, name+" makes "+lit.Value)
			}
			return true
		})
		return out
	}
	require.NoError(t, filepath.WalkDir("..", func(path string, entry fs.DirEntry, err error) error {
		if err == nil && filepath.Ext(path) == ".go" && !strings.HasSuffix(path, "_test.go") {
			assert.Empty(t, made(path, nil))
		}
		return err
	}))
	assert.Len(t, made("control.go", `package p; var f = Flag{Code: "new-one"}`), 1, "the control")
}
