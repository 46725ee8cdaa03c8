package page

import (
	"fmt"
	"html/template"
	"strings"

	"rsc.io/qr"
)

// quiet is the margin around a square code, in its squares (ISO/IEC 18004 asks for four).
const quiet = 4

// squareCode draws a text as a QR code (ISO/IEC 18004), for a telephone to read; empty
// where the text is too long for one.
func squareCode(text string) template.HTML {
	code, err := qr.Encode(text, qr.M)
	if err != nil {
		return ""
	}
	size := code.Size + 2*quiet
	var b strings.Builder
	fmt.Fprintf(&b, `<svg class="squarecode" viewBox="0 0 %d %d" role="img" aria-label="The receipt as a square code"><path fill="#fff" d="M0 0h%dv%dH0z"/><path fill="#16202a" shape-rendering="crispEdges" d="`, size, size, size, size)
	for y := range code.Size {
		for x := range code.Size {
			if code.Black(x, y) {
				fmt.Fprintf(&b, "M%d %dh1v1h-1z", x+quiet, y+quiet)
			}
		}
	}
	b.WriteString(`"/></svg>`)
	return template.HTML(b.String())
}
