// Package plantable reads a table of planned fixtures as people copy it from a
// planning program's printout: entry and apex points, and what stands beside
// them.
//
// The table may be parted by tabs, semicolons or commas, with decimal points or
// commas, with units in its headings, a row a fixture or a column a fixture, or a
// row a point. What its headings do not say is left out and not guessed. Start
// with Read.
//
// Conventions: lengths are turned into mm; coordinates stay in the table's own
// frame. Nothing else than the columns that are understood is kept, so no name
// that stands in the table comes through.
//
// Limits: a table with decimal commas and commas between
// its columns can be read only where the numbers are in quotes.
package plantable

import (
	"bytes"
	"fmt"
	"slices"
	"strings"
	"unicode/utf16"
	"unicode/utf8"

	"plumbline/internal/geom"
	"plumbline/internal/tooth"
)

// Fixture is one planned fixture of a table.
type Fixture struct {
	Line        int    // where it stands, from 1
	Label       string // of the tooth, as written; "" where there is none
	Entry, Apex geom.Vec
	Diameter    float64 // mm; 0 where the table has none
	Length      float64 // mm; 0 where the table has none
	Decimals    int     // of its most precise coordinate
}

// Table is what a printout says.
type Table struct {
	Fixtures  []Fixture
	Numbering tooth.System // "" where neither headings nor labels nor points tell
	Axes      string       // "lps" or "ras" where the headings name the axes so, else ""
	Skipped   []string     // headings that are not understood
}

// Error is a fault in a table.
type Error struct {
	File    string
	Line    int // from 1; 0 for the whole table
	Message string
}

func (e *Error) Error() string {
	if e.Line > 0 {
		return fmt.Sprintf("%s:%d: %s", e.File, e.Line, e.Message)
	}
	return e.File + ": " + e.Message
}

const (
	// MaxFile bounds a table, bytes; fifty fixtures take some kilobytes.
	MaxFile = 1 << 20
	// maxFixtures is more than a mouth has teeth.
	maxFixtures = 32
	// maxColumns bounds what one row may hold.
	maxColumns = 500
	// maxCoordinate is the largest coordinate, mm; a patient lies within a scanner.
	maxCoordinate = 20000
)

// Read reads a table; file is its name, for messages.
//
// Errors: *Error.
func Read(file string, data []byte) (*Table, error) {
	fault := func(line int, format string, args ...any) (*Table, error) {
		return nil, &Error{File: file, Line: line, Message: fmt.Sprintf(format, args...)}
	}
	if len(data) > MaxFile {
		return fault(0, "the file is larger than %d MiB; a table of fixtures is text of a few kilobytes", MaxFile>>20)
	}
	text := decode(data)
	if strings.ContainsRune(text, 0) {
		return fault(0, "this is no text; save the table as CSV")
	}
	// The right reading is that in which the most headings are understood.
	var best *grid
	for _, between := range []rune{'\t', ';', ',', '|'} {
		rows := splitCells(text, between)
		for _, g := range []*grid{findHeadings(rows), findHeadings(transpose(rows))} {
			if g != nil && (best == nil || g.score() > best.score()) {
				g.between = between
				best = g
			}
		}
	}
	if best == nil {
		return fault(0, `no headings were found; the table needs columns such as "entry x", "entry y", "entry z", "apex x", "apex y", "apex z", or "point", "x", "y", "z"`)
	}
	t, line, err := best.read()
	if err != nil {
		return fault(line, "%v", err)
	}
	return t, nil
}

// decode turns a file's bytes into text: UTF-8, UTF-16 with a byte order mark, or
// else what Windows writes in western Europe.
func decode(data []byte) string {
	switch {
	case bytes.HasPrefix(data, []byte("\xef\xbb\xbf")):
		data = data[3:]
	case bytes.HasPrefix(data, []byte("\xff\xfe")), bytes.HasPrefix(data, []byte("\xfe\xff")):
		big := data[0] == 0xfe
		var words []uint16
		for i := 2; i+1 < len(data); i += 2 {
			a, b := data[i], data[i+1]
			if big {
				a, b = b, a
			}
			words = append(words, uint16(a)|uint16(b)<<8)
		}
		return string(utf16.Decode(words))
	}
	if utf8.Valid(data) {
		return string(data)
	}
	var b strings.Builder
	for _, c := range data {
		b.WriteRune(rune(c))
	}
	return b.String()
}

// cell is a field with the line it stands in.
type cell struct {
	text string
	line int
}

// splitCells parts a text into rows of fields. Quotes hold a field together; a quote
// in it is doubled (RFC 4180). Empty rows are left out.
func splitCells(text string, between rune) [][]cell {
	var rows [][]cell
	var row []cell
	var field strings.Builder
	line, quoted := 1, false
	flush := func() {
		if len(row) < maxColumns {
			row = append(row, cell{strings.TrimSpace(strings.ReplaceAll(field.String(), "\u00a0", " ")), line})
		}
		field.Reset()
	}
	end := func() {
		flush()
		if slices.ContainsFunc(row, func(c cell) bool { return c.text != "" }) {
			rows = append(rows, row)
		}
		row = nil
	}
	runes := []rune(text)
	for i := 0; i < len(runes); i++ {
		r := runes[i]
		switch {
		case quoted && r == '"' && i+1 < len(runes) && runes[i+1] == '"':
			field.WriteRune('"')
			i++
		case r == '"' && (quoted || strings.TrimSpace(field.String()) == ""):
			quoted = !quoted
		case r == between && !quoted:
			flush()
		case r == '\n' || r == '\r':
			if r == '\r' && i+1 < len(runes) && runes[i+1] == '\n' {
				continue
			}
			quoted = false
			end()
			line++
		default:
			field.WriteRune(r)
		}
	}
	end()
	return rows
}

// transpose exchanges rows and columns.
func transpose(rows [][]cell) [][]cell {
	var out [][]cell
	for i, row := range rows {
		for j, c := range row {
			for len(out) <= j {
				out = append(out, make([]cell, len(rows)))
			}
			out[j][i] = c
		}
	}
	return out
}

// grid is a table with its headings.
type grid struct {
	between rune
	heads   []heading
	rows    [][]cell
	line    int // of the headings
}

// findHeadings finds the row of headings among the first ones; nil where there is
// none.
func findHeadings(rows [][]cell) *grid {
	const within = 20 // rows of titles and remarks above
	var best *grid
	for i, row := range rows[:min(len(rows), within)] {
		g := &grid{rows: rows[i+1:], line: row[0].line}
		for _, c := range row {
			g.heads = append(g.heads, parseHeading(c.text))
		}
		if i > 0 {
			g.setEndsFrom(rows[i-1])
		}
		if g.score() >= 2 && (best == nil || g.score() > best.score()) {
			best = g
		}
	}
	return best
}

// setEndsFrom gives bare axes the end that stands above them, in a cell over all
// three.
func (g *grid) setEndsFrom(above []cell) {
	which := noEnd
	for i := range g.heads {
		if i < len(above) && above[i].text != "" {
			which = endNamed(splitWords(above[i].text))
		}
		if h := &g.heads[i]; h.axis != 0 && h.end == noEnd {
			h.end = which
		}
	}
}

// score counts the headings that are understood, those of points twice.
func (g *grid) score() int {
	n := 0
	seen := map[heading]bool{}
	for _, h := range g.heads {
		h.text, h.factor, h.numbering, h.letter = "", 0, "", ""
		if seen[h] {
			continue
		}
		seen[h] = true
		if h.axis != 0 || h.end != 0 && h.what == aPoint {
			n += 2
		} else if h.what != aNothing {
			n++
		}
	}
	return n
}

// read reads the rows under the headings.
func (g *grid) read() (*Table, int, error) {
	out := &Table{}
	for _, h := range g.heads {
		if h.what == aNothing && h.text != "" {
			out.Skipped = append(out.Skipped, h.text)
		}
		if h.unit != "" && h.factor == 0 {
			return nil, g.line, fmt.Errorf("the unit %q in the heading %q is not known; expected mm, cm, m or µm", h.unit, h.text)
		}
		if h.numbering != "" {
			out.Numbering = h.numbering
		}
	}
	out.Axes = g.axes()
	if line, err := g.checkDoubled(); err != nil {
		return nil, line, err
	}
	g.setDecimal()
	var err error
	line := 0
	if g.hasColumn(func(h heading) bool { return h.what == aPointName }) {
		line, err = g.readPointRows(out)
	} else {
		line, err = g.readFixtureRows(out)
	}
	if err != nil {
		return nil, line, err
	}
	switch {
	case len(out.Fixtures) == 0:
		return nil, 0, fmt.Errorf("it has headings but no fixture below them")
	case len(out.Fixtures) > maxFixtures:
		return nil, out.Fixtures[maxFixtures].Line, fmt.Errorf("it has more than %d fixtures; one case is one surgery", maxFixtures)
	}
	if out.Numbering == "" {
		out.Numbering = out.guessNumbering()
	}
	return out, 0, nil
}

func (g *grid) hasColumn(is func(heading) bool) bool { return slices.ContainsFunc(g.heads, is) }

// axes is the frame that the headings' letters name: lps, ras or "".
func (g *grid) axes() string {
	letters := ""
	for _, h := range g.heads {
		if h.axis != 0 && h.letter != "" && !strings.Contains(letters, h.letter) {
			letters += h.letter
		}
	}
	switch letters {
	case "lps", "ras":
		return letters
	}
	return ""
}

// readFixtureRows reads a table with a row a fixture.
func (g *grid) readFixtureRows(out *Table) (int, error) {
	for _, end := range []end{entryEnd, apexEnd} {
		whole := g.hasColumn(func(h heading) bool { return h.what == aPoint && h.end == end && h.axis == 0 })
		for axis := 1; axis <= 3 && !whole; axis++ {
			if !g.hasColumn(func(h heading) bool { return h.end == end && h.axis == axis }) {
				return g.line, fmt.Errorf("there is no column for %s %s; give one headed %q", end, axisNames[axis], end.String()+" "+axisNames[axis])
			}
		}
	}
	for _, row := range g.rows {
		f := Fixture{Line: lineOf(row)}
		points := map[end]*[3]float64{entryEnd: {}, apexEnd: {}}
		some := false
		for i, h := range g.heads {
			text := ""
			if i < len(row) {
				text = row[i].text
			}
			if h.end != noEnd && h.what == aPoint && text != "" {
				some = true
			}
		}
		if !some {
			continue // a remark or a sum below the table
		}
		if len(row) > len(g.heads) && slices.ContainsFunc(row[len(g.heads):], func(c cell) bool { return c.text != "" }) {
			return f.Line, fmt.Errorf("the row has more fields than there are headings%s", g.commaHint())
		}
		for i, h := range g.heads {
			text := ""
			line := f.Line
			if i < len(row) {
				text = row[i].text
				line = max(line, row[i].line)
			}
			if err := h.setField(&f, points, text); err != nil {
				return line, fmt.Errorf("%s: %w%s", h.text, err, g.commaHint())
			}
		}
		f.Entry, f.Apex = vector(*points[entryEnd]), vector(*points[apexEnd])
		out.Fixtures = append(out.Fixtures, f)
	}
	return 0, nil
}

// commaHint is a hint where commas part the columns.
func (g *grid) commaHint() string {
	if g.between == ',' {
		return "; if its numbers have decimal commas, save the table with semicolons between the columns"
	}
	return ""
}

// readPointRows reads a table with a row a point, and the point's name in a column.
func (g *grid) readPointRows(out *Table) (int, error) {
	for axis := 1; axis <= 3; axis++ {
		if !g.hasColumn(func(h heading) bool { return h.axis == axis }) {
			return g.line, fmt.Errorf("there is no column for %s; give one headed %q", axisNames[axis], axisNames[axis])
		}
	}
	type half struct {
		fixture Fixture
		has     map[end]bool
	}
	var all []*half
	label := ""
	for _, row := range g.rows {
		which := noEnd
		var f Fixture
		f.Line = lineOf(row)
		one := map[end]*[3]float64{noEnd: {}}
		own := ""
		for i, h := range g.heads {
			if i < len(row) && h.what == aPointName {
				which = endNamed(splitWords(row[i].text))
			}
			if i < len(row) && h.what == aSite {
				own = row[i].text
			}
		}
		if which == noEnd {
			continue
		}
		if own != "" {
			label = own // a merged cell is written once
		}
		for i, h := range g.heads {
			text := ""
			if i < len(row) {
				text = row[i].text
			}
			if err := h.setField(&f, one, text); err != nil {
				return f.Line, fmt.Errorf("%s: %w%s", h.text, err, g.commaHint())
			}
		}
		var into *half
		for _, h := range all {
			if h.fixture.Label == label && !h.has[which] {
				into = h
			}
		}
		if into == nil {
			into = &half{fixture: Fixture{Line: f.Line, Label: label}, has: map[end]bool{}}
			all = append(all, into)
		}
		into.has[which] = true
		if which == entryEnd {
			into.fixture.Entry = vector(*one[noEnd])
		} else {
			into.fixture.Apex = vector(*one[noEnd])
		}
		for _, size := range []struct {
			name string
			into *float64
			read float64
		}{{"diameter", &into.fixture.Diameter, f.Diameter}, {"length", &into.fixture.Length, f.Length}} {
			if *size.into != 0 && size.read != 0 && *size.into != size.read {
				return f.Line, fmt.Errorf("the fixture's %s is %g mm here and %g mm in its other row; correct one of them", size.name, size.read, *size.into)
			}
			*size.into = max(*size.into, size.read)
		}
		into.fixture.Decimals = max(into.fixture.Decimals, f.Decimals)
	}
	for _, h := range all {
		for _, e := range []end{entryEnd, apexEnd} {
			if !h.has[e] {
				return h.fixture.Line, fmt.Errorf("the fixture has no %s point; each has an entry and an apex", e)
			}
		}
		out.Fixtures = append(out.Fixtures, h.fixture)
	}
	return 0, nil
}

func lineOf(row []cell) int {
	for _, c := range row {
		if c.line > 0 {
			return c.line
		}
	}
	return 0
}

func vector(x [3]float64) geom.Vec { return geom.Vec{X: x[0], Y: x[1], Z: x[2]} }

func truncate(s string) string {
	const longest = 30
	if r := []rune(s); len(r) > longest {
		return string(r[:longest]) + "…"
	}
	return s
}

// guessNumbering infers the numbering from the labels and, where they exist in
// both systems, from the jaw that the points show, given that the third
// coordinate goes up.
func (t *Table) guessNumbering() tooth.System {
	fits := map[tooth.System]bool{}
	for _, system := range []tooth.System{tooth.ISO3950, tooth.Universal} {
		fits[system] = true
		for _, f := range t.Fixtures {
			if n, err := tooth.Parse(Plain(f.Label), system); err != nil || (n.Jaw() == tooth.Upper) != (f.Apex.Z > f.Entry.Z) {
				fits[system] = false
			}
		}
	}
	if fits[tooth.ISO3950] != fits[tooth.Universal] {
		if fits[tooth.ISO3950] {
			return tooth.ISO3950
		}
		return tooth.Universal
	}
	exists := func(system tooth.System) bool {
		return !slices.ContainsFunc(t.Fixtures, func(f Fixture) bool {
			_, err := tooth.Parse(Plain(f.Label), system)
			return err != nil
		})
	}
	switch iso, universal := exists(tooth.ISO3950), exists(tooth.Universal); {
	case iso && !universal:
		return tooth.ISO3950
	case universal && !iso:
		return tooth.Universal
	}
	return ""
}

// Plain is a tooth's label without what printouts put around its number.
func Plain(label string) string {
	s := strings.ToLower(strings.TrimSpace(label))
	for _, around := range []string{"tooth", "site", "region", "regio", "position", "pos", "no", "nr", "#", ".", ":", " "} {
		s = strings.TrimSpace(strings.TrimPrefix(s, around))
	}
	s = strings.TrimSuffix(s, ".0") // a spreadsheet's number
	return strings.TrimLeft(s, "0")
}
