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
	decimal   byte // the decimal mark of the table, where its numbers show one, else 0
}

var axisNames = [...]string{1: "x", 2: "y", 3: "z"}

// The words of the trade, and what people put in their place.
var (
	entryWords    = []string{"entry", "platform", "shoulder", "coronal", "crestal", "head", "start", "top", "neck", "base", "insertion"}
	apexWords     = []string{"apex", "apical", "tip", "end", "bottom", "target"}
	siteWords     = []string{"site", "tooth", "position", "pos", "region", "regio", "fdi", "iso", "iso3950", "universal", "fixture", "implant", "label"}
	pointWords    = []string{"point", "landmark"}
	diameterWords = []string{"diameter", "diam", "dia", "ø", "width", "d"}
	lengthWords   = []string{"length", "len", "l"}
)

// units are lengths in mm.
var units = map[string]float64{"": 1, "mm": 1, "millimetre": 1, "millimeter": 1, "millimetres": 1, "millimeters": 1, "cm": 10, "m": 1000, "µm": 0.001, "μm": 0.001, "um": 0.001}

// splitWords gives a text's words in lower case; a capital after a small letter begins
// a new one, as in "EntryX".
func splitWords(text string) []string {
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

// containsAny reports whether one of the words is in a list.
func containsAny(list, words []string) bool {
	return slices.ContainsFunc(words, func(w string) bool { return slices.Contains(list, w) })
}

// endNamed is the end of a fixture that the words name.
func endNamed(w []string) end {
	switch {
	case containsAny(apexWords, w):
		return apexEnd
	case containsAny(entryWords, w):
		return entryEnd
	}
	return noEnd
}

// parseHeading reads a heading: the unit is taken off, then one matcher a property
// looks at the words that are left.
func parseHeading(text string) heading {
	h := heading{text: truncate(text)}
	plain, w := h.cutUnit(text)
	h.end = endNamed(w)
	h.matchAxis(w)
	h.matchContent(w)
	if h.what == aSite {
		h.numbering = numberingNamed(splitWords(text))
	} else if strings.ContainsFunc(plain, unicode.IsDigit) {
		h = heading{text: h.text} // a field with a number is no heading
	}
	switch h.what {
	case aSite, aNothing, aPointName:
		h.unit, h.factor = "", 1
	}
	return h
}

// notUnits are words that stand in brackets and are no units.
var notUnits = []string{"x", "y", "z", "fdi", "iso", "universal", "l", "p", "s", "r", "a", "lps", "ras", "entry", "apex"}

// cutUnit takes the unit, which stands in brackets or as the last word, off a heading.
// It gives the heading without brackets and the words without the unit.
func (h *heading) cutUnit(text string) (plain string, w []string) {
	plain = text
	for _, pair := range []string{"[]", "()"} {
		open, shut := strings.IndexByte(plain, pair[0]), strings.LastIndexByte(plain, pair[1])
		if open < 0 || shut < open {
			continue
		}
		inner := strings.TrimSpace(plain[open+1 : shut])
		if _, known := units[strings.ToLower(inner)]; known || !containsAny(notUnits, splitWords(inner)) {
			h.unit = inner
			plain = plain[:open] + " " + plain[shut+1:]
		}
	}
	w = splitWords(plain)
	if n := len(w); n > 1 && h.unit == "" {
		if _, ok := units[w[n-1]]; ok {
			h.unit, w = w[n-1], w[:n-1]
		}
	}
	h.factor = units[strings.ToLower(h.unit)]
	return plain, w
}

// matchAxis sets the axis: x, y or z, or a letter of a direction of the patient beside
// an end's name or alone.
func (h *heading) matchAxis(w []string) {
	for _, v := range w {
		switch v {
		case "x", "y", "z":
			h.axis = int(v[0]-'x') + 1
		}
	}
	if h.axis != 0 || h.end == noEnd && len(w) != 1 {
		return
	}
	for _, v := range w {
		if len(v) != 1 {
			continue
		}
		for _, letters := range []string{"lps", "ras"} {
			if i := strings.Index(letters, v); i >= 0 {
				h.axis, h.letter = i+1, v
				break
			}
		}
	}
}

// matchContent sets what the column holds, by the first that fits.
func (h *heading) matchContent(w []string) {
	switch {
	case h.letter == "l" && h.end == noEnd: // a length, more often than an axis
		h.what, h.axis, h.letter = aLength, 0, ""
	case h.axis != 0:
		h.what = aPoint
	case containsAny(pointWords, w) && h.end == noEnd:
		h.what = aPointName
	case containsAny(diameterWords, w):
		h.what, h.end = aDiameter, noEnd
	case containsAny(lengthWords, w):
		h.what, h.end = aLength, noEnd
	case h.end != noEnd:
		h.what = aPoint
	case containsAny(siteWords, w):
		h.what = aSite
	}
}

// numberingNamed is the system of tooth numbers that a heading names, or "".
func numberingNamed(w []string) tooth.System {
	switch {
	case containsAny([]string{"universal"}, w):
		return tooth.Universal
	case containsAny([]string{"fdi", "iso", "iso3950"}, w):
		return tooth.ISO3950
	}
	return ""
}

// setField puts a field under this heading into a fixture.
func (h heading) setField(f *Fixture, points map[end]*[3]float64, text string) error {
	switch h.what {
	case aSite:
		if f.Label == "" {
			f.Label = truncate(text)
		}
	case aDiameter, aLength:
		if text == "" {
			return nil
		}
		x, _, err := parseNumber(text, h.decimal)
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
			return h.setPoint(f, p, text)
		}
		if text == "" {
			return fmt.Errorf("the field is empty")
		}
		x, decimals, err := parseNumber(text, h.decimal)
		if err != nil {
			return err
		}
		return h.setCoordinate(f, p, h.axis-1, x, decimals)
	}
	return nil
}

// setCoordinate puts a number under this heading, in the heading's unit, into a point.
func (h heading) setCoordinate(f *Fixture, p *[3]float64, axis int, x float64, decimals int) error {
	x *= h.factor
	if math.Abs(x) > maxCoordinate {
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

// coordinates parts a point in one field into three numbers as written: by
// semicolons, slashes or spaces, or by commas where the numbers have points; nil
// where there are not three.
func coordinates(text string) []string {
	inner := strings.Trim(text, "()[]{} ")
	for _, between := range []string{";", "/", ", ", " ", ","} {
		parts := strings.Split(inner, between)
		if between == " " {
			parts = strings.Fields(inner)
		}
		if len(parts) != 3 {
			continue
		}
		for i, s := range parts {
			for _, name := range []string{"=", ":"} { // x = 1.5
				if _, after, ok := strings.Cut(s, name); ok {
					s = after
				}
			}
			parts[i] = strings.TrimSuffix(strings.TrimSpace(s), ",")
		}
		return parts
	}
	return nil
}

// setPoint reads a point in one field.
func (h heading) setPoint(f *Fixture, p *[3]float64, text string) error {
	parts := coordinates(text)
	if parts == nil {
		return fmt.Errorf("%q is no point of three numbers", truncate(text))
	}
	for i, s := range parts {
		x, decimals, err := parseNumber(s, h.decimal)
		if err != nil {
			return err
		}
		if err := h.setCoordinate(f, p, i, x, decimals); err != nil {
			return err
		}
	}
	return nil
}
