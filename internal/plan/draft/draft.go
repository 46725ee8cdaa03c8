// Package draft starts a case file from what there is: one scan or two, a table of
// planned points, a planned fixture's mesh.
//
// Conventions: lengths in mm; points stay in the frame that the table has them
// in, and the draft names it. Start with Begin.
//
// Limits: scans are told apart by date and metal, and frames by where the points
// lie in the arch; both are said in a note, for a person to check. The frame of a
// mesh is not looked for.
package draft

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"plumbline/internal/anatomy/dentalarch"
	"plumbline/internal/dicom/scan"
	"plumbline/internal/geom"
	"plumbline/internal/measurement"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/plantable"
	"plumbline/internal/plan/pseudonym"
	"plumbline/internal/plan/scanpair"
	"plumbline/internal/regularfile"
	"plumbline/internal/tooth"
	"plumbline/internal/trimesh"
)

// Given is what a person says that files do not; "" where they do not say it.
type Given struct {
	Case, Clinician, Placed string
	Numbering               tooth.System
	Frame                   casefile.Frame
	Guidance                casefile.Guidance
	Site                    string // of a mesh, or of a plan that is to be filled in
}

// Draft is a case file to be completed, with what a person has to check in it.
type Draft struct {
	casefile.Draft
	Notes []string
}

// NumberingOpen is the note that the table's tooth numbers may be of either
// numbering.
const NumberingOpen = "the tooth numbers exist in ISO 3950 and in universal numbering; fill in numbering"

// FrameError reports that the axes in a table's headings are those of another
// frame than the one given.
type FrameError struct {
	Given casefile.Frame
	Axes  string // as the headings name them
}

func (e *FrameError) Error() string {
	return fmt.Sprintf("the frame is %q, but the table's headings name the axes %s", e.Given, e.Axes)
}

// Sources are what a case is begun from. Paths are as the caller has them.
type Sources struct {
	Folder string   // of the case file
	Scans  []string // inside the folder; none means those that lie in it
	Table  string   // of planned points, "" where there is none
	Mesh   string   // of a planned fixture inside the folder, "" where there is none
}

// Begin drafts a case. One scan is the planning scan, and of two the draft says which
// is which. Where there is a table or a mesh, a folder without scans will do.
//
// Errors: those of scanpair.Look, scan.Open and pseudonym.Check; what the file system
// said; plantable.Error for a table that cannot be read; FrameError; OutsideError.
func Begin(s Sources, g Given) (*Draft, error) {
	d := &Draft{Draft: casefile.Draft{
		Case: g.Case, Clinician: g.Clinician, Placed: g.Placed, Numbering: g.Numbering, Frame: g.Frame,
	}}
	none := d.scans(s)
	planned := s.Table != "" || s.Mesh != ""
	var named *pseudonym.Error
	// A folder that is not there yet will be made, and so will its scans.
	if none != nil && (errors.As(none, &named) || len(s.Scans) > 0 || !planned && !errors.Is(none, os.ErrNotExist)) {
		return nil, none
	}
	if s.Table != "" {
		if err := d.table(s.Table, g.Guidance); err != nil {
			return nil, err
		}
	}
	if s.Mesh != "" {
		name, err := inside(s.Folder, s.Mesh)
		if err != nil {
			return nil, err
		}
		d.Fixtures = append(d.Fixtures, casefile.DraftFixture{Site: g.Site, Mesh: name, Guidance: g.Guidance})
	}
	if !planned {
		d.Fixtures = []casefile.DraftFixture{{Site: g.Site, Guidance: g.Guidance}}
		return d, nil
	}
	if d.Pre == "" {
		d.Frame = cmp.Or(d.Frame, casefile.LPS)
		d.note("no scan lies beside it, so frame = %q is not checked; plumbline seal checks it once the planning scan is there", string(d.Frame))
		return d, nil
	}
	if s.Table != "" {
		return d, d.frame(filepath.Join(s.Folder, filepath.FromSlash(d.Pre)))
	}
	return d, nil
}

// OutsideError reports a scan or a mesh that does not lie in the folder of its case.
type OutsideError struct{ Folder, Path string }

func (e *OutsideError) Error() string {
	return fmt.Sprintf("%s does not lie in the case folder %s", e.Path, e.Folder)
}

// inside is a path as a case file in folder names it.
//
// Errors: OutsideError.
func inside(folder, path string) (string, error) {
	from, err := filepath.Abs(folder)
	if err != nil {
		return "", err
	}
	to, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	name, err := filepath.Rel(from, to)
	if err != nil || !filepath.IsLocal(name) || name == "." {
		return "", &OutsideError{folder, path}
	}
	return filepath.ToSlash(name), nil
}

func (d *Draft) note(format string, args ...any) {
	d.Notes = append(d.Notes, fmt.Sprintf(format, args...))
}

// scans enters the scans that are named, or those in the folder.
func (d *Draft) scans(s Sources) error {
	var found []scanpair.Found
	if len(s.Scans) == 0 {
		all, other, err := scanpair.Look(s.Folder)
		if err != nil {
			return err
		}
		found = all
		if len(found) == 1 {
			for _, o := range other {
				d.note("left out: %s", o)
			}
		}
	}
	for _, path := range s.Scans {
		name, err := inside(s.Folder, path)
		if err != nil {
			return err
		}
		f, err := scanpair.Open(path)
		if err != nil {
			return err
		}
		f.Name = name
		found = append(found, f)
	}
	for _, f := range found {
		flags, err := pseudonym.Check(&casefile.Case{Name: d.Case, Clinician: d.Clinician}, f.Who)
		if err != nil {
			return err
		}
		for _, flag := range flags {
			d.note("%s", flag.Message)
		}
	}
	if len(found) == 1 {
		d.Pre = found[0].Name
		if date := found[0].Date; date != "" && d.Placed != "" && date > d.Placed {
			d.note("the scan %s is of %s, after the surgery of %s; check that it is the planning scan", d.Pre, date, d.Placed)
		}
		return nil
	}
	pre, post, why, sure := scanpair.Order(found[0], found[1])
	d.Pre, d.Post, d.ScanNote = pre.Name, post.Name, "Told apart: "+why+"."
	if !sure {
		d.note("check which scan is which: %s; %s was taken as planning scan", why, pre.Name)
		d.ScanNote = "CHECK which is which: " + why + "."
	}
	return nil
}

// table enters the fixtures of a table.
func (d *Draft) table(path string, guidance casefile.Guidance) error {
	file, err := regularfile.Open(path)
	if err != nil {
		return err
	}
	defer file.Close()
	data, err := io.ReadAll(io.LimitReader(file, plantable.MaxFile+1))
	if err != nil {
		return err
	}
	table, err := plantable.Read(path, data)
	if err != nil {
		return err
	}
	if d.Numbering == "" {
		d.Numbering = table.Numbering
	}
	if d.Numbering == "" {
		d.note(NumberingOpen)
	}
	switch {
	case d.Frame != "" && table.Axes != "" && d.Frame != casefile.Frame(table.Axes):
		return &FrameError{Given: d.Frame, Axes: table.Axes}
	case d.Frame == "":
		d.Frame = casefile.Frame(table.Axes)
	}
	for _, f := range table.Fixtures {
		label := plantable.Plain(f.Label)
		if label != "" && d.Numbering != "" {
			if _, err := tooth.Parse(label, d.Numbering); err != nil {
				return &plantable.Error{File: path, Line: f.Line, Message: err.Error()}
			}
		}
		planned := geom.Pose{Entry: f.Entry, Apex: f.Apex}
		apart := planned.Length()
		if apart == 0 {
			return &plantable.Error{File: path, Line: f.Line, Message: "entry and apex are the same point"}
		}
		if unit := cmp.Or(casefile.UnitOf(apart, f.Length), casefile.UnitOf(apart, 0)); unit != nil && !casefile.MayBeLength(apart) {
			return &plantable.Error{File: path, Line: f.Line, Message: fmt.Sprintf("entry and apex lie %.2g mm apart; %s", apart, unit.Remedy())}
		}
		d.Fixtures = append(d.Fixtures, casefile.DraftFixture{
			Site: label, Planned: &planned, Decimals: f.Decimals,
			Diameter: f.Diameter, Length: f.Length, Guidance: guidance,
		})
	}
	if len(table.Skipped) > 0 {
		d.note("columns that were left out: %s", strings.Join(table.Skipped, ", "))
	}
	return nil
}

// frame finds the frame in which the plan lies inside the planning scan and where the
// dental arch there has the teeth of its numbers.
func (d *Draft) frame(path string) error {
	pre, err := scan.Open(path, scan.Options{})
	if err != nil {
		return err
	}
	var inside, stand []casefile.Frame
	against := map[casefile.Frame]string{}
	for _, f := range casefile.Frames {
		objection, in := d.objection(f, pre)
		if !in {
			continue
		}
		inside = append(inside, f)
		if against[f] = objection; objection == "" {
			stand = append(stand, f)
		}
	}
	given := d.Frame
	switch {
	case len(inside) == 0:
		d.note("the points lie outside the planning scan %s, whatever frame they are in; check that the table belongs to it", d.Pre)
	case given != "" && !slices.Contains(inside, given):
		d.note("in the frame %s the points lie outside the planning scan; as %s they would lie inside", given, listed(inside, " or "))
	case given != "" && against[given] != "":
		d.note("in the frame %s the plan is in doubt: %s", given, against[given])
	case given != "":
	case len(stand) == 0:
		d.Frame = inside[0]
		d.note("frame = %q was taken, but the plan is in doubt: %s", string(d.Frame), against[d.Frame])
	case len(inside) == 1:
		d.Frame = inside[0]
		d.note("frame = %q, since only so the points lie inside the planning scan", string(d.Frame))
	case len(stand) == 1:
		d.Frame = stand[0]
		d.note("frame = %q, since only so the plan lies where the scan shows the tooth of its number", string(d.Frame))
	default:
		d.Frame = stand[0]
		d.note("frame = %q was taken; as %s the plan would fit the planning scan too, which shows too little to tell, so check which one the planning program writes", string(d.Frame), listed(stand[1:], " or "))
	}
	return nil
}

func listed(frames []casefile.Frame, between string) string {
	words := make([]string, len(frames))
	for i, f := range frames {
		words[i] = string(f)
	}
	return strings.Join(words, between)
}

// objection is what speaks against the points being in a frame, "" where nothing does;
// inside is false where they lie outside the planning scan. Without a numbering the
// sites are not known, and nothing speaks against any.
func (d *Draft) objection(f casefile.Frame, pre *scan.Scan) (words string, inside bool) {
	written := &casefile.Case{Frame: f, Numbering: d.Numbering}
	for _, x := range d.Fixtures {
		site, err := tooth.Parse(x.Site, d.Numbering)
		if err != nil {
			site = 0
		}
		written.Fixtures = append(written.Fixtures, casefile.Fixture{Site: site, Planned: *x.Planned})
	}
	located, _, err := written.Locate(pre.Grid, pre.Grid)
	if err != nil {
		return "", false
	}
	if slices.ContainsFunc(written.Fixtures, func(x casefile.Fixture) bool { return x.Site == 0 }) {
		return "", true
	}
	for _, found := range dentalarch.Find(located, written, &pre.Volume) {
		for _, flag := range found.Flags {
			if flag.Level == measurement.Doubt {
				return flag.Message, true
			}
		}
	}
	return "", true
}

// FollowUpScan is what shows the placed fixtures, to be entered into a case, with what a
// person has to check.
type FollowUpScan struct {
	Enter casefile.FollowUp
	Notes []string
}

// MeshEndings are those of the files that a surface is read from.
var MeshEndings = []string{".stl", ".ply", ".obj"}

// IsMesh reports whether a path is named as a surface is.
func IsMesh(path string) bool {
	return slices.Contains(MeshEndings, strings.ToLower(filepath.Ext(path)))
}

// FollowUpSurface looks at a surface scan and the shape of the scan body seated in it,
// before they are entered into a case.
//
// Errors: OutsideError; those of trimesh.Read.
func FollowUpSurface(c *casefile.Case, path, scanBody string) (*FollowUpScan, error) {
	out := &FollowUpScan{}
	for _, file := range []struct {
		path string
		name *string
	}{{path, &out.Enter.Surface}, {scanBody, &out.Enter.ScanBody}} {
		if file.path == "" {
			continue
		}
		var err error
		if *file.name, err = inside(filepath.Dir(c.File), file.path); err != nil {
			return nil, err
		}
		if _, err := trimesh.Read(file.path); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// FollowUp looks at a follow-up scan before it is entered into a case.
//
// Errors: OutsideError; those of scan.Open and pseudonym.Check; a scan that is the
// planning scan.
func FollowUp(c *casefile.Case, path string) (*FollowUpScan, error) {
	name, err := inside(filepath.Dir(c.File), path)
	if err != nil {
		return nil, err
	}
	post, err := scanpair.Open(path)
	if err != nil {
		return nil, err
	}
	if _, err := pseudonym.Check(c, post.Who); err != nil {
		return nil, err
	}
	same, err := sameFile(path, c.Pre)
	if err != nil {
		return nil, err
	}
	if same {
		return nil, fmt.Errorf("%s is the planning scan of %s; give the scan that was taken after surgery", path, c.File)
	}
	out := &FollowUpScan{Enter: casefile.FollowUp{Scan: name}}
	note := func(format string, args ...any) { out.Notes = append(out.Notes, fmt.Sprintf(format, args...)) }
	switch {
	case post.Date == "":
		note("%s does not say when it was taken, so nothing shows that it is from after surgery", name)
	case post.Date < c.Placed:
		note("%s is of %s, before the surgery of %s; check that it is the follow-up scan, and the date placed", name, post.Date, c.Placed)
	}
	if pre, err := scanpair.Open(c.Pre); err == nil {
		pre.Name = "the planning scan"
		if first, _, why, _ := scanpair.Order(pre, post); first.Name != pre.Name {
			note("%s looks like the planning scan: %s", name, why)
		}
	}
	return out, nil
}

// sameFile reports whether two paths are one file or folder; one that is not there is
// none.
func sameFile(a, b string) (bool, error) {
	x, err := os.Stat(a)
	if err != nil {
		return false, err
	}
	y, err := os.Stat(b)
	if errors.Is(err, os.ErrNotExist) {
		return false, nil
	}
	return err == nil && os.SameFile(x, y), err
}
