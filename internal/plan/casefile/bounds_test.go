package casefile

import (
	"fmt"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// More of a thing than any surgery has is refused by its number, however it is
// written, and before time is spent on it.
func TestCountsAreBounded(t *testing.T) {
	const head = "case = \"C-1\"\nplaced = 2026-03-14\nclinician = \"a\"\nnumbering = \"iso3950\"\npre = \"pre\"\npost = \"post\"\n"
	const fixture = "[[fixture]]\nsite = \"36\"\nentry = [-3, 26, 15]\napex = [-3, 26, 7]\ndiameter = 4.1\n"
	numbered := func(n int, format string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, format, i)
		}
		return b.String()
	}
	tube := func(points int, point string) string {
		return head + fixture + "[[structure]]\nname = \"canal\"\nkind = \"nerve\"\nradius = 1\npath = [\n" + strings.Repeat(point, points) + "]\n"
	}
	for name, c := range map[string]struct{ text, says string }{
		"fixtures":        {head + strings.Repeat(fixture, 65), "there are 65 of them; at most 64 are read"},
		"many fixtures":   {head + strings.Repeat(fixture, 8000), "more than 1000 tables"},
		"structures":      {head + fixture + strings.Repeat("[[structure]]\nname = \"a\"\n", 257), "there are 257 of them; at most 256"},
		"tables":          {head + fixture + numbered(300_000, "[b%d]\n"), "more than 1000 tables"},
		"quoted tables":   {head + fixture + numbered(300_000, "[\"b,%d\"]\n"), "more than 1000 tables"},
		"fields":          {numbered(300_000, "b%d=1\n") + head + fixture, "more than 10000 fields"},
		"fields, inline":  {"x = {" + numbered(100_000, "b%d=1, ") + "a=1}\n" + head + fixture, "more than 10000 fields"},
		"points":          {tube(10_001, "[1, 2, 3],"), "it has 10001 points; at most 10000"},
		"landmarks":       {head + fixture + "[alignment]\nmethod = \"landmarks\"\nlandmarks = [" + strings.Repeat("{pre = [1,2,3], post = [1,2,3]},", 1001) + "]\n", "there are 1001 of them"},
		"nested":          {head + fixture + "x = " + strings.Repeat("[", 200_000) + strings.Repeat("]", 200_000) + "\n", "nested more than"},
		"points as lines": {tube(3_000, "[\n1,\n2,\n3\n],\n"), ""},
		"points by line":  {tube(10_000, "  [1, 2, 3],\n"), ""},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := parse("case.toml", []byte(c.text))
			if c.says == "" {
				require.NoError(t, err)
				return
			}
			var fault *Error
			require.ErrorAs(t, err, &fault)
			assert.Contains(t, fault.Error(), c.says)
			assert.Positive(t, fault.Line)
		})
	}
}
