package plantable

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"plumbline/internal/tooth"
)

// A comma or a point is a decimal one, or groups digits by three. Most numbers tell
// by their form; the others are read as those of the same table, or asked about.

// numeral is a number as written, taken apart.
type numeral struct {
	original string
	sign     string
	digits   string // with commas and points, without sign, unit and other marks
	decimal  byte   // the comma or point where the form tells that it is the decimal one, else 0
	open     byte   // the one comma or point where it may be decimal or group digits, else 0
}

// parseNumeral takes a field apart.
func parseNumeral(text string) (numeral, error) {
	n := numeral{original: text}
	bad := fmt.Errorf("%q is no number", truncate(text))
	s := strings.TrimSpace(strings.NewReplacer("−", "-", "–", "-").Replace(text))
	s = strings.TrimSpace(strings.TrimSuffix(strings.ToLower(s), "mm"))
	if s != "" && (s[0] == '-' || s[0] == '+') {
		n.sign, s = s[:1], strings.TrimSpace(s[1:])
	}
	// Apostrophes and narrow spaces are never decimal marks.
	if strings.ContainsAny(s, "'’\u202f") {
		whole := s
		if i := strings.IndexFunc(s, isMark); i >= 0 {
			whole, n.decimal = s[:i], s[i]
		}
		groups := strings.FieldsFunc(whole, func(r rune) bool { return strings.ContainsRune("'’\u202f", r) })
		fraction := s[len(whole):]
		if !inThrees(groups) || len(fraction) > 1 && strings.ContainsFunc(fraction[1:], isMark) {
			return n, bad
		}
		s = strings.Join(groups, "") + fraction
	}
	if words := strings.FieldsFunc(s, unicode.IsSpace); len(words) > 1 {
		return n, fmt.Errorf("%q may be the one number %s or the numbers %s; write one number, without spaces, in a field",
			truncate(text), truncate(n.sign+strings.Join(words, "")), truncate(n.sign+strings.Join(words, " and ")))
	}
	if strings.Trim(s, "0123456789.,") != "" || !strings.ContainsAny(s, "0123456789") {
		return n, bad
	}
	n.digits = s
	commas, points := strings.Count(s, ","), strings.Count(s, ".")
	last := strings.LastIndexFunc(s, isMark)
	switch {
	case last < 0 || n.decimal != 0:
	case commas > 0 && points > 0:
		n.decimal = s[last]
		if whole := s[:last]; strings.IndexByte(whole, n.decimal) >= 0 || !inThrees(strings.FieldsFunc(whole, isMark)) {
			return n, bad
		}
	case commas+points > 1:
		if !inThrees(strings.FieldsFunc(s, isMark)) {
			return n, bad
		}
		n.decimal = otherMark(s[last])
	case inThrees(strings.FieldsFunc(s, isMark)):
		n.open = s[last]
	default:
		n.decimal = s[last]
	}
	return n, nil
}

func isMark(r rune) bool { return r == ',' || r == '.' }

func otherMark(mark byte) byte { return ',' + '.' - mark }

// inThrees reports whether digits are grouped by three, as in 1 234 567.
func inThrees(groups []string) bool {
	if len(groups) < 2 || len(groups[0]) == 0 || len(groups[0]) > 3 || groups[0][0] == '0' {
		return false
	}
	return !slices.ContainsFunc(groups[1:], func(s string) bool { return len(s) != 3 })
}

// value is the number where a mark is the decimal one, and how many decimals it has.
func (n numeral) value(decimal byte) (x float64, decimals int, err error) {
	s := n.digits
	if decimal != 0 {
		s = strings.ReplaceAll(s, string(otherMark(decimal)), "")
		s = strings.ReplaceAll(s, string(decimal), ".")
	}
	if x, err = strconv.ParseFloat(n.sign+s, 64); err != nil || math.IsInf(x, 0) {
		return 0, 0, fmt.Errorf("%q is no number", truncate(n.original))
	}
	if _, after, ok := strings.Cut(s, "."); ok {
		decimals = len(after)
	}
	return x, decimals, nil
}

// evidence is the mark that a numeral shows to be the decimal one, by its form or
// since it would lie outside any scanner otherwise; 0 where it shows none.
func (n numeral) evidence(factor float64) byte {
	if n.open == 0 {
		return n.decimal
	}
	if x, _, err := n.value(otherMark(n.open)); err == nil && math.Abs(x)*factor > maxCoordinate {
		return n.open
	}
	return 0
}

// parseNumber reads a number with a decimal point or comma, perhaps with its unit
// behind it. decimal is the mark that the other numbers of the table show to be the
// decimal one, 0 for none.
func parseNumber(text string, decimal byte) (x float64, decimals int, err error) {
	n, err := parseNumeral(text)
	switch {
	case err != nil:
		return 0, 0, err
	case n.open == 0:
		return n.value(n.decimal)
	case n.open == decimal || n.open == '.' && decimal == 0: // most programs write points
		return n.value(n.open)
	case n.open == ',' && decimal == '.':
		return n.value(decimal)
	}
	fraction, _, err := n.value(n.open)
	if err != nil {
		return 0, 0, err
	}
	whole, _, err := n.value(otherMark(n.open))
	if err != nil {
		return 0, 0, err
	}
	return 0, 0, fmt.Errorf("%q may be %v or %v; write it with a decimal point and without marks between thousands", truncate(text), fraction, whole)
}

// setDecimal finds which mark is the decimal one in the table, where its numbers
// agree.
func (g *grid) setDecimal() {
	seen := map[byte]bool{}
	for _, row := range g.rows {
		for i, h := range g.heads {
			if i >= len(row) {
				continue
			}
			for _, s := range h.numbersIn(row[i].text) {
				if n, err := parseNumeral(s); err == nil {
					seen[n.evidence(h.factor)] = true
				}
			}
		}
	}
	for i := range g.heads {
		switch {
		case seen[','] && !seen['.']:
			g.heads[i].decimal = ','
		case seen['.'] && !seen[',']:
			g.heads[i].decimal = '.'
		}
	}
}

// numbersIn are the numbers of a field under the heading, as written.
func (h heading) numbersIn(text string) []string {
	switch {
	case text == "" || h.what != aPoint && h.what != aDiameter && h.what != aLength:
		return nil
	case h.what == aPoint && h.axis == 0:
		return coordinates(text)
	}
	return []string{text}
}

// checkDoubled refuses columns that hold the same by their headings and differ.
func (g *grid) checkDoubled() (line int, err error) {
	byPoint := g.hasColumn(func(h heading) bool { return h.what == aPointName })
	for i, a := range g.heads {
		if a.what == aPoint && a.end == noEnd && !byPoint {
			continue // no row is read from it
		}
		for j, b := range g.heads[:i] {
			if a.what == aNothing || a.what == aPointName || a.what != b.what || a.end != b.end || a.axis != b.axis {
				continue
			}
			for _, row := range g.rows {
				if i >= len(row) || !a.contradicts(row[i].text, row[j].text) {
					continue
				}
				return row[i].line, fmt.Errorf("columns %d (%q) and %d (%q) both give the %s, here %q and %q; leave one of them, or head the other with what it is",
					j+1, b.text, i+1, a.text, a.meaning(), truncate(row[j].text), truncate(row[i].text))
			}
		}
	}
	return 0, nil
}

// contradicts reports whether two fields cannot both be meant under the heading: of
// labels, tooth numbers.
func (h heading) contradicts(a, b string) bool {
	if a == "" || b == "" || a == b {
		return false
	}
	isTooth := func(s string) bool {
		_, iso := tooth.Parse(Plain(s), tooth.ISO3950)
		_, universal := tooth.Parse(Plain(s), tooth.Universal)
		return iso == nil || universal == nil
	}
	return h.what != aSite || Plain(a) != Plain(b) && isTooth(a) && isTooth(b)
}

// meaning says what a column holds.
func (h heading) meaning() string {
	switch {
	case h.what == aDiameter:
		return "diameter"
	case h.what == aLength:
		return "length"
	case h.what == aSite:
		return "tooth"
	case h.axis == 0:
		return h.end.String() + " point"
	case h.end == noEnd:
		return "coordinate " + axisNames[h.axis]
	}
	return h.end.String() + " " + axisNames[h.axis]
}
