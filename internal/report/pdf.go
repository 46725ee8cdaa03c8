package report

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"codeberg.org/go-pdf/fpdf"
	"golang.org/x/text/unicode/norm"

	"plumbline/internal/printable"
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/taggedpdf"
)

// Paper is a paper size.
type Paper struct {
	Name          string
	Width, Height float64 // mm
}

// The papers.
var (
	A4     = Paper{"A4", 210, 297}
	Letter = Paper{"Letter", 215.9, 279.4}
)

// Layout of a page, mm.
const (
	marginLeft   = 24.0
	marginRight  = 15.0
	marginTop    = 15.0
	marginBottom = 19.0
	lineAt       = 12.0 // of the plumb line, from the left
	gap          = 6.0  // between columns

	sizeBody    = 3.35
	sizeSmall   = 2.85
	sizeDense   = 3.05
	sizeFine    = 2.6
	sizeLead    = 3.9
	sizeSection = 4.9
	sizePart    = 3.8
	sizeTitle   = 8.2
	sizeNumber  = 7.4
	leading     = 1.42 // line height over type height
	listGap     = 1.0  // behind a list
)

// PDF writes the document for paper. Pictures, outlines and plots are vectors
// over the grey values; steps show their first drawing. It has the structure, the texts
// and the outline that PDF/UA-1 (ISO 14289-1) asks for.
//
// Errors: an image or a typeface that does not fit into a PDF, which is a fault
// of the program.
func (d *Document) PDF(paper Paper) ([]byte, error) {
	first, err := d.press(paper, 0)
	if err != nil {
		return nil, err
	}
	p, err := d.press(paper, first.pdf.PageCount())
	if err != nil {
		return nil, err
	}
	data, err := p.tree.Write()
	if err != nil {
		return nil, fmt.Errorf("write the PDF: %w", err)
	}
	return data, nil
}

// press lays a document out on pages.
type press struct {
	*setter
	tree  *taggedpdf.Tree
	doc   *Document
	paper Paper
	pages int // in all; 0 while they are counted
	y     float64

	images map[string]widths // of the pictures placed so far, by name
	taken  map[int]bool      // widths in pixels
}

// widths of a picture in pixels: its own, and that in the PDF.
type widths struct{ own, placed int }

func (d *Document) press(paper Paper, pages int) (*press, error) {
	d = d.printed()
	pdf := fpdf.NewCustom(&fpdf.InitType{OrientationStr: "P", UnitStr: "mm", Size: fpdf.SizeType{Wd: paper.Width, Ht: paper.Height}})
	pdf.SetAutoPageBreak(false, 0)
	pdf.SetMargins(0, 0, 0)
	pdf.SetCatalogSort(true)
	date, err := time.Parse(time.DateOnly, d.Date)
	if err != nil {
		date = time.Unix(0, 0).UTC()
	}
	pdf.SetCreationDate(date)
	pdf.SetModificationDate(date)
	pdf.SetProducer(maker, false)
	pdf.SetDisplayMode("fullwidth", "continuous")
	pdf.SetLineJoinStyle("round")
	s, err := newSetter(pdf)
	if err != nil {
		return nil, err
	}
	p := &press{setter: s, tree: taggedpdf.New(pdf, plain(d.Title), "en"), doc: d, paper: paper, pages: pages, images: map[string]widths{}, taken: map[int]bool{}}
	p.newPage()
	if d.Simulated {
		p.tree.In(taggedpdf.Paragraph, func() { p.tree.Content(p.sayInvented) })
	}
	for i, b := range d.blocks {
		p.place(b, d.blocks[i+1:])
	}
	p.sayMissing()
	if err := pdf.Error(); err != nil {
		return nil, fmt.Errorf("write the PDF: %w", err)
	}
	return p, nil
}

// plain takes the isolates off a text.
func plain(s string) string {
	return strings.Map(func(r rune) rune {
		if silent(r) {
			return -1
		}
		return r
	}, s)
}

func (p *press) width() float64  { return p.paper.Width - marginLeft - marginRight }
func (p *press) bottom() float64 { return p.paper.Height - marginBottom }

// ink sets the colour of type.
func (p *press) ink(c drawing.Ink) {
	r, g, b := parts(c)
	p.pdf.SetTextColor(r, g, b)
}

func parts(c drawing.Ink) (r, g, b int) {
	red, green, blue, _ := c.RGBA() // of 16 bits
	return int(red >> 8), int(green >> 8), int(blue >> 8)
}

// newPage opens a page with its plumb line and foot.
func (p *press) newPage() {
	p.pdf.AddPage()
	p.y = marginTop
	p.tree.Artifact(p.furniture)
}

// furniture is what every page has: the plumb line, the foot, and that it is simulated
// where it is.
func (p *press) furniture() {
	end := p.paper.Height - 20
	r, g, b := parts(drawing.Black)
	p.pdf.SetDrawColor(r, g, b)
	p.pdf.SetFillColor(r, g, b)
	p.pdf.SetLineWidth(0.2)
	p.pdf.SetDashPattern(nil, 0)
	p.pdf.Line(lineAt, 0, lineAt, end)
	p.pdf.Polygon([]fpdf.PointType{{X: lineAt - 0.8, Y: end}, {X: lineAt + 0.8, Y: end}, {X: lineAt + 1.7, Y: end + 3}, {X: lineAt, Y: end + 10}, {X: lineAt - 1.7, Y: end + 3}}, "F")

	p.ink(drawing.Grey)
	foot := p.paper.Height - 11
	number := fmt.Sprintf("page %d of %d", p.pdf.PageNo(), p.pages)
	room := p.width() - p.setter.width(number, regular, sizeSmall) - gap
	p.set(marginLeft, foot, p.short(prepared(p.doc.Foot), room), regular, sizeSmall)
	p.set(p.paper.Width-marginRight-p.setter.width(number, regular, sizeSmall), foot, number, regular, sizeSmall)
	p.ink(drawing.Black)
	if p.doc.Simulated && p.pdf.PageNo() > 1 { // on the first page it is content, which is read aloud
		p.sayInvented()
	}
}

// sayInvented says on a page that nobody was operated on.
func (p *press) sayInvented() {
	p.set(p.paper.Width-marginRight-p.setter.width(simulated, bold, sizeSmall), marginTop-5, simulated, bold, sizeSmall)
}

// short is the part of a line that fits.
func (p *press) short(line string, width float64) string {
	all := p.lines(line, regular, sizeSmall, width)
	if len(all) > 1 {
		return strings.TrimRight(p.lines(line, regular, sizeSmall, width-p.setter.width(" …", regular, sizeSmall))[0], " ") + " …"
	}
	return all[0]
}

// sayMissing tells a reader what the PDF could not show.
func (p *press) sayMissing() {
	if len(p.missing) == 0 {
		return
	}
	var codes []string
	for r := range p.missing {
		codes = append(codes, fmt.Sprintf("U+%04X", r))
	}
	slices.Sort(codes)
	p.place(paragraph{Small: true, Text: fmt.Sprintf("This PDF's typefaces lack %d characters, shown as %c: %s. The HTML report shows them.", len(codes), noGlyph, strings.Join(codes, ", "))}, nil)
}

// mostKept is how much of what follows a heading is kept on its page, mm.
const mostKept = 70.0

// place puts a block on the page, or on the next one where it does not fit.
func (p *press) place(b block, next []block) {
	if h, ok := b.(heading); ok && h.Page && p.y > marginTop {
		p.newPage()
	}
	if t, ok := b.(table); ok {
		p.placeTable(t)
		return
	}
	if g, ok := b.(pictures); ok {
		p.placePictures(g, next)
		return
	}
	if l, ok := b.(list); ok {
		p.placeList(l)
		return
	}
	alone := p.height(b, p.width())
	need := alone
	if _, ok := b.(heading); ok {
		// A heading stays with the beginning of what it is over, and headings and a
		// paragraph under it with what they lead to.
		for _, follows := range next[:min(3, len(next))] {
			need += min(p.opening(follows), mostKept)
			if !leads(follows) {
				break
			}
		}
	}
	if _, ok := b.(heading); ok {
		// A document's last words do not stand alone on a page.
		if all := alone + p.closing(next); all <= p.bottom()-marginTop {
			need = max(need, all)
		}
	}
	if p.y+need > p.bottom() && p.y > marginTop {
		p.newPage()
	}
	p.y += p.draw(b, marginLeft, p.y, p.width())
}

// leads reports whether a block is words over what comes next.
func leads(b block) bool {
	switch b.(type) {
	case heading, paragraph:
		return true
	}
	return false
}

// placeList breaks pages between points.
func (p *press) placeList(l list) {
	p.tree.In(taggedpdf.List, func() {
		for i := range l.Items {
			item := l.Items[i : i+1]
			if p.y+p.items(item, bodyType, frame{marginLeft, p.y, p.width()}, false) > p.bottom() && p.y > marginTop {
				p.newPage()
			}
			p.y += p.items(item, bodyType, frame{marginLeft, p.y, p.width()}, true)
		}
	})
	p.y += listGap
}

// in puts what content paints into an element of the structure; what only measures has
// none.
func (p *press) in(kind taggedpdf.Kind, paint bool, content func()) {
	if !paint {
		content()
		return
	}
	p.tree.In(kind, content)
}

// text sets running text as an element of its own, or only measures it.
func (p *press) text(kind taggedpdf.Kind, s string, at frame, t typeStyle, paint bool) (h float64) {
	p.in(kind, paint, func() { h = p.textBlock(s, at, t, paint) })
	return h
}

// set writes one line of prepared text; where its letters stand in another order, it says
// how they are read.
func (p *press) set(x, y float64, line string, f face, size float64) {
	if !strings.ContainsRune(line, isolateRight) {
		p.setter.set(x, y, line, f, size)
		return
	}
	// Compatibility composition undoes the forms that joined letters take.
	p.tree.Spoken(norm.NFKC.String(plain(line)), func() { p.setter.set(x, y, line, f, size) })
}

// closing is the height of what follows the document's last heading, where it is
// words alone; else nothing.
func (p *press) closing(next []block) float64 {
	h := 0.0
	for _, b := range next {
		switch b.(type) {
		case paragraph, list, notice:
			h += p.height(b, p.width())
		default:
			return 0
		}
	}
	return h
}

// opening is the height of the first part of a block that may break.
func (p *press) opening(b block) float64 {
	switch v := b.(type) {
	case table:
		h := p.tableHead(v, p.width())
		for i := range min(3, len(v.Rows)) {
			h += p.rowHeight(v, v.Rows[i], p.width())
		}
		return h
	case list:
		return p.height(list{v.Items[:min(2, len(v.Items))]}, p.width())
	case pictures:
		if v.Share > 0 {
			return p.drawing(v.Items[0].Drawing, 0, 0, (p.width()-gap*float64(v.Across-1))/float64(v.Across)*v.Share, false)
		}
		h := 0.0 // of the first row
		for _, it := range v.Items[:min(v.Across, len(v.Items))] {
			h = max(h, p.pictureAt(it, frame{0, 0, (p.width() - gap*float64(v.Across-1)) / float64(v.Across)}, leastPicture, false))
		}
		return h
	}
	return p.height(b, p.width())
}

// height is what draw takes.
func (p *press) height(b block, width float64) float64 { return p.lay(b, 0, p.y, width, false) }

func (p *press) draw(b block, x, y, width float64) float64 { return p.lay(b, x, y, width, true) }

// frame is where text is set: its top left corner, and how wide its lines are; mm.
type frame struct{ x, y, width float64 }

// typeStyle is how text is set.
type typeStyle struct {
	size float64 // height, mm
	face face
	ink  drawing.Ink
}

var (
	bodyType  = typeStyle{sizeBody, regular, drawing.Black}
	smallType = typeStyle{sizeSmall, regular, drawing.Grey}
)

// textBlock sets running text, or only measures it, and gives its height.
func (p *press) textBlock(s string, at frame, t typeStyle, paint bool) float64 {
	ready := prepared(s)
	all := p.lines(ready, t.face, t.size, at.width)
	if paint {
		// Text from outside that is all there is stands at its own side.
		p.setLines(all, at, t, strings.HasPrefix(ready, string(isolateRight)) && strings.HasSuffix(ready, string(printable.Deisolate)))
	}
	return t.size * leading * float64(len(all))
}

// setLines sets lines of prepared text as one piece of content, at the right where that is
// asked for. Nothing is set of nothing.
func (p *press) setLines(all []string, at frame, t typeStyle, right bool) {
	if len(all) == 1 && all[0] == "" {
		return
	}
	p.tree.Content(func() {
		p.ink(t.ink)
		for i, l := range all {
			x := at.x
			if right {
				x += at.width - p.setter.width(strings.TrimRight(l, " "), t.face, t.size)
			}
			p.set(x, at.y+t.size*(0.95+leading*float64(i)), l, t.face, t.size)
		}
		p.ink(drawing.Black)
	})
}

// lay draws a block, or only measures it.
func (p *press) lay(b block, x, y, width float64, paint bool) float64 {
	switch v := b.(type) {
	case masthead:
		return p.masthead(v, x, y, width, paint)
	case heading:
		size, above, below := sizeSection, 4.5, 1.6
		if v.Level > 2 {
			size, above, below = sizePart, 3.2, 0.8
		}
		if y <= marginTop {
			above = 0
		}
		if paint && v.Level == 2 {
			p.rule(lineAt, y+above+size*0.62, x-2.5, y+above+size*0.62, 0.2, drawing.Black)
		}
		return above + p.heading(v.Level, v.Text, frame{x, y + above, width}, typeStyle{size, bold, drawing.Black}, paint) + below
	case paragraph:
		size, ink := sizeBody, drawing.Black
		switch {
		case v.Lead:
			size = sizeLead
		case v.Small:
			size, ink = sizeSmall, drawing.Grey
		}
		return p.text(taggedpdf.Paragraph, v.Text, frame{x, y, width}, typeStyle{size, regular, ink}, paint) + 1.6
	case list:
		h := 0.0
		p.in(taggedpdf.List, paint, func() { h = p.items(v.Items, bodyType, frame{x, y, width}, paint) })
		return h + listGap
	case notice:
		return p.notice(v, x, y, width, paint)
	case gauges:
		return p.gauges(v, x, y, width, paint)
	case beside:
		return p.beside(v, x, y, width, paint)
	case picture:
		return p.pictureAt(v, frame{x, y, width}, 1, paint)
	case table:
		h := p.tableHead(v, width)
		for _, r := range v.Rows {
			h += p.rowHeight(v, r, width)
		}
		if paint {
			p.paintTable(v, x, y, width, false)
		}
		return h + 3
	}
	return 0
}

// heading sets a heading, which the outline has, too.
func (p *press) heading(level int, text string, at frame, t typeStyle, paint bool) float64 {
	if paint {
		p.pdf.Bookmark(plain(text), level-1, at.y)
	}
	return p.text(taggedpdf.Heading(level), text, at, t, paint)
}

func (p *press) rule(x1, y1, x2, y2, width float64, ink drawing.Ink) {
	p.tree.Artifact(func() {
		r, g, b := parts(ink)
		p.pdf.SetDrawColor(r, g, b)
		p.pdf.SetLineWidth(width)
		p.pdf.SetDashPattern(nil, 0)
		p.pdf.Line(x1, y1, x2, y2)
	})
}

func (p *press) fill(x, y, w, h float64, ink drawing.Ink) {
	p.tree.Artifact(func() {
		r, g, b := parts(ink)
		p.pdf.SetFillColor(r, g, b)
		p.pdf.Rect(x, y, w, h, "F")
	})
}

func (p *press) masthead(v masthead, x, y, width float64, paint bool) float64 {
	h := p.text(taggedpdf.Paragraph, v.Kicker, frame{x, y, width}, smallType, paint) + 0.8
	h += p.heading(1, v.Title, frame{x, y + h, width}, typeStyle{sizeTitle, bold, drawing.Black}, paint) + 1.5
	if paint {
		p.rule(x, y+h, x+width, y+h, 0.2, drawing.Black)
	}
	if len(v.Facts) == 0 {
		return h + 3.5
	}
	h += 2
	p.in(taggedpdf.List, paint, func() { h += p.facts(v.Facts, frame{x, y + h, width}, paint) })
	if paint {
		p.rule(x, y+h, x+width, y+h, 0.2, drawing.Black)
	}
	return h + 3.5
}

// facts flow in columns as wide as they need, at most half the width.
func (p *press) facts(facts [][2]string, in frame, paint bool) float64 {
	h, at, tallest := 0.0, in.x, 0.0
	for _, f := range facts {
		w := min(max(p.setter.width(prepared(f[1]), regular, sizeBody), p.setter.width(f[0], regular, sizeSmall)), in.width/2) + 0.5
		if at > in.x && at+w > in.x+in.width {
			h += tallest + 1.5
			at, tallest = in.x, 0
		}
		p.in(taggedpdf.Item, paint, func() {
			name := p.text(taggedpdf.Label, f[0], frame{at, in.y + h, w}, smallType, paint)
			tallest = max(tallest, name+p.text(taggedpdf.ItemBody, f[1], frame{at, in.y + h + name, w}, bodyType, paint))
		})
		at += w + 6
	}
	return h + tallest + 1.2
}

func (p *press) items(items []string, t typeStyle, at frame, paint bool) float64 {
	x, y, width := at.x, at.y, at.width
	h := 0.0
	for _, it := range items {
		if paint {
			p.fill(x+0.4, y+h+t.size*0.48, 1.1, 1.1, drawing.Black)
		}
		p.in(taggedpdf.Item, paint, func() {
			h += p.text(taggedpdf.ItemBody, it, frame{x + 4, y + h, width - 4}, t, paint) + 0.6
		})
	}
	return h
}

func (p *press) notice(v notice, x, y, width float64, paint bool) float64 {
	bar, size, words := 1.6, sizeBody, bodyType
	if v.Small {
		words.size = sizeSmall
	}
	if v.Grave {
		bar, size = 3.2, sizePart
	}
	const pad = 2.2
	inner := x + bar + pad
	room := width - bar - 2*pad
	content := func(paint bool) float64 {
		at := 0.0
		left := inner
		if v.Grave {
			if paint {
				p.tree.Artifact(func() {
					r, g, b := parts(drawing.Black)
					p.pdf.SetFillColor(r, g, b)
					if v.Entered {
						p.pdf.Rect(inner+0.3, y+pad, 4, 4, "F")
						return
					}
					p.pdf.Polygon([]fpdf.PointType{{X: inner, Y: y + pad + 4}, {X: inner + 2.3, Y: y + pad}, {X: inner + 4.6, Y: y + pad + 4}}, "F")
				})
			}
			left = inner + 6
		}
		at += p.heading(v.Level, v.Title, frame{left, y + pad, room - (left - inner)}, typeStyle{size, bold, drawing.Black}, paint) + 0.8
		if len(v.Items) > 0 {
			p.in(taggedpdf.List, paint, func() { at += p.items(v.Items, words, frame{inner, y + pad + at, room}, paint) })
		}
		return at
	}
	h := content(false) + 2*pad - 0.6
	if paint {
		if v.Grave {
			p.fill(x, y, width, h, drawing.Wash)
		}
		p.rule(x, y, x+width, y, 0.25, drawing.Black)
		p.rule(x, y+h, x+width, y+h, 0.25, drawing.Black)
		p.rule(x+width, y, x+width, y+h, 0.25, drawing.Black)
		p.fill(x, y-0.12, bar, h+0.24, drawing.Black)
		p.tree.In(taggedpdf.Section, func() { content(true) })
	}
	return h + 3
}

func (p *press) gauges(v gauges, x, y, width float64, paint bool) float64 {
	const gap = 2.0 // leaves the notes of three room on one line
	each := (width - gap*float64(len(v.Items)-1)) / float64(len(v.Items))
	words := func(g gauge, at frame, paint bool) float64 {
		h := p.text(taggedpdf.Paragraph, g.Name, at, smallType, paint)
		h += p.text(taggedpdf.Paragraph, g.Value, frame{at.x, at.y + h, at.width}, typeStyle{sizeNumber, regular, drawing.Black}, paint)
		return h + p.text(taggedpdf.Paragraph, g.Note, frame{at.x, at.y + h, at.width}, smallType, paint) + 0.6
	}
	over, tallest := 0.0, 0.0 // the rulers stand on one line
	for _, g := range v.Items {
		over = max(over, words(g, frame{x, y, each}, false))
	}
	for i, g := range v.Items {
		at := x + float64(i)*(each+gap)
		p.in(taggedpdf.Division, paint, func() {
			words(g, frame{at, y, each}, paint)
			tallest = max(tallest, p.drawing(g.Drawing, at, y+over, each, paint))
		})
	}
	return over + tallest + 3
}

func (p *press) beside(v beside, x, y, width float64, paint bool) float64 {
	right := width*v.Share - gap/2
	left := width - right - gap
	return max(p.column(v.Left, x, y, left, paint), p.column(v.Right, x+left+gap, y, right, paint))
}

// column lays blocks one below the other.
func (p *press) column(blocks []block, x, y, width float64, paint bool) float64 {
	h := 0.0
	for _, b := range blocks {
		h += p.lay(b, x, y+h, width, paint)
	}
	return h
}

// pictureAt draws a picture at a share of the width, with its caption.
func (p *press) pictureAt(v picture, at frame, share float64, paint bool) float64 {
	h := p.drawing(v.Drawing, at.x, at.y, at.width*share, paint) + 1
	if v.Caption != "" {
		h += p.text(taggedpdf.Paragraph, v.Caption, frame{at.x, at.y + h, at.width}, smallType, paint)
	}
	return h + 2
}

// besideHeight is the height of one row of pictures, at a share of the width that they
// have, with what their captions say beside it.
func (p *press) besideHeight(v pictures, share float64) float64 {
	column := (p.width() - gap*float64(v.Across-1)) / float64(v.Across) * v.Share * share
	captions, h := 0.0, 0.0
	for _, it := range v.Items {
		captions += p.textBlock(it.Caption, frame{0, 0, p.width() - float64(len(v.Items))*(column+gap)}, smallType, false) + 1.5
		h = max(h, p.drawing(it.Drawing, 0, 0, column, false))
	}
	return max(h, captions) + 2
}

// placeBeside puts one row of pictures at the left and what their captions say beside it, a
// little smaller where all up to the next page's heading then fits.
func (p *press) placeBeside(v pictures, next []block) {
	share, _ := p.fitting(func(share float64) float64 { return p.besideHeight(v, share) + p.upToPage(next, share) })
	h := p.besideHeight(v, share)
	if p.y+h > p.bottom() && p.y > marginTop {
		p.newPage()
	}
	column := (p.width() - gap*float64(v.Across-1)) / float64(v.Across) * v.Share * share
	x := marginLeft + float64(len(v.Items))*(column+gap)
	at := p.y + strip
	for i, it := range v.Items {
		p.drawing(it.Drawing, marginLeft+float64(i)*(column+gap), p.y, column, true)
		at += p.text(taggedpdf.Paragraph, it.Caption, frame{x, at, marginLeft + p.width() - x}, smallType, true) + 1.5
	}
	p.y += h
}

// fitting is the largest share of their width at which pictures leave what they need room
// on the page, and 1 where none does.
func (p *press) fitting(need func(share float64) float64) (float64, bool) {
	for share := 1.0; share >= leastPicture; share -= 0.02 {
		if p.y+need(share) <= p.bottom() {
			return share, true
		}
	}
	return 1, false
}

// upToPage is the height of the blocks up to the next page's heading, with their rows of
// pictures at a share of their width.
func (p *press) upToPage(next []block, share float64) float64 {
	h := 0.0
	for _, b := range next {
		switch v := b.(type) {
		case heading:
			if v.Page {
				return h
			}
			h += p.height(v, p.width())
		case pictures:
			if v.Share == 0 || len(v.Items) > v.Across {
				return math.Inf(1)
			}
			h += p.besideHeight(v, share)
		default:
			h += p.height(b, p.width())
		}
	}
	return h
}

// strip is about the height of the words over a cut, where its picture begins, mm.
const strip = 3.5

// leastPicture is the least share of its width that a picture is drawn at to fit on a page;
// an outline is then 0.3 mm wide.
const leastPicture = 0.56

// placePictures breaks pages between rows of pictures. Where all would fit on the page when
// drawn a little smaller, or better with the table that follows, or with all up to the next
// page's heading, they are.
func (p *press) placePictures(v pictures, next []block) {
	v.Items = slices.DeleteFunc(slices.Clone(v.Items), func(it picture) bool { return it.Screen })
	if len(v.Items) == 0 {
		return
	}
	if v.Share > 0 && len(v.Items) <= v.Across {
		p.placeBeside(v, next)
		return
	}
	column := (p.width() - gap*float64(v.Across-1)) / float64(v.Across)
	rows := func(share float64) (heights []float64, all float64) {
		for row := range slices.Chunk(v.Items, v.Across) {
			h := 0.0
			for _, it := range row {
				h = max(h, p.pictureAt(it, frame{0, 0, column}, share, false))
			}
			heights = append(heights, h)
			all += h + 1
		}
		return heights, all
	}
	alone := func(share float64) float64 {
		_, all := rows(share)
		return all
	}
	share, fits := p.fitting(func(share float64) float64 { return alone(share) + p.upToPage(next, share) })
	if len(next) > 0 && !fits {
		if t, ok := next[0].(table); ok {
			share, fits = p.fitting(func(share float64) float64 { return alone(share) + p.height(t, p.width()) })
		}
	}
	if !fits {
		share, _ = p.fitting(alone)
	}
	heights, _ := rows(share)
	for i, h := range heights {
		if p.y+h > p.bottom() && p.y > marginTop {
			p.newPage()
		}
		for k, it := range v.Items[i*v.Across : min((i+1)*v.Across, len(v.Items))] {
			p.pictureAt(it, frame{marginLeft + float64(k)*(column+gap), p.y, column}, share, true)
		}
		p.y += h + 1
	}
}

// drawing draws a figure at most width wide and gives its height.
func (p *press) drawing(d drawing.Drawing, x, y, width float64, paint bool) float64 {
	scale := math.Min(1, width/d.Width)
	if paint {
		p.tree.Picture(d.Alt, taggedpdf.Box{X: x, Y: y, Width: d.Width * scale, Height: d.Height * scale}, func() { p.figureItems(d.Items, x, y, scale) })
	}
	return d.Height * scale
}
