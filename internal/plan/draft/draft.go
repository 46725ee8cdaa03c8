// Package draft starts a case file from what lies in a folder: two scans, or a
// table of planned points, with or without the scans beside it.
//
// Conventions: lengths in mm; points stay in the frame that the table has them
// in, and the draft names it. Start with FromScans or FromTable.
//
// Limits: scans are told apart by date and metal, and frames by where the points
// lie; both are said in a note, for a person to check.
package draft

import (
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"

	"plumbline/internal/geom"
	"plumbline/internal/plan/casefile"
	"plumbline/internal/plan/plantable"
	"plumbline/internal/plan/scanpair"
	"plumbline/internal/regularfile"
	"plumbline/internal/tooth"
)

// Given is what a person says that files do not; "" where they do not say it.
type Given struct {
	Case, Clinician, Placed string
	Numbering               tooth.System
	Frame                   casefile.Frame
	Guidance                casefile.Guidance
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

// FromScans drafts a case for the two scans in a folder. A folder that is not
// there yet gives a draft without scans.
//
// Errors: those of scanpair.Look.
func FromScans(folder string, g Given) (*Draft, error) {
	d := begin(g)
	if _, err := d.scans(folder); err != nil && !errors.Is(err, os.ErrNotExist) {
		return nil, err
	}
	d.Fixtures = []casefile.DraftFixture{{Guidance: g.Guidance}}
	return d, nil
}

// FromTable drafts a case from a table of points, with the scans in the folder
// where there are two.
//
// Errors: what the file system said; plantable.Error for a table that cannot be
// read; FrameError.
func FromTable(table, folder string, g Given) (*Draft, error) {
	d := begin(g)
	pre, noScans := d.scans(folder)
	if err := d.table(table, g.Guidance); err != nil {
		return nil, err
	}
	if noScans == nil {
		d.frame(pre)
		return d, nil
	}
	if d.Frame == "" {
		d.Frame = casefile.LPS
	}
	d.note("no pair of scans lies beside the table, so frame = %q is not checked against them", string(d.Frame))
	return d, nil
}

func begin(g Given) *Draft {
	return &Draft{Draft: casefile.Draft{
		Case: g.Case, Clinician: g.Clinician, Placed: g.Placed, Numbering: g.Numbering, Frame: g.Frame,
	}}
}

func (d *Draft) note(format string, args ...any) {
	d.Notes = append(d.Notes, fmt.Sprintf(format, args...))
}

// scans enters the two scans of a folder and gives the planning scan.
func (d *Draft) scans(folder string) (pre scanpair.Found, err error) {
	pair, err := scanpair.Look(folder)
	if err != nil {
		return pre, err
	}
	pre, post, why, sure := scanpair.Order(pair[0], pair[1])
	d.Pre, d.Post, d.ScanNote = pre.Name, post.Name, "Told apart: "+why+"."
	if !sure {
		d.note("check which scan is which: %s; %s was taken as planning scan", why, pre.Name)
		d.ScanNote = "CHECK which is which: " + why + "."
	}
	return pre, nil
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
		if planned.Length() == 0 {
			return &plantable.Error{File: path, Line: f.Line, Message: "entry and apex are the same point"}
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

// frame finds the frame that puts the whole plan inside the planning scan, where
// nobody says it.
func (d *Draft) frame(pre scanpair.Found) {
	inside := func(frame casefile.Frame) bool {
		return !slices.ContainsFunc(d.Fixtures, func(f casefile.DraftFixture) bool {
			return !pre.Grid.Contains(frame.ToLPS(f.Planned.Entry, pre.Grid)) || !pre.Grid.Contains(frame.ToLPS(f.Planned.Apex, pre.Grid))
		})
	}
	var fit []string
	for _, frame := range casefile.Frames {
		if inside(frame) {
			fit = append(fit, string(frame))
		}
	}
	switch {
	case len(fit) == 0:
		d.note("the points lie outside the planning scan %s, whatever frame they are in; check that the table belongs to it", pre.Name)
	case d.Frame != "" && !slices.Contains(fit, string(d.Frame)):
		d.note("in the frame %s the points lie outside the planning scan; as %s they would lie inside", d.Frame, strings.Join(fit, " or "))
	case d.Frame != "":
	case len(fit) == 1:
		d.Frame = casefile.Frame(fit[0])
		d.note("frame = %q, since only so the points lie inside the planning scan", fit[0])
	default:
		d.Frame = casefile.Frame(fit[0])
		d.note("frame = %q was taken; as %s the points would lie inside the planning scan too, so check which one the planning program writes", fit[0], strings.Join(fit[1:], " or "))
	}
}
