package casefile

import (
	"time"

	toml "github.com/pelletier/go-toml/v2"
	"gonum.org/v1/gonum/spatial/r3"

	"plumbline/internal/tooth"
)

// text is a case file as it is written. Read understands every field; the comments are
// for people.
type text struct {
	Case      string          `toml:"case" comment:"a pseudonym; never a patient's name"`
	Placed    toml.LocalDate  `toml:"placed" comment:"date of surgery"`
	Clinician string          `toml:"clinician" comment:"a pseudonym"`
	Simulated bool            `toml:"simulated,omitempty" comment:"nobody was operated on"`
	Frame     Frame           `toml:"frame" comment:"of the coordinates, mm: DICOM patient coordinates of the planning scan"`
	Numbering tooth.System    `toml:"numbering"`
	Pre       string          `toml:"pre" comment:"planning scan"`
	Post      string          `toml:"post" comment:"follow-up scan; not there before surgery"`
	Fixtures  []fixtureText   `toml:"fixture"`
	Structure []structureText `toml:"structure,omitempty"`
}

type fixtureText struct {
	Site     string    `toml:"site"`
	Entry    []float64 `toml:"entry,omitempty" comment:"platform centre"`
	Apex     []float64 `toml:"apex,omitempty" comment:"apex point"`
	Mesh     string    `toml:"mesh,omitempty" comment:"the planned fixture's surface"`
	Diameter float64   `toml:"diameter,omitempty"`
	Length   float64   `toml:"length,omitempty"`
	Guidance Guidance  `toml:"guidance,omitempty"`
	PlanU    float64   `toml:"plan_uncertainty,omitempty" comment:"standard uncertainty of each coordinate, mm"`
}

type structureText struct {
	Name    string      `toml:"name"`
	Kind    Kind        `toml:"kind"`
	Find    Find        `toml:"find,omitempty" comment:"in the planning scan"`
	Through [][]float64 `toml:"through,omitempty" comment:"points that it passes through"`
	Path    [][]float64 `toml:"path,omitempty,multiline" comment:"centre line"`
	Radius  []float64   `toml:"radius,omitempty"`
	Surface string      `toml:"surface,omitempty"`
	File    string      `toml:"file,omitempty" comment:"DICOM object"`
	Margin  *float64    `toml:"margin,omitempty"`
	DrawnU  float64     `toml:"drawn_uncertainty,omitempty" comment:"standard uncertainty of the drawn line, mm"`
}

// Text is a case as a case file, with points in its Frame, its fixtures' sites in ISO
// 3950, and files named relative to the case folder, as Pre, Post, Mesh.File and Surface
// are then meant. What has other directions, sizes placed or an alignment of its own is
// not written here.
//
// Errors: a date of surgery that is none.
func (c *Case) Text() ([]byte, error) {
	placed, err := time.Parse(time.DateOnly, c.Placed)
	if err != nil {
		return nil, &Error{Field: "placed", Message: "expected a date as in 2026-03-14"}
	}
	t := text{Case: c.Name, Placed: toml.LocalDate{Year: placed.Year(), Month: int(placed.Month()), Day: placed.Day()}, Clinician: c.Clinician, Simulated: c.Simulated,
		Frame: c.Frame, Numbering: tooth.ISO3950, Pre: c.Pre, Post: c.Post}
	for _, f := range c.Fixtures {
		out := fixtureText{Site: f.Site.String(), Diameter: f.Diameter, Length: f.Length, Guidance: f.Guidance, PlanU: f.PlanUncertainty}
		if f.Mesh != nil {
			out.Mesh = f.Mesh.File
		} else {
			out.Entry, out.Apex = coordinates(f.Planned.Entry), coordinates(f.Planned.Apex)
		}
		t.Fixtures = append(t.Fixtures, out)
	}
	for _, s := range c.Structures {
		t.Structure = append(t.Structure, s.text())
	}
	return toml.Marshal(t)
}

// text is a structure as it is written.
func (s *Structure) text() structureText {
	out := structureText{Name: s.Name, Kind: s.Kind, Find: s.Find, Radius: s.Radius, Surface: s.Surface, Margin: s.Margin, DrawnU: s.DrawnUncertainty}
	if s.Object {
		out.Surface, out.File = "", s.Surface
	}
	for _, p := range s.Path {
		out.Path = append(out.Path, coordinates(p))
	}
	for _, p := range s.Through {
		out.Through = append(out.Through, coordinates(p))
	}
	return out
}

func coordinates(p r3.Vec) []float64 { return []float64{p.X, p.Y, p.Z} }
