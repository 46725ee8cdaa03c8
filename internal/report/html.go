package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html/template"
	"reflect"
	"strings"
	"unicode/utf8"

	"plumbline/internal/printable"
	"plumbline/internal/report/drawing"
)

//go:embed style.css
var style string

//go:embed page.html
var pageSource string

// pages has a template for the page and one for each type of block, by its name.
// The functions of a page being written are page's.
var pages = template.Must(template.New("").Funcs((&page{}).functions()).Parse(pageSource))

// page writes a document as HTML.
type page struct {
	templates *template.Template
	address   func(of string) string // of the cases that drawings show; nil where they lead nowhere
	numbers   map[string]int         // how many of a kind there are so far, for names that differ
}

// HTML writes the document as one self-contained page: no script, nothing from
// outside, which its own content security policy also forbids. Steps and
// switches are radio buttons and check boxes, so that the keyboard works them.
// Every text is escaped for the place where it stands.
func (d *Document) HTML() []byte {
	d = d.onScreen()
	p := &page{numbers: map[string]int{}}
	p.templates = template.Must(pages.Clone()).Funcs(p.functions())
	mark := ""
	if d.Simulated {
		mark = simulated
	}
	return p.execute("page", struct {
		Title     string
		Style     template.CSS
		Simulated string
		Blocks    []block
	}{d.Title, template.CSS(style + stepRules(d.longestStack())), mark, d.blocks})
}

// Parts writes the document for a page that has Style among its styles: up to the end of
// some of its sections, and the rest.
func (d *Document) Parts(sections int) (first, rest template.HTML) {
	d = d.onScreen()
	p := &page{numbers: map[string]int{}, address: d.address}
	p.templates = template.Must(pages.Clone()).Funcs(p.functions())
	var parts [2]strings.Builder
	begun, part := 0, 0
	for _, b := range d.blocks {
		if h, ok := b.(heading); ok && h.Level == 2 {
			if begun++; begun > sections {
				part = 1
			}
		}
		parts[part].WriteString(string(p.write(b)))
	}
	return template.HTML(parts[0].String()), template.HTML(parts[1].String())
}

// onScreen is the document as a browser breaks it into lines: a number keeps its unit.
func (d *Document) onScreen() *Document {
	return d.replaced(func(s string) string { return tied.Replace(printable.Line(s)) })
}

// Within makes the document a part of a page that has a title of its own.
func (d *Document) Within() *Document {
	for i, b := range d.blocks {
		if m, ok := b.(masthead); ok {
			m.Within, m.Kicker = true, d.kicker(m.Kicker)
			d.blocks[i] = m
		}
	}
	return d
}

// Alive lets the drawings of the document's parts name the cases that they show, and lead to
// the address of each; "" leads nowhere.
func (d *Document) Alive(address func(of string) string) *Document {
	d.address = address
	return d
}

// Style is the style sheet of all pages.
func Style() string { return style }

func (p *page) functions() template.FuncMap {
	return template.FuncMap{"write": p.write, "number": p.number, "svg": p.svg, "unbroken": unbroken}
}

// execute runs a template of the program's own on what the program's own types
// have; that it fails is a fault of the program.
func (p *page) execute(name string, data any) []byte {
	var b bytes.Buffer
	if err := p.templates.ExecuteTemplate(&b, name, data); err != nil {
		panic(fmt.Sprintf("report: %v", err))
	}
	return b.Bytes()
}

// write writes a block by the template that has the name of its type.
func (p *page) write(b block) template.HTML {
	return template.HTML(p.execute(reflect.TypeOf(b).Name(), b))
}

// number counts the things of a kind.
func (p *page) number(kind string) int {
	p.numbers[kind]++
	return p.numbers[kind]
}

// svg writes a drawing, given as one or as where it is.
func (p *page) svg(of any) template.HTML {
	d, ok := of.(drawing.Drawing)
	if !ok {
		d = *of.(*drawing.Drawing)
	}
	var b bytes.Buffer
	address := p.address
	if address == nil {
		address = func(string) string { return "" }
	}
	_ = d.Alive(&b, address) // a buffer takes every write
	return template.HTML(b.String())
}

func (d *Document) longestStack() int {
	most := 0
	for _, b := range d.blocks {
		if group, ok := b.(pictures); ok {
			for _, it := range group.Items {
				if it.Steps != nil {
					most = max(most, len(it.Steps.Drawings))
				}
			}
		}
	}
	return most
}

// stepRules show the n-th drawing of a stack where its n-th button is on.
func stepRules(n int) string {
	var b strings.Builder
	for i := 1; i <= n; i++ {
		fmt.Fprintf(&b, ".steps>input:nth-of-type(%d):checked~.frames>svg:nth-of-type(%d)", i, i)
		if i < n {
			b.WriteByte(',')
		} else {
			b.WriteString("{display:block}\n")
		}
	}
	return b.String()
}

// Name is what a table is called where it is not seen.
func (t table) Name() string {
	if t.Caption != "" {
		return t.Caption
	}
	return t.Columns[0].Head
}

// Wide tells a table that a narrow screen has no room for.
func (t table) Wide() bool { return len(t.Columns) > 3 }

// Class names how a table is set.
func (t table) Class() string {
	var names []string
	if t.Wide() {
		names = append(names, "wide")
	}
	if t.Fine {
		names = append(names, "fine")
	}
	return strings.Join(names, " ")
}

// OnPaper is the share of their columns that pictures take when the page is printed.
func (v pictures) OnPaper() float64 {
	switch {
	case v.Share > 0:
		return v.Share
	case v.Outlines && v.Across == 2: // three rows to a page
		return 0.7
	}
	return 1
}

// Class names how a column's cells are set.
func (c column) Class() string {
	var names []string
	if c.Right {
		names = append(names, "right")
	}
	if c.Mono {
		names = append(names, "mono")
	}
	return strings.Join(names, " ")
}

// unbroken reports whether a cell stays on one line: a short figure with its
// unit, a date or a name.
func unbroken(cell string) bool {
	const short = 16 // characters, a third of a phone's width
	return utf8.RuneCountInString(cell) <= short && strings.ContainsAny(cell, " -") && strings.ContainsAny(cell, "0123456789")
}
