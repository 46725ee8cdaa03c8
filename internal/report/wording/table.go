package wording

import (
	"fmt"
	"strings"

	"plumbline/internal/measurement"
	"plumbline/internal/tooth"
)

// Figure is one line of a fixture's table.
type Figure struct {
	Name     string
	Part     bool   // resolves the figure above it
	Value    string // with its unit and the word for its sign
	Interval string // 95 %, "" where there is none
	U        string // standard uncertainty, "" where there is none
	Note     string
}

// Figures lists the deviations of a fixture in words, none where there are no
// figures. site may be 0, no tooth.
func Figures(f measurement.Fixture, site tooth.Number) []Figure {
	if f.Deviation == nil {
		return nil
	}
	d := f.Deviation
	u := measurement.Uncertainty{}
	known := f.Uncertainty != nil
	if known {
		u = *f.Uncertainty
	}
	var out []Figure
	add := func(part bool, name, value, unit string, i *measurement.Interval, interval func(measurement.Interval) string) {
		line := Figure{Name: name, Part: part, Value: value}
		if known && i != nil {
			line.Interval, line.U = interval(*i), size(i.U)+" "+unit
		}
		out = append(out, line)
	}
	plain := func(part bool, name string, v float64, unit string, i *measurement.Interval) {
		add(part, name, size(v)+" "+unit, unit, i, func(i measurement.Interval) string { return Interval(i, unit) })
	}
	floor := func(v, floor float64, unit string) {
		if known {
			out[len(out)-1].Note = Floor(v, floor, unit)
		}
	}
	buccal := func(i measurement.Interval) string { return BuccalInterval(i, site) }
	end := func(name string, whole, lateral, depth float64, uw, ul, ud *measurement.Interval, m, b *float64, um, ub *measurement.Interval, least float64) {
		plain(false, name, whole, "mm", uw)
		floor(whole, least, "mm")
		plain(true, "across the axis", lateral, "mm", ul)
		add(true, "along the axis", Depth(depth), "mm", ud, DepthInterval)
		if m != nil && b != nil {
			add(true, "mesiodistal", Mesial(*m), "mm", um, MesialInterval)
			add(true, "buccolingual", Buccal(*b, site), "mm", ub, buccal)
		}
	}
	end("entry", d.Entry, d.EntryLateral, d.EntryDepth, &u.Entry, &u.EntryLateral, &u.EntryDepth, d.EntryMesial, d.EntryBuccal, u.EntryMesial, u.EntryBuccal, u.Floor.Entry)
	end("apex", d.Apex, d.ApexLateral, d.ApexDepth, &u.Apex, &u.ApexLateral, &u.ApexDepth, d.ApexMesial, d.ApexBuccal, u.ApexMesial, u.ApexBuccal, u.Floor.Apex)
	plain(false, "angle", d.Angle, "°", &u.Angle)
	floor(d.Angle, u.Floor.Angle, "°")
	if d.TiltMesial != nil && d.TiltBuccal != nil {
		add(true, "mesiodistal tilt", TiltMesial(*d.TiltMesial), "°", u.TiltMesial, TiltMesialInterval)
		add(true, "buccolingual tilt", TiltBuccal(*d.TiltBuccal, site), "°", u.TiltBuccal,
			func(i measurement.Interval) string { return TiltBuccalInterval(i, site) })
	}
	return out
}

// Floor words how a figure stands to its measurement floor.
func Floor(v, floor float64, unit string) string {
	if v < floor {
		return fmt.Sprintf("not distinguishable from zero (floor %.2f %s)", floor, unit)
	}
	return fmt.Sprintf("floor %.2f %s", floor, unit)
}

// Summary says in sentences how far a fixture lies from its plan.
func Summary(f measurement.Fixture, site tooth.Number) []string {
	d := f.Deviation
	if d == nil {
		return []string{"No fixture was found, so there are no figures."}
	}
	end := func(name string, whole float64, depth float64, m, b *float64) string {
		parts := []string{Depth(depth)}
		if m != nil && b != nil {
			parts = append(parts, Mesial(*m), Buccal(*b, site))
		}
		return fmt.Sprintf("The %s lies %s mm from the plan: %s.", name, size(whole), List(parts))
	}
	angle := fmt.Sprintf("The axis is %s ° off", size(d.Angle))
	if d.TiltMesial != nil && d.TiltBuccal != nil {
		angle += ": the apex tips " + TiltMesial(*d.TiltMesial) + " and " + TiltBuccal(*d.TiltBuccal, site)
	}
	out := []string{
		end("entry", d.Entry, d.EntryDepth, d.EntryMesial, d.EntryBuccal),
		end("apex", d.Apex, d.ApexDepth, d.ApexMesial, d.ApexBuccal),
		angle + ".",
	}
	if u := f.Uncertainty; u != nil {
		var none []string
		for _, x := range []struct {
			where    string
			v, floor float64
		}{{"at the entry", d.Entry, u.Floor.Entry}, {"at the apex", d.Apex, u.Floor.Apex}, {"in the angle", d.Angle, u.Floor.Angle}} {
			if x.v < x.floor {
				none = append(none, x.where)
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

// ClearanceLines words the clearances of a fixture.
func ClearanceLines(list []measurement.Clearance) []ClearanceLine {
	out := make([]ClearanceLine, len(list))
	for i, c := range list {
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
