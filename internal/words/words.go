// Package words says figures the way a dentist says them: deeper and shallower,
// mesial and distal, buccal and lingual. The terminal and every report speak
// through it, so that a figure is never worded in two ways.
//
// Conventions: lengths mm, angles degrees, signs as in package result.
package words

import (
	"fmt"
	"math"
	"strings"

	"plumbline/internal/result"
	"plumbline/internal/tooth"
)

// side words a signed figure: its size, and the word for its sign.
func side(v float64, unit, plus, minus string) string {
	text := fmt.Sprintf("%.2f %s", math.Abs(v), unit)
	switch {
	case strings.Trim(text[:4], "0.") == "" && math.Abs(v) < 0.005:
		return text
	case v > 0:
		return text + " " + plus
	}
	return text + " " + minus
}

// Depth words a depth: + is deeper than planned.
func Depth(v float64) string { return side(v, "mm", "deeper", "shallower") }

// Mesial words a mesiodistal part.
func Mesial(v float64) string { return side(v, "mm", "mesial", "distal") }

// Buccal words a buccolingual part at a site: labial for front teeth, palatal in
// the upper jaw.
func Buccal(v float64, site tooth.Number) string {
	out, in := Cheek(site)
	return side(v, "mm", out, in)
}

// TiltMesial words a mesiodistal tilt of the apex.
func TiltMesial(v float64) string { return side(v, "°", "mesial", "distal") }

// TiltBuccal words a buccolingual tilt of the apex.
func TiltBuccal(v float64, site tooth.Number) string {
	out, in := Cheek(site)
	return side(v, "°", out, in)
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
	if v < 0 {
		return fmt.Sprintf("reaches in by %.2f mm", -v)
	}
	return fmt.Sprintf("%.2f mm", v)
}

// Margin words how an achieved clearance stands to the margin asked for.
func Margin(c result.Clearance) string {
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

// Interval words a 95 % coverage interval.
func Interval(i result.Interval) string { return fmt.Sprintf("%.2f to %.2f", i.Low, i.High) }

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
