package report

import (
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/unicode/norm"
)

// The isolates of the Unicode bidirectional algorithm (UAX #9, 2.4): what stands
// between them finds its own writing direction and does not disturb the text
// around it.
const (
	isolate   = '\u2068' // first strong isolate
	deisolate = '\u2069'
)

// outside prepares text that the program did not write: composed characters, no
// control characters and no marks that turn the writing direction of other text,
// each of these shown as the replacement character. ASCII needs no isolation.
func outside(s string) string {
	ascii := true
	clean := strings.Map(func(r rune) rune {
		if r >= utf8.RuneSelf {
			ascii = false
		}
		return harmless(r)
	}, strings.ToValidUTF8(s, string(unicode.ReplacementChar)))
	if ascii {
		return clean
	}
	return string(isolate) + norm.NFC.String(clean) + string(deisolate)
}

// harmless gives a space for what ends a line, and the replacement character for
// control characters and for format characters: marks of the writing direction
// and all that cannot be seen, but for the joiners that some scripts are spelt
// with.
func harmless(r rune) rune {
	switch {
	case r == '\n' || r == '\t' || unicode.In(r, unicode.Zl, unicode.Zp):
		return ' '
	case r == joiner || r == parter:
		return r
	case unicode.In(r, unicode.Cc, unicode.Cf):
		return unicode.ReplacementChar
	}
	return r
}
