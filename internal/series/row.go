package series

import (
	"fmt"
	"math"

	"plumbline/internal/anatomy/severity"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// Row is one fixture of one case, the unit of all statistics.
type Row struct {
	Case      string `json:"case"`
	Placed    string `json:"placed"`
	Clinician string `json:"clinician"`
	Site      string `json:"site"` // ISO 3950
	Guidance  string `json:"guidance,omitempty"`
	Evidence  string `json:"evidence,omitempty"`  // that shows the placed fixture: scan or surface
	Simulated bool   `json:"simulated,omitempty"` // nobody was operated on

	PlannedDiameter *float64 `json:"planned_diameter_mm,omitempty"`
	PlannedLength   *float64 `json:"planned_length_mm,omitempty"`

	Deviation measurement.Values  `json:"deviation"`
	U         measurement.Values  `json:"u"` // standard uncertainties
	Floor     *measurement.Values `json:"floor95,omitempty"`
	Second    *measurement.Values `json:"second,omitempty"` // the deviation by the other evidence, where there are both

	Clearance []measurement.Clearance `json:"clearance,omitempty"`
	// Bone is the least bone to buccal, read from the planning scan.
	Bone  *BuccalBone `json:"buccal_bone,omitempty"`
	Doubt bool        `json:"doubt,omitempty"` // not to be relied on
	Flags []string    `json:"flags,omitempty"` // their codes
}

// BuccalBone is the least bone to buccal of a fixture's wall, mm; negative where the wall is
// outside. Nil where it is not known; where the scan gives but a bound, it may be less.
type BuccalBone struct {
	Planned        *float64 `json:"planned_mm,omitempty"`
	Achieved       *float64 `json:"achieved_mm,omitempty"`
	PlannedAtMost  bool     `json:"planned_at_most,omitempty"`
	AchievedAtMost bool     `json:"achieved_at_most,omitempty"`
}

// buccalBone is that of a measured fixture; nil where none is known.
func buccalBone(f *measurement.Fixture) *BuccalBone {
	if f.Surroundings == nil {
		return nil
	}
	var b BuccalBone
	b.Planned, b.PlannedAtMost = f.Surroundings.Planned.LeastBuccal(f.Planned.Diameter / 2)
	if f.Achieved != nil {
		b.Achieved, b.AchievedAtMost = f.Surroundings.Achieved.LeastBuccal(f.Achieved.Diameter / 2)
	}
	if b == (BuccalBone{}) {
		return nil
	}
	return &b
}

// BoneLost is how much of the least bone to buccal was lost between plan and placement, mm;
// nil where either is not known but for a bound.
func (r *Row) BoneLost() *float64 {
	b := r.Bone
	if b == nil || b.Planned == nil || b.Achieved == nil || b.PlannedAtMost || b.AchievedAtMost {
		return nil
	}
	return new(*b.Planned - *b.Achieved)
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
			Case: m.Case, Placed: m.Placed, Clinician: m.Clinician, Site: f.Site, Guidance: f.Guidance, Evidence: f.Evidence, Simulated: m.Simulated,
			PlannedDiameter: positive(f.Planned.Diameter), PlannedLength: positive(f.Planned.Length),
			Clearance: f.Clearance, Doubt: whole.Doubt, Flags: append([]string(nil), codes...),
		}
		note(f.Flags, &r)
		if f.Deviation != nil {
			r.Deviation = *f.Deviation
		}
		if f.Second != nil {
			r.Second = f.Second.Deviation
		}
		if u := f.Uncertainty; u != nil {
			for figure, i := range u.Intervals.All() {
				r.U[figure] = &i.U
			}
			r.Floor = &u.Floor
		}
		r.Bone = buccalBone(f)
		out[i] = r
	}
	return out
}

// RowVerdict is the verdict on a fixture in a few words beside its code.
type RowVerdict struct {
	measurement.Verdict
	Title string
}

// Verdict is what counts most of the fixture, by the usual limits.
func (r *Row) Verdict() RowVerdict {
	v := severity.Fixture(measurement.Fixture{Site: r.Site, Clearance: r.Clearance, Deviation: &r.Deviation}, r.Doubt, severity.UsualLimits)
	return RowVerdict{v, severity.Title(v)}
}

func positive(x float64) *float64 {
	if x > 0 {
		return &x
	}
	return nil
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
	for f := range measurement.FigureCount {
		most := mostMM
		if f.Unit() == measurement.Degrees {
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
	if b := r.Bone; b != nil {
		for _, v := range []*float64{b.Planned, b.Achieved} {
			if v != nil && (math.IsNaN(*v) || math.Abs(*v) > mostMM) {
				return fmt.Errorf("the bone to buccal is %v mm: expected at most %v", *v, mostMM)
			}
		}
	}
	if !some {
		return fmt.Errorf("it has no figure of a deviation")
	}
	return r.checkComponents()
}

// partsAdd is how far a length may be from its parts, mm: the parts are rounded
// to 0.1 mm in many tables, and where the lateral part is read on the planned
// platform's plane it differs by the depth times the tangent of the angle.
const partsAdd = 0.3

// resolved are the lengths with the two components that they are the
// hypotenuse of.
var resolved = [][3]measurement.Figure{
	{measurement.Entry, measurement.EntryLateral, measurement.EntryDepth},
	{measurement.Apex, measurement.ApexLateral, measurement.ApexDepth},
}

// checkComponents checks that a length agrees with its lateral part and depth.
func (r *Row) checkComponents() error {
	for _, f := range resolved {
		d, lateral, depth := r.Deviation[f[0]], r.Deviation[f[1]], r.Deviation[f[2]]
		if d == nil || lateral == nil || depth == nil {
			continue
		}
		if sum := math.Hypot(*lateral, *depth); math.Abs(sum-*d) > partsAdd {
			return fmt.Errorf("%s is %v, but its lateral part %v and depth %v make %.2f", f[0], *d, *lateral, *depth, sum)
		}
	}
	return nil
}
