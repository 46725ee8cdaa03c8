package practice

import (
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"math"
	"path/filepath"
	"slices"

	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/tooth"
)

// Draft is a plan that is being made. It becomes the case file when it is confirmed.
type Draft struct {
	Clinician  string            `json:"clinician,omitempty"`
	Placed     string            `json:"placed,omitempty"` // the day of surgery, ISO
	Guidance   casefile.Guidance `json:"guidance,omitempty"`
	Fixtures   []Fixture         `json:"fixtures,omitempty"`
	Structures []Structure       `json:"structures,omitempty"`
	// Written are the SHA-256 of the case files that were written from the draft.
	Written []string `json:"written_sha256,omitempty"`
}

// Fixture is a planned fixture of a draft.
type Fixture struct {
	Site     tooth.Number `json:"site"`
	Diameter float64      `json:"diameter,omitempty"` // mm
	Length   float64      `json:"length,omitempty"`   // mm
	Planned  *geom.Pose   `json:"planned,omitempty"`
	Mesh     string       `json:"mesh,omitempty"` // file in the case folder, in place of the pose
	Source   Source       `json:"source,omitempty"`
	Hand
}

// Source is how a fixture's place came into the draft.
type Source string

// The sources.
const (
	FromMesh  Source = "mesh"
	FromTable Source = "table"
	ByHand    Source = "by-hand"
)

// Structure is a structure that was drawn, by a few points of its centre line, or that the
// planning scan is asked for.
type Structure struct {
	Name   string        `json:"name"`
	Kind   casefile.Kind `json:"kind"`
	Points []geom.Vec    `json:"points"` // of a canal that is asked for: that it passes through
	Radius float64       `json:"radius"`
	Find   casefile.Find `json:"find,omitempty"`
	Found  *Found        `json:"found,omitempty"` // a canal as the scan shows it, for pictures
	Margin *float64      `json:"margin,omitempty"`
	Hand
}

// Found is a canal that was followed through the planning scan.
type Found struct {
	Line   []geom.Vec `json:"line"`
	All    float64    `json:"all"`    // its length, mm
	Unseen float64    `json:"unseen"` // and how much of it is bridged
}

// Words says how far a canal was followed.
func (f *Found) Words() string {
	if f.Unseen > 0 {
		return fmt.Sprintf("followed in the planning scan over %.0f mm, of which %.0f mm are not seen and bridged", f.All, math.Ceil(f.Unseen))
	}
	return fmt.Sprintf("followed in the planning scan over %.0f mm, seen all the way", f.All)
}

// Line is a structure's centre line as pictures show it; none where it has no line.
func (s *Structure) Line() []geom.Vec {
	switch {
	case s.Found != nil:
		return s.Found.Line
	case s.Find != "":
		return nil
	}
	return Smooth(s.Points)
}

// Fixture is a site's fixture, nil where the draft has none.
func (d *Draft) Fixture(site tooth.Number) *Fixture {
	for i := range d.Fixtures {
		if d.Fixtures[i].Site == site {
			return &d.Fixtures[i]
		}
	}
	return nil
}

// Missing names what the plan lacks, in words.
func (d *Draft) Missing() []string {
	var out []string
	if d.Placed == "" {
		out = append(out, "the day of surgery")
	}
	if len(d.Fixtures) == 0 {
		out = append(out, "the tooth")
	}
	for _, f := range d.Fixtures {
		if f.Planned == nil && f.Mesh == "" {
			out = append(out, fmt.Sprintf("where the fixture at %s goes", f.Site))
		}
	}
	return out
}

// Save keeps a draft, unless the one on the disk changed since this case was read.
//
// Errors: ErrChanged; ErrConfirmed where a case file stands that was not written from
// it; what the file system said.
func (c *Case) Save(d Draft) error {
	c.folder.mu.Lock()
	defer c.folder.mu.Unlock()
	if err := c.unchanged(); err != nil {
		return err
	}
	return c.save(d)
}

func (c *Case) save(d Draft) error {
	text, err := json.MarshalIndent(d, "", "  ")
	if err != nil {
		return err
	}
	if err := c.write(draftFile, append(text, '\n')); err != nil {
		return err
	}
	c.Draft = d
	c.Mark, err = c.mark()
	return err
}

// ErrChanged says that a plan was changed elsewhere, in another window or by another
// program, after it was shown.
var ErrChanged = errors.New("this plan was changed in another window or by another program meanwhile, and your last step was not taken in; load the plan again to see what stands there now")

// ErrForeign says that a case file is not the page's to write.
var ErrForeign = errors.New("the case file was written or changed by hand and is left as it is; change it there, or begin a new case")

// unchanged reports whether draft and case file are still as they were read.
func (c *Case) unchanged() error {
	now, err := c.mark()
	if err != nil {
		return err
	}
	if now != c.Mark {
		return ErrChanged
	}
	sum, err := c.caseFileSum()
	if err != nil {
		return err
	}
	if sum != "" && !slices.Contains(c.Draft.Written, sum) {
		return ErrForeign
	}
	return nil
}

// caseFileSum is the SHA-256 of the case file, "" where there is none.
func (c *Case) caseFileSum() (string, error) {
	data, err := c.folder.root.ReadFile(filepath.Join(c.Name, casefile.FileName))
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:]), nil
}

// Editable reports whether the page may change the plan.
func (c *Case) Editable() bool { return c.unchanged() == nil }

// Confirm writes the draft as the case file and gives the case as it is then.
//
// Errors: those of Save; a plan that lacks something; *casefile.Error where it cannot be
// meant.
func (c *Case) Confirm() (*Case, error) {
	c.folder.mu.Lock()
	defer c.folder.mu.Unlock()
	if err := c.unchanged(); err != nil {
		return nil, err
	}
	if missing := c.Draft.Missing(); len(missing) > 0 {
		return nil, fmt.Errorf("the plan lacks %s", missing[0])
	}
	text, err := c.Draft.caseFile(c.Name).Text()
	if err != nil {
		return nil, err
	}
	if _, err := casefile.ReadText(filepath.Join(c.Path(), casefile.FileName), text); err != nil {
		return nil, err
	}
	// The draft first: a program that is killed in between leaves a case file that is
	// still known as the page's own.
	sum := sha256.Sum256(text)
	after := c.Draft
	after.Written = append(slices.Clone(after.Written), hex.EncodeToString(sum[:]))
	if err := c.save(after); err != nil {
		return nil, err
	}
	if err := c.write(casefile.FileName, text); err != nil {
		return nil, err
	}
	return c.folder.Case(c.Name)
}

// Read is the draft as a case that is read back, as it would be confirmed: its meshes are
// fitted.
//
// Errors: those of casefile.ReadText.
func (d Draft) Read(c *Case) (*casefile.Case, error) {
	text, err := d.caseFile(c.Name).Text()
	if err != nil {
		return nil, err
	}
	return casefile.ReadText(filepath.Join(c.Path(), casefile.FileName), text)
}

// caseFile is the draft as a case.
func (d *Draft) caseFile(name string) *casefile.Case {
	c := &casefile.Case{Name: name, Placed: d.Placed, Clinician: d.Clinician, Frame: casefile.LPS, Pre: Planning, Post: FollowUp}
	for _, f := range d.Fixtures {
		out := casefile.Fixture{Site: f.Site, Diameter: f.Diameter, Length: f.Length, Guidance: d.Guidance, PlanUncertainty: f.Uncertainty}
		if f.Mesh != "" {
			out.Mesh = &casefile.Mesh{File: f.Mesh}
		} else {
			out.Planned = *f.Planned
		}
		c.Fixtures = append(c.Fixtures, out)
	}
	for _, s := range d.Structures {
		if s.Find != "" {
			c.Structures = append(c.Structures, casefile.Structure{Name: s.Name, Kind: s.Kind, Find: s.Find, Through: s.Points, Margin: s.Margin})
			continue
		}
		path := Smooth(s.Points)
		radius := make([]float64, len(path))
		for i := range radius {
			radius[i] = s.Radius
		}
		c.Structures = append(c.Structures, casefile.Structure{Name: s.Name, Kind: s.Kind, Path: path, Radius: radius, Margin: s.Margin, DrawnUncertainty: s.Uncertainty})
	}
	slices.SortFunc(c.Fixtures, func(a, b casefile.Fixture) int { return int(a.Site) - int(b.Site) })
	return c
}
