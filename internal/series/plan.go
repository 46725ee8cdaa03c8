package series

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"strings"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/volume"
)

// Plan is what is sealed before surgery: the case file's hash, what it planned, and
// all that the plan rests on, so that a later look can tell a changed plan from an
// edited comment and name what changed. A measurement has the plan that it was
// measured with.
type Plan struct {
	SHA256    string           `json:"sha256"`                // of the case file
	Bare      string           `json:"bare_sha256,omitempty"` // of the same without the line that names the follow-up scan
	Clinician string           `json:"clinician"`
	Placed    string           `json:"placed"` // the date of surgery as planned
	Simulated bool             `json:"simulated,omitempty"`
	Frame     string           `json:"frame"` // of the coordinates, as in the case file
	Fixtures  []PlannedFixture `json:"fixtures"`

	Structures []PlannedStructure `json:"structures"` // nil in seals that do not cover them, as earlier versions made
	Files      []PlanFile         `json:"files,omitempty"`
	PreSHA256  string             `json:"pre_sha256,omitempty"` // of the planning scan's voxels; empty where it was not read

	Doubts []measurement.Flag `json:"doubts,omitempty"` // about the plan, when it was sealed all the same
}

// PlannedStructure is a structure as the case file has it.
type PlannedStructure struct {
	Name   string   `json:"name"`
	Kind   string   `json:"kind"`
	Margin *float64 `json:"margin_mm,omitempty"`   // where the case file gives one
	Line   string   `json:"line_sha256,omitempty"` // of centre line and radii, or of what is to be found, in the plan's frame
}

// PlanFile is a file besides the scans that the plan rests on.
type PlanFile struct {
	What   string `json:"what"` // in words, as in: the surface of "left maxillary sinus"
	Name   string `json:"name"`
	SHA256 string `json:"sha256,omitempty"` // empty where it was not there yet
}

// PlannedFixture is one fixture of a plan; entry and apex are in the plan's frame.
type PlannedFixture struct {
	Site     string     `json:"site"`
	Guidance string     `json:"guidance,omitempty"`
	Entry    [3]float64 `json:"entry"`
	Apex     [3]float64 `json:"apex"`
	Diameter float64    `json:"diameter"`
	Length   float64    `json:"length"`
}

// PlanOf is the plan of a case file, in the frame that the case is in; preSHA256 is
// the hash of the planning scan, empty where it was not read.
func PlanOf(c *casefile.Case, preSHA256 string) Plan {
	p := Plan{SHA256: c.PlanSHA256, Bare: c.BareSHA256, Clinician: c.Clinician, Placed: c.Placed, Simulated: c.Simulated, Frame: string(c.Frame),
		Structures: []PlannedStructure{}, PreSHA256: preSHA256}
	for _, f := range c.Fixtures {
		p.Fixtures = append(p.Fixtures, PlannedFixture{
			Site: f.Site.String(), Guidance: string(f.Guidance),
			Entry: vec3(f.Planned.Entry), Apex: vec3(f.Planned.Apex),
			Diameter: f.Diameter, Length: f.Length,
		})
	}
	for _, st := range c.Structures {
		s := PlannedStructure{Name: st.Name, Kind: string(st.Kind), Margin: st.Margin}
		if len(st.Path) > 0 {
			sum := sha256.Sum256(fmt.Appendln(nil, st.Path, st.Radius))
			s.Line = hex.EncodeToString(sum[:])
		}
		if st.Find != "" {
			sum := sha256.Sum256(fmt.Appendln(nil, st.Find, st.Through))
			s.Line = hex.EncodeToString(sum[:])
		}
		p.Structures = append(p.Structures, s)
	}
	for _, f := range c.Files {
		p.Files = append(p.Files, PlanFile{What: f.What, Name: filepath.Base(f.Path), SHA256: f.SHA256})
	}
	return p
}

// Same reports whether two plans are the same in all that a seal covers.
func (p *Plan) Same(q *Plan) bool {
	return p.sameFile(q) && p.PreSHA256 == q.PreSHA256 && slices.Equal(p.Files, q.Files) &&
		(len(p.Structures) == 0) == (len(q.Structures) == 0)
}

// sameFile reports whether two plans are of one case file, whatever follow-up scan was
// entered in between.
func (p *Plan) sameFile(q *Plan) bool {
	return p.SHA256 == q.SHA256 || p.Bare != "" && p.Bare == q.Bare
}

func vec3(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

// samePlan is how far coordinates may differ and count as the same, mm: more
// than rounding on the way through a frame, less than any planned change.
const samePlan = 1e-6

// planChange says what became of a plan between its seal and the measurement.
type planChange int

const (
	planKept    planChange = iota // the very file
	planEdited                    // another file with the same planned fixtures
	planMoved                     // other planned fixtures
	planUnknown                   // another file, and its coordinates cannot be compared
)

// changed compares the plan with a measurement made later; now is the plan that it
// was made with, nil where its record has none. what is the difference in words.
func (p *Plan) changed(m *measurement.Case, now *Plan) (c planChange, what string) {
	same := p.SHA256 == m.Inputs.PlanSHA256 || now != nil && now.SHA256 == m.Inputs.PlanSHA256 && p.sameFile(now)
	var differ []string
	if !same {
		differ = append(differ, p.otherStructures(now)...)
	}
	differ = append(differ, p.otherFiles(m, now)...)
	moved, comparable := "", true
	if !same {
		moved, comparable = p.otherFixtures(m)
	}
	if moved != "" {
		differ = append([]string{moved}, differ...)
	}
	switch {
	case len(differ) > 0:
		return planMoved, strings.Join(differ, "; ")
	case same:
		return planKept, ""
	case !comparable:
		return planUnknown, "its coordinates count from the corner of the planning scan and cannot be compared"
	}
	return planEdited, "the planned fixtures are the same"
}

// otherFixtures says in words what is another planned fixture; comparable is false
// where coordinates cannot be compared.
func (p *Plan) otherFixtures(m *measurement.Case) (what string, comparable bool) {
	frame := casefile.Frame(p.Frame)
	if frame == casefile.Corner {
		return "", false
	}
	if len(p.Fixtures) != len(m.Fixtures) {
		return fmt.Sprintf("%d fixtures were sealed, %d measured", len(p.Fixtures), len(m.Fixtures)), true
	}
	for _, f := range p.Fixtures {
		i := slices.IndexFunc(m.Fixtures, func(g measurement.Fixture) bool { return g.Site == f.Site })
		if i < 0 {
			return fmt.Sprintf("the fixture at site %s was sealed and not measured", f.Site), true
		}
		now := m.Fixtures[i].Planned
		moved := math.Max(distanceBetween(frame, f.Entry, now.Entry), distanceBetween(frame, f.Apex, now.Apex))
		switch {
		case moved > samePlan:
			return fmt.Sprintf("the planned fixture at site %s moved by %.2f mm", f.Site, moved), true
		case math.Abs(f.Diameter-now.Diameter) > samePlan || math.Abs(f.Length-now.Length) > samePlan:
			return fmt.Sprintf("the planned fixture at site %s has another size", f.Site), true
		}
	}
	return "", true
}

// otherStructures says in words what structures are others than were sealed. One
// that was added takes nothing from what was sealed.
func (p *Plan) otherStructures(now *Plan) []string {
	if now == nil || p.Structures == nil {
		return nil
	}
	var out []string
	for _, was := range p.Structures {
		i := slices.IndexFunc(now.Structures, func(s PlannedStructure) bool { return s.Name == was.Name })
		if i < 0 {
			out = append(out, fmt.Sprintf("%q was sealed and not measured", was.Name))
			continue
		}
		is := now.Structures[i]
		if was.Kind != is.Kind {
			out = append(out, fmt.Sprintf("%q was sealed as kind %q and measured as %q", was.Name, was.Kind, is.Kind))
		}
		if marginWords(was.Margin) != marginWords(is.Margin) {
			out = append(out, fmt.Sprintf("the margin to %q was sealed as %s and measured as %s", was.Name, marginWords(was.Margin), marginWords(is.Margin)))
		}
		if was.Line != is.Line {
			out = append(out, fmt.Sprintf("the centre line or the radius of %q is another than was sealed", was.Name))
		}
	}
	return out
}

func marginWords(mm *float64) string {
	if mm == nil {
		return "the usual one"
	}
	return fmt.Sprintf("%g mm", *mm)
}

// otherFiles says in words what files and scans are others than were sealed.
func (p *Plan) otherFiles(m *measurement.Case, now *Plan) []string {
	var out []string
	for _, was := range p.Files {
		is := func(name, sum string) bool { return name == was.Name && sum == was.SHA256 }
		found := slices.ContainsFunc(m.Inputs.Files, func(f measurement.File) bool { return is(f.Name, f.SHA256) })
		if now != nil {
			found = slices.ContainsFunc(now.Files, func(f PlanFile) bool { return f.What == was.What && f.SHA256 == was.SHA256 })
		}
		if was.SHA256 != "" && !found {
			out = append(out, was.What+" is another file than was sealed")
		}
	}
	if p.PreSHA256 != "" && p.PreSHA256 != m.Inputs.PreSHA256 {
		out = append(out, "the planning scan is another one than was sealed")
	}
	return out
}

// NotCovered says in words what the plan rests on and the seal does not hold; empty
// where it holds everything.
func (p *Plan) NotCovered() string {
	if p.Structures == nil {
		return "structures, their surfaces and the planning scan, as it was made by an earlier version of the program"
	}
	var out []string
	for _, f := range p.Files {
		if f.SHA256 == "" {
			out = append(out, f.What)
		}
	}
	if p.PreSHA256 == "" {
		out = append(out, "the planning scan")
	}
	return strings.Join(out, " and ")
}

// distanceBetween is the distance of a sealed point in its frame and a measured one in LPS.
func distanceBetween(frame casefile.Frame, sealed, measured [3]float64) float64 {
	p := frame.ToLPS(geom.Vec{X: sealed[0], Y: sealed[1], Z: sealed[2]}, volume.Grid{})
	return math.Hypot(math.Hypot(p.X-measured[0], p.Y-measured[1]), p.Z-measured[2])
}
