// Package measurement is the measurement of one case as it is printed, stored and
// read again: plain data with the names and units of the stored JSON. It has no
// logic beyond asking what is there. The table of figures says what each
// deviation is called, its unit, and the words for its sign: all packages that
// compute, store or print deviations loop over it.
//
// Conventions: lengths are mm, angles degrees, coordinates patient LPS of the
// planning scan. A figure that could not be had is nil, never zero. Start with
// Read.
package measurement

import (
	"bytes"
	"encoding/json"
	"reflect"
	"slices"
)

// Schema names the stored form; a reader refuses another one.
const Schema = "plumbline/measurement/1"

// Level says what a flag does to trust in the figures.
type Level string

const (
	// Doubt means that the figures are not to be relied on; exit status 3.
	Doubt Level = "doubt"
	// Notice tells how a figure came about and leaves it trusted.
	Notice Level = "notice"
)

// Flag is a remark with a stable code and a reason in plain words.
type Flag struct {
	Code    Code   `json:"code"`
	Message string `json:"message"`
	Level   Level  `json:"level"`
}

// Prefixed is flags whose messages begin with what they are about.
func Prefixed(about string, flags []Flag) []Flag {
	out := make([]Flag, len(flags))
	for i, f := range flags {
		f.Message = about + ": " + f.Message
		out[i] = f
	}
	return out
}

// Flags are remarks; none are an empty list in the stored form, never null.
type Flags []Flag

// MarshalJSON writes a list, also where there is none.
func (f Flags) MarshalJSON() ([]byte, error) {
	if f == nil {
		return []byte("[]"), nil
	}
	// Whether < and > are escaped is left to the encoder around this one.
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	err := enc.Encode([]Flag(f))
	return b.Bytes(), err
}

// UnmarshalJSON reads what MarshalJSON writes; an empty list is nil.
func (f *Flags) UnmarshalJSON(data []byte) error {
	var list []Flag
	err := json.Unmarshal(data, &list)
	if len(list) == 0 {
		list = nil
	}
	*f = list
	return err
}

// Case is the measurement of one surgery.
type Case struct {
	Schema    string    `json:"schema"`
	Case      string    `json:"case"`
	Placed    string    `json:"placed"` // ISO date
	Clinician string    `json:"clinician"`
	Simulated bool      `json:"simulated,omitempty"` // nobody was operated on: of a phantom
	Verdict   *Verdict  `json:"verdict,omitempty"`   // the gravest of the fixtures
	Program   Program   `json:"program"`
	Inputs    Inputs    `json:"inputs"`
	Alignment Alignment `json:"alignment"`
	Fixtures  []Fixture `json:"fixtures"`
	Flags     Flags     `json:"flags"`
}

// Program says what measured.
type Program struct {
	Version string `json:"version"`
	Seed    uint64 `json:"seed"` // of every random number drawn for this case
}

// Inputs says what was measured. Hashes are SHA-256, hex.
type Inputs struct {
	PlanSHA256 string `json:"plan_sha256"`
	PreSeries  string `json:"pre_series"`  // Series Instance UID
	PostSeries string `json:"post_series"` // Series Instance UID
	PreSHA256  string `json:"pre_sha256"`  // of the voxels and their geometry
	PostSHA256 string `json:"post_sha256"`
	PreDate    string `json:"pre_date,omitempty"`  // on which the planning scan was taken, ISO, where it says so
	PostDate   string `json:"post_date,omitempty"` // likewise of the follow-up scan
	PreFrame   string `json:"pre_frame,omitempty"` // Frame of Reference UID of the planning scan, where it states one
	Files      []File `json:"files,omitempty"`     // that the case file names besides the scans
}

// Same tells whether the same was measured. Dates and the frame do not tell: earlier
// versions of the program did not store them.
func (in Inputs) Same(other Inputs) bool {
	files := slices.EqualFunc(in.Files, other.Files, func(a, b File) bool {
		return a.Name == b.Name && a.SHA256 == b.SHA256 && a.Site == b.Site
	})
	in.Files, other.Files = nil, nil
	in.PreDate, in.PostDate, other.PreDate, other.PostDate = "", "", "", ""
	in.PreFrame, other.PreFrame = "", ""
	return files && reflect.DeepEqual(in, other)
}

// File is a file that went into a measurement.
type File struct {
	Name       string   `json:"name"`
	SHA256     string   `json:"sha256"`
	Site       string   `json:"site,omitempty"`            // of the fixture that is planned in it
	ResidualMM *float64 `json:"fit_residual_mm,omitempty"` // of that fixture's fit, root mean square
}

// Alignment is how the follow-up scan was brought to the planning scan.
type Alignment struct {
	Method    string             `json:"method"`
	PostToPre [16]float64        `json:"post_to_pre"`                 // row major
	Found     *[16]float64       `json:"found_post_to_pre,omitempty"` // as the scans show it, where a given one disagrees with them
	Quality   map[string]float64 `json:"quality,omitempty"`           // each name ends in its unit
	Flags     Flags              `json:"flags"`
}

// Fixture is one planned and achieved fixture.
type Fixture struct {
	Site        string       `json:"site"`
	Guidance    string       `json:"guidance,omitempty"`
	Evidence    string       `json:"evidence,omitempty"` // what the achieved pose is from: scan or surface
	Planned     Placement    `json:"planned"`
	Achieved    *Placement   `json:"achieved,omitempty"`
	LengthSeen  *bool        `json:"length_seen,omitempty"`     // the record shows the length; absent where it is not looked into for it
	LengthFound *Estimate    `json:"length_found_mm,omitempty"` // the length that it shows
	Deviation   *Values      `json:"deviation,omitempty"`
	Uncertainty *Uncertainty `json:"uncertainty,omitempty"`
	Clearance   []Clearance  `json:"clearance,omitempty"`
	// Surroundings are read from the planning scan; absent where it shows no bone there.
	Surroundings *Surroundings `json:"surroundings,omitempty"`
	Verdict      *Verdict      `json:"verdict,omitempty"`
	Second       *Second       `json:"second,omitempty"` // where the case has two kinds of evidence
	Flags        Flags         `json:"flags"`
}

// Second is the same fixture as other evidence shows it, found without the first.
type Second struct {
	Evidence    string       `json:"evidence"`
	Achieved    Placement    `json:"achieved"`
	Deviation   *Values      `json:"deviation"`
	Uncertainty *Uncertainty `json:"uncertainty"`
	// Agrees says that both lie within their uncertainties of each other, at 95 %.
	// Absent where the first shows no fixture.
	Agrees     *bool       `json:"agrees,omitempty"`
	Difference *Difference `json:"difference,omitempty"`
}

// Difference is how far apart two achieved poses are.
type Difference struct {
	Entry float64 `json:"entry_mm"`
	Apex  float64 `json:"apex_mm"`
	Angle float64 `json:"angle_deg"`
}

// Estimate is a value and its standard uncertainty.
type Estimate struct {
	Value float64 `json:"value"`
	U     float64 `json:"u"`
}

// Placement is a fixture's place and size.
type Placement struct {
	Entry    [3]float64 `json:"entry"`
	Apex     [3]float64 `json:"apex"`
	Diameter float64    `json:"diameter"`
	Length   float64    `json:"length"`
}

// Source is one contribution to the uncertainty of a fixture's pose: standard
// uncertainties at entry and apex along and across the axis, and of the angle.
type Source struct {
	Name        string  `json:"name"`
	EntryAlong  float64 `json:"entry_along_mm"`
	EntryAcross float64 `json:"entry_across_mm"` // per direction
	ApexAlong   float64 `json:"apex_along_mm"`
	ApexAcross  float64 `json:"apex_across_mm"` // per direction
	Angle       float64 `json:"angle_deg"`      // per direction
}

// Clearance is the distance from a fixture to one structure.
type Clearance struct {
	Structure string   `json:"structure"`
	Kind      string   `json:"kind"`
	Planned   float64  `json:"planned_mm"`
	Achieved  *float64 `json:"achieved_mm,omitempty"`
	Low       *float64 `json:"low95_mm,omitempty"`
	High      *float64 `json:"high95_mm,omitempty"`
	Margin    *float64 `json:"margin_mm,omitempty"`
	Share     *Share   `json:"share,omitempty"`
	// Found says that the planning scan showed the structure, which nobody drew. Its surface
	// is then where bone ends; AirPlanned and AirAchieved are the distances to where the
	// mucosa in front of the bone ends, of a cavity.
	Found       bool     `json:"found,omitempty"`
	AirPlanned  *float64 `json:"air_planned_mm,omitempty"`
	AirAchieved *float64 `json:"air_achieved_mm,omitempty"`
	// MarginSource says who asks for the margin, and Breached is the probability
	// that it is not kept.
	MarginSource string   `json:"margin_source,omitempty"`
	Breached     *float64 `json:"breach_probability,omitempty"`
}

// InDoubt tells whether any flag of the case says that figures are not to be
// relied on.
func (c *Case) InDoubt() bool {
	doubt := func(flags Flags) bool {
		for _, f := range flags {
			if f.Level == Doubt {
				return true
			}
		}
		return false
	}
	if doubt(c.Flags) || doubt(c.Alignment.Flags) {
		return true
	}
	for _, f := range c.Fixtures {
		if doubt(f.Flags) {
			return true
		}
	}
	return false
}
