package drawing

import (
	"encoding/base64"
	"fmt"
	"html"
	"io"
	"math"
	"strconv"
	"strings"

	"plumbline/internal/printable"
)

// number writes a length to a hundredth of a millimetre, a tenth of a pixel at any size that a
// page shows.
func number(v float64) string {
	r := math.Round(v*100) / 100
	if r == 0 {
		return "0"
	}
	return strconv.FormatFloat(r, 'f', -1, 64)
}

// SVG writes the drawing as an svg element for an HTML page. It scales to the
// width it is given there, and carries Alt as its name.
func (d *Drawing) SVG(w io.Writer) error { return d.svg(w, "img", "") }

// Alive is SVG with spots that name their cases, under the pointer and to who does not see
// them, and lead to where address says; "" leads nowhere.
func (d *Drawing) Alive(w io.Writer, address func(of string) string) error {
	// What is inside has to be found, which nothing in an img is.
	role := "img"
	if len(d.Spots) > 0 {
		role = "group"
	}
	var spots strings.Builder
	for _, s := range d.Spots {
		says := html.EscapeString(printable.Line(s.Says))
		area := fmt.Sprintf(`<rect x="%s" y="%s" width="%s" height="%s" fill="transparent"/>`, number(s.Min.X), number(s.Min.Y), number(s.Max.X-s.Min.X), number(s.Max.Y-s.Min.Y))
		if to := address(s.Case); to != "" {
			fmt.Fprintf(&spots, `<a href="%s" aria-label="%s"><title>%s</title>%s</a>`, html.EscapeString(to), says, says, area)
		} else {
			fmt.Fprintf(&spots, `<g role="img" aria-label="%s"><title>%s</title>%s</g>`, says, says, area)
		}
	}
	return d.svg(w, role, spots.String())
}

// svg writes the drawing with something over its items.
func (d *Drawing) svg(w io.Writer, role, over string) error {
	var b strings.Builder
	fmt.Fprintf(&b, `<svg viewBox="0 0 %s %s" role="%s" aria-label="%s">`, number(d.Width), number(d.Height), role, html.EscapeString(printable.Line(d.Alt)))
	writeItems(&b, d.Items)
	b.WriteString(over + "</svg>\n")
	_, err := io.WriteString(w, b.String())
	return err
}

func writeItems(b *strings.Builder, items []Item) {
	for _, it := range items {
		switch v := it.(type) {
		case Path:
			v.svg(b)
		case Label:
			v.svg(b)
		case Raster:
			fmt.Fprintf(b, `<image x="%s" y="%s" width="%s" height="%s" preserveAspectRatio="none" href="data:image/png;base64,%s"/>`,
				number(v.Min.X), number(v.Min.Y), number(v.Width), number(v.Height), base64.StdEncoding.EncodeToString(v.PNG))
		case Clip:
			// An inner svg clips without a name that would have to be unique.
			fmt.Fprintf(b, `<svg x="%s" y="%s" width="%s" height="%s" viewBox="%s %s %s %s">`,
				number(v.Min.X), number(v.Min.Y), number(v.Width), number(v.Height),
				number(v.Min.X), number(v.Min.Y), number(v.Width), number(v.Height))
			writeItems(b, v.Items)
			b.WriteString(`</svg>`)
		}
	}
}

func (l Layer) class() string {
	if l == "" {
		return ""
	}
	return ` class="` + string(l) + `"`
}

func (p Path) svg(b *strings.Builder) {
	if len(p.Points) == 0 {
		return
	}
	b.WriteString(`<path` + p.Layer.class() + ` d="`)
	for i, q := range p.Points {
		if i == 0 {
			b.WriteByte('M')
		} else {
			b.WriteByte('L')
		}
		b.WriteString(number(q.X) + " " + number(q.Y))
	}
	if p.Closed {
		b.WriteByte('Z')
	}
	fill := string(p.Fill)
	if fill == "" {
		fill = "none"
	}
	fmt.Fprintf(b, `" fill="%s"`, fill)
	if p.Stroke != "" {
		fmt.Fprintf(b, ` stroke="%s" stroke-width="%s"`, p.Stroke, number(p.Width))
		if len(p.Dash) > 0 {
			parts := make([]string, len(p.Dash))
			for i, v := range p.Dash {
				parts[i] = number(v)
			}
			fmt.Fprintf(b, ` stroke-dasharray="%s"`, strings.Join(parts, " "))
		}
	}
	b.WriteString("/>")
}

func (l Label) svg(b *strings.Builder) {
	fmt.Fprintf(b, `<text%s x="%s" y="%s" font-size="%s" fill="%s"`, l.Layer.class(), number(l.At.X), number(l.At.Y), number(l.Size), l.Ink)
	if l.Anchor != Start && l.Anchor != "" {
		fmt.Fprintf(b, ` text-anchor="%s"`, l.Anchor)
	}
	if l.Bold {
		b.WriteString(` font-weight="700"`)
	}
	if l.Turned {
		fmt.Fprintf(b, ` transform="rotate(-90 %s %s)"`, number(l.At.X), number(l.At.Y))
	}
	b.WriteString(">" + html.EscapeString(printable.Line(l.Text)) + "</text>")
}
