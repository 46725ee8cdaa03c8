package printable

import (
	"bytes"
	"encoding/json"
	"errors"
	"strings"
	"testing"
	"unicode"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	_ "plumbline/internal/seeded" // of rapid
)

// hostile texts are drawn of what steers terminals, ends lines and turns text.
func hostile() *rapid.Generator[string] {
	letters := []rune("ab1 =+-@＝\u2003';,|\"\\\t\r\n\x00\x1b\x7f\u0085\u009b\u00ad\u200b\u200d\u200e\u200f\u202a\u202e\u2028\u2029\u2066\u2067\u2068\u2069\ufeff\u061cשלוםسلام١日é\U000e0041")
	return rapid.OneOf(rapid.StringOf(rapid.SampledFrom(letters)), rapid.String(),
		rapid.Map(rapid.SliceOf(rapid.Byte()), func(b []byte) string { return string(b) }))
}

// calm reports why a line is not fit to be printed; "" where it is.
func calm(line string) string {
	open := false
	for _, r := range line {
		switch {
		case r == Isolate && !open, r == Deisolate && open:
			open = !open
		case r != Joiner && r != NonJoiner && (unicode.IsControl(r) || unicode.In(r, unicode.Cf, unicode.Zl, unicode.Zp)):
			return "a character that cannot be seen"
		case !open && turns(r):
			return "a letter from right to left that is not isolated"
		}
	}
	if open {
		return "an isolate is left open"
	}
	return ""
}

func TestLine(t *testing.T) {
	for text, want := range map[string]string{
		"plain":                      "plain",
		"a\x1b[2J\nb\tc\r":           "a\ufffd[2J b c\ufffd",
		"a\u202eb\u2066c":            "a\ufffdb\ufffdc",
		"C1 \u009b31m":               "C1 \ufffd31m",
		"by שלום, עולם: 5":           "by \u2068שלום, עולם\u2069: 5",
		"שלום abc עולם":              "\u2068שלום\u2069 abc \u2068עולם\u2069",
		"by \u2068שלום 12\u2069: 5":  "by \u2068שלום 12\u2069: 5",
		"\u20688.0° and ≤ 2\u2069":   "8.0° and ≤ 2",
		"left open \u2068שלום x":     "left open \u2068שלום x\u2069",
		"\u2069 closed without open": "\ufffd closed without open",
		"\xff":                       "\ufffd",
	} {
		assert.Equal(t, want, Line(text), "%q", text)
	}
	rapid.Check(t, func(t *rapid.T) {
		s := hostile().Draw(t, "text")
		line := Line(s)
		require.Empty(t, calm(line), "%q", line)
		require.Equal(t, line, Line(line), "a line is one already")
		require.Empty(t, calm(Line("before "+Isolated(s)+" behind")))
		plain := Plain(s)
		require.False(t, strings.ContainsFunc(plain, func(r rune) bool {
			return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) && r != Joiner && r != NonJoiner
		}), "%q", plain)
	})
}

func TestFprintf(t *testing.T) {
	var b bytes.Buffer
	Fprintf(&b, "%s: %q, %v\n%5.1f|%-6s|%d\n", "a\nb", "c\n\u202e", errors.New("d\x1be"), 1.25, "f\n", 7)
	assert.Equal(t, "a b: \"c\\n\\u202e\", d\ufffde\n  1.2|f     |7\n", b.String())
	assert.Equal(t, "x \u2068שלום\u2069 y", Sprintf("x %s y", "שלום"))
}

func TestJSON(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		s := hostile().Draw(t, "text")
		text, err := json.Marshal(s)
		require.NoError(t, err)
		got := JSON(text)
		require.False(t, bytes.ContainsFunc(got, func(r rune) bool {
			return unicode.IsControl(r) || unicode.Is(unicode.Cf, r) && r != Joiner && r != NonJoiner
		}), "%q", got)
		var want, back string
		require.NoError(t, json.Unmarshal(text, &want))
		require.NoError(t, json.Unmarshal(got, &back))
		require.Equal(t, want, back)
	})
}

// formula reports whether a spreadsheet that parts a line at any of ; , | and a
// tab, and that strips blanks and quotes, would begin a formula in a cell
// (the characters: common practice, no source).
func formula(cell string) bool {
	for _, part := range strings.FieldsFunc(cell, func(r rune) bool { return strings.ContainsRune(";,|\t\r\n", r) }) {
		part = strings.TrimLeftFunc(part, func(r rune) bool {
			return unicode.IsSpace(r) || !unicode.IsPrint(r) || r == '"' || r == unicode.ReplacementChar
		})
		if part != "" && strings.ContainsAny(string([]rune(part)[0]), "=+-@＝＋－＠") {
			return true
		}
	}
	return false
}

func TestCell(t *testing.T) {
	for text, want := range map[string]string{
		"plain":         "plain",
		"=1+1":          "'=1+1",
		"\n=1":          " '=1",
		"a\n=1":         "a =1",
		" \u200b\"@a":   " \ufffd\"'@a",
		"late; =1":      "late; '=1",
		"'quoted'":      "''quoted'",
		"a-b, c=d":      "a-b, c=d",
		"\u202e=1":      "\ufffd'=1",
		"\u3000-1; -2,": "\u3000'-1; '-2,",
	} {
		assert.Equal(t, want, Cell(text), "%q", text)
	}
	require.True(t, formula("x;\t=1"), "the check sees one")
	rapid.Check(t, func(t *rapid.T) {
		s := hostile().Draw(t, "text")
		cell := Cell(s)
		require.False(t, formula(cell), "%q", cell)
		require.Equal(t, Plain(s), FromCell(cell))
	})
}
