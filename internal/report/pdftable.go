package report

import (
	"plumbline/internal/report/drawing"
	"plumbline/internal/report/taggedpdf"
)

// pad is the room above and below a cell's text.
func (t table) pad() float64 {
	switch {
	case t.Fine:
		return 0.28
	case t.Dense:
		return 0.42
	}
	return 0.9
}

func (t table) shares(width float64) []float64 {
	sum := 0.0
	for _, c := range t.Columns {
		sum += c.Share
	}
	out := make([]float64, len(t.Columns))
	for i, c := range t.Columns {
		out[i] = width * c.Share / sum
	}
	return out
}

// columnGap is the room between columns.
func (t table) columnGap() float64 {
	if t.Fine {
		return 1.5
	}
	return 2.5
}

// tableHead is the height of a table's caption and head.
func (p *press) tableHead(t table, width float64) float64 {
	h := 0.0
	if t.Caption != "" {
		h = p.textBlock(t.Caption, frame{0, 0, width}, smallType, false) + 0.8
	}
	return h + p.headHeight(t, width)
}

func (p *press) headHeight(t table, width float64) float64 {
	tallest := 0.0
	for i, w := range t.shares(width) {
		tallest = max(tallest, p.textBlock(t.Columns[i].Head, frame{0, 0, w - t.columnGap()}, smallType, false))
	}
	return tallest + 2*t.pad()
}

// paintHead draws a table's caption and head.
func (p *press) paintHead(t table, x, y, width float64) {
	if t.Caption != "" {
		y += p.text(taggedpdf.Caption, t.Caption, frame{x, y, width}, smallType, true) + 0.8
	}
	p.tree.In(taggedpdf.TableHead, func() {
		p.tree.In(taggedpdf.TableRow, func() {
			at := x
			for i, w := range t.shares(width) {
				p.tree.Head(taggedpdf.OverColumn, func() {
					p.cell(t.Columns[i].Head, frame{at, y + t.pad(), w - t.columnGap()}, smallType, t.Columns[i].Right)
				})
				at += w
			}
		})
	})
	h := p.headHeight(t, width)
	p.rule(x, y+h, x+width, y+h, 0.2, drawing.Black)
}

// cell sets one cell.
func (p *press) cell(s string, at frame, t typeStyle, right bool) {
	if !right {
		p.textBlock(s, at, t, true)
		return
	}
	p.setLines(p.lines(prepared(s), t.face, t.size, at.width), at, t, true)
}

// cellType is how a cell is set, and how far it is set in.
func (t table) cellType(r row, column int) (typeStyle, float64) {
	style, in := bodyType, 0.0
	switch {
	case t.Fine:
		style.size = sizeFine
	case t.Dense:
		style.size = sizeDense
	}
	if r.Strong {
		style.face = bold
	}
	if r.Part && column == 0 {
		style.ink, in = drawing.Grey, 3
	}
	if t.Columns[column].Mono {
		style.face, style.size = mono, min(2.5, style.size)
	}
	return style, in
}

func (p *press) rowHeight(t table, r row, width float64) float64 {
	tallest := 0.0
	for i, w := range t.shares(width) {
		style, in := t.cellType(r, i)
		tallest = max(tallest, p.textBlock(r.Cells[i], frame{0, 0, w - t.columnGap() - in}, style, false))
	}
	return tallest + 2*t.pad()
}

func (p *press) paintRow(t table, r row, x, y, width float64) {
	p.tree.In(taggedpdf.TableRow, func() {
		at := x
		for i, w := range t.shares(width) {
			style, in := t.cellType(r, i)
			set := func() {
				p.cell(r.Cells[i], frame{at + in, y + t.pad(), w - t.columnGap() - in}, style, t.Columns[i].Right)
			}
			if i == 0 {
				p.tree.Head(taggedpdf.OverRow, set)
			} else {
				p.tree.In(taggedpdf.Cell, set)
			}
			at += w
		}
	})
	h := p.rowHeight(t, r, width)
	p.rule(x, y+h, x+width, y+h, 0.1, drawing.Faint)
}

// paintTable draws a table and gives where it ends. With breaks, pages break between rows
// and repeat the head, which is read once.
func (p *press) paintTable(t table, x, y, width float64, breaks bool) float64 {
	p.tree.In(taggedpdf.Table, func() {
		p.paintHead(t, x, y, width)
		head := p.tableHead(t, width)
		y += head
		p.tree.In(taggedpdf.TableBody, func() {
			for _, r := range t.Rows {
				h := p.rowHeight(t, r, width)
				if breaks && y+h > p.bottom() && h < p.bottom()-marginTop-head {
					p.newPage()
					p.tree.Artifact(func() { p.paintHead(t, x, p.y, width) })
					y = p.y + head
				}
				p.paintRow(t, r, x, y, width)
				y += h
			}
		})
	})
	return y
}

func (p *press) placeTable(t table) {
	if p.y+p.opening(t) > p.bottom() && p.y > marginTop {
		p.newPage()
	}
	p.y = p.paintTable(t, marginLeft, p.y, p.width(), true) + 3
}
