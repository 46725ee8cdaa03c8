// Package wording says figures the way a dentist says them: deeper and shallower,
// mesial and distal, buccal and lingual. The terminal and every report speak
// through it, so that a figure is never worded in two ways.
//
// Conventions: lengths mm, angles degrees, signs as in package measurement.
package wording

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// sides are the words for a signed figure.
type sides struct{ unit, plus, minus string }

// sidesOf are the words for a signed figure at a site.
func sidesOf(f measurement.Figure, site tooth.Number) sides {
	sign := f.Spec().Sign
	if sign == measurement.Buccolingual {
		sign.Plus, sign.Minus = Cheek(site)
	}
	return sides{f.Unit().Symbol(), sign.Plus, sign.Minus}
}

// size is a length without its sign, as printed.
func size(v float64) string { return fmt.Sprintf("%.2f", math.Abs(v)) }

// sizeIn is a figure without its sign or unit, as printed: lengths to a hundredth of a
// millimetre, angles to a tenth of a degree.
func sizeIn(unit string, v float64) string {
	if unit == measurement.Degrees.Symbol() {
		return fmt.Sprintf("%.1f", math.Abs(v))
	}
	return size(v)
}

// Of words a size with its unit; the degree sign follows its number without a space
// (The International System of Units, 9th edition, 5.4.3).
func Of(v float64, unit string) string {
	if unit == measurement.Degrees.Symbol() {
		return sizeIn(unit, v) + unit
	}
	return sizeIn(unit, v) + " " + unit
}

// uncertaintyOf words a standard uncertainty, of an angle too to a hundredth.
func uncertaintyOf(u float64, unit string) string {
	if unit == measurement.Degrees.Symbol() {
		return size(u) + unit
	}
	return Of(u, unit)
}

// figure words a signed figure: its size, and the word for its sign unless it
// rounds to nothing.
func (s sides) figure(v float64) string {
	text := Of(v, s.unit)
	if s.nothing(v) {
		return text
	}
	return text + " " + s.word(v)
}

// nothing reports whether a figure rounds to nothing.
func (s sides) nothing(v float64) bool { return sizeIn(s.unit, v) == sizeIn(s.unit, 0) }

func (s sides) word(v float64) string {
	if v < 0 {
		return s.minus
	}
	return s.plus
}

// interval words the interval of a signed figure, the end nearer to zero first
// where both lie on one side.
func (s sides) interval(i measurement.Interval) string {
	near, far := i.Low, i.High
	if math.Abs(near) > math.Abs(far) {
		near, far = far, near
	}
	if s.nothing(near) || near < 0 == (far < 0) {
		return sizeIn(s.unit, near) + " to " + s.figure(far)
	}
	return s.figure(i.Low) + " to " + s.figure(i.High)
}

// Value words a figure at a site: its size with the unit, and the word for its
// sign. Buccolingual is labial for front teeth and palatal in the upper jaw. site
// may be 0, no tooth.
func Value(f measurement.Figure, v float64, site tooth.Number) string {
	if !f.Signed() {
		return Of(v, f.Unit().Symbol())
	}
	return sidesOf(f, site).figure(v)
}

// ValueInterval words the 95 % coverage interval of a figure at a site.
func ValueInterval(f measurement.Figure, i measurement.Interval, site tooth.Number) string {
	if !f.Signed() {
		return Interval(i, f.Unit().Symbol())
	}
	return sidesOf(f, site).interval(i)
}

// Cheek gives a site's words for outward and inward.
func Cheek(site tooth.Number) (out, in string) {
	out, in = measurement.Buccolingual.Plus, measurement.Buccolingual.Minus
	if site.Anterior() {
		out = "labial"
	}
	if site.Jaw() == tooth.Upper {
		in = "palatal"
	}
	return out, in
}

// Clearance words a clearance; negative ones are penetrations.
func Clearance(v float64) string {
	switch {
	case size(v) == "0.00":
		return "0.00 mm, touching"
	case v < 0:
		return fmt.Sprintf("reaches in by %s mm", size(v))
	}
	return size(v) + " mm"
}

// ClearanceInterval words the interval of a clearance.
func ClearanceInterval(i measurement.Interval) string {
	if i.Low >= 0 {
		return Interval(i, "mm")
	}
	return sides{"mm", "clear", "inside"}.interval(i)
}

// Margin words how an achieved clearance stands to the margin asked for, and whose
// a breach is.
func Margin(c measurement.Clearance) string {
	standing := severity.Achieved(c)
	words := [...]string{severity.Entered: "entered", severity.Missed: "margin missed", severity.Unsure: "kept, but not surely",
		severity.Kept: "kept", severity.Unasked: "no margin asked for", severity.NotKnown: "not known"}[standing]
	switch by := severity.Blame(c); {
	case by == "":
	case standing <= severity.Missed:
		words += ", by the " + string(by)
	default:
		words += ", but missed by the plan"
	}
	return words
}

// Interval words the 95 % coverage interval of a figure that has no sign, such
// as a distance or an angle.
func Interval(i measurement.Interval, unit string) string {
	return sizeIn(unit, i.Low) + " to " + Of(i.High, unit)
}

// Guidance words how a fixture was guided.
func Guidance(g string) string {
	if g == "" {
		return "guidance not stated"
	}
	return casefile.Guidance(g).Words()
}

// Cautions are the sentences that every report ends with.
var Cautions = []string{
	"An audit aid for people who are licensed to place fixtures; not a device for diagnosis or for deciding on treatment.",
	"A follow-up scan is taken for a clinical reason, never for an audit alone: it costs the patient a dose.",
	"Treat the patient by clinical findings. Local codes and licensed judgement come first.",
}

// Between words a direction between two others, as in mesiobuccal; one of them may be
// empty.
func Between(first, second string) string {
	switch {
	case first == "":
		return second
	case second == "":
		return first
	}
	for _, whole := range []string{measurement.Mesiodistal.Plus, measurement.Mesiodistal.Minus} {
		if first == whole {
			return strings.TrimSuffix(first, "al") + "o" + second
		}
	}
	return second + " and " + first
}
