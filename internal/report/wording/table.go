package wording

import (
	"fmt"
	"slices"
	"strings"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

// Figure is one line of a fixture's table.
type Figure struct {
	Name     string
	Part     bool   // component of the figure above it
	Value    string // with its unit and the word for its sign
	Interval string // 95 %, "" where there is none
	U        string // standard uncertainty, "" where there is none
	Note     string
}

// Figures lists the deviations of a fixture in words, each whole before its
// components, none where there are no figures. site may be 0, no tooth.
func Figures(f measurement.Fixture, site tooth.Number) []Figure {
	if f.Deviation == nil {
		return nil
	}
	var out []Figure
	for _, whole := range measurement.Wholes() {
		for _, figure := range known(f.Deviation, whole) {
			v := f.Deviation[figure]
			line := Figure{Name: figure.Spec().Label, Part: figure != whole, Value: Value(figure, *v, site)}
			if u := f.Uncertainty; u != nil {
				if i := u.Intervals[figure]; i != nil {
					line.Interval, line.U = ValueInterval(figure, *i, site), uncertaintyOf(i.U, figure.Unit().Symbol())
				}
				if least := u.Floor[figure]; least != nil {
					line.Note = Floor(*v, *least, figure.Unit().Symbol())
				}
			}
			out = append(out, line)
		}
	}
	return out
}

// known are a whole and those of its components that are there. Components along
// the directions of the site come together or not at all: one alone would seem
// to be all that there is across the axis.
func known(d *measurement.Values, whole measurement.Figure) []measurement.Figure {
	missing := func(f measurement.Figure) bool { return d[f] == nil }
	directional := !slices.ContainsFunc(whole.Components(), func(f measurement.Figure) bool { return f.Directional() && missing(f) })
	out := append([]measurement.Figure{whole}, whole.Components()...)
	return slices.DeleteFunc(out, func(f measurement.Figure) bool { return missing(f) || f.Directional() && !directional })
}

// Floor words how a figure stands to its measurement floor.
func Floor(v, floor float64, unit string) string {
	if v < floor {
		return "too small to be seen (seen from " + Of(floor, unit) + ")"
	}
	return "seen from " + Of(floor, unit)
}

// Summary says in sentences how far a fixture lies from its plan.
func Summary(f measurement.Fixture, site tooth.Number) []string {
	d := f.Deviation
	if d == nil {
		return []string{"No fixture was found, so there are no figures."}
	}
	var out []string
	for _, whole := range measurement.Wholes() {
		if d[whole] == nil {
			continue
		}
		var parts []string
		for _, part := range known(d, whole) {
			if part.Signed() {
				parts = append(parts, Value(part, *d[part], site))
			}
		}
		text, tips := fmt.Sprintf("The %s lies %s mm from the plan", whole.Spec().Label, size(*d[whole])), ""
		if whole.Unit() == measurement.Degrees {
			text, tips = fmt.Sprintf("The axis is %s off", Of(*d[whole], whole.Unit().Symbol())), "the apex tips "
		}
		if len(parts) > 0 {
			text += ": " + tips + List(parts)
		}
		out = append(out, text+".")
	}
	if u := f.Uncertainty; u != nil {
		var none []string
		for figure, least := range u.Floor.All() {
			if v := d[figure]; v != nil && *v < least {
				none = append(none, figure.Spec().Floor)
			}
		}
		if len(none) > 0 {
			out = append(out, "In this scan a perfectly placed fixture could show as much "+List(none)+", so that this cannot be told from zero.")
		}
	}
	return out
}

// List joins parts with commas and a last "and".
func List(parts []string) string {
	if len(parts) < 2 {
		return strings.Join(parts, "")
	}
	return strings.Join(parts[:len(parts)-1], ", ") + " and " + parts[len(parts)-1]
}

// ClearanceLine is one line of the table of clearances.
type ClearanceLine struct{ Structure, Kind, Planned, Achieved, Interval, Margin, Verdict string }

// ClearanceLines words the clearances of a fixture, the gravest first.
func ClearanceLines(list []measurement.Clearance) []ClearanceLine {
	out := make([]ClearanceLine, len(list))
	for i, c := range severity.Ordered(list) {
		line := ClearanceLine{Structure: c.Structure, Kind: c.Kind, Planned: Clearance(c.Planned), Achieved: "not known", Margin: "none", Verdict: Margin(c)}
		if c.Achieved != nil {
			line.Achieved = Clearance(*c.Achieved)
		}
		if c.Low != nil && c.High != nil {
			line.Interval = ClearanceInterval(measurement.Interval{Low: *c.Low, High: *c.High})
		}
		if c.Margin != nil {
			line.Margin = fmt.Sprintf("%.1f mm", *c.Margin)
		}
		out[i] = line
	}
	return out
}
