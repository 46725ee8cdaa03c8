// Package printable makes text that the program did not write fit to be printed:
// names of files, fields of DICOM headers, of tables, of stored measurements and
// of archives, remarks. Whatever such a text holds, it steers no terminal, begins
// no line, turns the writing direction of nothing beside it and begins no formula
// of a spreadsheet.
//
// Start with Line for a terminal, Fprintf for a line with several of them,
// Isolated for a report, Cell for a table. The paragraphs of the Unicode
// bidirectional algorithm are those of Unicode Standard Annex 9.
package printable

import (
	"fmt"
	"io"
	"strings"
	"unicode"
	"unicode/utf16"
	"unicode/utf8"

	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"
)

// The isolates of the Unicode bidirectional algorithm (UAX 9, 2.4): what stands
// between them finds its own writing direction and does not disturb the text
// around it.
const (
	Isolate   = '\u2068' // first strong isolate
	Deisolate = '\u2069'
)

// Joiner and NonJoiner cannot be seen, but some scripts are spelt with them.
const (
	Joiner    = '\u200d'
	NonJoiner = '\u200c'
)

// Plain gives a text as one line without anything that cannot be seen: a space
// for what ends a line, and the replacement character for control characters, for
// marks of the writing direction and for what is not UTF-8.
func Plain(s string) string {
	return strings.Map(visible, strings.ToValidUTF8(s, string(unicode.ReplacementChar)))
}

// visible is Plain for a character.
func visible(r rune) rune {
	switch {
	case r == '\n' || r == '\t' || unicode.In(r, unicode.Zl, unicode.Zp):
		return ' '
	case r == Joiner || r == NonJoiner:
		return r
	case unicode.In(r, unicode.Cc, unicode.Cf):
		return unicode.ReplacementChar
	}
	return r
}

// Isolated is Plain for a field of a report: in composed characters, and isolated
// as a whole. ASCII needs no isolation.
func Isolated(s string) string {
	clean := Plain(s)
	if !strings.ContainsFunc(clean, func(r rune) bool { return r >= utf8.RuneSelf }) {
		return clean
	}
	return string(Isolate) + norm.NFC.String(clean) + string(Deisolate)
}

// Line is Plain for a whole line or sentence, whether or not its fields went
// through Isolated: only what is written from right to left stays isolated, or
// is, as isolates themselves are a nuisance where a terminal does not know them.
func Line(s string) string {
	var out, part strings.Builder // part is what stands between two isolates
	flush := func(inside bool) {
		text := part.String()
		part.Reset()
		switch {
		case !inside:
			isolateRuns(&out, text)
		case Turns(text):
			out.WriteString(string(Isolate) + text + string(Deisolate))
		default:
			out.WriteString(text)
		}
	}
	open := false
	for _, r := range strings.ToValidUTF8(s, string(unicode.ReplacementChar)) {
		if !open && r == Isolate || open && r == Deisolate {
			flush(open)
			open = !open
			continue
		}
		part.WriteRune(visible(r))
	}
	flush(open)
	return out.String()
}

// isolateRuns writes a text with each run that is written from right to left
// isolated: from its first such letter to its last, with nothing from left to
// right between them.
func isolateRuns(out *strings.Builder, text string) {
	for {
		start := strings.IndexFunc(text, turns)
		if start < 0 {
			out.WriteString(text)
			return
		}
		end := start
		for i, r := range text[start:] {
			p, _ := bidi.LookupRune(r)
			if p.Class() == bidi.L {
				break
			}
			if turns(r) || p.Class() == bidi.NSM {
				end = start + i + utf8.RuneLen(r)
			}
		}
		out.WriteString(text[:start] + string(Isolate) + text[start:end] + string(Deisolate))
		text = text[end:]
	}
}

// Turns reports whether a text has letters or digits that are written from right
// to left.
func Turns(s string) bool { return strings.ContainsFunc(s, turns) }

func turns(r rune) bool {
	p, _ := bidi.LookupRune(r)
	return p.Class() == bidi.R || p.Class() == bidi.AL || p.Class() == bidi.AN
}

// Fprintf is fmt.Fprintf with each argument as a Line; only the format ends lines.
func Fprintf(w io.Writer, format string, args ...any) {
	fmt.Fprintf(w, format, lines(args)...)
}

// Sprintf is fmt.Sprintf with each argument as a Line; only the format ends lines.
func Sprintf(format string, args ...any) string {
	return fmt.Sprintf(format, lines(args)...)
}

func lines(args []any) []any {
	out := make([]any, len(args))
	for i, a := range args {
		out[i] = argument{a}
	}
	return out
}

// argument prints a value as a Line.
type argument struct{ value any }

// Format prints the value as its verb and flags ask, then makes it a Line.
func (a argument) Format(f fmt.State, verb rune) {
	_, _ = io.WriteString(f, Line(fmt.Sprintf(fmt.FormatString(f, verb), a.value)))
}

// JSON escapes the characters that are valid within a text of JSON but not
// visible, so that a terminal can show it. Its meaning stays.
func JSON(text []byte) []byte {
	var out []byte
	done := 0
	for i := 0; i < len(text); {
		r, size := utf8.DecodeRune(text[i:])
		if r >= 0x7f && r != Joiner && r != NonJoiner && unicode.In(r, unicode.Cc, unicode.Cf, unicode.Zl, unicode.Zp) {
			out = append(out, text[done:i]...)
			for _, unit := range utf16.AppendRune(nil, r) {
				out = fmt.Appendf(out, `\u%04x`, unit)
			}
			done = i + size
		}
		i += size
	}
	if done == 0 {
		return text
	}
	return append(out, text[done:]...)
}
