package report

import (
	"bytes"
	"io"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"

	"plumbline/internal/printable"
)

// Layout of a text, in columns of the terminal.
const (
	// UnknownWidth is taken where there is no terminal, or it does not say how wide
	// it is: the usual width of a terminal's window.
	UnknownWidth = 80
	// leastWidth keeps a word of a table readable; a terminal narrower than that
	// wraps lines itself.
	leastWidth = 24
	// proseWidth bounds lines of sentences on a wide terminal, where longer ones
	// are hard to follow.
	proseWidth = 88

	textIndent = "  "
	wideGap    = 3 // between the columns of a table that fits
	narrowGap  = 2 // between those of one whose cells are wrapped
	// wholeWord is the longest word that a column has to hold unbroken: a figure
	// with its uncertainty, such as 12.34 ± 0.56.
	wholeWord = 13
)

// nonBreakingSpace holds a number and its unit together while lines are made, for the
// terminal and for paper.
const nonBreakingSpace = "\u00a0"

var tied = strings.NewReplacer(
	" %", nonBreakingSpace+"%", " mm", nonBreakingSpace+"mm",
	" ± ", nonBreakingSpace+"±"+nonBreakingSpace, " = ", nonBreakingSpace+"="+nonBreakingSpace, " × ", nonBreakingSpace+"×"+nonBreakingSpace,
	"● ", "●"+nonBreakingSpace, "○ ", "○"+nonBreakingSpace, "▲ ", "▲"+nonBreakingSpace, "■ ", "■"+nonBreakingSpace)

// Text writes the document for a terminal of so many columns; 0 where that is not
// known. No line is wider: sentences are wrapped with a hanging indent, tables
// wrap their cells, and one that is too narrow even so is written a line a cell.
// Of pictures their captions stand. No character of any text steers the terminal;
// see printable.Line.
//
// Errors: those of w.
func (d *Document) Text(w io.Writer, columns int) error {
	if columns <= 0 {
		columns = UnknownWidth
	}
	p := &textPage{width: max(columns, leastWidth)}
	for _, b := range d.blocks {
		p.block(b)
	}
	_, err := w.Write(p.b.Bytes())
	return err
}

// textPage writes blocks as text.
type textPage struct {
	b      bytes.Buffer
	width  int
	indent string
	last   block // the one above
}

// block writes one block below the last.
func (p *textPage) block(b block) {
	if v, ok := b.(beside); ok {
		for _, part := range slices.Concat(v.Left, v.Right) {
			p.block(part)
		}
		return
	}
	start := p.b.Len()
	switch v := b.(type) {
	case masthead:
		p.sentence(v.Title, "")
		for _, f := range v.Facts {
			p.sentence(printable.Line(f[0])+": "+printable.Line(f[1]), "")
		}
	case heading:
		p.indent = textIndent
		p.sentence(v.Text, "")
	case paragraph:
		p.sentence(v.Text, p.indent)
	case list:
		p.sentences(v.Items, textIndent)
	case notice:
		p.sentence(v.Title, "")
		p.sentences(v.Items, textIndent)
	case table:
		p.table(v)
	case gauges:
		t := table{Columns: []column{{Head: "figure"}, {Head: "value"}, {Head: "95 % interval"}}}
		for _, g := range v.Items {
			t.Rows = append(t.Rows, row{Cells: []string{g.Name, g.Value, g.Note}})
		}
		p.table(t)
	case picture:
		p.sentence(v.Caption, p.indent)
	case pictures:
		for _, it := range v.Items {
			p.sentence(it.Caption, p.indent)
		}
	}
	if p.b.Len() == start {
		return
	}
	if p.parted(b) {
		written := bytes.Clone(p.b.Bytes()[start:])
		p.b.Truncate(start)
		p.b.WriteByte('\n')
		p.b.Write(written)
	}
	p.last = b
}

// parted reports whether an empty line stands above a block.
func (p *textPage) parted(b block) bool {
	if p.last == nil {
		return false
	}
	if _, under := p.last.(heading); under {
		return false
	}
	prose := func(b block) bool {
		switch b.(type) {
		case paragraph, list:
			return true
		}
		return false
	}
	return !prose(p.last) || !prose(b)
}

func (p *textPage) sentences(items []string, indent string) {
	for _, it := range items {
		p.sentence(it, indent)
	}
}

// sentence writes a text in lines; those after the first stand further in where
// there is an indent.
func (p *textPage) sentence(text, indent string) {
	for i, line := range wrap(text, min(p.width, proseWidth)-len(indent), len(indent)) {
		if i > 0 {
			p.b.WriteString(indent)
		}
		p.line(indent + line)
	}
}

// line writes a line without spaces at its end.
func (p *textPage) line(s string) {
	p.b.WriteString(strings.TrimRight(strings.ReplaceAll(s, nonBreakingSpace, " "), " "))
	p.b.WriteByte('\n')
}

// wrap breaks a text into lines of at most so many columns, those after the first
// of hang fewer. A word that no line has room for is broken, behind a hyphen where
// it has one.
func wrap(text string, columns, hang int) []string {
	return isolated(fill(words(text), columns, hang))
}

// fill is wrap for words.
func fill(words []string, columns, hang int) []string {
	var lines []string
	line, used := "", 0
	end := func() {
		if line != "" {
			lines = append(lines, line)
			columns -= hang
			hang = 0
		}
		line, used = "", 0
	}
	for _, word := range words {
		if n := columnsOf(word); line != "" && used+1+n > columns {
			end()
		}
		for columnsOf(word) > columns {
			var part string
			part, word = broken(word, columns)
			line = part
			end()
		}
		if line != "" {
			line += " "
			used++
		}
		line += word
		used += columnsOf(word)
	}
	end()
	return lines
}

// words are the parts of a text between which a line may end.
func words(text string) []string {
	return strings.FieldsFunc(tied.Replace(printable.Line(text)), func(r rune) bool { return r == ' ' })
}

// broken parts a word into what fits into so many columns and the rest: behind
// the last hyphen between letters that fits, else anywhere.
func broken(word string, columns int) (part, rest string) {
	used, at, hyphen := 0, 0, 0
	for i, r := range word {
		n := columnsOf(string(r))
		if used+n > columns && at > 0 {
			break
		}
		used += n
		at = i + utf8.RuneLen(r)
		if next, _ := utf8.DecodeRuneInString(word[at:]); r == '-' && i > 0 && unicode.IsLetter(next) {
			hyphen = at
		}
	}
	if hyphen > 0 {
		at = hyphen
	}
	return word[:at], word[at:]
}

// columnsOf is the room that a text takes on a terminal: two columns for a wide
// or full-width character (Unicode Standard Annex 11), none for a mark over
// another or an isolate.
func columnsOf(s string) int {
	n := 0
	for _, r := range s {
		switch {
		case unicode.In(r, unicode.Mn, unicode.Me, unicode.Cf):
		default:
			n++
			if k := width.LookupRune(r).Kind(); k == width.EastAsianWide || k == width.EastAsianFullwidth {
				n++
			}
		}
	}
	return n
}

// isolated closes an isolate at the end of a line and opens it again on the next,
// so that every line, and every cell beside others, is isolated by itself.
func isolated(lines []string) []string {
	open := false
	for i, line := range lines {
		if open {
			line = string(printable.Isolate) + line
		}
		open = strings.Count(line, string(printable.Isolate)) > strings.Count(line, string(printable.Deisolate))
		if open {
			line += string(printable.Deisolate)
		}
		lines[i] = line
	}
	return lines
}

// Tables.

func (p *textPage) table(t table) {
	p.sentence(t.Caption, p.indent)
	room := p.width - len(p.indent)
	widths, gap := t.columnWidths(room)
	if widths == nil {
		p.stacked(t)
		return
	}
	head := row{}
	for _, c := range t.Columns {
		head.Cells = append(head.Cells, c.Head)
	}
	for _, r := range append([]row{head}, t.Rows...) {
		p.row(t, r, widths, gap)
	}
}

// in is how far the first cell of a row is set in.
func (r row) in() int {
	if r.Part {
		return len(textIndent)
	}
	return 0
}

// row writes a row, as many lines as its tallest cell.
func (p *textPage) row(t table, r row, widths []int, gap int) {
	var cells [][]string
	tallest := 1
	for i, c := range r.Cells {
		room := widths[i]
		if i == 0 {
			room -= r.in()
		}
		cells = append(cells, wrap(c, room, 0))
		tallest = max(tallest, len(cells[i]))
	}
	for n := range tallest {
		line := p.indent
		for i, lines := range cells {
			text := ""
			if n < len(lines) {
				text = lines[n]
			}
			if i == 0 {
				text = strings.Repeat(" ", r.in()) + text
			}
			space := strings.Repeat(" ", max(0, widths[i]-columnsOf(text)))
			if t.Columns[i].Right {
				line += space + text
			} else {
				line += text + space
			}
			if i < len(cells)-1 {
				line += strings.Repeat(" ", gap)
			}
		}
		p.line(line)
	}
}

// stacked writes a table a line a cell, each behind its column's head.
func (p *textPage) stacked(t table) {
	for _, r := range t.Rows {
		for i, c := range r.Cells {
			switch {
			case i == 0:
				p.sentence(c, p.indent)
			case c != "":
				p.sentence(printable.Line(t.Columns[i].Head)+": "+printable.Line(c), p.indent+textIndent)
			}
		}
	}
}

// columnWidths gives each column its room, and the gap between them; nil where
// the columns have no room side by side. Where the cells do not fit on one line
// each, columns give way by one at a time, always the one that makes the table
// the least taller, and of those the widest.
func (t table) columnWidths(room int) (widths []int, gap int) {
	head := row{}
	for _, c := range t.Columns {
		head.Cells = append(head.Cells, c.Head)
	}
	cells := make([][][]string, len(t.Columns)) // words by column and row
	in := []int{0}
	widths, least := make([]int, len(t.Columns)), make([]int, len(t.Columns))
	for _, r := range t.Rows {
		in = append(in, r.in())
	}
	needed, wanted := 0, 0
	for c := range t.Columns {
		for i, r := range append([]row{head}, t.Rows...) {
			cell := words(r.Cells[c])
			cells[c] = append(cells[c], cell)
			set := 0
			if c == 0 {
				set = in[i]
			}
			widths[c] = max(widths[c], set+columnsOf(strings.Join(cell, " ")))
			for _, w := range cell {
				least[c] = max(least[c], set+min(columnsOf(w), wholeWord))
			}
		}
		wanted += widths[c]
		needed += least[c]
	}
	gaps := len(t.Columns) - 1
	switch {
	case wanted+wideGap*gaps <= room:
		return widths, wideGap
	case needed+narrowGap*gaps > room:
		return nil, 0
	}
	heights := func(c, width int) []int {
		out := make([]int, len(in))
		for i, cell := range cells[c] {
			if c == 0 {
				out[i] = len(fill(cell, width-in[i], 0))
			} else {
				out[i] = len(fill(cell, width, 0))
			}
		}
		return out
	}
	tall := make([][]int, len(t.Columns))
	for c := range tall {
		tall[c] = heights(c, widths[c])
	}
	for ; wanted+narrowGap*gaps > room; wanted-- {
		best, bestHeight := -1, 0
		var bestTall []int
		for c := range widths {
			if widths[c] == least[c] {
				continue
			}
			narrower := heights(c, widths[c]-1)
			height := 0
			for i := range in {
				tallest := narrower[i]
				for k := range tall {
					if k != c {
						tallest = max(tallest, tall[k][i])
					}
				}
				height += tallest
			}
			if best < 0 || height < bestHeight || height == bestHeight && widths[c] > widths[best] {
				best, bestHeight, bestTall = c, height, narrower
			}
		}
		widths[best]--
		tall[best] = bestTall
	}
	return widths, narrowGap
}
