package element

import (
	"crypto/sha256"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// Text is an attribute as trimmed text; empty when it is absent.
func (d Dataset) Text(t tag.Tag) string { return trim(string(d[t].Value)) }

// Identifier is a UID. One that breaks the rules of UIDs (PS3.5 9.1) may hold
// anything, so only a digest of it is kept.
func (d Dataset) Identifier(t tag.Tag) string {
	s := d.Text(t)
	if len(s) <= 64 && strings.Trim(s, "0123456789.") == "" {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return fmt.Sprintf("invalid-%x", sum[:6])
}

// trim takes away the padding that DICOM allows, on both sides.
func trim(s string) string { return strings.Trim(s, " \x00\t\r\n") }

// Values splits an attribute's text at its backslashes, whatever its value
// representation; nil when it is absent or empty.
func (d Dataset) Values(t tag.Tag) []string {
	whole := d.Text(t)
	if whole == "" {
		return nil
	}
	parts := strings.Split(whole, `\`)
	for i := range parts {
		parts[i] = trim(parts[i])
	}
	return parts
}

// Has reports whether an attribute is there with a value.
func (d Dataset) Has(t tag.Tag) bool {
	return len(d[t].Value) > 0 && d.Text(t) != "" || len(d[t].Items) > 0
}

// Integer is an attribute's whole number, be it written as the binary number
// that the standard asks for, a wider one, or as text. ok is false when it is
// absent or empty.
func (d Dataset) Integer(t tag.Tag) (n int, ok bool, err error) {
	e, there := d[t]
	if !there || len(e.Value) == 0 {
		return 0, false, nil
	}
	binary := e.VR == "US" || e.VR == "SS" || e.VR == "UL" || e.VR == "SL"
	switch {
	case e.VR == "IS" || e.VR == "DS" || !binary && textual(t):
		s := d.Text(t)
		if s == "" {
			return 0, false, nil
		}
		n, err := strconv.Atoi(s)
		if err != nil {
			return 0, false, fmt.Errorf("%s is %s, expected a whole number", Name(t), quoteNumbers(s))
		}
		return n, true, nil
	case len(e.Value) == 2:
		return int(e.order().Uint16(e.Value)), true, nil
	case len(e.Value) == 4:
		return int(e.order().Uint32(e.Value)), true, nil
	}
	return 0, false, fmt.Errorf("%s has %d bytes, expected 2", Name(t), len(e.Value))
}

// textual reports whether the dictionary has the attribute as text.
func textual(t tag.Tag) bool {
	vr := dictionaryVR(t)
	return vr == "IS" || vr == "DS"
}

// Decimals reads n decimal numbers. ok is false when the attribute is absent or
// empty; comma is true where decimal commas were read as points.
//
// Errors: another count, or a value that is no finite decimal number.
func (d Dataset) Decimals(t tag.Tag, n int) (x []float64, comma, ok bool, err error) {
	e := d[t]
	if e.VR == "FD" && len(e.Value) == 8*n {
		for i := range n {
			x = append(x, math.Float64frombits(e.order().Uint64(e.Value[8*i:])))
		}
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, false, false, fmt.Errorf("%s is %v, expected finite numbers", Name(t), x)
			}
		}
		return x, false, true, nil
	}
	parts := d.Values(t)
	if parts == nil {
		return nil, false, false, nil
	}
	if len(parts) != n {
		return nil, false, false, fmt.Errorf("%s is %s, expected %s", Name(t), quoteNumbers(d.Text(t)), expectedNumbers(n, "number"))
	}
	for _, p := range parts {
		v, c, err := decimal(p)
		if err != nil {
			return nil, false, false, fmt.Errorf("%s is %s, expected %s", Name(t), quoteNumbers(d.Text(t)), expectedNumbers(n, "decimal number"))
		}
		comma = comma || c
		x = append(x, v)
	}
	return x, comma, true, nil
}

// Uint64s is an attribute's 64-bit numbers (OV); nil when it is absent or empty.
// Bytes behind the last whole number are left out.
func (d Dataset) Uint64s(t tag.Tag) (x []uint64) {
	e := d[t]
	for i := 0; i+8 <= len(e.Value); i += 8 {
		x = append(x, e.order().Uint64(e.Value[i:]))
	}
	return x
}

// Pointer is the first tag of an attribute that names others (AT). ok is false
// when it is absent or cut short.
func (d Dataset) Pointer(t tag.Tag) (to tag.Tag, ok bool) {
	e := d[t]
	if len(e.Value) < 4 {
		return to, false
	}
	return tag.Tag{Group: e.order().Uint16(e.Value), Element: e.order().Uint16(e.Value[2:])}, true
}

// expectedNumbers is how many numbers there should be, for a message.
func expectedNumbers(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}

// decimal reads a decimal string (PS3.5 6.2, DS). A single comma between digits
// is read as the point it stands for.
func decimal(s string) (v float64, comma bool, err error) {
	if strings.Trim(s, "0123456789+-.,eE") != "" {
		return 0, false, fmt.Errorf("%q is no decimal number", s)
	}
	if i := strings.IndexByte(s, ','); i >= 0 {
		if strings.ContainsAny(s, ".") || strings.Count(s, ",") > 1 {
			return 0, false, fmt.Errorf("%q is no decimal number", s)
		}
		comma = true
		s = s[:i] + "." + s[i+1:]
	}
	v, err = strconv.ParseFloat(s, 64)
	if err == nil && (math.IsInf(v, 0) || math.IsNaN(v)) {
		err = fmt.Errorf("%q is not finite", s)
	}
	return v, comma, err
}

// Name is an attribute's name in the standard, with its tag.
func Name(t tag.Tag) string {
	info, err := tag.Find(t)
	if err != nil {
		return t.String()
	}
	return fmt.Sprintf("%s %s", info.Keyword, t)
}

// Shorten cuts a value that goes into a message.
func Shorten(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}

// quoteNumbers is an attribute that should be numbers, for a message. Text is not
// repeated: in a damaged file it may be anything, a person's name included.
func quoteNumbers(s string) string {
	if strings.Trim(strings.NewReplacer("NaN", "", "Inf", "").Replace(s), `0123456789+-.,eE\ `) == "" {
		return strconv.Quote(Shorten(s))
	}
	return "text"
}

// Floats32 are an attribute's 32-bit numbers (FL, OF), all of them; ok is false when it
// is absent, empty or no whole number of them.
func (d Dataset) Floats32(t tag.Tag) (x []float64, ok bool) {
	e := d[t]
	if len(e.Value) == 0 || len(e.Value)%4 != 0 {
		return nil, false
	}
	x = make([]float64, len(e.Value)/4)
	for i := range x {
		x[i] = float64(math.Float32frombits(e.order().Uint32(e.Value[4*i:])))
	}
	return x, true
}

// Uint32s are an attribute's 32-bit whole numbers (UL, OL), as Floats32 reads them.
func (d Dataset) Uint32s(t tag.Tag) (x []uint32, ok bool) {
	e := d[t]
	if len(e.Value) == 0 || len(e.Value)%4 != 0 {
		return nil, false
	}
	x = make([]uint32, len(e.Value)/4)
	for i := range x {
		x[i] = e.order().Uint32(e.Value[4*i:])
	}
	return x, true
}

// Uint16s are an attribute's 16-bit whole numbers (US, OW), widened; bytes behind the last
// one are left out.
func (d Dataset) Uint16s(t tag.Tag) (x []uint32) {
	e := d[t]
	for i := 0; i+2 <= len(e.Value); i += 2 {
		x = append(x, uint32(e.order().Uint16(e.Value[i:])))
	}
	return x
}
