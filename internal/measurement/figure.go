package measurement

import (
	"bytes"
	"encoding/json"
	"fmt"
	"iter"
	"maps"
	"slices"
	"strconv"
	"strings"
)

// Figure is one of the deviations of a fixture, achieved against planned.
type Figure int

// The figures in the order of the stored form. Each has a row in specs and a
// formula in package deviation.
const (
	Entry Figure = iota
	EntryLateral
	EntryDepth
	Apex
	ApexLateral
	ApexDepth
	Angle
	EntryMesial
	EntryBuccal
	ApexMesial
	ApexBuccal
	TiltMesial
	TiltBuccal
	FigureCount // of the figures; range over it for all of them
)

// Unit is what a figure is stored in.
type Unit string

// The units, as the names of the stored form end.
const (
	MM      Unit = "mm"
	Degrees Unit = "deg"
)

// Symbol is the unit as printed behind a number.
func (u Unit) Symbol() string {
	if u == Degrees {
		return "°"
	}
	return string(u)
}

// Behind puts the unit behind a number; the degree sign follows without a space (The
// International System of Units, 9th edition, 5.4.3).
func (u Unit) Behind(number string) string {
	if u == Degrees {
		return number + u.Symbol()
	}
	return number + " " + u.Symbol()
}

// Sign has the words for the signs of a figure; both are empty where it cannot
// be negative.
type Sign struct{ Plus, Minus string }

// The signs. The words for buccolingual depend on the site.
var (
	Unsigned     = Sign{}
	Along        = Sign{"deeper", "shallower"}
	Mesiodistal  = Sign{"mesial", "distal"}
	Buccolingual = Sign{"buccal", "lingual"}
)

// Spec is what is said of a figure: a row of the table of figures.
type Spec struct {
	Name    string // in the stored form, ends in the unit
	Unit    Unit
	Sign    Sign
	Whole   Figure // the figure that this one is a component of; itself where there is none
	Label   string // in the table of a fixture, below the whole
	Title   string // by itself, within a sentence
	Meaning string // definition
	Floor   string // where the figure may not be told from zero; empty where it has no floor
}

// specs is the table of figures.
var specs = [FigureCount]Spec{
	Entry: {"entry_mm", MM, Unsigned, Entry, "entry", "entry deviation",
		"distance of achieved from planned entry", "at the entry"},
	EntryLateral: {"entry_lateral_mm", MM, Unsigned, Entry, "across the axis", "lateral deviation at the entry",
		"its part across the planned axis", ""},
	EntryDepth: {"entry_depth_mm", MM, Along, Entry, "along the axis", "depth at the entry",
		"its part along the planned axis; + = deeper", ""},
	Apex: {"apex_mm", MM, Unsigned, Apex, "apex", "apex deviation",
		"distance of achieved from planned apex", "at the apex"},
	ApexLateral: {"apex_lateral_mm", MM, Unsigned, Apex, "across the axis", "lateral deviation at the apex",
		"its part across the planned axis", ""},
	ApexDepth: {"apex_depth_mm", MM, Along, Apex, "along the axis", "depth at the apex",
		"its part along the planned axis; + = deeper", ""},
	Angle: {"angle_deg", Degrees, Unsigned, Angle, "angle", "angular deviation",
		"angle between the two axes", "in the angle"},
	EntryMesial: {"entry_mesial_mm", MM, Mesiodistal, Entry, "mesiodistal", "mesiodistal deviation at the entry",
		"lateral part at the entry; + = mesial", ""},
	EntryBuccal: {"entry_buccal_mm", MM, Buccolingual, Entry, "buccolingual", "buccolingual deviation at the entry",
		"lateral part at the entry; + = buccal", ""},
	ApexMesial: {"apex_mesial_mm", MM, Mesiodistal, Apex, "mesiodistal", "mesiodistal deviation at the apex",
		"lateral part at the apex; + = mesial", ""},
	ApexBuccal: {"apex_buccal_mm", MM, Buccolingual, Apex, "buccolingual", "buccolingual deviation at the apex",
		"lateral part at the apex; + = buccal", ""},
	TiltMesial: {"tilt_mesial_deg", Degrees, Mesiodistal, Angle, "mesiodistal tilt", "mesiodistal tilt",
		"tilt; + = the apex tips mesially", ""},
	TiltBuccal: {"tilt_buccal_deg", Degrees, Buccolingual, Angle, "buccolingual tilt", "buccolingual tilt",
		"tilt; + = the apex tips buccally", ""},
}

// Spec is the figure's row of the table.
func (f Figure) Spec() Spec { return specs[f] }

// Heading is the title with a capital letter.
func (f Figure) Heading() string {
	title := specs[f].Title
	return strings.ToUpper(title[:1]) + title[1:]
}

// String is the figure's name in the stored form, with its unit.
func (f Figure) String() string { return specs[f].Name }

// MarshalText writes the figure's name.
func (f Figure) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads what MarshalText writes.
func (f *Figure) UnmarshalText(name []byte) error {
	var err error
	*f, err = ParseFigure(string(name))
	return err
}

// Unit is what the figure is stored in.
func (f Figure) Unit() Unit { return specs[f].Unit }

// Signed reports whether the figure may be negative.
func (f Figure) Signed() bool { return specs[f].Sign != Unsigned }

// Directional reports whether the figure needs the mesial and the buccal
// direction of the site, which may be unknown.
func (f Figure) Directional() bool {
	return specs[f].Sign == Mesiodistal || specs[f].Sign == Buccolingual
}

// Floored reports whether the figure has a measurement floor.
func (f Figure) Floored() bool { return specs[f].Floor != "" }

// Wholes are the figures that are no component of another: they stand for the
// others in summaries and charts.
func Wholes() []Figure {
	return figures(func(f Figure) bool { return specs[f].Whole == f })
}

// Floored are the figures with a measurement floor.
func Floored() []Figure {
	return figures(Figure.Floored)
}

// Components are the figures that a whole is resolved into.
func (f Figure) Components() []Figure {
	return figures(func(part Figure) bool { return part != f && specs[part].Whole == f })
}

// figures are those with a property, in order.
func figures(wanted func(Figure) bool) []Figure {
	var out []Figure
	for f := range FigureCount {
		if wanted(f) {
			out = append(out, f)
		}
	}
	return out
}

// ParseFigure finds a figure by its name in the stored form.
func ParseFigure(name string) (Figure, error) {
	for f := range FigureCount {
		if specs[f].Name == name {
			return f, nil
		}
	}
	return 0, fmt.Errorf("figure %q is not known", name)
}

// PerFigure has something for each figure that could be had, nil for the others.
// Its stored form is an object by the names of the figures, in their order.
type PerFigure[T any] [FigureCount]*T

// Values has a number for each figure that could be had, in its unit.
type Values = PerFigure[float64]

// All gives the figures that are there, in order.
func (p *PerFigure[T]) All() iter.Seq2[Figure, T] {
	return func(yield func(Figure, T) bool) {
		for f, x := range p {
			if x != nil && !yield(Figure(f), *x) {
				return
			}
		}
	}
}

// MarshalJSON writes an object by the names of the figures.
func (p PerFigure[T]) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for f, x := range p.All() {
		text, err := json.Marshal(x)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", f, err)
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		b.WriteString(strconv.Quote(f.String()))
		b.WriteByte(':')
		b.Write(text)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// UnmarshalJSON reads what MarshalJSON writes. A figure that is missing or null
// is nil, never zero.
//
// Errors: a name that is no figure's.
func (p *PerFigure[T]) UnmarshalJSON(text []byte) error {
	var byName map[string]*T
	if err := json.Unmarshal(text, &byName); err != nil {
		return err
	}
	*p = PerFigure[T]{}
	for _, name := range slices.Sorted(maps.Keys(byName)) {
		f, err := ParseFigure(name)
		if err != nil {
			return err
		}
		p[f] = byName[name]
	}
	return nil
}

// Uncertainty has an interval for each figure of a deviation.
type Uncertainty struct {
	Intervals PerFigure[Interval] // stored by the figures' names beside the other fields
	Floor     Values              // what a perfectly placed fixture would show at the 95th percentile
	Budget    []Source
}

// Interval is a figure's standard uncertainty and its 95 % coverage interval.
type Interval struct {
	U    float64 `json:"u"`
	Low  float64 `json:"low95"`
	High float64 `json:"high95"`
}

// uncertaintyRest is what is stored of an Uncertainty behind its intervals.
type uncertaintyRest struct {
	Floor  Values   `json:"floor95"`
	Budget []Source `json:"budget"`
}

// MarshalJSON writes one object: the intervals by the figures' names, then the
// other fields.
func (u Uncertainty) MarshalJSON() ([]byte, error) {
	intervals, err := json.Marshal(u.Intervals)
	if err != nil {
		return nil, err
	}
	rest, err := json.Marshal(uncertaintyRest{u.Floor, u.Budget})
	if err != nil {
		return nil, err
	}
	if intervals = bytes.TrimSuffix(intervals, []byte("}")); len(intervals) > 1 {
		intervals = append(intervals, ',')
	}
	return append(intervals, rest[1:]...), nil
}

// UnmarshalJSON reads what MarshalJSON writes.
func (u *Uncertainty) UnmarshalJSON(text []byte) error {
	var rest uncertaintyRest
	if err := json.Unmarshal(text, &rest); err != nil {
		return err
	}
	var fields map[string]json.RawMessage
	if err := json.Unmarshal(text, &fields); err != nil {
		return err
	}
	delete(fields, "floor95")
	delete(fields, "budget")
	intervals, err := json.Marshal(fields)
	if err != nil {
		return err
	}
	*u = Uncertainty{Floor: rest.Floor, Budget: rest.Budget}
	return json.Unmarshal(intervals, &u.Intervals)
}
