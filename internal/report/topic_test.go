package report

import (
	"bytes"
	"strings"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"plumbline/internal/measurement"
)

func TestTopicsArePrinted(t *testing.T) {
	for name, d := range map[string]*Document{"words": Words(), "accuracy": Accuracy(), "flags": Codes()} {
		for _, columns := range []int{40, 80, 120} {
			var b bytes.Buffer
			require.NoError(t, d.Text(&b, columns))
			text := b.String()
			assert.NotContains(t, text, "**", name)
			assert.NotContains(t, text, "](", name)
			assert.NotContains(t, text, "|", name)
			for line := range strings.Lines(text) {
				assert.LessOrEqual(t, columnsOf(strings.TrimRight(line, "\n")), columns, name)
			}
		}
		assert.Contains(t, string(d.HTML()), "<h1>"+d.Title+"</h1>")
	}
	var flags bytes.Buffer
	require.NoError(t, Codes().Text(&flags, 120))
	for _, c := range measurement.Codes {
		assert.Contains(t, flags.String(), c.Code)
	}
	var words []string
	for _, b := range Words().blocks {
		if t, ok := b.(table); ok {
			for _, r := range t.Rows {
				words = append(words, r.Cells[0])
			}
		}
	}
	for _, word := range []string{"receipt", "scan body", "measurement floor", "standard uncertainty, u", "left out"} {
		assert.Contains(t, words, word)
	}
}

func TestAMarkedTextIsReadPlain(t *testing.T) {
	assert.Equal(t, "bold, code and a link (here).", unmarked("**bold**, `code` and a [link](x.md) (here)."))
	d := topic("# Title\n\n## Part\n\n- one\n- two\n\n| a | b |\n|---|---|\n| x | 1 |\n\nTwo\nlines.")
	assert.Equal(t, []block{masthead{Title: "Title"}, heading{Level: 2, Text: "Part"}, list{Items: []string{"one", "two"}},
		table{Dense: true, Columns: []column{{Head: "a", Share: 1}, {Head: "b", Share: 1, Right: true}}, Rows: []row{{Cells: []string{"x", "1"}}}},
		paragraph{Text: "Two lines."}}, d.blocks)
	assert.Panics(t, func() { topic("| a | b |\n|---|---|\n| x |") })
}
