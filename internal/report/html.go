package report

import (
	"bytes"
	_ "embed"
	"fmt"
	"html"
	"strings"

	"plumbline/internal/report/drawing"
)

//go:embed style.css
var style string

// page writes a document as HTML.
type page struct {
	b      bytes.Buffer
	stacks int // so far, for names that differ
	tables int
}

// HTML writes the document as one self-contained page: no script, nothing from
// outside, which its own content security policy also forbids. Steps and
// switches are radio buttons and check boxes, so that the keyboard works them.
func (d *Document) HTML() []byte {
	p := &page{}
	p.f(`<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src 'none'; img-src data:; style-src 'unsafe-inline'">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>%s</title>
<style>
%s%s</style>
</head>
<body>
<main>
`, text(d.Title), style, stepRules(d.longestStack()))
	for _, b := range d.blocks {
		p.block(b)
	}
	p.f("</main>\n</body>\n</html>\n")
	return p.b.Bytes()
}

func (p *page) f(format string, args ...any) { fmt.Fprintf(&p.b, format, args...) }

// text escapes for HTML, in an element or a quoted attribute.
func text(s string) string { return html.EscapeString(s) }

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

func (p *page) block(b block) {
	switch v := b.(type) {
	case masthead:
		p.f("<header>\n<p class=\"kicker\">%s</p>\n<h1>%s</h1>\n<dl class=\"facts\">\n", text(v.Kicker), text(v.Title))
		for _, f := range v.Facts {
			p.f("<div><dt>%s</dt><dd>%s</dd></div>\n", text(f[0]), text(f[1]))
		}
		p.f("</dl>\n</header>\n")
	case heading:
		class := ""
		if v.Page {
			class = ` class="page"`
		}
		p.f("<h%d%s>%s</h%d>\n", v.Level, class, text(v.Text), v.Level)
	case paragraph:
		class := ""
		switch {
		case v.Lead:
			class = ` class="lead"`
		case v.Small:
			class = ` class="small"`
		}
		p.f("<p%s dir=\"auto\">%s</p>\n", class, text(v.Text))
	case list:
		p.items(v.Items)
	case notice:
		class := "notice"
		if v.Doubt {
			class += " doubt"
		}
		p.f("<section class=\"%s\">\n<p class=\"title\">%s</p>\n", class, text(v.Title))
		p.items(v.Items)
		p.f("</section>\n")
	case table:
		p.table(v)
	case gauges:
		p.f("<div class=\"gauges\">\n")
		for _, g := range v.Items {
			p.f("<div class=\"gauge\"><p class=\"name\">%s</p><p class=\"value\">%s</p><p class=\"note\">%s</p>\n", text(g.Name), text(g.Value), text(g.Note))
			p.svg(g.Drawing)
			p.f("</div>\n")
		}
		p.f("</div>\n")
	case beside:
		p.f("<div class=\"beside\">\n<div class=\"words\">\n")
		for _, l := range v.Left {
			p.block(l)
		}
		p.f("</div>\n")
		p.picture(v.Right, false)
		p.f("</div>\n")
	case pictures:
		p.pictures(v)
	}
}

func (p *page) items(items []string) {
	if len(items) == 0 {
		return
	}
	p.f("<ul>\n")
	for _, it := range items {
		p.f("<li>%s</li>\n", text(it))
	}
	p.f("</ul>\n")
}

func (p *page) svg(d drawing.Drawing) {
	// A buffer takes every write.
	_ = d.SVG(&p.b)
}

func (p *page) table(t table) {
	// A wide table scrolls on a narrow screen, also by keyboard, and so needs a
	// name that no other one has.
	p.tables++
	name := t.Caption
	if name == "" {
		name = t.Columns[0].Head
	}
	name = fmt.Sprintf("Table %d: %s", p.tables, name)
	wide := ""
	if len(t.Columns) > 4 {
		wide = ` class="wide"`
	}
	p.f("<div class=\"scroll\" tabindex=\"0\" role=\"region\" aria-label=\"%s\"><table%s>\n", text(name), wide)
	if t.Caption != "" {
		p.f("<caption><span>%s</span></caption>\n", text(t.Caption))
	}
	p.f("<thead><tr>")
	for _, c := range t.Columns {
		p.f("<th scope=\"col\"%s>%s</th>", c.class(false), text(c.Head))
	}
	p.f("</tr></thead>\n<tbody>\n")
	for _, r := range t.Rows {
		switch {
		case r.Part:
			p.f("<tr class=\"part\">")
		case r.Strong:
			p.f("<tr class=\"strong\">")
		default:
			p.f("<tr>")
		}
		for i, c := range r.Cells {
			if i == 0 {
				p.f("<th scope=\"row\"%s>%s</th>", t.Columns[i].class(true), unbroken(c))
			} else {
				p.f("<td%s>%s</td>", t.Columns[i].class(true), unbroken(c))
			}
		}
		p.f("</tr>\n")
	}
	p.f("</tbody></table></div>\n")
}

// unbroken keeps a short figure with its unit, a date or a name on one line.
func unbroken(cell string) string {
	const short = 16 // characters, a third of a phone's width
	if len(cell) <= short && strings.ContainsAny(cell, " -") && strings.ContainsAny(cell, "0123456789") {
		return "<span class=\"n\">" + text(cell) + "</span>"
	}
	return text(cell)
}

func (c column) class(body bool) string {
	var names []string
	if c.Right {
		names = append(names, "right")
	}
	if c.Mono && body {
		names = append(names, "mono")
	}
	if len(names) == 0 {
		return ""
	}
	return ` class="` + strings.Join(names, " ") + `"`
}

// picture writes a figure. A wide one scrolls on a narrow screen, also by
// keyboard.
func (p *page) picture(v picture, wide bool) {
	if wide {
		p.f("<figure tabindex=\"0\">\n")
	} else {
		p.f("<figure>\n")
	}
	if v.Steps != nil {
		p.steps(v.Steps)
	} else {
		p.svg(v.Drawing)
	}
	if v.Caption != "" {
		p.f("<figcaption>%s</figcaption>\n", text(v.Caption))
	}
	p.f("</figure>\n")
}

func (p *page) steps(s *stack) {
	p.stacks++
	p.f("<div class=\"steps\" role=\"radiogroup\" aria-label=\"%s\">\n<p>%s</p>\n", text(s.Name), text(s.Name))
	for i, l := range s.Labels {
		on := ""
		if i == s.Start {
			on = " checked"
		}
		p.f("<input type=\"radio\" name=\"stack%d\" aria-label=\"%s\" title=\"%s\"%s>", p.stacks, text(l), text(l), on)
	}
	p.f("\n<div class=\"frames\">\n")
	for _, d := range s.Drawings {
		p.svg(d)
	}
	p.f("</div>\n</div>\n")
}

func (p *page) pictures(v pictures) {
	class := "pictures"
	switch v.Across {
	case 1:
		class += " one"
	case 3:
		class += " three"
	}
	if v.Outlines {
		p.stacks++
		n := p.stacks
		p.f("<div>\n<input type=\"checkbox\" class=\"show-planned\" id=\"planned%d\" checked><label class=\"switch\" for=\"planned%d\">planned outline</label><span class=\"swatch dashed\"></span><br>\n", n, n)
		p.f("<input type=\"checkbox\" class=\"show-achieved\" id=\"achieved%d\" checked><label class=\"switch\" for=\"achieved%d\">achieved outline</label><span class=\"swatch\"></span>\n", n, n)
	}
	p.f("<div class=\"%s\">\n", class)
	for _, it := range v.Items {
		if !it.Paper {
			p.picture(it, v.Across == 1)
		}
	}
	p.f("</div>\n")
	if v.Outlines {
		p.f("</div>\n")
	}
}
