package scan

import (
	"crypto/sha256"
	"fmt"
	"math"
	"strconv"
	"strings"

	"github.com/suyashkumar/dicom/pkg/tag"
)

// text is an attribute as trimmed text; empty when it is absent.
func (d dataset) text(t tag.Tag) string { return trim(string(d[t].value)) }

// identifier is a UID. One that breaks the rules of UIDs (PS3.5 9.1) may hold
// anything, so only a digest of it is kept.
func (d dataset) identifier(t tag.Tag) string {
	s := d.text(t)
	if len(s) <= 64 && strings.Trim(s, "0123456789.") == "" {
		return s
	}
	sum := sha256.Sum256([]byte(s))
	return fmt.Sprintf("invalid-%x", sum[:6])
}

// code is a code string (PS3.5 6.2, CS), or "" when it is none.
func code(s string) string {
	s = strings.ToUpper(s)
	if len(s) > 16 || strings.Trim(s, "ABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_ ") != "" {
		return ""
	}
	return s
}

// trim takes away the padding that DICOM allows, on both sides.
func trim(s string) string { return strings.Trim(s, " \x00\t\r\n") }

// values splits an attribute's text at its backslashes, whatever its value
// representation; nil when it is absent or empty.
func (d dataset) values(t tag.Tag) []string {
	whole := d.text(t)
	if whole == "" {
		return nil
	}
	parts := strings.Split(whole, `\`)
	for i := range parts {
		parts[i] = trim(parts[i])
	}
	return parts
}

// has tells whether an attribute is there with a value.
func (d dataset) has(t tag.Tag) bool {
	return len(d[t].value) > 0 && d.text(t) != "" || len(d[t].items) > 0
}

// integer is an attribute's whole number, be it written as the binary number
// that the standard asks for, a wider one, or as text. ok is false when it is
// absent or empty.
func (d dataset) integer(t tag.Tag) (n int, ok bool, err error) {
	e, there := d[t]
	if !there || len(e.value) == 0 {
		return 0, false, nil
	}
	binary := e.vr == "US" || e.vr == "SS" || e.vr == "UL" || e.vr == "SL"
	switch {
	case e.vr == "IS" || e.vr == "DS" || !binary && textual(t):
		s := d.text(t)
		if s == "" {
			return 0, false, nil
		}
		n, err := strconv.Atoi(s)
		if err != nil {
			return 0, false, fmt.Errorf("%s is %s, expected a whole number", name(t), quoted(s))
		}
		return n, true, nil
	case len(e.value) == 2:
		return int(e.order.Uint16(e.value)), true, nil
	case len(e.value) == 4:
		return int(e.order.Uint32(e.value)), true, nil
	}
	return 0, false, fmt.Errorf("%s has %d bytes, expected 2", name(t), len(e.value))
}

// textual tells whether the dictionary has the attribute as text.
func textual(t tag.Tag) bool {
	info, err := tag.Find(t)
	return err == nil && len(info.VRs) > 0 && (info.VRs[0] == "IS" || info.VRs[0] == "DS")
}

// decimals reads n decimal numbers. ok is false when the attribute is absent or
// empty; comma is true where decimal commas were read as points.
//
// Errors: another count, or a value that is no finite decimal number.
func (d dataset) decimals(t tag.Tag, n int) (x []float64, comma, ok bool, err error) {
	e := d[t]
	if e.vr == "FD" && len(e.value) == 8*n {
		for i := range n {
			x = append(x, math.Float64frombits(e.order.Uint64(e.value[8*i:])))
		}
		for _, v := range x {
			if math.IsNaN(v) || math.IsInf(v, 0) {
				return nil, false, false, fmt.Errorf("%s is %v, expected finite numbers", name(t), x)
			}
		}
		return x, false, true, nil
	}
	parts := d.values(t)
	if parts == nil {
		return nil, false, false, nil
	}
	if len(parts) != n {
		return nil, false, false, fmt.Errorf("%s is %s, expected %s", name(t), quoted(d.text(t)), plural(n, "number"))
	}
	for _, p := range parts {
		v, c, err := decimal(p)
		if err != nil {
			return nil, false, false, fmt.Errorf("%s is %s, expected %s", name(t), quoted(d.text(t)), plural(n, "decimal number"))
		}
		comma = comma || c
		x = append(x, v)
	}
	return x, comma, true, nil
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

// name is an attribute's name in the standard, with its tag.
func name(t tag.Tag) string {
	info, err := tag.Find(t)
	if err != nil {
		return t.String()
	}
	return fmt.Sprintf("%s %s", info.Keyword, t)
}

// shorten cuts a value that goes into a message.
func shorten(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "…"
	}
	return s
}

// quoted is an attribute that should be numbers, for a message. Text is not
// repeated: in a damaged file it may be anything, a person's name included.
func quoted(s string) string {
	if strings.Trim(strings.NewReplacer("NaN", "", "Inf", "").Replace(s), `0123456789+-.,eE\ `) == "" {
		return strconv.Quote(shorten(s))
	}
	return "text"
}

// plural counts things: "1 slice", "2 slices".
func plural(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
