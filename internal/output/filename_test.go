package output

import (
	"testing"

	"github.com/stretchr/testify/assert"
)

func TestFileNamesOfCases(t *testing.T) {
	for name, want := range map[string]string{
		"C-7":         "C-7",
		"a/b\\c":      "a_b_c",
		"../../etc":   "_.._etc",
		`<>:"|?*`:     "_______",
		"tab\there":   "tab_here",
		" spaced . ":  "spaced",
		"Fälle ж 日":   "Fälle ж 日",
		"..":          "_",
		"nul":         "_nul",
		"Com1.left":   "_Com1.left",
		"Console":     "Console",
		"con\x00trol": "con_trol",
	} {
		assert.Equal(t, want, FileName(name), name)
	}
}
