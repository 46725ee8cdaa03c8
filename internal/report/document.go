// Package report writes what was measured for people to read: the report of one
// case and of a clinician's series, as one self-contained HTML page, as a PDF or
// as text for a terminal.
//
// A report is made once, as a Document of headings, tables, figures and words;
// HTML, PDF and Text are three ways to write a Document, so that they cannot
// differ. What a terminal shows is shorter, and made of the same tables and
// sentences. Start with Case, Stored or Figures.
//
// Conventions: lengths mm, angles degrees, ISO dates, a decimal point. The same
// input gives the same bytes. Text from outside (names, remarks, messages) goes
// through outside, which isolates its writing direction; whether it did or not,
// all text goes through package printable when a document is written.
package report

import (
	"slices"

	"plumbline/internal/printable"
	"plumbline/internal/report/drawing"
)

// Document is a report before it is written.
type Document struct {
	Title  string // of the file
	Foot   string // at the foot of every page
	Date   string // ISO; the date that the PDF carries
	blocks []block
	// Simulated says that nobody was operated on; every page says so.
	Simulated bool
	coded     bool // flags have their codes, for a terminal

	address func(of string) string // see Alive
}

// simulated stands on every page about a phantom.
const simulated = "Simulated: no patient"

// kicker is a line over what has no page of its own, which says first that it is simulated.
func (d *Document) kicker(text string) string {
	if d.Simulated {
		return simulated + " · " + text
	}
	return text
}

// add puts blocks behind the others. A notice is a part of the section that it is in.
func (d *Document) add(blocks ...block) {
	for _, b := range blocks {
		if n, ok := b.(notice); ok {
			n.Level = 2
			if slices.ContainsFunc(d.blocks, func(b block) bool { _, is := b.(heading); return is }) {
				n.Level = 3
			}
			b = n
		}
		d.blocks = append(d.blocks, b)
	}
}

// block is one part of a document, from top to bottom.
type block interface{ block() }

// masthead opens a report.
type masthead struct {
	Kicker, Title string
	Facts         [][2]string // name and value
	Within        bool        // a page that has a title of its own
}

// heading opens a section (Level 2) or a part of one (Level 3). Page starts a
// new page on paper.
type heading struct {
	Level int
	Text  string
	Page  bool
}

// paragraph is running text. Lead is larger, Small is smaller.
type paragraph struct {
	Text        string
	Lead, Small bool
}

// list is a list of short points.
type list struct{ Items []string }

// notice is a box that cannot be overlooked.
type notice struct {
	Title string
	Items []string
	Grave bool // a breach or a doubt
	Small bool // set smaller on paper

	Entered bool // a grave one has the mark of a structure entered
	Level   int  // of its heading; see Document.add
}

// column of a table: its head, and its share of the width on paper.
type column struct {
	Head  string
	Share float64
	Mono  bool // for hashes and codes
	Right bool // numbers, aligned at the right
}

// row of a table. Part is set in from the row above it; Strong stands out.
type row struct {
	Cells        []string
	Part, Strong bool
}

// table is a table with a head and, where Caption is not empty, a line above.
// Dense sets it smaller on paper, Fine smaller still: what is looked up, not read.
type table struct {
	Caption string
	Dense   bool
	Fine    bool
	Columns []column
	Rows    []row
}

// gauge is a figure in large type over its ruler.
type gauge struct {
	Name, Value, Note string
	Drawing           drawing.Drawing
}

// gauges stand in one row.
type gauges struct{ Items []gauge }

// beside puts blocks next to each other where there is room. Share is the right ones'
// part of the width on paper.
type beside struct {
	Left, Right []block
	Share       float64
}

// picture is a drawing with a caption. Steps, for HTML only, replace the drawing
// by a stack that a reader steps through; Narrow takes its place on a narrow screen.
type picture struct {
	Drawing drawing.Drawing
	Narrow  *drawing.Drawing
	Caption string
	Steps   *stack
	Paper   bool // only in the PDF: in HTML the steps beside it show the same
	Screen  bool // only in HTML: on paper there is no room for it
}

// stack is a row of drawings of which one is seen at a time.
type stack struct {
	Name     string
	Drawings []drawing.Drawing
	Labels   []string // where each lies
	Start    int
}

// pictures stand side by side, as many in a row as Across says. Outlines says
// that planned and achieved outlines can be switched. With a Share they are one row that
// on paper takes that share of its columns' width, and has its captions beside it.
type pictures struct {
	Items    []picture
	Across   int
	Outlines bool
	Share    float64
}

// atWidths is a chart for paper and for a narrow screen.
func atWidths(draw func(width float64) drawing.Drawing, caption string) picture {
	narrow := draw(drawing.NarrowChartWidth)
	return picture{Drawing: draw(drawing.ChartWidth), Narrow: &narrow, Caption: caption}
}

func (masthead) block()  {}
func (heading) block()   {}
func (paragraph) block() {}
func (list) block()      {}
func (notice) block()    {}
func (table) block()     {}
func (gauges) block()    {}
func (beside) block()    {}
func (picture) block()   {}
func (pictures) block()  {}

// outside prepares a text that the program did not write.
func outside(s string) string { return printable.Isolated(s) }

// Replace passes every text of the document through f, but for the words within
// drawings.
func (d *Document) Replace(f func(string) string) { *d = *d.replaced(f) }

// printed is the document with every text fit to be printed; drawings see to
// their own words.
func (d *Document) printed() *Document { return d.replaced(printable.Line) }

func (d *Document) replaced(f func(string) string) *Document {
	out := &Document{Title: f(d.Title), Foot: f(d.Foot), Date: f(d.Date), Simulated: d.Simulated, coded: d.coded, address: d.address}
	out.blocks = allReplaced(d.blocks, f)
	return out
}

func allReplaced(blocks []block, f func(string) string) []block {
	var out []block
	for _, b := range blocks {
		out = append(out, replaced(b, f))
	}
	return out
}

func replaced(b block, f func(string) string) block {
	each := func(list []string) []string {
		out := make([]string, len(list))
		for i, s := range list {
			out[i] = f(s)
		}
		return out
	}
	image := func(p picture) picture {
		p.Caption = f(p.Caption)
		if p.Steps != nil {
			steps := *p.Steps
			steps.Name, steps.Labels = f(steps.Name), each(steps.Labels)
			p.Steps = &steps
		}
		return p
	}
	switch v := b.(type) {
	case masthead:
		v.Kicker, v.Title = f(v.Kicker), f(v.Title)
		facts := make([][2]string, len(v.Facts))
		for i, x := range v.Facts {
			facts[i] = [2]string{f(x[0]), f(x[1])}
		}
		v.Facts = facts
		return v
	case heading:
		v.Text = f(v.Text)
		return v
	case paragraph:
		v.Text = f(v.Text)
		return v
	case list:
		v.Items = each(v.Items)
		return v
	case notice:
		v.Title, v.Items = f(v.Title), each(v.Items)
		return v
	case table:
		v.Caption = f(v.Caption)
		columns := slices.Clone(v.Columns)
		for i := range columns {
			columns[i].Head = f(columns[i].Head)
		}
		v.Columns = columns
		rows := make([]row, len(v.Rows))
		for i, r := range v.Rows {
			r.Cells = each(r.Cells)
			rows[i] = r
		}
		v.Rows = rows
		return v
	case gauges:
		items := make([]gauge, len(v.Items))
		for i, g := range v.Items {
			g.Name, g.Value, g.Note = f(g.Name), f(g.Value), f(g.Note)
			items[i] = g
		}
		v.Items = items
		return v
	case beside:
		v.Left, v.Right = allReplaced(v.Left, f), allReplaced(v.Right, f)
		return v
	case picture:
		return image(v)
	case pictures:
		items := make([]picture, len(v.Items))
		for i, p := range v.Items {
			items[i] = image(p)
		}
		v.Items = items
		return v
	}
	return b
}
