package cli

import (
	"bytes"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/stretchr/testify/assert"
)

// No line of progress is wider than the terminal, on one or elsewhere.
func TestProgressFitsTheTerminal(t *testing.T) {
	for _, columns := range []int{0, 48, 80, 132} {
		for _, terminal := range []bool{true, false} {
			var stderr bytes.Buffer
			env := testEnv(nil, &stderr)
			env.Terminal, env.StderrWidth = terminal, columns
			now := env.Now()
			env.Now = func() time.Time { now = now.Add(patience); return now }
			p := newProgress(env)
			for i := range 5 {
				p.show("case 12 of 50: "+strings.Repeat("a long name ", 2*i+1), float64(i+1)/5)
			}
			widest := 0
			for _, line := range strings.FieldsFunc(stderr.String(), func(r rune) bool { return r == '\r' || r == '\n' }) {
				widest = max(widest, utf8.RuneCountInString(line))
			}
			p.end()
			free := 0
			if terminal {
				free = 1
			}
			assert.LessOrEqual(t, widest, width(columns)-free)
			assert.Greater(t, widest, width(columns)-25, "the width is used")
			if columns >= 80 {
				assert.Contains(t, stderr.String(), "case 12 of 50: a long name", "what is at work is told")
			}
		}
	}
}
