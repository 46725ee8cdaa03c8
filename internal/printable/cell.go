package printable

import (
	"strings"
	"unicode"
)

const (
	// formulaStarts are the characters with which spreadsheets begin a formula, in
	// half and full width, and the apostrophe that guards against them.
	formulaStarts = "=+-@＝＋－＠'"
	// separators begin a new cell in one spreadsheet or another, whatever the table
	// says of itself.
	separators = ";,|"
)

// Cell is Plain for a cell of a table of comma-separated values: where a
// spreadsheet would begin a formula, at its start or behind what may part cells
// and whatever blanks and quotes lie between, an apostrophe stands. FromCell takes
// it off again.
func Cell(s string) string {
	var out strings.Builder
	start := true
	for _, r := range Plain(s) {
		if start && strings.ContainsRune(formulaStarts, r) {
			out.WriteByte('\'')
		}
		start = strings.ContainsRune(separators, r) || start && blank(r)
		out.WriteRune(r)
	}
	return out.String()
}

// blank reports whether a spreadsheet, or a program that cleans a table, may strip
// a character off a cell.
func blank(r rune) bool {
	return unicode.IsSpace(r) || !unicode.IsPrint(r) || r == '"' || r == unicode.ReplacementChar
}

// FromCell gives what Cell made a cell of, but for what was not visible. A cell
// that was not made by Cell loses only apostrophes that guard something.
func FromCell(s string) string {
	if !strings.Contains(s, "'") {
		return s
	}
	var out strings.Builder
	start := true
	runes := []rune(s)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		if start && r == '\'' && i+1 < len(runes) && strings.ContainsRune(formulaStarts, runes[i+1]) {
			i++
			r = runes[i]
		}
		start = strings.ContainsRune(separators, r) || start && blank(r)
		out.WriteRune(r)
	}
	return out.String()
}
