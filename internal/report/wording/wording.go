// Package wording says figures the way a dentist says them: deeper and shallower,
// mesial and distal, buccal and lingual. The terminal and every report speak
// through it, so that a figure is never worded in two ways.
//
// Conventions: lengths mm, angles degrees, signs as in package result.
package wording

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

// sides are the words for a signed figure.
type sides struct{ unit, plus, minus string }

var (
	depth  = sides{"mm", "deeper", "shallower"}
	mesial = sides{"mm", "mesial", "distal"}
	tilt   = sides{"°", "mesial", "distal"}
)

func cheek(unit string, site tooth.Number) sides {
	out, in := Cheek(site)
	return sides{unit, out, in}
}

// size is a figure without its sign, as printed.
func size(v float64) string { return fmt.Sprintf("%.2f", math.Abs(v)) }

// figure words a signed figure: its size, and the word for its sign unless it
// rounds to nothing.
func (s sides) figure(v float64) string {
	text := size(v) + " " + s.unit
	if size(v) == "0.00" {
		return text
	}
	return text + " " + s.word(v)
}

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
	if size(near) == "0.00" || near < 0 == (far < 0) {
		return size(near) + " to " + s.figure(far)
	}
	return s.figure(i.Low) + " to " + s.figure(i.High)
}

// Depth words a depth: + is deeper than planned.
func Depth(v float64) string { return depth.figure(v) }

// DepthInterval words the interval of a depth.
func DepthInterval(i measurement.Interval) string { return depth.interval(i) }

// Mesial words a mesiodistal part.
func Mesial(v float64) string { return mesial.figure(v) }

// MesialInterval words the interval of a mesiodistal part.
func MesialInterval(i measurement.Interval) string { return mesial.interval(i) }

// Buccal words a buccolingual part at a site: labial for front teeth, palatal in
// the upper jaw.
func Buccal(v float64, site tooth.Number) string { return cheek("mm", site).figure(v) }

// BuccalInterval words the interval of a buccolingual part at a site.
func BuccalInterval(i measurement.Interval, site tooth.Number) string {
	return cheek("mm", site).interval(i)
}

// TiltMesial words a mesiodistal tilt of the apex.
func TiltMesial(v float64) string { return tilt.figure(v) }

// TiltMesialInterval words the interval of a mesiodistal tilt.
func TiltMesialInterval(i measurement.Interval) string { return tilt.interval(i) }

// TiltBuccal words a buccolingual tilt of the apex.
func TiltBuccal(v float64, site tooth.Number) string { return cheek("°", site).figure(v) }

// TiltBuccalInterval words the interval of a buccolingual tilt at a site.
func TiltBuccalInterval(i measurement.Interval, site tooth.Number) string {
	return cheek("°", site).interval(i)
}

// Cheek gives a site's words for outward and inward.
func Cheek(site tooth.Number) (out, in string) {
	out, in = "buccal", "lingual"
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

// Margin words how an achieved clearance stands to the margin asked for.
func Margin(c measurement.Clearance) string {
	switch {
	case c.Achieved == nil:
		return "not known"
	case *c.Achieved < 0:
		return "penetrated"
	case c.Margin == nil:
		return "no margin asked for"
	case *c.Achieved < *c.Margin:
		return "margin not kept"
	case c.Low != nil && *c.Low < *c.Margin:
		return "kept, but not surely"
	}
	return "kept"
}

// Interval words the 95 % coverage interval of a figure that has no sign, such
// as a distance or an angle.
func Interval(i measurement.Interval, unit string) string {
	return fmt.Sprintf("%s to %s %s", size(i.Low), size(i.High), unit)
}

// Guidance words how a fixture was guided.
func Guidance(g string) string {
	if g == "" {
		return "guidance not stated"
	}
	return strings.ReplaceAll(g, "-", " ")
}

// Cautions are the sentences that every report ends with.
var Cautions = []string{
	"An audit aid for people who are licensed to place fixtures; not a device for diagnosis or for deciding on treatment.",
	"A follow-up scan is taken for a clinical reason, never for an audit alone: it costs the patient a dose.",
	"Treat the patient by clinical findings. Local codes and licensed judgement come first.",
}
