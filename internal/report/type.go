package report

import (
	"bytes"
	"strings"
	"unicode"

	"codeberg.org/go-fonts/dejavu/dejavusans"
	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/gomono"
	"golang.org/x/image/font/gofont/goregular"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/text/unicode/bidi"

	"plumbline/internal/printable"
)

// face is one of the PDF's typefaces.
type face int

const (
	regular face = iota
	bold
	mono
	spare // for letters that the others lack: Hebrew, Arabic and more
	faces
)

// faceNames are fpdf's family names.
var faceNames = [faces]string{"go", "gobold", "gomono", "dejavu"}

var faceBytes = [faces][]byte{goregular.TTF, gobold.TTF, gomono.TTF, dejavusans.TTF}

// noGlyph stands where no typeface has a letter.
const noGlyph = '\u25a1'

// setter measures and sets type in a PDF.
type setter struct {
	pdf     *fpdf.Fpdf
	glyphs  [faces]*sfnt.Font
	added   [faces]bool
	widths  [faces]map[rune]float64 // of one em
	missing map[rune]bool           // letters that no face has
	buffer  sfnt.Buffer             // used again for every letter, as it is large
}

func newSetter(pdf *fpdf.Fpdf) (*setter, error) {
	s := &setter{pdf: pdf, missing: map[rune]bool{}}
	for f := range faces {
		g, err := sfnt.Parse(faceBytes[f])
		if err != nil {
			return nil, err
		}
		s.glyphs[f], s.widths[f] = g, map[rune]float64{}
	}
	return s, nil
}

func (s *setter) has(f face, r rune) bool {
	i, err := s.glyphs[f].GlyphIndex(&s.buffer, r)
	return err == nil && i != 0
}

// pick gives the face that shows r, and what to show.
func (s *setter) pick(want face, r rune) (face, rune) {
	if r <= 0xffff { // the PDF's text has two bytes a letter
		for _, f := range []face{want, regular, spare} {
			if s.has(f, r) {
				return f, r
			}
		}
	}
	s.missing[r] = true
	return regular, noGlyph
}

// use makes a face the current one. Faces are added when they are first used,
// so that a PDF has only what it needs.
func (s *setter) use(f face, size float64) {
	if !s.added[f] {
		// fpdf writes into the bytes that it is given.
		s.pdf.AddUTF8FontFromBytes(faceNames[f], "", bytes.Clone(faceBytes[f]))
		s.added[f] = true
	}
	s.pdf.SetFont(faceNames[f], "", size/mmPerPoint)
}

const mmPerPoint = 25.4 / 72

// ems is the width of a letter in the height of its type.
func (s *setter) ems(f face, r rune) float64 {
	if w, ok := s.widths[f][r]; ok {
		return w
	}
	s.use(f, 10)
	w := float64(s.pdf.GetStringSymbolWidth(string(r))) / 1000
	s.widths[f][r] = w
	return w
}

// Isolates whose direction is decided.
const (
	isolateLeft  = '\u2066'
	isolateRight = '\u2067'
)

// silent tells letters that take no room.
func silent(r rune) bool {
	switch r {
	case printable.Isolate, printable.Deisolate, isolateLeft, isolateRight, printable.Joiner, printable.NonJoiner, '\u200e', '\u200f', '\u061c':
		return true
	}
	return false
}

// width of text in mm; size is the height of the type in mm.
func (s *setter) width(text string, f face, size float64) float64 {
	sum := 0.0
	for _, r := range text {
		if silent(r) {
			continue
		}
		at, shown := s.pick(f, r)
		sum += s.ems(at, shown)
	}
	return sum * size
}

// prepared decides the direction of isolated text and joins its letters.
func prepared(text string) string {
	if !strings.ContainsRune(text, printable.Isolate) {
		return text
	}
	var b strings.Builder
	for text != "" {
		before, rest, found := strings.Cut(text, string(printable.Isolate))
		b.WriteString(before)
		if !found {
			break
		}
		inner, after, _ := strings.Cut(rest, string(printable.Deisolate))
		if rightToLeft(inner) {
			b.WriteRune(isolateRight)
		} else {
			b.WriteRune(isolateLeft)
		}
		b.WriteString(joined(inner))
		b.WriteRune(printable.Deisolate)
		text = after
	}
	return b.String()
}

// rightToLeft tells the direction of a text by its first letter that has one
// (UAX #9, P2 and P3).
func rightToLeft(s string) bool {
	for _, r := range s {
		p, _ := bidi.LookupRune(r)
		switch p.Class() {
		case bidi.L:
			return false
		case bidi.R, bidi.AL:
			return true
		}
	}
	return false
}

// unbroken are the words of a text, those that belong together as one where a line has room
// for them.
func (s *setter) unbroken(text string, f face, size, width float64) []string {
	var out []string
	for _, word := range strings.Split(tied.Replace(text), " ") {
		plain := strings.ReplaceAll(word, nonBreakingSpace, " ")
		if s.width(plain, f, size) <= width {
			out = append(out, plain)
			continue
		}
		out = append(out, strings.Split(plain, " ")...)
	}
	return out
}

// lines breaks prepared text into lines no wider than width, at spaces where it
// can; a space that a line breaks at stays at its end, beyond the width. Isolated text that goes on in the next line is isolated again there.
func (s *setter) lines(text string, f face, size, width float64) []string {
	var out []string
	var line strings.Builder
	used := 0.0
	open := rune(0)
	flush := func(end string) {
		if open != 0 {
			line.WriteRune(printable.Deisolate)
		}
		out = append(out, strings.TrimRight(line.String(), " ")+end)
		line.Reset()
		used = 0
		if open != 0 {
			line.WriteRune(open)
		}
	}
	space := s.width(" ", f, size)
	for i, word := range s.unbroken(text, f, size, width) {
		w := s.width(word, f, size)
		if i > 0 {
			if used > 0 && used+space+w > width {
				flush(" ")
			} else if used > 0 {
				line.WriteByte(' ')
				used += space
			}
		}
		for _, r := range word {
			letter := 0.0
			switch {
			case r == isolateLeft || r == isolateRight:
				open = r
			case r == printable.Deisolate:
				open = 0
			case !silent(r):
				at, shown := s.pick(f, r)
				letter = s.ems(at, shown) * size
			}
			if used > 0 && used+letter > width {
				flush("")
			}
			line.WriteRune(r)
			used += letter
		}
	}
	flush("")
	return out
}

// visual puts a line's letters into the order in which they stand on paper.
func visual(line string) string {
	if !strings.ContainsAny(line, string(isolateLeft)+string(isolateRight)) {
		return line
	}
	var b strings.Builder
	for line != "" {
		i := strings.IndexAny(line, string(isolateLeft)+string(isolateRight))
		if i < 0 {
			b.WriteString(line)
			break
		}
		b.WriteString(line[:i])
		right := strings.HasPrefix(line[i:], string(isolateRight))
		inner, after, _ := strings.Cut(line[i+len(string(isolateLeft)):], string(printable.Deisolate))
		b.WriteString(ordered(inner, right))
		line = after
	}
	return b.String()
}

// ordered is one isolated text as it stands on paper. Levels deeper than those
// of numbers and Latin words inside right-to-left text do not come from names
// and remarks.
func ordered(s string, right bool) string {
	if s == "" {
		return s
	}
	// A mark in front decides the direction, also of a line that goes on with
	// letters of the other one. It takes no room.
	mark := "\u200e"
	if right {
		mark = "\u200f"
	}
	var p bidi.Paragraph
	if _, err := p.SetString(mark + s); err != nil {
		return s
	}
	order, err := p.Order()
	if err != nil {
		return s
	}
	var runs []string
	var turned []bool // right to left, or a number among such
	for i := range order.NumRuns() {
		r := order.Run(i)
		text := r.String()
		rtl := r.Direction() == bidi.RightToLeft
		if rtl {
			text = bidi.ReverseString(text)
		}
		runs, turned = append(runs, text), append(turned, rtl)
	}
	for i := 1; i+1 < len(runs); i++ {
		if !turned[i] && turned[i-1] && turned[i+1] && !strings.ContainsFunc(runs[i], unicode.IsLetter) {
			turned[i] = true
		}
	}
	var b strings.Builder
	for i := 0; i < len(runs); {
		j := i
		for j < len(runs) && (right || turned[j]) {
			j++
		}
		for k := j - 1; k >= i; k-- {
			b.WriteString(runs[k])
		}
		if j == i {
			b.WriteString(runs[i])
			j++
		}
		i = j
	}
	return b.String()
}

// set writes one line of prepared text with its baseline at y.
func (s *setter) set(x, y float64, line string, f face, size float64) {
	var part strings.Builder
	at := f
	flush := func() {
		if part.Len() == 0 {
			return
		}
		s.use(at, size)
		s.pdf.Text(x, y, part.String())
		x += s.width(part.String(), at, size)
		part.Reset()
	}
	for _, r := range visual(line) {
		if silent(r) {
			continue
		}
		g, shown := s.pick(f, r)
		if g != at {
			flush()
			at = g
		}
		part.WriteRune(shown)
	}
	flush()
}
