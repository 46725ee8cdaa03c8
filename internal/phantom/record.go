package phantom

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"maps"
	"os"
	"path/filepath"

	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/regularfile"
)

// recordSchema names the layout of truth.json.
const recordSchema = "plumbline/phantom/1"

// Record is truth.json. Lengths are mm, angles degrees, coordinates patient LPS
// of the planning scan unless a name says post. What a measurement also has
// stands under the same name.
type Record struct {
	Schema     string            `json:"schema"`
	Note       string            `json:"note"`
	Case       string            `json:"case"`
	PostToPre  [16]float64       `json:"post_to_pre"` // of the fixtures' jaw, row major
	OtherJaw   [16]float64       `json:"other_jaw_post_to_pre"`
	Fixtures   []FixtureRecord   `json:"fixtures"`
	Structures []StructureRecord `json:"structures"`
	Landmarks  []LandmarkRecord  `json:"landmarks"`
	Surface    *SurfaceRecord    `json:"surface,omitempty"`
	Spec       Spec              `json:"spec"`
	// Files are the SHA-256 of the folder's files by their paths in it, with slashes,
	// to tell whether they were changed; see text for truth.json itself.
	Files map[string]string `json:"files"`
}

// text is truth.json, with files that have these hashes and with a hash of itself: the
// SHA-256 of the same without it.
func (r *Record) text(files map[string]string) ([]byte, error) {
	out := *r
	out.Files = maps.Clone(files)
	out.Files[truthName] = ""
	for {
		text, err := json.MarshalIndent(out, "", " ")
		if err != nil || out.Files[truthName] != "" {
			return append(text, '\n'), err
		}
		sum := sha256.Sum256(text)
		out.Files[truthName] = hex.EncodeToString(sum[:])
	}
}

// FixtureRecord is one fixture; what needs an achieved pose is left out where it
// is missing at the follow-up scan.
type FixtureRecord struct {
	Site         string                 `json:"site"`
	Missing      bool                   `json:"missing"`
	Planned      measurement.Placement  `json:"planned"`
	Achieved     *measurement.Placement `json:"achieved,omitempty"`
	AchievedPost *measurement.Placement `json:"achieved_post,omitempty"`
	Mesial       [3]float64             `json:"mesial"` // unit, perpendicular to the planned axis
	Buccal       [3]float64             `json:"buccal"` // unit, perpendicular to both
	Deviation    *measurement.Values    `json:"deviation,omitempty"`
	Clearance    []Clearance            `json:"clearance"`
}

// StructureRecord is a centre line with its radius (one, or one a point), or an
// ellipsoid with the directions of its three radii.
type StructureRecord struct {
	Name   string         `json:"name"`
	Kind   string         `json:"kind"`
	Path   [][3]float64   `json:"path,omitempty"`
	Radius []float64      `json:"radius,omitempty"`
	Centre *[3]float64    `json:"centre,omitempty"`
	Radii  *[3]float64    `json:"radii,omitempty"`
	Axes   *[3][3]float64 `json:"axes,omitempty"`
}

// LandmarkRecord is one point of the fixtures' jaw, each in its own scan.
type LandmarkRecord struct {
	Name string     `json:"name"`
	Pre  [3]float64 `json:"pre"`
	Post [3]float64 `json:"post"`
}

// SurfaceRecord is what is known of a surface scan. Where it stands in the follow-up scan's place
// post_to_pre is its transform as well.
type SurfaceRecord struct {
	SurfaceToPre [16]float64 `json:"surface_to_pre"` // but for how the scan bends
	// Seated is where the scan bodies say that the fixtures lie: off by the errors of their seats.
	// Nil for one that is missing.
	Seated []*measurement.Placement `json:"seated"`
}

// maxRecord bounds truth.json, bytes; that of a full arch has some 100 kB.
const maxRecord = 16 << 20

// IsWhole reports whether a folder has a case that Write made, also where it was worked on.
func IsWhole(dir string) bool {
	if _, err := ReadRecord(dir); err != nil {
		return false
	}
	_, err := os.Stat(filepath.Join(dir, caseName)) // which comes last
	return err == nil
}

// ReadRecord reads the truth of a case folder that Write made.
//
// Errors: when there is none, or it is not a phantom's.
func ReadRecord(dir string) (*Record, error) {
	path := filepath.Join(dir, truthName)
	data, err := regularfile.Read(path, maxRecord)
	if err != nil {
		return nil, err
	}
	var r Record
	if err := json.Unmarshal(data, &r); err != nil {
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	if r.Schema != recordSchema {
		return nil, fmt.Errorf("%s: schema %q, expected %q", path, r.Schema, recordSchema)
	}
	return &r, nil
}

func components(v geom.Vec) [3]float64 { return [3]float64{v.X, v.Y, v.Z} }

func newRecord(s Spec, t Truth, surfaces *Surfaces) *Record {
	r := &Record{
		Schema: recordSchema, Note: "Simulated: no patient's data. mm, degrees, LPS of the planning scan unless a name says post.",
		Case: s.name(), PostToPre: t.PostToPre.Matrix(), OtherJaw: t.OtherJaw.Matrix(), Spec: s,
	}
	if surfaces != nil {
		r.Surface = &SurfaceRecord{SurfaceToPre: surfaces.ToPre.Matrix()}
	}
	for i, f := range t.Fixtures {
		place := func(p geom.Pose) *measurement.Placement {
			return &measurement.Placement{Entry: components(p.Entry), Apex: components(p.Apex), Diameter: f.Diameter, Length: f.Length}
		}
		if surfaces != nil {
			var seated *measurement.Placement
			if !f.Missing {
				seated = place(surfaces.Seated[i])
			}
			r.Surface.Seated = append(r.Surface.Seated, seated)
		}
		out := FixtureRecord{
			Site: f.Site, Missing: f.Missing, Planned: *place(f.Planned), Mesial: components(f.Mesial), Buccal: components(f.Buccal),
			Deviation: f.Deviation, Clearance: f.Clearance,
		}
		if !f.Missing {
			out.Achieved, out.AchievedPost = place(f.Achieved), place(f.AchievedPost)
		}
		r.Fixtures = append(r.Fixtures, out)
	}
	for _, b := range t.Structures {
		out := StructureRecord{Name: b.Name, Kind: b.Kind, Radius: b.Radius}
		for _, p := range b.Path {
			out.Path = append(out.Path, components(p))
		}
		if b.Kind == "sinus" {
			centre, radii := components(b.Centre), components(b.Radii)
			axes := [3][3]float64{components(b.Place.Rotate(geom.Vec{X: 1})), components(b.Place.Rotate(geom.Vec{Y: 1})), components(b.Place.Rotate(geom.Vec{Z: 1}))}
			out.Centre, out.Radii, out.Axes = &centre, &radii, &axes
		}
		r.Structures = append(r.Structures, out)
	}
	for _, l := range t.Landmarks {
		r.Landmarks = append(r.Landmarks, LandmarkRecord{l.Name, components(l.Pre), components(l.Post)})
	}
	return r
}
