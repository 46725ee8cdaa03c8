package plantable

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"plumbline/internal/tooth"
)

// end is one end of a fixture.
type end int

const (
	noEnd end = iota
	entryEnd
	apexEnd
)

func (e end) String() string { return map[end]string{entryEnd: "entry", apexEnd: "apex"}[e] }

// what a column holds.
type content int

const (
	aNothing content = iota
	aPoint           // a coordinate, or a point as a whole
	aPointName
	aSite
	aDiameter
	aLength
)

// heading is a column's heading as understood.
type heading struct {
	text      string
	what      content
	end       end
	axis      int     // 1 to 3; 0 for none or a point as a whole
	letter    string  // of the axis where it names a direction of the patient
	unit      string  // as written
	factor    float64 // to mm; 0 for a unit that is not known
	numbering tooth.System
}

var axisNames = [...]string{1: "x", 2: "y", 3: "z"}

// The words of the trade, and what people put in their place.
var (
	entryWords = []string{"entry", "platform", "shoulder", "coronal", "crestal", "head", "start", "top", "neck", "base", "insertion"}
	apexWords  = []string{"apex", "apical", "tip", "end", "bottom", "target"}
	siteWords  = []string{"site", "tooth", "position", "pos", "region", "regio", "fdi", "iso", "iso3950", "universal", "fixture", "implant", "label"}
	pointWords = []string{"point", "landmark"}
	wideWords  = []string{"diameter", "diam", "dia", "ø", "width", "d"}
	longWords  = []string{"length", "len", "l"}
)

// units are lengths in mm.
var units = map[string]float64{"": 1, "mm": 1, "millimetre": 1, "millimeter": 1, "millimetres": 1, "millimeters": 1, "cm": 10, "m": 1000, "µm": 0.001, "μm": 0.001, "um": 0.001}

// words are a text's words in lower case, with a letter that follows them in
// capitals apart, as in "EntryX".
func words(text string) []string {
	var out []string
	var word []rune
	flush := func() {
		if len(word) > 0 {
			out = append(out, strings.ToLower(string(word)))
			word = nil
		}
	}
	last := ' '
	for _, r := range text {
		switch {
		case !unicode.IsLetter(r) && !unicode.IsDigit(r):
			flush()
		case unicode.IsUpper(r) && unicode.IsLower(last):
			flush()
			word = append(word, r)
		default:
			word = append(word, r)
		}
		last = r
	}
	flush()
	return out
}

// oneOf tells whether a word of a text is in a list.
func oneOf(list, in []string) bool {
	return slices.ContainsFunc(in, func(w string) bool { return slices.Contains(list, w) })
}

func endIn(w []string) end {
	switch {
	case oneOf(apexWords, w):
		return apexEnd
	case oneOf(entryWords, w):
		return entryEnd
	}
	return noEnd
}

// understand reads a heading.
func understand(text string) heading {
	h := heading{text: shorten(text), factor: 1}
	plain := text
	// A unit stands in brackets, or as the last word.
	for _, pair := range []string{"[]", "()"} {
		open, shut := strings.IndexByte(plain, pair[0]), strings.LastIndexByte(plain, pair[1])
		if open < 0 || shut < open {
			continue
		}
		inner := strings.TrimSpace(plain[open+1 : shut])
		if _, known := units[strings.ToLower(inner)]; known || !oneOf([]string{"x", "y", "z", "fdi", "iso", "universal", "l", "p", "s", "r", "a", "lps", "ras", "entry", "apex"}, words(inner)) {
			h.unit = inner
			plain = plain[:open] + " " + plain[shut+1:]
		}
	}
	w := words(plain)
	if n := len(w); n > 1 && h.unit == "" {
		if _, ok := units[w[n-1]]; ok {
			h.unit, w = w[n-1], w[:n-1]
		}
	}
	h.factor = units[strings.ToLower(h.unit)]

	h.end = endIn(w)
	for _, v := range w {
		switch v {
		case "x", "y", "z":
			h.axis = int(v[0]-'x') + 1
		}
	}
	if h.axis == 0 && (h.end != noEnd || len(w) == 1) {
		for _, v := range w {
			if i := strings.Index("lps", v); len(v) == 1 && i >= 0 {
				h.axis, h.letter = i+1, v
			} else if i := strings.Index("ras", v); len(v) == 1 && i >= 0 {
				h.axis, h.letter = i+1, v
			}
		}
	}
	switch {
	case h.letter == "l" && h.end == noEnd: // a length, more often than an axis
		h.what, h.axis, h.letter = aLength, 0, ""
	case h.axis != 0:
		h.what = aPoint
	case oneOf(pointWords, w) && h.end == noEnd:
		h.what = aPointName
	case oneOf(wideWords, w):
		h.what, h.end = aDiameter, noEnd
	case oneOf(longWords, w):
		h.what, h.end = aLength, noEnd
	case h.end != noEnd:
		h.what = aPoint
	case oneOf(siteWords, w):
		h.what = aSite
		h.unit, h.factor = "", 1
		switch all := words(text); {
		case oneOf([]string{"universal"}, all):
			h.numbering = tooth.Universal
		case oneOf([]string{"fdi", "iso", "iso3950"}, all):
			h.numbering = tooth.ISO3950
		}
	}
	if h.what != aSite && strings.ContainsFunc(plain, unicode.IsDigit) {
		h = heading{text: h.text} // a field with a number is no heading
	}
	if h.what == aNothing || h.what == aPointName {
		h.unit, h.factor = "", 1
	}
	return h
}

// take puts a field under this heading into a fixture.
func (h heading) take(f *Fixture, points map[end]*[3]float64, text string) error {
	switch h.what {
	case aSite:
		if f.Label == "" {
			f.Label = shorten(text)
		}
	case aDiameter, aLength:
		if text == "" {
			return nil
		}
		x, _, err := number(text)
		if err != nil {
			return err
		}
		if h.what == aDiameter {
			f.Diameter = x * h.factor
		} else {
			f.Length = x * h.factor
		}
	case aPoint:
		p := points[h.end]
		if p == nil {
			return nil
		}
		if h.axis == 0 {
			return h.whole(f, p, text)
		}
		if text == "" {
			return fmt.Errorf("the field is empty")
		}
		x, decimals, err := number(text)
		if err != nil {
			return err
		}
		return h.put(f, p, h.axis-1, x, decimals)
	}
	return nil
}

func (h heading) put(f *Fixture, p *[3]float64, axis int, x float64, decimals int) error {
	x *= h.factor
	if math.Abs(x) > farthest {
		return fmt.Errorf("%g mm lies outside any scanner; check the unit", x)
	}
	if h.factor != 1 { // so that 2.41 cm is 24.1 mm and not 24.099999999999998
		x = math.Round(x*1e6) / 1e6
		decimals = max(0, decimals-int(math.Round(math.Log10(h.factor))))
	}
	p[axis] = x
	f.Decimals = max(f.Decimals, decimals)
	return nil
}

// whole reads a point in one field: three numbers, parted by semicolons, slashes
// or spaces, or by commas where the numbers have points.
func (h heading) whole(f *Fixture, p *[3]float64, text string) error {
	inner := strings.Trim(text, "()[]{} ")
	var parts []string
	for _, between := range []string{";", "/", ", ", " ", ","} {
		if between == " " {
			parts = strings.Fields(inner)
		} else {
			parts = strings.Split(inner, between)
		}
		if len(parts) == 3 {
			break
		}
	}
	if len(parts) != 3 {
		return fmt.Errorf("%q is no point of three numbers", shorten(text))
	}
	for i, s := range parts {
		s = strings.TrimSpace(s)
		for _, name := range []string{"=", ":"} { // x = 1.5
			if _, after, ok := strings.Cut(s, name); ok {
				s = after
			}
		}
		x, decimals, err := number(strings.TrimSuffix(strings.TrimSpace(s), ","))
		if err != nil {
			return err
		}
		if err := h.put(f, p, i, x, decimals); err != nil {
			return err
		}
	}
	return nil
}
