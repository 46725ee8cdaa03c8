package series

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"

	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// Figure is one of the figures of a deviation.
type Figure int

// The figures, in the order of the table's columns.
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
	figures
)

var figureNames = [figures]string{
	"entry_mm", "entry_lateral_mm", "entry_depth_mm", "apex_mm", "apex_lateral_mm", "apex_depth_mm", "angle_deg",
	"entry_mesial_mm", "entry_buccal_mm", "apex_mesial_mm", "apex_buccal_mm", "tilt_mesial_deg", "tilt_buccal_deg",
}

var figureMeanings = [figures]string{
	"distance of achieved from planned entry", "its part across the planned axis", "its part along the planned axis; + = deeper",
	"distance of achieved from planned apex", "its part across the planned axis", "its part along the planned axis; + = deeper",
	"angle between the two axes",
	"lateral part at the entry; + = mesial", "lateral part at the entry; + = buccal", "lateral part at the apex; + = mesial", "lateral part at the apex; + = buccal",
	"tilt; + = the apex tips mesially", "tilt; + = the apex tips buccally",
}

// String is the figure's name in the measurement JSON, with its unit.
func (f Figure) String() string { return figureNames[f] }

// Unit is "mm" or "deg".
func (f Figure) Unit() string {
	switch f {
	case Angle, TiltMesial, TiltBuccal:
		return "deg"
	}
	return "mm"
}

// Signed tells whether the figure may be negative.
func (f Figure) Signed() bool {
	switch f {
	case Entry, EntryLateral, Apex, ApexLateral, Angle:
		return false
	}
	return true
}

// AllFigures are the figures in order.
func AllFigures() []Figure {
	out := make([]Figure, figures)
	for i := range out {
		out[i] = Figure(i)
	}
	return out
}

// Values has a number for each figure that could be had, nil for the others.
type Values [figures]*float64

// MarshalJSON writes an object by the names of the figures.
func (v Values) MarshalJSON() ([]byte, error) {
	var b bytes.Buffer
	b.WriteByte('{')
	for f, x := range v {
		if x == nil {
			continue
		}
		text, err := json.Marshal(*x)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", Figure(f), err)
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:%s", Figure(f).String(), text)
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// UnmarshalJSON reads what MarshalJSON writes.
func (v *Values) UnmarshalJSON(text []byte) error {
	var m map[string]*float64
	if err := json.Unmarshal(text, &m); err != nil {
		return err
	}
	*v = Values{}
	for f := range v {
		name := Figure(f).String()
		v[f] = m[name]
		delete(m, name)
	}
	for name := range m {
		return fmt.Errorf("figure %q is not known", name)
	}
	return nil
}

// Row is one fixture of one case, the unit of all statistics.
type Row struct {
	Case      string `json:"case"`
	Placed    string `json:"placed"`
	Clinician string `json:"clinician"`
	Site      string `json:"site"` // ISO 3950
	Guidance  string `json:"guidance,omitempty"`

	PlannedDiameter *float64 `json:"planned_diameter_mm,omitempty"`
	PlannedLength   *float64 `json:"planned_length_mm,omitempty"`

	Deviation Values             `json:"deviation"`
	U         Values             `json:"u"` // standard uncertainties
	Floor     *measurement.Floor `json:"floor95,omitempty"`

	Clearance []measurement.Clearance `json:"clearance,omitempty"`
	Doubt     bool                    `json:"doubt,omitempty"` // not to be relied on
	Flags     []string                `json:"flags,omitempty"` // their codes
}

// RowsOf are the rows of a measurement.
func RowsOf(m *measurement.Case) []Row {
	var codes []string
	note := func(flags []measurement.Flag, into *Row) {
		for _, f := range flags {
			into.Flags = append(into.Flags, f.Code)
			into.Doubt = into.Doubt || f.Level == measurement.Doubt
		}
	}
	var whole Row
	note(m.Flags, &whole)
	note(m.Alignment.Flags, &whole)
	codes = whole.Flags
	out := make([]Row, len(m.Fixtures))
	for i := range m.Fixtures {
		f := &m.Fixtures[i]
		r := Row{
			Case: m.Case, Placed: m.Placed, Clinician: m.Clinician, Site: f.Site, Guidance: f.Guidance,
			PlannedDiameter: positive(f.Planned.Diameter), PlannedLength: positive(f.Planned.Length),
			Clearance: f.Clearance, Doubt: whole.Doubt, Flags: append([]string(nil), codes...),
		}
		note(f.Flags, &r)
		if d := f.Deviation; d != nil {
			r.Deviation = Values{&d.Entry, &d.EntryLateral, &d.EntryDepth, &d.Apex, &d.ApexLateral, &d.ApexDepth, &d.Angle,
				d.EntryMesial, d.EntryBuccal, d.ApexMesial, d.ApexBuccal, d.TiltMesial, d.TiltBuccal}
		}
		if u := f.Uncertainty; u != nil {
			r.U = Values{&u.Entry.U, &u.EntryLateral.U, &u.EntryDepth.U, &u.Apex.U, &u.ApexLateral.U, &u.ApexDepth.U, &u.Angle.U,
				of(u.EntryMesial), of(u.EntryBuccal), of(u.ApexMesial), of(u.ApexBuccal), of(u.TiltMesial), of(u.TiltBuccal)}
			r.Floor = &u.Floor
		}
		out[i] = r
	}
	return out
}

func positive(x float64) *float64 {
	if x > 0 {
		return &x
	}
	return nil
}

func of(i *measurement.Interval) *float64 {
	if i == nil {
		return nil
	}
	return &i.U
}

// Jaw and Region split the rows; both are empty for a site that is no tooth.
func (r *Row) Jaw() string {
	n, err := tooth.Parse(r.Site, tooth.ISO3950)
	if err != nil {
		return ""
	}
	return string(n.Jaw())
}

// Region is "anterior" (canine to canine) or "posterior".
func (r *Row) Region() string {
	n, err := tooth.Parse(r.Site, tooth.ISO3950)
	if err != nil {
		return ""
	}
	if n.Anterior() {
		return "anterior"
	}
	return "posterior"
}

// Nearest is the structure of a kind that was planned to be nearest, nil if
// there is none.
func (r *Row) Nearest(kind string) *measurement.Clearance {
	var out *measurement.Clearance
	for i := range r.Clearance {
		if c := &r.Clearance[i]; c.Kind == kind && (out == nil || c.Planned < out.Planned) {
			out = c
		}
	}
	return out
}

// Figures beyond these are slips of typing: a jaw is not larger, and an angle
// between axes ends at 180°.
const (
	mostMM  = 100.0
	mostDeg = 180.0
)

// check refuses rows with figures that cannot be meant.
func (r *Row) check() error {
	if err := checkName(r.Case); err != nil {
		return fmt.Errorf("case: %w", err)
	}
	if err := checkName(r.Clinician); err != nil {
		return fmt.Errorf("clinician: %w", err)
	}
	if err := checkDate(r.Placed); err != nil {
		return err
	}
	if _, err := tooth.Parse(r.Site, tooth.ISO3950); err != nil {
		return fmt.Errorf("site: %w", err)
	}
	switch casefile.Guidance(r.Guidance) {
	case "", casefile.FullGuide, casefile.PilotGuide, casefile.Freehand, casefile.Navigated:
	default:
		return fmt.Errorf("guidance %q is not known; expected %q, %q, %q or %q, or nothing", r.Guidance,
			casefile.FullGuide, casefile.PilotGuide, casefile.Freehand, casefile.Navigated)
	}
	some := false
	for f := range Figure(figures) {
		most := mostMM
		if f.Unit() == "deg" {
			most = mostDeg
		}
		if v := r.Deviation[f]; v != nil {
			some = true
			if math.IsNaN(*v) || math.Abs(*v) > most {
				return fmt.Errorf("%s is %v: expected at most %v", f, *v, most)
			}
			if *v < 0 && !f.Signed() {
				return fmt.Errorf("%s is %v: it cannot be negative", f, *v)
			}
		}
		if u := r.U[f]; u != nil && (math.IsNaN(*u) || *u < 0 || *u > most) {
			return fmt.Errorf("the uncertainty of %s is %v: expected 0 to %v", f, *u, most)
		}
	}
	if !some {
		return fmt.Errorf("it has no figure of a deviation")
	}
	return r.checkSum()
}

// partsAdd is how far a length may be from its parts, mm: the parts are rounded
// to 0.1 mm in many tables, and where the lateral part is read on the planned
// platform's plane it differs by the depth times the tangent of the angle.
const partsAdd = 0.3

// checkSum holds a length against its lateral part and depth.
func (r *Row) checkSum() error {
	for _, f := range []Figure{Entry, Apex} {
		d, lateral, depth := r.Deviation[f], r.Deviation[f+1], r.Deviation[f+2]
		if d == nil || lateral == nil || depth == nil {
			continue
		}
		if sum := math.Hypot(*lateral, *depth); math.Abs(sum-*d) > partsAdd {
			return fmt.Errorf("%s is %v, but its lateral part %v and depth %v make %.2f", f, *d, *lateral, *depth, sum)
		}
	}
	return nil
}
