// Package taggedpdf gives a PDF that fpdf makes the structure that a screen reader, a
// reflowing reader or a search goes by: fpdf has none of its own. What is drawn is
// marked as content of an element or as an artifact while it is drawn; Write adds the
// tree of elements to the finished file, so that it meets PDF/UA-1.
//
// Conventions: ISO 32000-1 (PDF 1.7), 14.7 to 14.9, for structure and marked content;
// ISO 14289-1 (PDF/UA-1) for what must be there. Rectangles are mm from the top left
// corner of a page. Start with New.
//
// Limits: files as fpdf writes them, with one cross-reference table; no links, forms or
// annotations; standard structure types only.
package taggedpdf

import (
	"bytes"
	"encoding/xml"
	"fmt"
	"strings"
	"unicode/utf16"

	"codeberg.org/go-pdf/fpdf"
)

// Kind is a standard structure type, ISO 32000-1, 14.8.4.
type Kind string

// The types in use.
const (
	Section   Kind = "Sect"
	Division  Kind = "Div"
	Paragraph Kind = "P"
	List      Kind = "L"
	Item      Kind = "LI"
	Label     Kind = "Lbl"
	ItemBody  Kind = "LBody"
	Table     Kind = "Table"
	TableHead Kind = "THead"
	TableBody Kind = "TBody"
	TableRow  Kind = "TR"
	HeadCell  Kind = "TH"
	Cell      Kind = "TD"
	Figure    Kind = "Figure"
	Caption   Kind = "Caption"
)

// Heading is the type of a heading of a level from 1 to 6.
func Heading(level int) Kind { return Kind(fmt.Sprintf("H%d", level)) }

// Scope says what a head cell is over.
type Scope string

// The scopes.
const (
	OverColumn Scope = "Column"
	OverRow    Scope = "Row"
)

// Box is a rectangle on a page, mm from its top left corner.
type Box struct{ X, Y, Width, Height float64 }

// element is one element of the structure.
type element struct {
	kind   Kind
	alt    string
	scope  Scope
	box    *[4]float64 // in points from the bottom left corner
	parent *element
	kids   []kid
	number int // of its object, when written
}

// kid is an element, or a piece of marked content on a page.
type kid struct {
	element  *element
	page, id int // from 1; from 0
}

// Tree is the structure of a PDF in the making.
type Tree struct {
	pdf         *fpdf.Fpdf
	title, lang string
	root, open  *element
	marks       [][]*element // of each page, the element of each piece of marked content
	inside      bool         // marked content is being written
}

// New begins the structure of a PDF with a title, in a language as BCP 47 names it.
func New(pdf *fpdf.Fpdf, title, lang string) *Tree {
	root := &element{kind: "Document"}
	pdf.SetTitle(title, true)
	pdf.SetLang(lang)
	pdf.SetXmpMetadata(metadata(title, lang))
	return &Tree{pdf: pdf, title: title, lang: lang, root: root, open: root}
}

// In puts an element into the open one; what content draws is in it.
func (t *Tree) In(kind Kind, content func()) { t.in(&element{kind: kind}, content) }

// Head puts a head cell with its scope into the open row.
func (t *Tree) Head(scope Scope, content func()) {
	t.in(&element{kind: HeadCell, scope: scope}, content)
}

// Picture puts a figure with its text alternative, and where it stands, into the open
// element. All that draw draws is one piece of content.
func (t *Tree) Picture(alt string, at Box, draw func()) {
	_, height := t.pdf.GetPageSize()
	point := t.pdf.GetConversionRatio()
	box := &[4]float64{at.X * point, (height - at.Y - at.Height) * point, (at.X + at.Width) * point, (height - at.Y) * point}
	t.in(&element{kind: Figure, alt: alt, box: box}, func() { t.Content(draw) })
}

// in puts nothing into the tree while marked content is being written, which has no parts.
func (t *Tree) in(e *element, content func()) {
	if t.inside {
		content()
		return
	}
	e.parent = t.open
	t.open.kids = append(t.open.kids, kid{element: e})
	t.open = e
	content()
	t.open = e.parent
}

// Content marks what draw draws, on one page, as content of the open element. Content
// within content belongs to the outer one.
func (t *Tree) Content(draw func()) {
	if t.inside {
		draw()
		return
	}
	page := t.pdf.PageNo()
	for len(t.marks) < page {
		t.marks = append(t.marks, nil)
	}
	id := len(t.marks[page-1])
	t.marks[page-1] = append(t.marks[page-1], t.open)
	t.open.kids = append(t.open.kids, kid{page: page, id: id})
	t.mark(fmt.Sprintf("/%s <</MCID %d>> BDC", t.open.kind, id), draw)
}

// Artifact marks what draw draws as nothing to be read: rules, bars, what every page
// repeats. Within content it is part of that.
func (t *Tree) Artifact(draw func()) {
	if t.inside {
		draw()
		return
	}
	t.mark("/Artifact BMC", draw)
}

func (t *Tree) mark(begin string, draw func()) {
	t.inside = true
	t.pdf.RawWriteStr(begin)
	draw()
	t.pdf.RawWriteStr("EMC")
	t.inside = false
}

// Spoken says how what draw draws is read, where its letters stand in another order.
func (t *Tree) Spoken(text string, draw func()) {
	t.pdf.RawWriteStr("/Span <</ActualText " + hex(text) + ">> BDC")
	draw()
	t.pdf.RawWriteStr("EMC")
}

// hex is a text string as UTF-16 in hexadecimal digits (ISO 32000-1, 7.9.2).
func hex(s string) string {
	var b strings.Builder
	b.WriteString("<FEFF")
	for _, u := range utf16.Encode([]rune(s)) {
		fmt.Fprintf(&b, "%04X", u)
	}
	b.WriteString(">")
	return b.String()
}

// metadata is the XMP packet that names the title and the standard (ISO 14289-1, 5).
func metadata(title, lang string) []byte {
	var safe bytes.Buffer
	// A buffer takes every write.
	_ = xml.EscapeText(&safe, []byte(title))
	return fmt.Appendf(nil, `<?xpacket begin="%s" id="W5M0MpCehiHzreSzNTczkc9d"?>
<x:xmpmeta xmlns:x="adobe:ns:meta/"><rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">
<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/" xmlns:pdfuaid="http://www.aiim.org/pdfua/ns/id/">
<dc:title><rdf:Alt><rdf:li xml:lang="x-default">%s</rdf:li></rdf:Alt></dc:title>
<dc:language><rdf:Bag><rdf:li>%s</rdf:li></rdf:Bag></dc:language>
<pdfuaid:part>1</pdfuaid:part>
</rdf:Description></rdf:RDF></x:xmpmeta>
<?xpacket end="r"?>`, "\ufeff", safe.String(), lang)
}
